// The atrioventricular interval in the hand: onsets that the program proposes on a spectrum of inflow and outflow, or on an
// M-mode strip once a person has marked both walls; each can be moved or its beat left out. The server reads and computes.
import { send, sentence } from '../api';
import { examId, fetus, fetuses, ledger, reload } from '../model/exam';
import { sendMeasurement } from '../model/outbox';
import { blind } from '../model/settings';
import type { Point } from '../model/types';
import { newKey } from '../model/words';
import { ask } from '../ui/dialog';
import { tell, trouble } from '../ui/notices';
import { textHow } from './covers';
import { looksNow, windowNow } from './looks';
import { rememberMeasured } from './measuring';
import { fine, proposal, type Answer, type Proposal } from './propose';
import { active, cells } from './stage';
import { armed, disarm, draft, tool } from './tools';

export const AV = 'av-interval';
export type OnsetMark = 'atrial' | 'ventricular';
/** Columns of the picture, to a sixteenth. */
export interface Beat { atrial_x: number; ventricular_x: number; used: boolean }
export interface Walls { atrial: [number, number]; ventricular: [number, number] }
/** Members of an answer of kind "av-interval". */
export interface TimingAnswer { beats?: Beat[]; automatic_beats?: Beat[]; walls?: Walls; outflow?: 'above' | 'below' }
/** One change by hand. `taken_back`: the beat got its earlier onsets again. */
export interface OnsetEdit { beat: number; mark: OnsetMark | 'used'; from: number | boolean; to: number | boolean; at: string; taken_back?: boolean }
/** What is in the hand: onsets as they stand, walls marked so far. */
export interface Timing { beats?: Beat[]; walls: Partial<Walls>; edits: OnsetEdit[]; before: Beat[][]; armedHere?: boolean }

export const markName = (from: string | undefined, mark: OnsetMark): string =>
  from === 'm-mode' ? (mark === 'atrial' ? 'Atrial wall' : 'Ventricular wall') : mark === 'atrial' ? 'A wave onset' : 'Outflow onset';
export const markLetter = (from: string | undefined, mark: OnsetMark): string => (mark === 'atrial' ? 'A' : from === 'm-mode' ? 'V' : 'O');

export const hasStrip = (): boolean => (active.value.info.value?.regions ?? []).some((r) => r.kind === 'm-mode');
const hasSpectrum = (): boolean => (active.value.info.value?.regions ?? []).some((r) => r.kind === 'spectrum');

/** Proposes the interval on the shown picture; on a strip it first asks for the walls. */
export async function proposeTiming(): Promise<void> {
  const cell = active.value;
  const object = cell.object.value;
  if (!object) return;
  const there = proposal.value?.object === object ? proposal.value : undefined;
  const frame = cell.frame.value;
  const strip = hasStrip() && !hasSpectrum() && !there?.calibration;
  // Its row goes into the hand, so that an earlier value of it is covered like that of any row being measured.
  const armedHere = armed.value?.quantities[0] !== AV;
  if (armedHere) { armed.value = { key: `${fetus.value}/${AV}`, quantities: [AV], label: 'AV interval' }; tool.value = 'look'; draft.value = undefined; }
  const made = (answer: Answer): Proposal => ({ cell: cells.value.indexOf(cell), object, frame, answer, region: there?.region, calibration: there?.calibration, edits: [], before: [], rate: false,
    shown: !blind.value, busy: false, timing: { beats: answer.beats, walls: {}, edits: [], before: [], armedHere } });
  const box = (cell.info.value?.regions ?? []).find((r) => r.kind === 'm-mode')?.box;
  if (strip) {
    proposal.value = made({ kind: AV, from: 'm-mode', accepted: false, reason: '', box });
    return;
  }
  try {
    const answer = await send<Answer>('POST', `/api/objects/${object}/proposals`, { frame, kind: AV, region: there?.region, calibration: there?.calibration });
    if (active.value === cell && cell.object.value === object) proposal.value = made(answer);
  } catch (e) {
    if (active.value === cell && cell.object.value === object) proposal.value = made({ kind: AV, accepted: false, reason: sentence(e) });
  }
}

/** The proposal goes away; a row that only it had taken into the hand goes too. */
export function dropTiming(p: Proposal): void {
  if (p.timing?.armedHere) disarm();
}

/** What is asked and stored: the server reads the picture again and computes from these onsets. */
const timingOf = (p: Proposal) => ({ region: p.region, calibration: p.calibration, walls: p.timing?.walls.ventricular ? p.timing.walls : undefined,
  beats: p.timing?.edits.length ? p.timing.beats : undefined });

let turn = 0;
async function again(timing: Timing): Promise<void> {
  const p = proposal.value;
  if (!p) return;
  const mine = ++turn;
  const now: Proposal = { ...p, timing, busy: true, trouble: undefined };
  proposal.value = now;
  const stands = () => mine === turn && proposal.value?.object === p.object && proposal.value.answer.kind === AV;
  try {
    const answer = await send<Answer>('POST', `/api/objects/${p.object}/proposals`, { frame: p.frame, kind: AV, ...timingOf(now) });
    if (stands()) proposal.value = { ...proposal.value!, answer, timing: { ...timing, beats: answer.beats }, busy: false };
  } catch (e) {
    // Onsets out of order and the like: what stood before comes back, with the reason.
    if (stands()) proposal.value = { ...proposal.value!, timing: p.timing, busy: false, trouble: sentence(e) };
  }
}

