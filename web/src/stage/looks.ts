// Display filters: how the picture is shown, computed by the server on a copy. What is on stands on the picture.
import { computed, effect, signal } from '@preact/signals';
import { get, send } from '../api';
import { answer } from '../model/exam';
import { chosenProtocol } from '../model/protocol';
import { settings } from '../model/settings';
import { tell, trouble } from '../ui/notices';
import { draft, tool, toolOf } from './tools';

export interface Filters {
  speckle: number; shading: number; local_contrast: number; depth_gain: number[]; range: [number, number]; gamma: number; smooth_frames: number; relief: boolean;
}
export const off: Filters = { speckle: 0, shading: 0, local_contrast: 0, depth_gain: [], range: [0, 255], gamma: 1, smooth_frames: 1, relief: false };

/** Each switch of the panel governs some members. A switch that is off leaves its sliders where they stand. */
export type SwitchId = 'speckle' | 'shading' | 'local_contrast' | 'depth_gain' | 'greys' | 'smooth_frames' | 'relief';
const governs: Record<SwitchId, (keyof Filters)[]> = {
  speckle: ['speckle'], shading: ['shading'], local_contrast: ['local_contrast'], depth_gain: ['depth_gain'], greys: ['range', 'gamma'], smooth_frames: ['smooth_frames'], relief: ['relief'],
};
export const switchIds = Object.keys(governs) as SwitchId[];

/** Where the sliders stand, whether their switch is on or not. */
export const dials = signal<Filters>({ speckle: 0.5, shading: 0.5, local_contrast: 0.3, depth_gain: [0, 0, 0, 0, 0, 0], range: [10, 240], gamma: 1, smooth_frames: 3, relief: true });
export const switches = signal<ReadonlySet<SwitchId>>(new Set());

/** What the server is asked for. */
export const filters = computed<Filters>(() => {
  const out: Filters = { ...off };
  for (const id of switches.value) for (const m of governs[id]) Object.assign(out, { [m]: dials.value[m] });
  return out.depth_gain.some((g) => g !== 0) ? out : { ...out, depth_gain: [] };
});
export const isOff = (f: Filters) => JSON.stringify(f) === JSON.stringify(off);

export function flip(id: SwitchId): void {
  const next = new Set(switches.value);
  if (!next.delete(id)) next.add(id);
  switches.value = next;
}
/** A slider that is moved switches its filter on. */
export function turn(id: SwitchId, part: Partial<Filters>): void {
  dials.value = { ...dials.value, ...part };
  if (!switches.value.has(id)) switches.value = new Set([...switches.value, id]);
}
export function allOff(): void { switches.value = new Set(); before.value = false; }

export function take(f: Filters): void {
  const on = switchIds.filter((id) => governs[id].some((m) => JSON.stringify(f[m]) !== JSON.stringify(off[m])));
  const gains = f.depth_gain.length ? f.depth_gain : dials.value.depth_gain;
  dials.value = { ...dials.value, ...Object.fromEntries(on.flatMap((id) => governs[id]).map((m) => [m, f[m]])), depth_gain: gains };
  switches.value = new Set(on);
  before.value = false;
}

/** Whether edges stay where they are, so that calipers may be placed on the filtered picture. The rule is the program's
 * (ogv_filters_keep_edges in src/imaging/imaging_filter.h): the page asks once for each set, and until the answer is here
 * the stored picture is shown while measuring. */
const answers = signal<ReadonlyMap<string, boolean>>(new Map());
const asked = new Set<string>();
async function askEdges(what: string): Promise<void> {
  if (asked.has(what)) return;
  asked.add(what);
  try {
    const a = await get<{ keeps_edges: boolean }>(`/api/looks/edges?${what}`);
    answers.value = new Map([...answers.value, [what, a.keeps_edges]]);
  } catch {
    setTimeout(() => { asked.delete(what); void askEdges(what); }, 2000);
  }
}
const edgesOf = (f: Filters) => `filters=${encodeURIComponent(JSON.stringify(f))}`;
export function keepEdges(f: Filters): boolean { return isOff(f) || (answers.value.get(edgesOf(f)) ?? false); }
effect(() => { if (!isOff(filters.value)) void askEdges(edgesOf(filters.value)); });

/** The window of a cell's screen as it goes with a reading; nothing when the greys are shown as they are. */
export function windowNow(w: { slope: number; level: number }): { window?: { slope: number; level: number; invert: boolean } } {
  const { invert } = settings.value;
  return w.slope === 1 && w.level === 128 && !invert ? {} : { window: { slope: w.slope, level: w.level, invert } };
}
/** Filters that are shown at this moment, for what is accepted without a shape in the hand. */
export function looksNow(): { filters: string[]; looks: Filters[] } {
  const on = asStored.value || isOff(filters.value) ? [] : [filters.value];
  return { filters: on.flatMap(words), looks: on };
}

