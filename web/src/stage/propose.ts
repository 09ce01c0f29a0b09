// Proposals of the program for the shown picture. They are asked for, shown without their values, corrected by hand, and
// stored only when a person accepts. This file holds what is in the hand; the server reads and computes.
import { signal } from '@preact/signals';
import { ApiError, get, send, sentence } from '../api';
import { examId, fetus, fetuses, ledger, quantities, reload } from '../model/exam';
import { acknowledged, sendMeasurement } from '../model/outbox';
import { blind } from '../model/settings';
import type { Geometry, Point, Refused, Row } from '../model/types';
import { newKey } from '../model/words';
import { ordered } from '../exam/Strip';
import { ask } from '../ui/dialog';
import { tell, trouble } from '../ui/notices';
import type { Cell } from './cell';
import { textHow } from './covers';
import { looksNow, windowNow } from './looks';
import { rememberMeasured } from './measuring';
import { keepColour, proposeColour, showsColour, type ColourAnswer } from './proposeFlow';
import { active, cells } from './stage';
import { acceptTiming, AV, dropTiming, proposeTiming, takeOnsetBack, type Timing, type TimingAnswer } from './timing';
import { armed, draft, tool } from './tools';

export interface Site { id: string; name: string; flow: string; maternal: boolean; quantities: string[] }
export const sites = signal<Site[]>([]);
/** One key for each site while a spectrum is in the hand. */
export const siteKeys: Record<string, string> = {
  'umbilical-artery': 'u', 'middle-cerebral-artery': 'm', 'uterine-artery-left': 'l', 'uterine-artery-right': 'r', 'ductus-venosus': 'd', 'descending-aorta': 'a',
};

export interface ProposedValue { quantity: string; symbol: string; unit: string; value?: number; sd?: number; decimals?: number; refused?: Refused }
export interface Answer extends ColourAnswer, TimingAnswer {
  kind: string; accepted: boolean; reason: string; note?: string; confidence?: number | null; geometry?: Geometry; automatic?: Geometry;
  below_baseline?: boolean; adjusted?: boolean; cycles?: { x0: number; x1: number; used: boolean; why: string }[]; box?: [number, number, number, number];
  baseline_row?: number; angle_deg?: number | null; stored_angle_deg?: number | null; calibrated_by_hand?: boolean; scale_note?: string;
  end_diastolic_flow?: string; values?: ProposedValue[]; quantities?: string[]; rate_bpm?: number | null; frames?: [number, number]; from?: string; also?: string[];
  choose?: { region: number; box: [number, number, number, number] }[]; // several spectra, none chosen
  acceptance?: number; plane?: string; frame?: number; criteria?: Criterion[]; clip?: ClipFrames;
}
/** One criterion of the published plane scores; `for-the-person`: the program does not judge it. */
export interface Criterion { id: string; text: string; state: 'met' | 'not-met' | 'for-the-person'; by?: string | null }
/** The frames of a clip that were read; each with its own geometry. */
export interface ClipFrames { in_clip: number; looked_at: number; kept: number; effective: number | null; accepted: { frame: number; weight: number; geometry: Geometry }[]; best: number[] }
/** A cycle left out of the means by a person, or taken in: the one at picture column x. The last choice of a cycle counts. */
export interface Chosen { x: number; used: boolean; at: string }
/** One change of the envelope by hand. `taken_back`: the stretch got its earlier course again. */
export interface Edit { columns: [number, number]; rows: number[]; at: string; taken_back?: boolean }
export interface Calibration { box: number[]; baseline_row: number; velocity_row: number; velocity_cm_s: number; time_x0: number; time_x1: number; time_s: number; angle_deg?: number }
export interface Marking { step: 'corner' | 'corner2' | 'baseline' | 'velocity' | 'time' | 'time2'; points: Point[]; velocity?: number }

