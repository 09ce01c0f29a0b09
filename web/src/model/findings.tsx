// Findings stored with what was seen when they were made: nobody's finding is replaced unseen. What others recorded
// meanwhile stays when many are stored at once, and is shown and asked about when one is.
import { ApiError, send, who } from '../api';
import { ask } from '../ui/dialog';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { answer, examId, fetuses, reload } from './exam';

/** supersedes: id of the finding on the screen, '' when there was none. */
export interface FindingBody {
  fetus: string; structure: string; state: string; reason?: string; text?: string; objects?: string[]; data?: { critical?: boolean }; supersedes: string;
}
export interface Kept extends FindingBody { id: string }
interface Current { id: string; fetus: string; structure: string; state: string; reason?: string; text?: string; who?: string; superseded_by?: string | null }

const words: Record<string, string> = { normal: 'seen, normal', abnormal: 'abnormal', 'not-seen': 'not seen', removed: 'taken back' };
const sameFetus = (a: string, b: string) => a === b || (fetuses.value.length < 2 && (!a || !b)); // of one, the letter may be left out
const current = (f: { fetus: string; structure: string }): Current | undefined =>
  ((answer.value?.exam.findings ?? []) as Current[]).filter((x) => !x.superseded_by && x.state !== 'note' && x.structure === f.structure && sameFetus(x.fetus, f.fetus)).at(-1);
/** The id to name as superseded for what is on the screen now. */
export const seenFinding = (fetus: string, structure: string): string => {
  const c = current({ fetus, structure });
  return c && c.state !== 'removed' ? c.id : '';
};
const stale = (f: FindingBody) => seenFinding(f.fetus, f.structure) !== f.supersedes;
const alike = (f: FindingBody, c: Current | undefined) =>
  c !== undefined && f.state === c.state && (f.reason ?? '') === (c.reason ?? '') && (f.text ?? '') === (c.text ?? '');

/** What is still to be stored after others were faster; undefined: the person leaves it. */
async function sortOut(items: FindingBody[], names: Map<string, string>): Promise<FindingBody[] | undefined> {
  const changed = items.filter(stale);
  const by = [...new Set(changed.map((f) => current(f)?.who ?? 'somebody'))].join(', ');
  if (items.length > 1) {
    tell(`${changed.length === 1 ? 'One was' : `${changed.length} were`} recorded by ${by} meanwhile and ${changed.length === 1 ? 'stays' : 'stay'} so.`);
    return items.filter((f) => !stale(f));
  }
  const [f] = items as [FindingBody];
  const c = current(f);
  if (alike(f, c)) return [];
  const state = c ? [words[c.state] ?? c.state, c.reason, c.text].filter(Boolean).join(', ') : 'taken back';
  const over = await ask({ title: `${names.get(f.structure) ?? f.structure}: recorded meanwhile`, body: <p>{by}: <b>{state}</b>. Yours: <b>{[words[f.state] ?? f.state, f.reason, f.text].filter(Boolean).join(', ')}</b>.</p>, yes: 'Store mine over it', no: 'Leave it' });
  return over === undefined ? undefined : [{ ...f, supersedes: seenFinding(f.fetus, f.structure) }];
}

/** Stores all of them or none; the rows as they were stored, or undefined when nothing was (the reason has been shown). */
export async function keepFindings(items: FindingBody[], names = new Map<string, string>()): Promise<Kept[] | undefined> {
  if (!who.value && !await askName()) return undefined;
  let list: FindingBody[] | undefined = items;
  try {
    while (list?.length) {
      try {
        const { ids } = await send<{ ids: string[] }>('POST', `/api/exams/${examId.value}/findings`, { items: list });
        await reload();
        return list.map((f, i) => ({ ...f, id: ids[i]! }));
      } catch (e) {
        if (!(e instanceof ApiError && e.code === 'conflict')) throw e;
        await reload();
        if (!list.some(stale)) throw e;
        list = await sortOut(list, names);
      }
    }
    return list && [];
  } catch (e) {
    trouble(e);
    return undefined;
  }
}
