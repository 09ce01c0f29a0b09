// The exam on the screen: what the server says, and the rows of the ledger made from it.
import { computed, signal } from '@preact/signals';
import { get } from '../api';
import { trouble } from '../ui/notices';
import { onChange, type Change } from '../live';
import { who } from '../api';
import { takeSetup, type Setup } from './settings';
import { chosenProtocol } from './protocol';
import type { ExamAnswer, ExamObject, Facts, Mark, ProtocolRow, Quantity, Row, Value } from './types';

export const examId = signal('');
export const answer = signal<ExamAnswer | undefined>(undefined);
export const quantities = signal<Map<string, Quantity>>(new Map());
export const fetus = signal('A');
export const marks = signal<Mark[]>([]);
/** Rows changed by somebody else in the last moments: shown with a sign. */
export const fresh = signal<Set<string>>(new Set());

export const facts = computed<Facts | undefined>(() => answer.value?.facts);
export const fetuses = computed(() => facts.value?.pregnancy?.fetuses ?? ['A']);
export const objects = computed<ExamObject[]>(() => {
  const stored = new Map((answer.value?.exam.objects ?? []).map((o) => [o.id, o]));
  const listed = facts.value?.objects ?? answer.value?.exam.objects ?? [];
  return listed.map((o) => ({ ...stored.get(o.id), ...o }));
});
export const ledger = computed<Row[]>(() => {
  const stored = answer.value?.exam.ledger ?? answer.value?.exam.measurements ?? [];
  const used = new Map((facts.value?.ledger ?? []).map((r) => [r.id, r.used]));
  return stored.map((r) => {
    const when = (r as { when?: string }).when;
    return { ...r, at: r.at ?? when ?? '', used: used.get(r.id), state: r.superseded_by ? 'superseded' as const : r.state };
  });
});

export async function loadQuantities(): Promise<void> {
  if (quantities.value.size) return;
  const list = await get<{ quantities: Quantity[] }>('/api/quantities');
  quantities.value = new Map(list.quantities.map((q) => [q.id, q]));
}

/** The exam without its computed facts: enough to show the first picture at once. */
export async function loadQuickly(id: string): Promise<void> {
  try {
    const a = await get<ExamAnswer>(`/api/exams/${encodeURIComponent(id)}?facts=0`);
    if (answer.value) return; // the whole answer was faster
    examId.value = a.exam.id;
    answer.value = a;
  } catch (e) { trouble(e); }
}

let asking: AbortController | undefined;
let newest: Promise<void> = Promise.resolve();
/** Asks for the exam afresh. An older question is dropped for a newer one, and who waits for it waits for the newer answer. */
export function load(id: string): Promise<void> {
  asking?.abort();
  asking = new AbortController();
  return newest = ask(id, asking.signal);
}

async function ask(id: string, signal: AbortSignal): Promise<void> {
  try {
    const a = await get<ExamAnswer>(`/api/exams/${encodeURIComponent(id)}`, signal);
    const m = await get<{ marks: Mark[] }>(`/api/exams/${encodeURIComponent(id)}/marks`, signal);
    examId.value = a.exam.id;
    answer.value = a;
    marks.value = m.marks;
    if (!fetuses.value.includes(fetus.value)) fetus.value = fetuses.value[0] ?? 'A';
  } catch (e) {
    if (e instanceof DOMException && e.name === 'AbortError') return newest;
    trouble(e);
  }
}

export const reload = () => load(examId.value);

let timer: ReturnType<typeof setTimeout> | undefined;
export function followChanges(): () => void {
  return onChange((event: string, change: Change) => {
    if (event === 'setup') void loadSetup();
    if (event === 'exam' && change.exam && change.exam !== examId.value) return;
    if (event === 'protocol' || event === 'setup') return;
    clearTimeout(timer);
    timer = setTimeout(async () => {
      const before = new Set(ledger.value.map((r) => `${r.id}/${r.version ?? 0}`));
      await reload();
      const news = ledger.value.filter((r) => !before.has(`${r.id}/${r.version ?? 0}`) && lastHand(r) !== who.value);
      if (!news.length) return;
      fresh.value = new Set(news.map((r) => `${r.fetus || 'A'}/${r.quantity}`));
      setTimeout(() => { fresh.value = new Set(); }, 6000);
    }, 80);
  });
}