export interface Proposal {
  cell: number; object: string; frame: number; answer: Answer;
  site?: string; angle?: number; region?: number; calibration?: Calibration; chosen?: Chosen[];
  geometry?: Geometry; edits: Edit[]; before: Geometry[];
  from?: string; // stored row whose envelope by hand is gone on with
  notch?: 'present' | 'absent'; rate: boolean; shown: boolean; at?: Point; busy: boolean; trouble?: string;
  job?: string; leftOut?: number[]; judged?: Record<string, boolean>; // of a clip
  barEnd?: number; // of colour: the velocity printed at the end of the bar
  timing?: Timing; // of an atrioventricular interval
}
export const proposal = signal<Proposal | undefined>(undefined);
export const marking = signal<Marking | undefined>(undefined);
export const asking = signal(false);
/** A clip that is being read on the server. */
export interface Running { job: string; object: string; done: number; of: number }
export const running = signal<Running | undefined>(undefined);
let turn = 0; // the newest question; answers to earlier ones come too late

export async function loadSites(): Promise<void> {
  if (sites.value.length) return;
  try { sites.value = (await get<{ sites: Site[] }>('/api/sites')).sites; } catch (e) { trouble(e); }
}

export function dropProposal(): boolean {
  if (stopReading()) return true;
  if (marking.value) { marking.value = undefined; return true; }
  if (!proposal.value) return false;
  dropTiming(proposal.value);
  proposal.value = undefined;
  return true;
}

const FINENESS = 16; // rows are kept to a sixteenth of a pixel, as the server keeps them
export const fine = (y: number): number => Math.round(y * FINENESS) / FINENESS;

/** The vessel of the row in the hand, so that a chosen row already says the site. */
function siteOfArmed(): string | undefined {
  const q = quantities.value.get(armed.value?.quantities[0] ?? '');
  if (!q?.vessel) return undefined;
  return sites.value.find((s) => s.quantities.includes(q.id))?.id;
}

const planeOf: Record<string, string> = { hc: 'head', bpd: 'head', ofd: 'head', ac: 'abdomen', tad: 'abdomen', apad: 'abdomen', fl: 'femur' };

/** The person does not want to wait: the server stops too. */
export function stopReading(): boolean {
  const r = running.value;
  if (!r) return false;
  running.value = undefined;
  send('DELETE', `/api/jobs/${r.job}`, undefined).catch(() => { /* it ends by itself */ });
  return true;
}

interface Job { job: string; state: 'waiting' | 'running' | 'ready' | 'failed' | 'stopped'; done: number; of: number; answer?: Answer; refused?: Refused }

/** Work of the server that takes a while: its progress is shown; undefined when it was stopped. */
export async function awaitJob(object: string, job: string): Promise<Answer | undefined> {
  running.value = { job, object, done: 0, of: 0 };
  try {
    for (;;) {
      const j = await get<Job>(`/api/jobs/${job}`);
      if (running.value?.job !== job || j.state === 'stopped') return undefined;
      if (j.state === 'ready') return j.answer;
      if (j.state === 'failed') throw new ApiError(409, j.refused!);
      if (active.value.object.value !== object) { stopReading(); return undefined; } // the person went on
      running.value = { job, object, done: j.done, of: j.of };
      await new Promise((r) => setTimeout(r, 150));
    }
  } finally { if (running.value?.job === job) running.value = undefined; }
}

/** Asks for a proposal on the shown picture, or over all frames of a clip. `at`: a point inside the structure, shown by the
 * person after a refusal. `still`: of a clip only the frame on the screen. */
