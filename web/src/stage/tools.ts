// The tools of the stage and what is in the hand at the moment.
import { computed, signal } from '@preact/signals';
import type { Geometry, GeometryKind, Point, Quantity } from '../model/types';
import { blind } from '../model/settings';
import { quantities, viewRows, type ViewRow } from '../model/exam';
import { isQuadrant, startPockets } from './pockets';

export type ToolId = 'look' | 'distance' | 'ellipse' | 'ellipse-points' | 'outline' | 'angle' | 'interval' | 'point' | 'trace' | 'pocket'
  | 'arrow' | 'text' | 'body';

export interface Tool {
  id: ToolId; label: string; key: string; hint: string;
  kind?: GeometryKind;      // what it makes; none for looking and marks
  regions?: string[];       // words of regions it works in
}

export const tools: Tool[] = [
  { id: 'look', label: 'Look', key: 'v', hint: 'Drag to move the picture, wheel or pinch to enlarge.' },
  { id: 'distance', label: 'Distance', key: 'd', kind: 'distance', hint: 'Two points.' },
  { id: 'ellipse', label: 'Ellipse', key: 'e', kind: 'ellipse', hint: 'Both ends of one axis, then one point on the side.' },
  { id: 'ellipse-points', label: 'Ellipse by points', key: 'p', kind: 'ellipse', hint: 'Five points or more around it, then Enter.' },
  { id: 'outline', label: 'Outline', key: 'o', kind: 'outline', hint: 'Draw around it, or click points; Enter closes it.' },
  { id: 'angle', label: 'Angle', key: 'a', kind: 'angle', hint: 'One end, the corner, the other end.' },
  { id: 'interval', label: 'Time', key: 't', kind: 'interval', hint: 'Two moments on an M-mode or spectral picture.', regions: ['m-mode', 'spectrum', 'waveform'] },
  { id: 'point', label: 'Velocity', key: 'y', kind: 'point', hint: 'One point on the spectrum.', regions: ['spectrum'] },
  { id: 'trace', label: 'Trace', key: 'r', kind: 'trace', hint: 'Draw along the envelope from left to right.', regions: ['spectrum', 'm-mode'] },
  { id: 'pocket', label: 'Pockets', key: 'Shift+q', kind: 'distance', hint: 'Four quadrants: top and bottom of the deepest pocket free of cord and limbs; the line stays upright.' },
  { id: 'arrow', label: 'Arrow', key: 'w', hint: 'From the tail to the tip.' },
  { id: 'text', label: 'Text', key: 'x', hint: 'Click where the text begins.' },
  { id: 'body', label: 'Body mark', key: 'b', hint: 'Click where the mark stands.' },
];

export const tool = signal<ToolId>('look');
export const toolOf = (id: ToolId): Tool => tools.find((t) => t.id === id)!;

/** The row that the next geometry fills, and those that the same geometry fills along with it. */
export interface Armed { key: string; quantities: string[]; label: string; supersedes?: Record<string, string>; why?: string;
  covers?: string[];                             // values that stay covered as well
  pockets?: { left: string[] } } // four quadrants: those still to come
export const armed = signal<Armed | undefined>(undefined);

/** What the program proposed, kept with the reading that came of it. */
export interface Proposed {
  kind: string; geometry: Geometry; acceptance: number | null; at: Point | null; plane: string | null;
  criteria?: { id: string; text: string; state: 'met' | 'not-met' | 'for-the-person' }[]; judged?: Record<string, boolean>;
}

export interface Draft {
  cell: number; object: string; frame: number; tool: ToolId;
  points: Point[];           // as placed so far
  hover?: Point;             // where the pointer is
  geometry?: Geometry;       // complete and released; waits for accept or drop
  active: number;            // handle that the keys nudge
  snapped: boolean; source?: Point[];
  proposal?: Proposed;       // where it came from, when the program proposed it
}
export const draft = signal<Draft | undefined>(undefined);

function toolFor(q: Quantity): ToolId {
  if (q.kind === 'fluid' && q.geometry === 'distance') return 'pocket'; // vertical by definition
  if (q.kind === 'doppler' && (q.unit === 'cm/s')) return 'point';
  if (q.geometry === 'distance' || q.geometry === 'ellipse' || q.geometry === 'outline' || q.geometry === 'angle'
    || q.geometry === 'interval' || q.geometry === 'trace') return q.geometry;
  return 'look';
}

export function arm(row: ViewRow, correct?: { supersedes: Record<string, string>; why: string }): void {
  const q = quantities.value.get(row.quantity);
  if (!q) return;
  if (isQuadrant(q.id) && !correct && startPockets(q.id)) return;
  const along = (row.expected?.with ?? []).filter((id) => quantities.value.has(id));
  const all = correct ? Object.keys(correct.supersedes) : [row.quantity, ...along];
  armed.value = { key: row.key, quantities: all, label: all.map((id) => quantities.value.get(id)?.symbol ?? id).join(', '), ...correct };
  tool.value = toolFor(q);
  draft.value = undefined;
}

export function disarm(): void {
  armed.value = undefined;
  draft.value = undefined;
  tool.value = 'look';
}

export function choose(id: ToolId): void {
  if (id === 'pocket' && !armed.value?.pockets && startPockets()) return;
  if (armed.value) {
    const q = quantities.value.get(armed.value.quantities[0]!);
    const kind = toolOf(id).kind;
    const fits = q && kind && (kind === q.geometry || (q.geometry === 'ellipse' && kind === 'outline'));
    if (!fits) armed.value = undefined; // another kind of tool: measured beside the rows
  }
  draft.value = undefined;
  tool.value = id;
}

/** Quantities whose values stay covered: the eye must not be led while they are being measured. */
export const covered = computed<Set<string>>(() => {
  const a = armed.value;
  if (!blind.value || !a) return new Set();
  return new Set([...a.quantities, ...(a.covers ?? [])]);
});

/** Quantities whose shapes are not drawn: the one in the hand. Earlier pockets of a set stay on the picture, without values. */
export const unseen = computed<Set<string>>(() => new Set(blind.value ? armed.value?.quantities : []));

export function armNext(): boolean {
  const next = viewRows.value.find((r) => r.measurable && r.required && r.state === 'missing')
    ?? viewRows.value.find((r) => r.measurable && r.required && r.state === 'proposed');
  if (!next) return false;
  arm(next);
  return true;
}
