// Pictures without a name are grouped by what the program takes them for: proposed, marked so, and changed with one press.
import { effect, signal } from '@preact/signals';
import { get, send } from '../api';
import { examId, reload } from '../model/exam';
import { ask } from '../ui/dialog';
import { trouble } from '../ui/notices';

export interface Plane { object: string; plane: string; probability: number; measurable: boolean }
/** By object; those not asked about are missing. */
export const planes = signal<ReadonlyMap<string, Plane>>(new Map());

const SURE = 0.8; // below it a picture stays among the stills
const groups: Record<string, string> = { head: 'Head', abdomen: 'Abdomen', femur: 'Limbs', thorax: 'Heart', cervix: 'Cervix', spectrum: 'Doppler' };
export function planeGroup(object: string): string | undefined {
  const p = planes.value.get(object);
  return p && p.probability >= SURE ? groups[p.plane] : undefined;
}
export const rowsOfGroup: Record<string, string[]> = { Head: ['hc', 'bpd', 'ofd'], Abdomen: ['ac'], Limbs: ['fl'] };

interface Job { state: string; answer?: { planes: Plane[] } }
const BATCH = 6; // so that a clip that a person wants read waits for few pictures

async function batch(objects: string[], exam: string): Promise<Plane[]> {
  const { job } = await send<{ job: string }>('POST', '/api/planes', { objects });
  while (examId.value === exam) {
    const j = await get<Job>(`/api/jobs/${job}`);
    if (j.state === 'ready') return j.answer!.planes;
    if (j.state !== 'waiting' && j.state !== 'running') return [];
    await new Promise((r) => setTimeout(r, 250));
  }
  return [];
}

let asked = '';
/** Once for each exam that is opened; the strip is changed once, when all are known, not under the hand again and again. */
export async function lookAt(objects: string[]): Promise<void> {
  const exam = examId.value;
  if (!exam || asked === exam || !objects.length) return;
  asked = exam;
  const found: Plane[] = [];
  try {
    for (let i = 0; i < objects.length && examId.value === exam; i += BATCH) found.push(...await batch(objects.slice(i, i + BATCH), exam));
  } catch { /* the strip stays as it is */ }
  if (examId.value === exam) planes.value = new Map(found.map((p) => [p.object, p]));
}
effect(() => { if (!examId.value) { asked = ''; planes.value = new Map(); } });

export const groupNames = ['Head', 'Abdomen', 'Limbs', 'Heart', 'Early', 'Doppler', 'Colour', 'M-mode', 'Fluid', 'Cervix', 'Stills', 'Other'];

/** The person says what the picture shows; that goes before whatever the program takes it for. */
export async function regroup(object: string, now: string): Promise<void> {
  const said = await ask({ title: 'What does this picture show?', field: { label: 'Group on the strip', value: now, required: true, choices: groupNames }, yes: 'Put it there', no: 'Leave it' });
  if (said === undefined) return;
  if (!groupNames.includes(said)) { trouble(new Error(`"${said}" is no group: ${groupNames.join(', ')}.`)); return; }
  try {
    await send('POST', `/api/objects/${object}/events`, { verb: 'group', group: said });
    await reload();
  } catch (e) { trouble(e); }
}