export async function propose(at?: Point, still = false): Promise<void> {
  const cell = active.value;
  const object = cell.object.value;
  if (!object || asking.value) return;
  // The key may come while the picture is still on its way: it is not lost.
  while (cell.object.value === object && !cell.info.value && !cell.trouble.value) await new Promise((r) => setTimeout(r, 50));
  if (cell.object.value !== object || !cell.info.value?.picture) return;
  cell.pause();
  await loadSites();
  const again = proposal.value?.object === object ? proposal.value : undefined;
  const site = again?.site ?? siteOfArmed();
  const kind = planeOf[armed.value?.quantities[0] ?? ''] ?? (again && at && planeWords.has(again.answer.kind) ? again.answer.kind : undefined);
  const frame = cell.frame.value;
  const spectral = (cell.info.value.regions ?? []).some((r) => r.kind === 'spectrum' || r.kind === 'm-mode');
  const rate = armed.value?.quantities[0] === 'fhr' || (at !== undefined && again?.answer.kind === 'rate');
  const whole = cell.info.value.picture.frames > 1 && !spectral && !rate && !still;
  asking.value = true;
  try {
    if (armed.value?.quantities[0] === AV && !still) {
      await proposeTiming();
      return;
    }
    if (showsColour(cell.info.value) && !kind && !rate && !spectral && !still) {
      proposal.value = undefined;
      await proposeColour();
      return;
    }
    let answer: Answer | undefined;
    let job: string | undefined;
    if (whole) {
      ({ job } = await send<{ job: string }>('POST', `/api/objects/${object}/clip-readings`, { kind, at }));
      proposal.value = undefined;
      answer = await awaitJob(object, job);
    } else {
      answer = await send<Answer>('POST', `/api/objects/${object}/proposals`, { frame, kind: spectral ? undefined : rate ? 'rate' : kind, at, site, region: again?.region, calibration: again?.calibration });
    }
    if (!answer || active.value !== cell || cell.object.value !== object) return; // the person went on
    take(cell, { cell: cells.value.indexOf(cell), object, frame: answer.frame ?? frame, answer, job, site, region: again?.region, calibration: again?.calibration,
      geometry: answer.geometry, edits: [], before: [], rate: false, shown: !blind.value, at, busy: false });
  } catch (e) {
    proposal.value = { cell: cells.value.indexOf(cell), object, frame, answer: { kind: 'none', accepted: false, reason: sentence(e) }, edits: [], before: [],
      rate: false, shown: !blind.value, busy: false, at };
  } finally { asking.value = false; }
}

/** What people have measured here already, so that walking on does not offer it again. */
function measuredKinds(): Set<string> {
  return new Set(ledger.value.filter((r) => r.state === 'accepted' && (r.source === 'geometry' || r.source === 'proposed') && (r.fetus || 'A') === fetus.value)
    .map((r) => planeOf[r.quantity] ?? '').filter(Boolean));
}

/** Goes on to the next picture that shows something not yet measured, and proposes there. */
export async function proposeNext(): Promise<void> {
  const cell = active.value;
  if (asking.value) return;
  asking.value = true;
  try {
    // What was accepted a moment ago is not offered again: the ledger is asked once it has its answer.
    await acknowledged();
    await reload();
    await proposeUnread(cell);
  } catch (e) { trouble(e); } finally { asking.value = false; }
}

async function proposeUnread(cell: Cell): Promise<void> {
  await loadSites();
  const have = measuredKinds();
  const list = ordered().flatMap((g) => g.list).filter((o) => o.kind === 'image');
  const read = new Set(ledger.value.filter((r) => r.state === 'accepted' && (r.source === 'geometry' || r.source === 'proposed')).map((r) => r.object));
  const from = Math.max(0, list.findIndex((o) => o.id === cell.object.value));
  const turnOf = [...list.slice(from), ...list.slice(0, from)].filter((o) => !read.has(o.id));
  proposal.value = undefined;
  for (const o of turnOf) {
    let answer: Answer;
    try { answer = await send<Answer>('POST', `/api/objects/${o.id}/proposals`, { frame: 0 }); } catch { continue; } // not readable: the next one
    if (!answer.accepted || have.has(answer.kind)) continue;
    await cell.open(o.id);
    armed.value = undefined;
    draft.value = undefined;
    take(cell, { cell: cells.value.indexOf(cell), object: o.id, frame: 0, answer, geometry: answer.geometry, edits: [], before: [], rate: false, shown: !blind.value, busy: false });
    return;
  }
  tell('No further picture that the program can read.');
}

export async function readAllAgain(): Promise<void> {
  asking.value = true;
  try {
    const r = await send<{ readings: { result: string }[] }>('POST', `/api/exams/${examId.value}/rereads`, {});
    const n = (w: string) => r.readings.filter((x) => x.result === w).length;
    await reload();
    tell(`Second reading: ${n('agrees')} agree, ${n('differs')} differ, ${r.readings.length - n('agrees') - n('differs')} could not be read.`);
  } catch (e) { trouble(e); } finally { asking.value = false; }
}

