// One draft out of three: what the person changed here (base to mine) laid over what was stored meanwhile (base to
// theirs). Only where both changed the same thing to something different is there a clash, and a person decides.
import type { Content } from './draft';

export interface Clash { part: string; id: string; mine: unknown; theirs: unknown }
type Bag = Record<string, unknown>;
type Item = { id: string };

const same = (a: unknown, b: unknown) => canonical(a) === canonical(b);
/** Text of a value whatever the order of its members; who changed it last is the server's to say. */
function canonical(v: unknown): string {
  if (Array.isArray(v)) return `[${v.map(canonical).join()}]`;
  if (v && typeof v === 'object')
    return `{${Object.entries(v).filter(([k, x]) => k !== 'who' && x !== undefined).sort(([a], [b]) => (a < b ? -1 : 1)).map(([k, x]) => `${k}:${canonical(x)}`).join()}}`;
  return JSON.stringify(v) ?? '';
}

function bags(part: string, base: Bag, mine: Bag, theirs: Bag, clashes: Clash[]): Bag {
  const out: Bag = {};
  for (const id of new Set([...Object.keys(theirs), ...Object.keys(mine)])) {
    const [b, m, t] = [base[id], mine[id], theirs[id]];
    let v = m;
    if (same(m, b)) v = t;
    else if (!same(t, b) && !same(m, t)) clashes.push({ part, id, mine: m, theirs: t });
    if (v !== undefined) out[id] = v;
  }
  return out;
}

/** Chosen pictures: what was added and taken away here, done to the list as it is now. */
function chosen(base: string[], mine: string[], theirs: string[]): string[] {
  const stays = (id: string) => theirs.includes(id) || !base.includes(id);
  return [...mine.filter(stays), ...theirs.filter((id) => !mine.includes(id) && !base.includes(id))];
}

const byId = (list: Item[] | undefined): Bag => Object.fromEntries((list ?? []).map((x) => [x.id, x]));

/** `shown`: the pictures proposed for the report, which are meant while no draft names any. */
export function merge(base: Content, mine: Content, theirs: Content, shown: string[]): { content: Content; clashes: Clash[] } {
  const clashes: Clash[] = [];
  const parts = (c: Content) => {
    const { sentences = {}, added, return_date = '', no_return = false, ...rest } = c.edits ?? {};
    return { sentences: sentences as Bag, added: byId(added), rest: { ...rest, again: { return_date, no_return } } as Bag, settings: { ...c.settings } as Bag };
  };
  const [b, m, t] = [parts(base), parts(mine), parts(theirs)];
  const [of, mineOf, theirsOf] = [b, m, t].map(({ settings: s }) => { const p = s['pictures']; delete s['pictures']; return p as string[] | undefined; });
  const settings = bags('settings', b.settings, m.settings, t.settings, clashes);
  if (mineOf || theirsOf) settings['pictures'] = chosen(of ?? shown, mineOf ?? of ?? shown, theirsOf ?? of ?? shown);
  const { again, ...rest } = bags('edits', b.rest, m.rest, t.rest, clashes);
  const edits = { ...rest, ...(again as object), sentences: bags('sentences', b.sentences, m.sentences, t.sentences, clashes),
    added: Object.values(bags('added', b.added, m.added, t.added, clashes)) } as Content['edits'];
  return { content: { ...theirs, edits, settings }, clashes };
}