/** The other side of before and after: the picture as stored, while the filters stay set. */
export const before = signal(false);
export const panel = signal(false);
/** Stored on the left, filtered on the right of this part of the width; undefined: not divided. */
export const divided = signal<number | undefined>(undefined);
/** Calipers are in the hand and the filters would move edges: the stored picture is shown. */
export const forMeasuring = computed(() => toolOf(tool.value).kind !== undefined && !isOff(filters.value) && !keepEdges(filters.value));
export const asStored = computed(() => before.value || forMeasuring.value);

/** Query of the frame's address; empty when no filter is on. */
export function query(): string {
  return isOff(filters.value) ? '' : `?filters=${encodeURIComponent(JSON.stringify(filters.value))}`;
}

/** What is really done to a picture: one without a colour bar has no relief, and it is not claimed. */
export const doneTo = (f: Filters, relief: boolean | undefined): Filters => (f.relief && !relief ? { ...f, relief: false } : f);
/** The same as compressed pictures, for a clip that is playing: a frame on which somebody may measure is lossless. */
export const playingQuery = (): string => (query() ? `${query()}&as=view` : '');

const percent = (v: number) => `${Math.round(v * 100)} %`;
export function words(f: Filters): string[] {
  const out: string[] = [];
  if (f.shading) out.push(`shadows lifted ${percent(f.shading)}`);
  if (f.depth_gain.some((g) => g !== 0)) out.push('depth gain');
  if (f.speckle) out.push(`speckle reduced ${percent(f.speckle)}`);
  if (f.local_contrast) out.push(`local contrast ${percent(f.local_contrast)}`);
  if (f.range[0] !== 0 || f.range[1] !== 255) out.push(`range ${f.range[0]} to ${f.range[1]}`);
  if (f.gamma !== 1) out.push(`gamma ${f.gamma}`);
  if (f.smooth_frames > 1) out.push(`mean of ${f.smooth_frames} frames`);
  if (f.relief) out.push('colour as a relief');
  return out;
}

// --- which filters were seen while a shape was placed: they go with the reading ---

/** Whether the picture in the hand can be drawn with its colour as a relief. */
export const reliefHere = signal(false);
let seen = new Map<string, Filters>();
effect(() => {
  const done = doneTo(filters.value, reliefHere.value);
  const on = asStored.value || isOff(done) ? undefined : done;
  if (!draft.value) seen = new Map();
  else if (on) seen.set(JSON.stringify(on), on);
});
/** What goes with the evidence: in words, and in full. */
export function looksSeen(): { filters: string[]; looks: Filters[] } {
  const list = [...seen.values()].slice(-16);
  return { filters: [...new Set(list.flatMap(words))], looks: list };
}
/** A shape that came back into the hand keeps what was seen before. */
export function seenAgain(list: Filters[]): void { for (const f of list) seen.set(JSON.stringify(f), f); }

// --- presets: settings of the record, by protocol and scanner ---

export interface Look { id: string; protocol: string; scanner: string; name: string; filters: Filters }
export const saved = signal<Look[]>([]);
export const scanner = computed(() => {
  const e = answer.value?.exam as { manufacturer?: string; model?: string } | undefined;
  return [e?.manufacturer, e?.model].filter(Boolean).join(' ') || 'any scanner';
});
export const protocolOf = () => chosenProtocol.value?.id ?? 'any';
export const fitting = computed(() => saved.value.filter((l) => l.protocol === protocolOf() && l.scanner === scanner.value));

export async function loadLooks(): Promise<void> {
  try { saved.value = (await get<{ looks: Look[] }>('/api/looks')).looks; } catch (e) { trouble(e); }
}

export async function saveLook(name: string): Promise<boolean> {
  try {
    await send('POST', '/api/looks', { protocol: protocolOf(), scanner: scanner.value, name, filters: filters.value });
    await loadLooks();
    tell(`${name} is saved for ${chosenProtocol.value?.title ?? 'any protocol'} on ${scanner.value}.`);
    return true;
  } catch (e) { trouble(e); return false; }
}

export async function removeLook(l: Look): Promise<void> {
  try {
    await send('POST', '/api/looks', { protocol: l.protocol, scanner: l.scanner, name: l.name, removed: true });
    await loadLooks();
    tell(`${l.name} is removed.`, { label: 'Undo', run: () => { void send('POST', '/api/looks', l).then(loadLooks).catch(trouble); } });
  } catch (e) { trouble(e); }
}
