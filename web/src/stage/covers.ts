// Burned-in text: results and captions that a scanner drew into the picture would show the value that is to be measured
// blind. While blind is on they are covered on the stage (never in the stored pixels); a person may lift the cover of a
// picture, and a reading taken there says so. Where the text is, the server finds; until its answer is here everything
// beside the scanned area is covered.
import { signal } from '@preact/signals';
import { blind } from '../model/settings';
import type { Region } from '../model/types';
import type { Cell } from './cell';

export interface Covers { covers: [number, number, number, number, boolean][]; scanned: boolean; searched: boolean; unsure: string }

/** Pictures whose cover is lifted now, and those whose text was seen since the exam was opened. */
export const lifted = signal<ReadonlySet<string>>(new Set());
const seen = new Set<string>();
const known = new Map<string, Covers>();

export function knowCovers(object: string, c: Covers): void { known.set(object, c); }
export const coversOf = (object: string): Covers | undefined => known.get(object);

const scanned = (r: Region) => ['2d', 'm-mode', 'spectrum', 'waveform'].includes(r.kind) && r.box[2] > r.box[0] && r.box[3] > r.box[1];

export const coverable = (cell: Cell): boolean => (cell.info.value?.regions ?? []).some(scanned);
export const covering = (cell: Cell): boolean => blind.value && coverable(cell) && !lifted.value.has(cell.object.value);

export function lift(cell: Cell): boolean {
  const object = cell.object.value;
  if (!blind.value || !coverable(cell) || coversOf(object)?.covers.length === 0) return false;
  const next = new Set(lifted.value);
  if (!next.delete(object)) { next.add(object); seen.add(object); }
  lifted.value = next;
  return true;
}

/** Another picture takes its place: covered again when it comes back. */
export function coverAgain(object: string): void {
  if (!lifted.value.has(object)) return;
  lifted.value = new Set([...lifted.value].filter((o) => o !== object));
}
export function forgetSeen(): void { seen.clear(); known.clear(); lifted.value = new Set(); }

/** How the text stood while a reading was taken, as the evidence keeps it. */
export function textHow(object: string): string {
  if (!blind.value) return 'shown';
  if (seen.has(object)) return 'seen';
  const c = known.get(object);
  if (c && !c.scanned) return 'not covered';
  return c?.covers.length === 0 ? 'none found' : 'covered';
}

/** Paints the covers; the context's transform is that of the picture. */
export function paintCovers(ctx: CanvasRenderingContext2D, cell: Cell): void {
  const p = cell.info.value?.picture;
  if (!p || !covering(cell)) return;
  ctx.save();
  ctx.fillStyle = '#2a3038';
  const c = known.get(cell.object.value);
  if (c) { // half a pixel wider, so that no seam shows between two of them
    ctx.beginPath();
    for (const [x0, y0, x1, y1] of c.covers) ctx.rect(x0 - 0.5, y0 - 0.5, x1 - x0 + 2, y1 - y0 + 2);
    ctx.fill();
  } else {
    for (const r of (cell.info.value?.regions ?? []).filter(scanned)) { // each clip leaves one region out
      ctx.beginPath();
      ctx.rect(0, 0, p.columns, p.rows);
      ctx.rect(r.box[0], r.box[1], r.box[2] - r.box[0] + 1, r.box[3] - r.box[1] + 1);
      ctx.clip('evenodd');
    }
    ctx.fillRect(0, 0, p.columns, p.rows);
  }
  ctx.restore();
}