export const planeWords = new Set(['head', 'abdomen', 'femur']);

/** A geometry with handles goes into the hand like one drawn there; envelopes and refusals stay with the proposal. */
function take(cell: Cell, p: Proposal): void {
  const a = p.answer;
  const handles = a.geometry && a.quantities?.length && a.kind !== 'spectrum' && !a.clip;
  if (a.accepted && a.clip) cell.go(p.frame);
  if (!a.accepted || !handles) { proposal.value = p; return; }
  proposal.value = undefined;
  if (p.frame !== cell.frame.value) cell.go(p.frame);
  const known = a.quantities!.filter((id) => quantities.value.has(id));
  const kept = armed.value && armed.value.quantities.every((id) => known.includes(id)) ? armed.value : undefined;
  armed.value = kept ?? { key: `${fetus.value}/${known[0]}`, quantities: known, label: known.map((id) => quantities.value.get(id)!.symbol).join(', ') };
  const kind = a.geometry!.kind;
  tool.value = kind === 'ellipse' || kind === 'interval' ? kind : 'distance';
  draft.value = { cell: p.cell, object: p.object, frame: p.frame, tool: tool.value, points: [], geometry: a.geometry!, active: kind === 'ellipse' ? 3 : 1, snapped: false,
    proposal: { kind: a.kind, geometry: a.geometry!, acceptance: a.acceptance ?? a.confidence ?? null, at: p.at ?? null, plane: a.plane ?? null, criteria: a.criteria } };
}

// --- plane quality ------------------------------------------------------------------------------------------------------

/** A criterion that the program leaves to the person: met, not met, not judged, in turn. */
export function tick(id: string): void {
  const turnOf = (j: Record<string, boolean> = {}) => {
    const { [id]: was, ...rest } = j;
    return was === undefined ? { ...rest, [id]: true } : was ? { ...rest, [id]: false } : rest;
  };
  const d = draft.value;
  if (d?.proposal) draft.value = { ...d, proposal: { ...d.proposal, judged: turnOf(d.proposal.judged) } };
  else if (proposal.value) proposal.value = { ...proposal.value, judged: turnOf(proposal.value.judged) };
}

// --- frames of a clip ---------------------------------------------------------------------------------------------------

const clipHere = () => {
  const p = proposal.value;
  return p?.answer.clip && p.answer.accepted && p.object === active.value.object.value ? p : undefined;
};

/** To the next frame that was read, or the one before. */
export function stepRead(by: 1 | -1): boolean {
  const p = clipHere();
  if (!p) return false;
  const cell = active.value;
  const list = p.answer.clip!.accepted.map((f) => f.frame);
  cell.pause();
  const at = cell.frame.value;
  const to = by > 0 ? list.find((f) => f > at) ?? list[0]! : [...list].reverse().find((f) => f < at) ?? list[list.length - 1]!;
  cell.go(to);
  return true;
}

/** Leaves the frame on the screen out of the value, or takes it in again. */
export function leaveOut(): boolean {
  const p = clipHere();
  const frame = active.value.frame.value;
  if (!p || !p.answer.clip!.accepted.some((f) => f.frame === frame)) return false;
  const out = p.leftOut ?? [];
  const next = out.includes(frame) ? out.filter((f) => f !== frame) : [...out, frame];
  const none = next.length === p.answer.clip!.accepted.length;
  proposal.value = { ...p, leftOut: none ? out : next, trouble: none ? 'One frame at least stays in.' : undefined };
  return true;
}

/** Rows that the clip in the hand fills: those of the chosen row, else all that were read. */
function clipRows(p: Proposal): string[] {
  const known = (p.answer.quantities ?? []).filter((id) => quantities.value.has(id));
  return armed.value && armed.value.quantities.every((id) => known.includes(id)) ? armed.value.quantities : known;
}

