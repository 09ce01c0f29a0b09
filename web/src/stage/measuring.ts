// Placing geometry: pointer and keys in, a released shape out, accepted or dropped by the person.
import { send } from '../api';
import { examId, fetus, loadQuantities, quantities, reload } from '../model/exam';
import { sendMeasurement } from '../model/outbox';
import { blind, settings } from '../model/settings';
import type { Extent, Geometry, How, Point } from '../model/types';
import { didStep } from '../model/undo';
import { newKey } from '../model/words';
import { tell, trouble } from '../ui/notices';
import type { Cell } from './cell';
import { textHow } from './covers';
import { snapToEdge } from './edge';
import { looksSeen, windowNow, seenAgain, type Filters } from './looks';
import { dist, ellipseFrom, fitEllipse, mid, moveHandle, pointsNeeded, sub, type Scale } from './shape';
import { cells } from './stage';
import { nextPocket, pocketRefused, pocketsDone, pocketUndone } from './pockets';
import { armed, armNext, disarm, draft, tool, toolOf, type Draft } from './tools';
import { addMark } from './marks';
import { signal } from '@preact/signals';

/** What a free measurement gave, shown beside its shape until the next one. */
export interface Free { object: string; frame: number; geometry: Geometry; text: string; seen?: { filters: string[]; looks: object[] } }
export const freeResult = signal<Free | undefined>(undefined);
/** The last free measurements, to be put together: a ratio, an ellipsoid, stacked discs. */
export const basket = signal<Free[]>([]);

export function combinations(): { how: string; label: string; of: Free[] }[] {
  const b = basket.value;
  const out: { how: string; label: string; of: Free[] }[] = [];
  const two = b.slice(-2);
  const three = b.slice(-3);
  if (two.length === 2 && two[0]!.geometry.kind === two[1]!.geometry.kind && two[0]!.geometry.kind !== 'angle' && two[0]!.geometry.kind !== 'point')
    out.push({ how: 'ratio', label: 'Ratio of the last two', of: two });
  if (two.length === 2 && two.some((f) => f.geometry.kind === 'outline') && two.some((f) => f.geometry.kind === 'distance') && two[0]!.object === two[1]!.object)
    out.push({ how: 'discs', label: 'Volume by stacked discs', of: two });
  if (three.length === 3 && three.every((f) => f.geometry.kind === 'distance')) out.push({ how: 'ellipsoid', label: 'Volume of the ellipsoid', of: three });
  return out;
}

export async function combine(how: string, of: Free[]): Promise<void> {
  try {
    const r = await send<{ value: number; unit: string }>('POST', '/api/combine', { how, geometries: of.map((f) => ({ object: f.object, frame: f.frame, geometry: f.geometry })) });
    const name: Record<string, string> = { ratio: 'Ratio', ellipsoid: 'Ellipsoid', discs: 'Stacked discs' };
    freeResult.value = { ...of[of.length - 1]!, text: `${name[how]} ${r.value.toFixed(how === 'ratio' ? 3 : 2)}${r.unit === '1' ? '' : ` ${r.unit}`}` };
  } catch (e) { trouble(e); }
}

export function scaleAt(cell: Cell, p: Point): Scale {
  const r = cell.regionAt(p);
  const x = Math.abs(r?.delta[0] ?? 0);
  const y = Math.abs(r?.delta[1] ?? 0);
  return x > 0 && y > 0 && r!.unit_x === r!.unit_y ? { x, y } : { x: 1, y: 1 };
}

/** The complete shape from the points placed, or undefined while some are missing. */
export function shapeOf(d: Draft, cell: Cell, points: Point[]): Geometry | undefined {
  const kind = toolOf(d.tool).kind;
  if (!kind) return undefined;
  if (d.tool === 'ellipse') {
    if (points.length < 3) return undefined;
    return { kind, points: ellipseFrom(points[0]!, points[1]!, points[2]!, scaleAt(cell, mid(points[0]!, points[1]!))) };
  }
  if (d.tool === 'ellipse-points') {
    const fitted = fitEllipse(points, scaleAt(cell, points[0] ?? [0, 0]));
    return fitted ? { kind, points: fitted } : undefined;
  }
  if (d.tool === 'pocket' && points.length === 2) return { kind, points: [points[0]!, [points[0]![0], points[1]![1]]] };
  const [least] = pointsNeeded[kind];
  return points.length >= least ? { kind, points } : undefined;
}

const open = (d: Draft) => d.tool === 'outline' || d.tool === 'trace' || d.tool === 'ellipse-points';
const most = (d: Draft) => (toolOf(d.tool).kind ? pointsNeeded[toolOf(d.tool).kind!][1] : 2);

/** Calipers on the inner borders look for the edge from outside in. */
function innerToInner(d: Draft): boolean {
  const list = armed.value?.quantities ?? [];
  return d.tool === 'pocket' || (list.length > 0 && list.every((id) => quantities.value.get(id)?.convention === 'inner-inner'));
}

