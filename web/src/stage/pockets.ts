// Amniotic fluid by four quadrants: one tool, four vertical pockets one after another, on one picture or on several. Each
// is stored as a reading of its own as soon as it is accepted; the index is their sum, which the server derives.
import { computed } from '@preact/signals';
import { examId, facts, fetus, ledger, quantities, reload } from '../model/exam';
import { sendMeasurement } from '../model/outbox';
import { newKey } from '../model/words';
import { tell, trouble } from '../ui/notices';
import { rememberMeasured } from './measuring';
import { armed, draft, tool, type Armed } from './tools';

export const quadrants = ['afi-q1', 'afi-q2', 'afi-q3', 'afi-q4'];
export const isQuadrant = (id: string): boolean => quadrants.includes(id);

export const measured = (id: string) => ledger.value.some((r) => r.quantity === id && (r.fetus || 'A') === fetus.value && r.state === 'accepted');

function armedFor(list: string[]): Armed {
  const id = list[0]!;
  const q = quantities.value.get(id);
  return { key: `${fetus.value}/${id}`, quantities: [id], label: q?.symbol ?? id, covers: [...quadrants, 'afi'], pockets: { left: list.slice(1) } };
}

/** The pockets that are to be placed, from this one on; those that have a reading already are left out, unless all have. */
export function startPockets(from?: string): boolean {
  if (!quantities.value.get(quadrants[0]!)) return false;
  const open = quadrants.filter((id) => !measured(id) || id === from);
  const list = open.length ? open : quadrants;
  const at = Math.max(0, from ? list.indexOf(from) : 0);
  armed.value = armedFor([...list.slice(at), ...list.slice(0, at)]);
  draft.value = undefined;
  tool.value = 'pocket';
  return true;
}

/** Goes on at once, so that the hand need not wait for the record. */
export function nextPocket(a: Armed): void {
  const left = a.pockets?.left ?? [];
  if (!left.length) return;
  armed.value = armedFor(left);
  tool.value = 'pocket';
}

/** The stored pockets of the set in the hand, for the prompt. */
export const placed = computed(() => quadrants.filter(measured).length);

/** Said once the record has the last pocket; until then nothing about the sum is shown. */
export function pocketsDone(): void {
  const missing = quadrants.filter((id) => !measured(id)).map((id) => quantities.value.get(id)?.symbol ?? id);
  if (missing.length) { tell(`Pocket stored. No index yet: ${missing.join(', ')} missing.`); return; }
  const v = facts.value?.values?.find((x) => x.quantity === 'afi' && (x.fetus || 'A') === fetus.value);
  tell(v?.value !== undefined ? `Four pockets stored. ${v.symbol} ${v.text ?? v.value.toFixed(0)} ${v.unit}.` : 'Four pockets stored.');
}

/** A pocket that the record refused comes again after the others; what is in the hand meanwhile stays there. */
export function pocketRefused(a: Armed, e: unknown): void {
  trouble(e);
  const id = a.quantities[0]!;
  const now = armed.value;
  if (!now?.pockets) { armed.value = armedFor([id]); tool.value = 'pocket'; return; }
  armed.value = { ...now, pockets: { ...now.pockets, left: [...now.pockets.left, id] } };
  tell(`${a.label} is not stored; it comes again after the others.`);
}

/** The last pocket was taken back: it is the next one to be placed. */
export function pocketUndone(ids: string[]): void {
  const id = ledger.value.find((r) => ids.includes(r.id))?.quantity;
  if (id && isQuadrant(id) && (!armed.value || (armed.value.pockets && !draft.value))) startPockets(id);
}

/** No fluid in this quadrant: nought, said by the person, with no geometry to show for it. */
export async function emptyPocket(): Promise<void> {
  const a = armed.value;
  if (!a?.pockets) return;
  const exam = examId.value;
  armed.value = undefined;
  draft.value = undefined;
  tool.value = 'look';
  nextPocket(a);
  try {
    const stored = await sendMeasurement({ key: newKey(), exam, label: a.label,
      body: { fetus: fetus.value, typed: { quantity: a.quantities[0], value: 0, unit: 'mm' }, why: a.why ?? '' } });
    rememberMeasured(stored.rows.map((r) => r.id), exam, `${a.label}: no pocket`);
    await reload();
    if (a.pockets.left.length) tell(`${a.label}: no pocket, stored.`);
    else pocketsDone();
  } catch (e) { pocketRefused(a, e); }
}
