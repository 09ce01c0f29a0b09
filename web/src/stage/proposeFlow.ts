// Colour and power Doppler in the hand: the region (the colour box, or what the person drew round), what is coloured in it,
// and over a clip its curve. The server counts; what is kept stays with the exam.
import { send, sentence } from '../api';
import { examId, reload } from '../model/exam';
import { blind } from '../model/settings';
import type { Geometry, ObjectAnswer, Point } from '../model/types';
import { newKey } from '../model/words';
import { tell, trouble } from '../ui/notices';
import { freeResult } from './measuring';
import { awaitJob, proposal, type Answer, type Proposal } from './propose';
import { active, cells } from './stage';

export interface ColourCount { kind: 'velocity' | 'power'; bar: number[]; pixels: number; coloured_pixels: number; colour_fraction: number; mean_magnitude: number; towards_fraction: number | null; aliased_fraction?: number }
export interface CurvePoint { frame: number; time_ms: number | null; colour_fraction: number; mean_magnitude: number; left_out?: boolean }
/** Members of an answer of kind "colour", and of what is kept of it. */
export interface ColourAnswer { by?: 'person' | 'box' | 'picture'; colour?: ColourCount; curve?: CurvePoint[]; mean_fraction?: number; mean_magnitude?: number; pulsatility?: number | null; aliased_fraction?: number; frames_left_out?: number; bar_end_cm_s?: number; bar_end_from?: 'region' | 'typed' }

/** Share of the flow that went round the end of the bar; over a clip that of all its frames. */
export const aliasedShare = (a: ColourAnswer): number => a.aliased_fraction ?? a.colour?.aliased_fraction ?? 0;
/** From here on it is said (as in the report). */
export const ALIASED_SAID = 0.02;

export const showsColour = (info: ObjectAnswer | undefined): boolean => (info?.regions ?? []).some((r) => r.kind === '2d' && r.data_type === 2);

async function counted(object: string, frame: number, clip: boolean, outline: Geometry | undefined): Promise<{ answer?: Answer; job?: string }> {
  const asked = await send<Answer & { job?: string }>('POST', `/api/objects/${object}/colour`, { frame, clip, outline });
  return clip ? { answer: await awaitJob(object, asked.job!), job: asked.job } : { answer: asked };
}

/** Counts the colour on the shown picture; of a clip on all its frames. */
export async function proposeColour(outline?: Geometry): Promise<void> {
  const cell = active.value;
  const object = cell.object.value;
  const p = cell.info.value?.picture;
  if (!object || !p) return;
  const f = freeResult.value;
  // An outline that the person has just drawn on this picture is the region.
  const region = outline ?? (f?.object === object && f.geometry.kind === 'outline' ? f.geometry : undefined);
  if (region && f?.geometry === region) freeResult.value = undefined;
  const frame = cell.frame.value;
  const made = (answer: Answer, job?: string): Proposal => ({ cell: cells.value.indexOf(cell), object, frame, answer, job, geometry: answer.geometry, edits: [], before: [],
    rate: false, shown: !blind.value, busy: false });
  try {
    const { answer, job } = await counted(object, frame, p.frames > 1, region);
    if (answer && active.value === cell && cell.object.value === object) proposal.value = made(answer, job);
  } catch (e) {
    proposal.value = made({ kind: 'colour', accepted: false, reason: sentence(e) });
  }
}

/** A closed outline drawn by hand; too short a stroke is no outline. */
export function drawnRegion(points: Point[]): void {
  const n = points.length;
  let area = 0;
  points.forEach((a, i) => { const b = points[(i + 1) % n]!; area += a[0] * b[1] - b[0] * a[1]; });
  const p = proposal.value;
  if (n < 3 || Math.abs(area) / 2 < 25) { if (p) proposal.value = { ...p, trouble: 'Draw round the region: this is too small.' }; return; }
  void proposeColour({ kind: 'outline', points });
}

export async function keepColour(p: Proposal): Promise<boolean> {
  const now = proposal.value;
  proposal.value = undefined;
  try {
    await send('POST', `/api/exams/${examId.value}/colour`, { key: newKey(), object: p.object, frame: p.frame, job: p.job, bar_end_cm_s: p.answer.bar_end_cm_s === undefined ? p.barEnd : undefined,
      outline: p.answer.by === 'person' ? p.geometry : undefined });
    await reload();
    tell('The colour reading is kept with the exam.');
  } catch (e) {
    trouble(e);
    proposal.value = now;
  }
  return true;
}