/** The request that describes the spectrum as it now stands. */
function spectrumOf(p: Proposal): Record<string, unknown> {
  return { kind: 'spectrum', site: p.site, angle_deg: p.angle, region: p.region, calibration: p.calibration, below_baseline: p.answer.below_baseline,
    chosen: p.chosen, from: p.from, geometry: p.edits.length || p.from ? p.geometry : undefined };
}

/** Indices and cycles again, after an edit, another site, angle or calibration. The curve by hand stays as it is. */
export async function again(change: Partial<Proposal>): Promise<void> {
  const p = proposal.value;
  if (!p) return;
  const mine = ++turn;
  const now: Proposal = { ...p, ...change, busy: true, trouble: undefined };
  proposal.value = now;
  try {
    const answer = await send<Answer>('POST', `/api/objects/${p.object}/proposals`, { frame: p.frame, ...spectrumOf(now) });
    if (mine !== turn || proposal.value?.object !== p.object) return;
    proposal.value = { ...proposal.value, answer, geometry: answer.geometry, busy: false };
  } catch (e) {
    if (mine === turn && proposal.value?.object === p.object) proposal.value = { ...proposal.value, busy: false, trouble: sentence(e) };
  }
}

/** A spectrum in the hand is read as inflow and outflow of the heart instead. */
export const asTiming = (): boolean => {
  if (proposal.value?.answer.kind !== 'spectrum') return false;
  void proposeTiming();
  return true;
};

/** Leaves a cycle out of the means, or takes it in again. */
export function chooseCycle(x: number, used: boolean): boolean {
  const p = proposal.value;
  if (p?.answer.kind !== 'spectrum' || p.busy) return false;
  void again({ chosen: [...(p.chosen ?? []), { x: Math.round(x), used, at: new Date().toISOString() }] });
  return true;
}

/** The newest reading of the shown spectrum that stands, to go on from. */
export function storedReading(p: Proposal): Row | undefined {
  return ledger.value.filter((r) => r.state === 'accepted' && r.object === p.object && (r.frame ?? 0) === p.frame && r.evidence?.type === 'spectrum').at(-1);
}

/** As it was stored: vessel, angle, calibration, cycles (now chosen by whoever goes on) and the envelope by hand. What is changed now is kept beside that reading. */
export function goOnFrom(r: Row): void {
  const p = proposal.value;
  const e = r.evidence;
  if (!p || !e) return;
  const kept = e['proposal'] as { adjusted?: boolean } | undefined;
  const calibration = e['calibration'] as Calibration | undefined;
  const region = (e['region'] as { index?: number } | undefined)?.index;
  void again({ site: e['site'] as string, angle: e['angle_changed'] ? e['angle_deg'] as number : undefined, calibration, region: calibration ? undefined : region,
    chosen: (e['chosen'] as Chosen[] | undefined)?.map(({ x, used }) => ({ x, used, at: new Date().toISOString() })), geometry: e.geometry, edits: [], before: [], from: kept?.adjusted ? r.id : undefined,
    answer: { ...p.answer, kind: 'spectrum', below_baseline: e['below_baseline'] as boolean } });
}

export const chooseSite = (id: string): boolean => {
  if (proposal.value?.answer.kind !== 'spectrum') return false;
  void again({ site: id, notch: undefined });
  return true;
};

// --- the envelope by hand ---------------------------------------------------------------------------------------------

const SHOULDER = 8; // columns over which a moved stretch runs back into the curve

/** The envelope with a drawn stretch laid over it; beside the stretch it eases back into its own course. */
export function redrawn(base: Geometry, stroke: Map<number, number>, box: [number, number, number, number]): Geometry {
  const rows = new Map(base.points.map((p) => [Math.round(p[0]), p[1]]));
  const columns = [...stroke.keys()].sort((a, b) => a - b);
  const lo = columns[0]!;
  const hi = columns[columns.length - 1]!;
  const ease = (from: number, by: number) => {
    const old = rows.get(from);
    if (old === undefined) return;
    const shift = stroke.get(from)! - old;
    for (let d = 1; d < SHOULDER; d++) {
      const y = rows.get(from + by * d);
      if (y !== undefined) rows.set(from + by * d, fine(y + shift * 0.5 * (1 + Math.cos((Math.PI * d) / SHOULDER))));
    }
  };
  ease(lo, -1);
  ease(hi, 1);
  for (const [x, y] of stroke) if (x >= box[0] && x <= box[2]) rows.set(x, fine(y));
  return { kind: 'trace', points: [...rows.entries()].sort((a, b) => a[0] - b[0]) };
}

