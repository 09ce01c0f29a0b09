// The draft behind the next report: changed sentences, chosen pictures, the return visit. Every save says which version it saw.
import { signal } from '@preact/signals';
import { ApiError, get, send, who } from '../api';
import { examId, reload } from '../model/exam';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { askClash } from './clash';
import { more, type OpenItem } from './facts';
import { merge } from './merge';

export interface Edits { sentences?: Record<string, { text?: string; hidden?: boolean; who?: string }>; added?: { id: string; text: string; who?: string }[]; return_date?: string; no_return?: boolean }
export interface Content { edits?: Edits; settings?: Record<string, unknown> }
export interface StoredReport {
  id: string; number: number; state: 'draft' | 'signed' | 'amended'; amends: string | null; amended_by: string | null; reason: string; sha256: string; when: string;
  signatures: { name: string; role: string; when: string; who: string }[];
}
export interface Signing {
  seen: string; pages: number; open: OpenItem[]; draft: { content: Content; version: number; who: string | null; when: string | null }; reports: StoredReport[];
  changes: { what: string; before: string; after: string }[] | null; awaits_second: boolean; second_needed: boolean; may_sign: boolean;
}
export const signing = signal<Signing | undefined>(undefined);

export async function loadSigning(): Promise<void> {
  if (!examId.value) return;
  try { signing.value = await get<Signing>(`/api/exams/${examId.value}/sign`); } catch (e) { trouble(e); }
}

type Draft = Signing['draft'];
const readDraft = (exam: string) => get<Draft>(`/api/exams/${exam}/draft`);

/** Stores `mine`, made from the draft `seen`. When the stored draft is another by now, the change is laid over that one;
 * a person is asked only when somebody changed the very same thing. False: not stored, and the person keeps the words. */
async function put(exam: string, seen: Draft, mine: Content, pictures: string[]): Promise<boolean> {
  let content = mine;
  let version = seen.version;
  for (;;) {
    try {
      await send('PUT', `/api/exams/${exam}/draft`, { content, version });
      return true;
    } catch (e) {
      if (!(e instanceof ApiError && e.code === 'conflict')) throw e;
      const now = await readDraft(exam);
      if (now.version === version) throw e; // refused for another reason
      const m = merge(seen.content, mine, now.content, pictures);
      if (m.clashes.length && !await askClash(m.clashes, now.who)) return false;
      if (now.who && now.who !== who.value) tell(`${now.who} changed the report meanwhile. Both changes are kept.`);
      content = m.content;
      version = now.version;
    }
  }
}

let last: Promise<unknown> = Promise.resolve();
/** Changes follow each other, each from what the person saw when making it. */
async function save(fn: (c: Content) => void, from?: Draft): Promise<boolean> {
  if (!who.value && !await askName()) return false;
  const exam = examId.value;
  try {
    const seen = from ?? signing.value?.draft ?? await readDraft(exam);
    const pictures = (more.value.pictures ?? []).filter((p) => p.chosen).sort((a, b) => (a.order ?? 0) - (b.order ?? 0)).map((p) => p.object);
    const content = structuredClone(seen.content);
    fn(content);
    const turn = last.then(() => put(exam, seen, content, pictures));
    last = turn.catch(() => undefined);
    const stored = await turn;
    await reload();
    await loadSigning();
    return stored;
  } catch (e) {
    trouble(e);
    await loadSigning();
    return false;
  }
}

/** `seen`: the draft that the person read, when it was opened a while ago. */
export const saveEdits = (fn: (e: Edits) => void, seen?: Draft) => save((c) => { c.edits ??= {}; fn(c.edits); }, seen);
export const saveSettings = (fn: (s: Record<string, unknown>) => void) => save((c) => { c.settings ??= {}; fn(c.settings); });
