// The sign of covered text, and the way to lift the cover.
import { blind } from '../model/settings';
import type { Cell } from './cell';
import { coverable, coversOf, covering, lift } from './covers';

export function TextSign({ cell }: { cell: Cell }) {
  void cell.covered.value; // the server's answer came
  const object = cell.object.value;
  const c = coversOf(object);
  if (!blind.value || !cell.info.value?.picture || !c) return null;
  if (!c.scanned) return <p class="text-sign" role="note">Text on this picture is not covered: {c.unsure}.</p>;
  const note = c.searched ? 'Covered: everything beside the scanned area, and text in colour inside it. White text inside is not found.' : `Covered: everything beside the scanned area. ${c.unsure[0]!.toUpperCase()}${c.unsure.slice(1)}.`;
  if (!c.covers.length || !coverable(cell)) return null;
  const on = covering(cell);
  return (
    <p class={`text-sign ${on ? '' : 'lifted'}`} role="status" title={note}>
      <span>{on ? 'Text covered while blind' : 'Text shown; readings here say so'}</span>
      <button onClick={() => lift(cell)} aria-pressed={!on} title="Shift+T"><span>{on ? 'Show' : 'Cover'}<span class="which"> text</span></span></button>
    </p>
  );
}