/** The wall that the person is to mark next on a strip; undefined when both are there. */
export function wallToMark(p: Proposal): OnsetMark | undefined {
  if (p.answer.from !== 'm-mode' || !p.timing) return undefined;
  return !p.timing.walls.atrial ? 'atrial' : !p.timing.walls.ventricular ? 'ventricular' : undefined;
}

export function markWall(from: Point, to: Point): void {
  const p = proposal.value;
  const wall = p && wallToMark(p);
  const box = p?.answer.box;
  if (!wall || !box) return;
  const rows = [from[1], to[1]].map((y) => Math.round(Math.min(box[3], Math.max(box[1], y)))).sort((a, b) => a - b) as [number, number];
  if (rows[1] - rows[0] < 3) { proposal.value = { ...p, trouble: 'Drag from above the wall to below it.' }; return; }
  const timing = { ...p.timing!, walls: { ...p.timing!.walls, [wall]: rows } };
  if (wall === 'atrial') proposal.value = { ...p, timing, trouble: undefined };
  else void again(timing);
}

/** Other walls: the marking begins anew. */
export function wallsAnew(): void {
  const p = proposal.value;
  if (p) proposal.value = { ...p, answer: { kind: AV, from: 'm-mode', accepted: false, reason: '', box: p.answer.box }, timing: { ...p.timing, beats: undefined, walls: {}, edits: [], before: [] }, trouble: undefined };
}

function changeBeat(i: number, change: Partial<Beat>, edit: Omit<OnsetEdit, 'beat' | 'at'>): void {
  const t = proposal.value?.timing;
  if (!t?.beats?.[i] || proposal.value!.busy) return;
  const beats = t.beats.map((b, k) => (k === i ? { ...b, ...change } : b));
  void again({ ...t, beats, before: [...t.before, t.beats], edits: [...t.edits, { beat: i + 1, ...edit, at: new Date().toISOString() }] });
}

export function moveOnset(i: number, mark: OnsetMark, to: number): void {
  const key = `${mark}_x` as const;
  const from = proposal.value?.timing?.beats?.[i]?.[key];
  const x = fine(to);
  if (from === undefined || x === from) return;
  changeBeat(i, { [key]: x }, { mark, from, to: x });
}

/** Leaves a beat out of the mean, or takes it in again. */
export function leaveBeat(i: number): void {
  const used = proposal.value?.timing?.beats?.[i]?.used;
  if (used !== undefined) changeBeat(i, { used: !used }, { mark: 'used', from: used, to: !used });
}

export function takeOnsetBack(): boolean {
  const p = proposal.value;
  const t = p?.timing;
  const last = t?.before[t.before.length - 1];
  const edit = t?.edits[t.edits.length - 1];
  if (!t || !last || !edit) return false;
  void again({ ...t, beats: last, before: t.before.slice(0, -1), edits: [...t.edits, { ...edit, from: edit.to, to: edit.from, at: new Date().toISOString(), taken_back: true }] });
  return true;
}

/** Stores the interval; an earlier reading of the same picture is superseded, with a reason. */
export async function acceptTiming(p: Proposal): Promise<boolean> {
  const old = ledger.value.find((r) => r.state === 'accepted' && r.object === p.object && (r.frame ?? 0) === p.frame && r.evidence?.type === AV && (r.fetus || 'A') === fetus.value);
  let why: string | undefined = armed.value?.why ?? '';
  let supersedes = armed.value?.supersedes;
  if (old && !supersedes) {
    why = await ask({ title: 'This picture has been read before', field: { label: 'Reason for the new reading', required: true, choices: ['Onsets corrected', 'Other beats', 'Calibration corrected'] }, yes: 'Store the new reading', no: 'Leave it' });
    if (why === undefined) return true;
    supersedes = { [AV]: old.id };
  }
  const how = { blind: !p.shown, snap: false, mode: 'proposed', text: textHow(p.object), ...windowNow(active.value.window.value), ...looksNow() };
  const body = { object: p.object, frame: p.frame, fetus: fetus.value, how, supersedes, why, av_interval: { ...timingOf(p), edits: p.timing?.edits ?? [] } };
  const label = 'AV interval';
  const exam = examId.value;
  proposal.value = undefined;
  try {
    const stored = await sendMeasurement({ key: newKey(), exam, body, label });
    rememberMeasured(stored.rows.map((r) => r.id), exam, label);
    armed.value = undefined;
    tool.value = 'look';
    await reload();
    tell(`${label}${fetuses.value.length > 1 ? `, fetus ${fetus.value}` : ''} stored.`);
  } catch (e) {
    trouble(e);
    proposal.value = p;
  }
  return true;
}
