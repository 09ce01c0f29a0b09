// Two people changed the same words: both are shown, and who is here decides.
import { ask } from '../ui/dialog';
import { more } from './facts';
import type { Clash } from './merge';

const partName: Record<string, string> = { again: 'Return visit', language: 'Language of the report', pictures: 'Pictures' };

function words(c: Clash, v: unknown): string {
  if (v === undefined) return c.part === 'added' ? 'taken out' : 'as proposed';
  if (typeof v !== 'object' || v === null) return String(v);
  const o = v as { text?: string; hidden?: boolean; return_date?: string; no_return?: boolean };
  if (c.id === 'again' && c.part === 'edits') return o.no_return ? 'none' : o.return_date || 'as proposed';
  return o.hidden ? 'left out' : o.text ?? JSON.stringify(v);
}

function nameOf(c: Clash): string {
  const s = [...(more.value.sentences ?? []), ...(more.value.sentences_left_out ?? [])].find((x) => x.id === c.id);
  return partName[c.id] ?? (c.part === 'added' ? 'A sentence of your own' : s ? s.text : c.id);
}

export async function askClash(list: Clash[], by: string | null): Promise<boolean> {
  return await ask({
    title: 'The same words were changed meanwhile',
    body: <div class="stack">{list.map((c) => (
      <div key={c.part + c.id} class="clash"><p><b>{nameOf(c)}</b></p>
        <p>{by || 'Stored'}: <q>{words(c, c.theirs)}</q></p><p>Yours: <q>{words(c, c.mine)}</q></p></div>))}</div>,
    yes: 'Store mine', no: 'Leave theirs' }) !== undefined;
}