/** Adds the way from one pointer place to the next, a row for each column passed. */
export function drawOn(stroke: Map<number, number>, from: Point | undefined, to: Point): void {
  const x1 = Math.round(to[0]);
  if (!from) { stroke.set(x1, to[1]); return; }
  const x0 = Math.round(from[0]);
  const n = Math.abs(x1 - x0);
  for (let i = 0; i <= n; i++) stroke.set(Math.round(x0 + ((x1 - x0) * i) / (n || 1)), n ? from[1] + ((to[1] - from[1]) * i) / n : to[1]);
}

function changed(a: Geometry, b: Geometry): Edit | undefined {
  const old = new Map(a.points.map((p) => [p[0], p[1]]));
  const moved = b.points.filter((p) => old.get(p[0]) !== p[1]);
  if (!moved.length) return undefined;
  const columns: [number, number] = [moved[0]![0], moved[moved.length - 1]![0]];
  return { columns, rows: b.points.filter((p) => p[0] >= columns[0] && p[0] <= columns[1]).map((p) => p[1]), at: new Date().toISOString() };
}

export function releaseEdit(before: Geometry, after: Geometry): void {
  const p = proposal.value;
  const edit = p && changed(before, after);
  if (!p || !edit) return;
  void again({ geometry: after, edits: [...p.edits, edit], before: [...p.before, before] });
}

export function takeEditBack(): boolean {
  const p = proposal.value;
  if (p?.busy) return true; // the key is not lost on something stored
  if (p?.timing) return takeOnsetBack();
  const last = p?.before[p.before.length - 1];
  if (!p || !last || !p.geometry) return false;
  const edit = changed(p.geometry, last);
  void again({ geometry: last, edits: edit ? [...p.edits, { ...edit, taken_back: true }] : p.edits, before: p.before.slice(0, -1) });
  return true;
}

// --- calibration by hand ----------------------------------------------------------------------------------------------

export const markingText: Record<Marking['step'], string> = {
  corner: 'Click one corner of the spectrum.', corner2: 'Click the opposite corner.', baseline: 'Click the baseline.',
  velocity: 'Click a labelled velocity on the scale.', time: 'Click one moment of the time scale.', time2: 'Click another moment, as far away as possible.',
};

async function number(title: string, label: string, body: string): Promise<number | undefined> {
  const text = await ask({ title, field: { label, required: true }, yes: 'Take it', no: 'Leave it' });
  if (text === undefined) return undefined;
  const v = Number(text.replace(',', '.'));
  if (Number.isFinite(v) && v !== 0) return v;
  trouble(new Error(`"${text}" is no ${body}.`));
  return undefined;
}

/** One mark back while a scale is marked. */
export function takeMarkBack(): boolean {
  const m = marking.value;
  if (!m) return false;
  const points = m.points.slice(0, -1);
  const steps = Object.keys(markingText) as Marking['step'][];
  if (m.points.length) marking.value = { step: steps[points.length]!, points, velocity: points.length > 3 ? m.velocity : undefined };
  return true;
}

export function startCalibration(): void {
  marking.value = { step: 'corner', points: [] };
}