function snapShape(cell: Cell, g: Geometry, inner: boolean): Geometry {
  if (!settings.value.snap) return g;
  const img = cell.imageData();
  if (!img) {
    tell('The edge helper waits for the stored picture: the ends stay where you put them.');
    return g;
  }
  const p = g.points;
  if (g.kind === 'distance') {
    const [a, b] = inner ? [p[1]!, p[0]!] : [p[0]!, p[1]!];
    return { ...g, points: [snapToEdge(img, p[0]!, sub(a, b)), snapToEdge(img, p[1]!, sub(b, a))] };
  }
  if (g.kind === 'ellipse') {
    const a = snapToEdge(img, p[0]!, sub(p[0]!, p[1]!));
    const b = snapToEdge(img, p[1]!, sub(p[1]!, p[0]!));
    const c = snapToEdge(img, p[2]!, sub(p[2]!, p[3]!));
    const e = snapToEdge(img, p[3]!, sub(p[3]!, p[2]!));
    const half = dist(c, e) / 2;
    const k = scaleAt(cell, mid(a, b));
    const out = ellipseFrom(a, b, c, k);
    const now = dist(out[2]!, out[3]!) / 2 || 1;
    const m = mid(a, b);
    const put = (q: Point): Point => [m[0] + ((q[0] - m[0]) * half) / now, m[1] + ((q[1] - m[1]) * half) / now];
    return { ...g, points: [a, b, put(out[2]!), put(out[3]!)] };
  }
  return g;
}

/** The shape is whole and released: it waits for the person's yes. */
function release(d: Draft, points: Point[]): void {
  const cell = cells.value[d.cell]!;
  if (d.tool === 'arrow') {
    draft.value = undefined;
    void addMark({ object: d.object, frame: d.frame, kind: 'arrow', data: { points: points.slice(0, 2) } });
    return;
  }
  const g = shapeOf(d, cell, points);
  if (!g) {
    if (d.tool === 'ellipse-points') trouble(new Error(points.length < 5 ? 'An ellipse by points needs five points or more.' : 'These points do not lie on an ellipse: move them or draw an outline.'));
    draft.value = { ...d, points };
    return;
  }
  const snapped = snapShape(cell, g, innerToInner(d));
  draft.value = { ...d, points, geometry: snapped, active: snapped.points.length > 4 ? -1 : Math.min(1, snapped.points.length - 1),
    snapped: snapped !== g, source: d.tool === 'ellipse-points' ? points : undefined };
}

export function addPoint(cell: Cell, p: Point): void {
  const at = cells.value.indexOf(cell);
  const d: Draft = draft.value ?? { cell: at, object: cell.object.value, frame: cell.frame.value, tool: tool.value, points: [], active: -1, snapped: false };
  if (d.geometry || d.cell !== at) return;
  cell.pause();
  const points = [...d.points, p];
  if (!open(d) && points.length >= most(d)) release(d, points);
  else draft.value = { ...d, points, hover: p };
}

export function finishOpen(): boolean {
  const d = draft.value;
  if (!d || d.geometry || !open(d)) return false;
  release(d, d.points);
  return true;
}

export function hover(p: Point): void {
  const d = draft.value;
  if (d && !d.geometry) draft.value = { ...d, hover: p };
}

export function moveActive(to: Point): void {
  const d = draft.value;
  if (!d?.geometry || d.active < 0) return;
  const cell = cells.value[d.cell]!;
  if (d.tool === 'pocket') {
    draft.value = { ...d, geometry: { ...d.geometry, points: d.geometry.points.map((p, i): Point => [to[0], i === d.active ? to[1] : p[1]]) } };
    return;
  }
  draft.value = { ...d, geometry: moveHandle(d.geometry, d.active, to, scaleAt(cell, to)) };
}

/** Nudges the chosen end by a part of a pixel of the picture. */
export function nudge(dx: number, dy: number): boolean {
  const d = draft.value;
  if (!d?.geometry) return false;
  const p = d.geometry.points[Math.max(0, d.active)];
  if (!p) return false;
  moveActive([p[0] + dx, p[1] + dy]);
  return true;
}

export function nextHandle(by: number): boolean {
  const d = draft.value;
  if (!d?.geometry || d.geometry.points.length > 8) return false;
  const n = d.geometry.points.length;
  draft.value = { ...d, active: (d.active + by + n) % n };
  return true;
}

/** Takes back the last point, or drops the shape, or puts the tool down: one thing each time. */
export function stepBack(): boolean {
  const d = draft.value;
  if (d?.geometry || d?.points.length === 1) { draft.value = undefined; return true; }
  if (d && d.points.length > 1) { draft.value = { ...d, points: d.points.slice(0, -1) }; return true; }
  if (freeResult.value) { freeResult.value = undefined; return true; }
  if (armed.value || tool.value !== 'look') { disarm(); return true; }
  return false;
}