function lastHand(r: Row): string {
  return r.events?.length ? r.events[r.events.length - 1]!.who : r.who;
}

export async function loadSetup(): Promise<void> {
  try {
    takeSetup(await get<Setup>('/api/setup'));
  } catch (e) { trouble(e); }
}

export type ViewState = 'missing' | 'proposed' | 'accepted' | 'disputed' | 'derived' | 'refused';
export interface ViewRow {
  key: string; quantity: string; symbol: string; name: string; group: string; required: boolean; state: ViewState;
  value?: Value; readings: Row[]; unit: string; expected?: ProtocolRow; measurable: boolean;
}

function stateOf(readings: Row[], value: Value | undefined): ViewState {
  const live = readings.filter((r) => r.state !== 'withdrawn' && r.state !== 'superseded');
  if (live.some((r) => r.state === 'disputed')) return 'disputed';
  if (live.some((r) => r.state === 'accepted')) return value?.refused && value.value === undefined ? 'refused' : 'accepted';
  if (live.some((r) => r.state === 'proposed')) return 'proposed';
  if (value && value.value !== undefined) return 'derived';
  return value?.refused ? 'refused' : 'missing';
}

function viewRow(q: Quantity, group: string, f: string, expected?: ProtocolRow): ViewRow {
  const value = facts.value?.values?.find((v) => v.quantity === q.id && (v.fetus || 'A') === f);
  const readings = ledger.value.filter((r) => r.quantity === q.id && (r.fetus || 'A') === f);
  const state = stateOf(readings, value);
  return { key: `${f}/${q.id}`, quantity: q.id, symbol: q.symbol, name: expected?.label ?? q.name, group, state, value, readings,
    required: expected?.required ?? true, unit: q.unit, expected, measurable: q.geometry !== '' };
}

/** Rows in the order of the protocol, then what was measured beside it, then what follows from them. */
export const viewRows = computed<ViewRow[]>(() => {
  const table = quantities.value;
  const f = fetus.value;
  const out: ViewRow[] = [];
  const seen = new Set<string>();
  const add = (id: string, group: string, expected?: ProtocolRow) => {
    const q = table.get(id);
    if (!q || seen.has(id)) return;
    seen.add(id);
    out.push(viewRow(q, group, f, expected));
  };
  for (const g of chosenProtocol.value?.groups ?? [])
    for (const r of g.rows ?? []) add(r.quantity, g.title, r);
  for (const v of facts.value?.values ?? [])
    if ((v.fetus || 'A') === f) add(v.quantity, v.origin === 'derived' ? 'Calculated' : 'Beside the protocol');
  for (const r of ledger.value)
    if ((r.fetus || 'A') === f && r.state !== 'withdrawn') add(r.quantity, 'Beside the protocol');
  return out;
});

export const nextRow = computed(() => viewRows.value.find((r) => r.measurable && r.required && (r.state === 'missing' || r.state === 'proposed')));

/** The picture a row's value comes from. */
export function evidenceOf(row: ViewRow): { object: string; frame: number } | undefined {
  const live = row.readings.filter((r) => r.state === 'accepted' || r.state === 'proposed' || r.state === 'disputed');
  const best = [...live].reverse().sort((a, b) => Number(b.source === 'geometry') - Number(a.source === 'geometry'));
  for (const r of best) {
    const object = r.object && isPicture(r.object) ? r.object : r.evidence?.image?.object;
    if (object && isPicture(object)) return { object, frame: (r.object === object ? r.frame : r.evidence?.image?.frame) ?? 0 };
  }
  return undefined;
}

export function isPicture(id: string): boolean {
  const o = objects.value.find((x) => x.id === id);
  return o !== undefined && (o.kind === 'image' || o.kind === 'clip');
}