export async function markPoint(at: Point): Promise<void> {
  const m = marking.value;
  if (!m) return;
  const points = [...m.points, at];
  const next: Record<Marking['step'], Marking['step']> = { corner: 'corner2', corner2: 'baseline', baseline: 'velocity', velocity: 'time', time: 'time2', time2: 'time2' };
  let velocity = m.velocity;
  if (m.step === 'velocity') {
    velocity = await number('Velocity of this mark', 'Velocity as written there, with its sign (cm/s)', 'velocity');
    if (velocity === undefined) return;
  }
  if (m.step !== 'time2') { marking.value = { step: next[m.step], points, velocity }; return; }
  const time = await number('Time between the two moments', 'Time (s)', 'time');
  if (time === undefined) return;
  marking.value = undefined;
  const [a, b, base, mark, t0, t1] = points as [Point, Point, Point, Point, Point, Point];
  const calibration: Calibration = { box: [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1])].map(Math.round),
    baseline_row: fine(base[1]), velocity_row: fine(mark[1]), velocity_cm_s: velocity!, time_x0: fine(t0[0]), time_x1: fine(t1[0]), time_s: Math.abs(time) };
  const p = proposal.value;
  if (p) await again({ calibration, edits: [], before: [], geometry: undefined, timing: undefined, answer: { ...p.answer, kind: 'spectrum' } });
}

// --- accepting ----------------------------------------------------------------------------------------------------------

function siteName(id: string | undefined): string { return sites.value.find((s) => s.id === id)?.name ?? ''; }

/** Rows that an earlier acceptance of this spectrum left; the new ones supersede them, with a reason. */
async function earlier(p: Proposal): Promise<{ supersedes: Record<string, string>; why: string } | undefined> {
  const old = ledger.value.filter((r) => r.state === 'accepted' && r.object === p.object && (p.answer.clip
    ? r.evidence?.type === 'clip' && clipRows(p).includes(r.quantity) && (r.fetus || 'A') === fetus.value : (r.frame ?? 0) === p.frame)
    && (p.answer.clip || p.answer.kind === 'rate' ? r.evidence?.type === 'rate' : r.evidence?.type === 'spectrum' && r.evidence?.['site'] === p.site));
  if (!old.length) return { supersedes: {}, why: '' };
  const why = await ask({ title: 'This picture has been read before', field: { label: 'Reason for the new reading', required: true, choices: p.answer.clip ? ['Other frames', 'Wrong structure'] : ['Envelope corrected', 'Angle corrected', 'Calibration corrected', 'Wrong cycles'] }, yes: 'Store the new reading', no: 'Leave it' });
  return why === undefined ? undefined : { supersedes: Object.fromEntries(old.map((r) => [r.quantity, r.id])), why };
}

export async function acceptProposal(): Promise<boolean> {
  const p = proposal.value;
  if (!p || p.busy || !p.answer.accepted || p.object !== active.value.object.value) return false;
  const spectrum = p.answer.kind === 'spectrum';
  const clip = p.answer.clip;
  if (p.answer.kind === 'colour') return keepColour(p);
  if (p.answer.kind === AV) return acceptTiming(p);
  if (!spectrum && p.answer.kind !== 'rate' && !clip) return false;
  if (spectrum && !p.site) { proposal.value = { ...p, trouble: 'Say first which vessel it is: one key or button.' }; return true; }
  const was = await earlier(p);
  if (!was) return true;
  const how = { blind: !p.shown, snap: false, mode: 'proposed', text: textHow(p.object), ...windowNow(active.value.window.value), ...looksNow() };
  const label = spectrum ? siteName(p.site) : clip ? clipRows(p).map((id) => quantities.value.get(id)?.symbol ?? id).join(', ') : 'Heart rate';
  const body = { object: p.object, frame: p.frame, fetus: fetus.value, how, ...was,
    ...(spectrum ? { spectrum: { ...spectrumOf(p), geometry: p.geometry, edits: p.edits, notch: p.notch, rate: p.rate } }
      : clip ? { clip: { job: p.job, quantities: clipRows(p), left_out: p.leftOut ?? [], judged: p.judged } } : { rate: { at: p.at } }) };
  proposal.value = undefined;
  const exam = examId.value;
  try {
    const stored = await sendMeasurement({ key: newKey(), exam, body, label });
    rememberMeasured(stored.rows.map((r) => r.id), exam, label);
    if (spectrum || clip) { armed.value = undefined; tool.value = 'look'; }
    await reload();
    tell(`${label}${fetuses.value.length > 1 && !sites.value.find((s) => s.id === p.site)?.maternal ? `, fetus ${fetus.value}` : ''} stored.`);
  } catch (e) {
    trouble(e);
    proposal.value = p;
  }
  return true;
}
