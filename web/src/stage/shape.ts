// Geometry on the picture while it is being placed. This file only draws and moves points; what they measure is computed
// by the server. The scale of the region is needed for one thing: a right angle in the body may not be one in pixels.
import type { Geometry, GeometryKind, Point } from '../model/types';

export interface Scale { x: number; y: number } // physical units a pixel, only their ratio matters here

export const add = (a: Point, b: Point): Point => [a[0] + b[0], a[1] + b[1]];
export const sub = (a: Point, b: Point): Point => [a[0] - b[0], a[1] - b[1]];
export const mid = (a: Point, b: Point): Point => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
export const dist = (a: Point, b: Point): number => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** Unit vector across the axis a-b, at a right angle in the body, given back in pixels. */
function across(a: Point, b: Point, k: Scale): { n: Point; length: (p: Point) => number } {
  const ux = (b[0] - a[0]) * k.x;
  const uy = (b[1] - a[1]) * k.y;
  const l = Math.hypot(ux, uy) || 1;
  const nx = -uy / l;
  const ny = ux / l;
  return { n: [nx / k.x, ny / k.y], length: (p) => p[0] * k.x * nx + p[1] * k.y * ny };
}

/** The four points of an ellipse from one axis and a point that its other axis must reach. */
export function ellipseFrom(a: Point, b: Point, reach: Point, k: Scale): Point[] {
  const c = mid(a, b);
  const { n, length } = across(a, b, k);
  const h = Math.abs(length(sub(reach, c)));
  return [a, b, [c[0] - n[0] * h, c[1] - n[1] * h], [c[0] + n[0] * h, c[1] + n[1] * h]];
}

function halfWidth(p: Point[], k: Scale): number {
  const { length } = across(p[0]!, p[1]!, k);
  return Math.abs(length(sub(p[3]!, p[2]!))) / 2;
}

/** Moves one handle of a finished shape; an ellipse keeps its right angle and its other axis. */
export function moveHandle(g: Geometry, index: number, to: Point, k: Scale): Geometry {
  const p = g.points.map((q) => [...q] as Point);
  if (g.kind !== 'ellipse') {
    p[index] = to;
    return { ...g, points: p };
  }
  if (index < 2) {
    const h = halfWidth(p, k);
    p[index] = to;
    const c = mid(p[0]!, p[1]!);
    const { n } = across(p[0]!, p[1]!, k);
    p[2] = [c[0] - n[0] * h, c[1] - n[1] * h];
    p[3] = [c[0] + n[0] * h, c[1] + n[1] * h];
    return { ...g, points: p };
  }
  return { ...g, points: ellipseFrom(p[0]!, p[1]!, to, k) };
}

export function moveAll(g: Geometry, by: Point): Geometry {
  return { ...g, points: g.points.map((p) => add(p, by)) };
}

/** SVG path of a shape in screen coordinates; `at` maps picture to screen. */
export function pathOf(g: Geometry, at: (p: Point) => Point): string {
  const s = g.points.map(at);
  const line = (q: Point[]) => q.map((p, i) => `${i ? 'L' : 'M'}${p[0].toFixed(2)} ${p[1].toFixed(2)}`).join('');
  if (g.kind === 'ellipse' && s.length === 4) {
    const c = mid(s[0]!, s[1]!);
    const u = sub(s[1]!, c);
    const v: Point = [(s[3]![0] - s[2]![0]) / 2, (s[3]![1] - s[2]![1]) / 2];
    const q: Point[] = [];
    for (let i = 0; i < 96; i++) {
      const t = (i * 2 * Math.PI) / 96;
      q.push([c[0] + u[0] * Math.cos(t) + v[0] * Math.sin(t), c[1] + u[1] * Math.cos(t) + v[1] * Math.sin(t)]);
    }
    return `${line(q)}Z`;
  }
  if (g.kind === 'outline' && s.length > 2) return `${line(s)}Z`;
  return s.length > 1 ? line(s) : '';
}

/** Axes of an ellipse, drawn thin so that the eye can judge them. */
export function axesOf(g: Geometry, at: (p: Point) => Point): string {
  if (g.kind !== 'ellipse' || g.points.length !== 4) return '';
  const s = g.points.map(at);
  return `M${s[0]![0]} ${s[0]![1]}L${s[1]![0]} ${s[1]![1]}M${s[2]![0]} ${s[2]![1]}L${s[3]![0]} ${s[3]![1]}`;
}

export const pointsNeeded: Record<GeometryKind, [number, number]> = {
  distance: [2, 2], ellipse: [3, 3], outline: [3, 4096], angle: [3, 3], point: [1, 1], trace: [2, 8192], interval: [2, 2],
};

/** Least-squares ellipse through five points or more: general conic with the ellipse constraint (Fitzgibbon, Pilu, Fisher
 * 1999; numerically stable form of Halir and Flusser 1998). Points are scaled to physical units first, so that the axes
 * found are at a right angle in the body. Undefined when the points do not lie on an ellipse. */
export function fitEllipse(points: Point[], k: Scale): Point[] | undefined {
  if (points.length < 5) return undefined;
  const m: Point = points.reduce<Point>((s, p) => [s[0] + p[0] * k.x, s[1] + p[1] * k.y], [0, 0]);
  const c: Point = [m[0] / points.length, m[1] / points.length];
  const spread = Math.max(...points.map((p) => Math.hypot(p[0] * k.x - c[0], p[1] * k.y - c[1]))) || 1;
  const q = points.map((p): Point => [(p[0] * k.x - c[0]) / spread, (p[1] * k.y - c[1]) / spread]);
  const conic = fitConic(q);
  if (!conic) return undefined;
  const axes = conicAxes(conic);
  return axes?.map((p): Point => [(p[0] * spread + c[0]) / k.x, (p[1] * spread + c[1]) / k.y]);
}

