// Members of the facts that the report and coverage pages read (docs/facts.md).
import { computed } from '@preact/signals';
import { send, who } from '../api';
import { facts, reload } from '../model/exam';
import { keepFindings, type FindingBody } from '../model/findings';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';

export type State = 'normal' | 'abnormal' | 'not-seen' | 'missing';
export interface Structure {
  key: string; fetus: string; structure: string; name: string; about?: string; group: string; need: string; required: boolean; state: State;
  reason?: string; text?: string; objects?: string[]; suggested: string[]; terms?: string[]; finding?: string; data?: { critical?: boolean }; who?: string;
}
export interface AskedRow { key: string; fetus: string; quantity: string; symbol: string; name: string; required: boolean; state: 'done' | 'not-done' | 'missing'; reason?: string }
export interface Coverage {
  protocol: { id: string; title: string; source: string; by_age: boolean; second_signature: boolean }; structures: Structure[]; rows: AskedRow[];
  counts: Record<State, number>; again?: { date: string; ga?: string; for?: string; by_hand?: boolean };
}
export interface OpenItem { code: string; about: string; what: string; todo: string }
export interface Sentence { id: string; part: string; fetus: string; text: string; editable: string; values: Record<string, unknown>; proposed?: string; edited?: string; rule?: { title?: string; citation?: string }; changes?: string }
export interface Offered { object: string; frame: number; caption: string; source: string; chosen: boolean; measured: boolean; keepsake: boolean; group: string; order?: number }
export interface Told { whom: string; how?: string; when: string; finding?: string; text?: string; who: string }
export interface Safety {
  index: string; why: string; mi_max?: number; ti_max?: number; unknown?: number; source?: string; notes?: string[];
  by_mode: { mode: string; objects: number; mi_max?: number; tis_max?: number; tib_max?: number; tic_max?: number; dwell_s?: number }[];
  classes?: { over: number; to: number | null; minutes: number | null; objects: number; dwell_s: number }[];
}
export interface ReportFacts {
  coverage?: Coverage; open?: OpenItem[]; sentences?: Sentence[]; sentences_left_out?: Sentence[]; pictures?: Offered[]; told?: Told[]; safety?: Safety;
  settings?: { language?: string; pictures?: string[]; [k: string]: unknown };
}
export const more = computed<ReportFacts>(() => (facts.value ?? {}) as unknown as ReportFacts);
export const coverage = computed(() => more.value.coverage);

/** One change at the server, then the exam again; false when it was refused (the reason is shown). */
export async function change(path: string, body: unknown, done?: string, undo?: () => void): Promise<boolean> {
  if (!who.value && !await askName()) return false;
  try {
    await send('POST', path, body);
    await reload();
    if (done) tell(done, undo && { label: 'Undo', run: undo });
    return true;
  } catch (e) {
    trouble(e);
    return false;
  }
}

/** Findings of the page at once, with a way back; false when they were not stored. */
export async function storeFindings(items: FindingBody[], done?: string, before?: Omit<FindingBody, 'supersedes'>[]): Promise<boolean> {
  const names = new Map((coverage.value?.structures ?? []).map((s) => [s.structure, s.name]));
  const kept = await keepFindings(items, names);
  if (!kept?.length) return kept !== undefined;
  const back = kept.flatMap((k) => { const b = before?.find((x) => x.fetus === k.fetus && x.structure === k.structure); return b ? [{ ...b, supersedes: k.id }] : []; });
  if (done) tell(done, before && { label: 'Undo', run: () => void storeFindings(back) });
  return true;
}