function extentText(e: Extent, region: string): string {
  const parts: string[] = [];
  const put = (v: number | null, digits: number, unit: string, name = '') => { if (v !== null && Number.isFinite(v)) parts.push(`${name}${v.toFixed(digits)}${unit}`); };
  put(e.axis1_mm, 1, ' mm', 'axes ');
  put(e.axis2_mm, 1, ' mm', '× ');
  if (e.perimeter_mm === null) put(e.length_mm, 1, ' mm');
  put(e.perimeter_mm, 1, ' mm', 'around ');
  put(e.area_mm2, 0, ' mm²', 'area ');
  put(e.angle_deg, 1, '°');
  put(e.time_s === null ? null : e.time_s * 1000, 0, ' ms');
  if (e.time_s !== null && e.time_s > 0 && e.length_mm === null) put(60 / e.time_s, 0, ' /min', 'rate ');
  put(e.value_y, 1, region === 'spectrum' ? ' cm/s' : ' cm');
  return parts.join(' · ');
}

async function acceptFree(d: Draft, g: Geometry): Promise<void> {
  try {
    const r = await send<{ extent: Extent; word: string }>('POST', `/api/objects/${d.object}/geometry`, { frame: d.frame, geometry: g });
    freeResult.value = { object: d.object, frame: d.frame, geometry: g, text: extentText(r.extent, r.word), seen: looksSeen() };
    basket.value = [...basket.value.slice(-2), freeResult.value];
    draft.value = undefined;
  } catch (e) { trouble(e); }
}

/** The person says yes: the geometry goes to the server, which measures and appends; only then is the value shown. */
export async function accept(): Promise<void> {
  const d = draft.value;
  if (!d) return;
  if (!d.geometry) { finishOpen(); return; }
  const g = d.geometry;
  const a = armed.value;
  if (!a) return acceptFree(d, g);
  const how: How = { blind: blind.value, snap: d.snapped, mode: settings.value.clickOnly ? 'clicks' : 'any', points: d.source,
    text: textHow(d.object), ...windowNow(cells.value[d.cell]!.window.value), ...looksSeen() };
  const body = { object: d.object, frame: d.frame, fetus: fetus.value, geometry: g, quantities: a.quantities, how, proposal: d.proposal,
    supersedes: a.supersedes, why: a.why ?? '' };
  draft.value = undefined;
  armed.value = undefined;
  tool.value = 'look';
  if (a.pockets) nextPocket(a);
  const exam = examId.value;
  const label = a.label;
  try {
    const stored = await sendMeasurement({ key: newKey(), exam, body, label });
    rememberMeasured(stored.rows.map((r) => r.id), exam, label);
    await reload();
    if (a.pockets && !a.pockets.left.length) pocketsDone();
    else tell(`${label} stored.`);
    if (settings.value.autoNext && !armed.value && !draft.value) armNext();
  } catch (e) {
    if (a.pockets && draft.value) { pocketRefused(a, e); return; }
    // Refused: the shape comes back into the hand, with the reason.
    trouble(e);
    armed.value = a;
    tool.value = d.tool;
    draft.value = d;
    seenAgain((how.looks ?? []) as Filters[]);
  }
}

export function rememberMeasured(ids: string[], exam: string, label: string): void {
  const versions = new Map(ids.map((id) => [id, 0]));
  const event = async (state: string, why: string) => {
    for (const id of ids) {
      await send('POST', `/api/measurements/${id}/events`, { state, why, exam, version: versions.get(id) });
      versions.set(id, versions.get(id)! + 1);
    }
    await reload();
  };
  didStep({ label: `measuring ${label}`, undo: async () => { await event('withdrawn', 'undone by the person who measured'); pocketUndone(ids); }, redo: () => event('restored', 'redone') });
}

/** Puts a free measurement into a row. */
export async function intoRow(quantity: string): Promise<void> {
  const f = freeResult.value;
  if (!f) return;
  await loadQuantities();
  const q = quantities.value.get(quantity);
  freeResult.value = undefined;
  try {
    const stored = await sendMeasurement({ key: newKey(), exam: examId.value, label: q?.symbol ?? quantity, body: {
      object: f.object, frame: f.frame, fetus: fetus.value, geometry: f.geometry, quantities: [quantity],
      how: { blind: false, snap: false, mode: 'seen first', text: textHow(f.object), ...f.seen } } });
    rememberMeasured(stored.rows.map((r) => r.id), examId.value, q?.symbol ?? quantity);
    await reload();
  } catch (e) { trouble(e); }
}

/** Why the picture under the hand cannot be measured with the present tool; empty when it can. */
export function whyNot(cell: Cell): string {
  const info = cell.info.value;
  const t = toolOf(tool.value);
  if (!info?.picture || !t.kind) return '';
  const usable = (info.regions ?? []).filter((r) => (r.measurable[0] || r.measurable[1]) && (!t.regions || t.regions.includes(r.kind)));
  if (usable.length) return '';
  const note = (info.regions ?? []).map((r) => r.note).find((n) => n);
  if (t.regions && info.regions?.length) return `${t.label} needs an M-mode or spectral region; this picture has none.`;
  return `No millimetres on this picture: ${note || 'it carries no calibration'}.`;
}