type V3 = [number, number, number];
type M3 = [V3, V3, V3];
const zero = (): M3 => [[0, 0, 0], [0, 0, 0], [0, 0, 0]];
function mul(a: M3, b: M3): M3 {
  const r = zero();
  for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) for (let l = 0; l < 3; l++) r[i]![j]! += a[i]![l]! * b[l]![j]!;
  return r;
}
const transpose = (a: M3): M3 => [[a[0][0], a[1][0], a[2][0]], [a[0][1], a[1][1], a[2][1]], [a[0][2], a[1][2], a[2][2]]];
const det = (a: M3) => a[0][0] * (a[1][1] * a[2][2] - a[1][2] * a[2][1]) - a[0][1] * (a[1][0] * a[2][2] - a[1][2] * a[2][0])
  + a[0][2] * (a[1][0] * a[2][1] - a[1][1] * a[2][0]);
function inverse(a: M3): M3 | undefined {
  const d = det(a);
  if (Math.abs(d) < 1e-14) return undefined;
  const r = zero();
  for (let i = 0; i < 3; i++)
    for (let j = 0; j < 3; j++) {
      const [p, q] = [(j + 1) % 3, (j + 2) % 3];
      const [s, t] = [(i + 1) % 3, (i + 2) % 3];
      r[i]![j] = (a[p]![s]! * a[q]![t]! - a[p]![t]! * a[q]![s]!) / d;
    }
  return r;
}

/** Real eigenvalues of a 3x3 matrix, from its characteristic cubic by Newton and deflation. */
function eigenvalues(a: M3): number[] {
  const tr = a[0][0] + a[1][1] + a[2][2];
  const c1 = a[0][0] * a[1][1] - a[0][1] * a[1][0] + a[0][0] * a[2][2] - a[0][2] * a[2][0] + a[1][1] * a[2][2] - a[1][2] * a[2][1];
  const d = det(a);
  const f = (x: number) => ((x - tr) * x + c1) * x - d;
  let bound = 1 + Math.max(Math.abs(tr), Math.abs(c1), Math.abs(d));
  let lo = -bound;
  let hi = bound;
  for (let i = 0; i < 200; i++) { // a cubic always crosses between the bounds
    const m = (lo + hi) / 2;
    if (f(m) > 0) hi = m; else lo = m;
  }
  const r = (lo + hi) / 2;
  const b = r - tr;
  const cc = c1 + r * b;
  const disc = b * b - 4 * cc;
  if (disc < 0) return [r];
  return [r, (-b + Math.sqrt(disc)) / 2, (-b - Math.sqrt(disc)) / 2];
}

function nullVector(a: M3): V3 {
  const cross = (u: V3, v: V3): V3 => [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
  const all = [cross(a[0], a[1]), cross(a[0], a[2]), cross(a[1], a[2])];
  all.sort((p, q) => Math.hypot(...q) - Math.hypot(...p));
  return all[0]!;
}

function fitConic(q: Point[]): number[] | undefined {
  const s1 = zero();
  const s2 = zero();
  const s3 = zero();
  for (const [x, y] of q) {
    const d1: V3 = [x * x, x * y, y * y];
    const d2: V3 = [x, y, 1];
    for (let i = 0; i < 3; i++)
      for (let j = 0; j < 3; j++) {
        s1[i]![j]! += d1[i]! * d1[j]!;
        s2[i]![j]! += d1[i]! * d2[j]!;
        s3[i]![j]! += d2[i]! * d2[j]!;
      }
  }
  const s3i = inverse(s3);
  if (!s3i) return undefined;
  const t = mul(s3i, transpose(s2)).map((r) => r.map((v) => -v)) as M3;
  const st = mul(s2, t);
  const m = s1.map((r, i) => r.map((v, j) => v + st[i]![j]!)) as M3;
  const w: M3 = [m[2].map((v) => v / 2) as V3, m[1].map((v) => -v) as V3, m[0].map((v) => v / 2) as V3];
  for (const e of eigenvalues(w)) {
    const v = nullVector(w.map((r, i) => r.map((x, j) => x - (i === j ? e : 0))) as M3);
    if (4 * v[0] * v[2] - v[1] * v[1] <= 0) continue;
    const rest = t.map((r) => r[0] * v[0] + r[1] * v[1] + r[2] * v[2]);
    return [...v, ...rest];
  }
  return undefined;
}

function conicAxes(p: number[]): Point[] | undefined {
  const [a, b, c, d, e, f] = p as [number, number, number, number, number, number];
  const den = 4 * a * c - b * b;
  if (den <= 0) return undefined;
  const x0 = (b * e - 2 * c * d) / den;
  const y0 = (b * d - 2 * a * e) / den;
  const g = a * x0 * x0 + b * x0 * y0 + c * y0 * y0 + d * x0 + e * y0 + f;
  const angle = 0.5 * Math.atan2(b, a - c);
  const cs = Math.cos(angle);
  const sn = Math.sin(angle);
  const l1 = a * cs * cs + b * cs * sn + c * sn * sn;
  const l2 = a * sn * sn - b * cs * sn + c * cs * cs;
  const r1 = -g / l1;
  const r2 = -g / l2;
  if (!(r1 > 0 && r2 > 0)) return undefined;
  let u: Point = [cs * Math.sqrt(r1), sn * Math.sqrt(r1)];
  let v: Point = [-sn * Math.sqrt(r2), cs * Math.sqrt(r2)];
  if (r2 > r1) [u, v] = [v, u];
  return [[x0 - u[0], y0 - u[1]], [x0 + u[0], y0 + u[1]], [x0 - v[0], y0 - v[1]], [x0 + v[0], y0 + v[1]]];
}
