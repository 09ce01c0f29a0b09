// Edge helper: moves a point to the strongest edge near it, along one direction, to a fraction of a pixel. It only ever
// moves a point by a few pixels, it can be switched off, and its use is kept with the reading.
import type { Point } from '../model/types';

function grey(img: ImageData, x: number, y: number): number {
  const x0 = Math.min(img.width - 2, Math.max(0, Math.floor(x)));
  const y0 = Math.min(img.height - 2, Math.max(0, Math.floor(y)));
  const fx = Math.min(1, Math.max(0, x - x0));
  const fy = Math.min(1, Math.max(0, y - y0));
  const at = (i: number, j: number) => {
    const k = 4 * (j * img.width + i);
    return 0.299 * img.data[k]! + 0.587 * img.data[k + 1]! + 0.114 * img.data[k + 2]!;
  };
  return (at(x0, y0) * (1 - fx) + at(x0 + 1, y0) * fx) * (1 - fy) + (at(x0, y0 + 1) * (1 - fx) + at(x0 + 1, y0 + 1) * fx) * fy;
}

/** `outwards`: from the inside of the structure to the outside. The edge is where brightness falls outwards most steeply,
 * the outer border of a bright wall. `reach` in pixels. Returns the point itself when no clear edge is near. */
export function snapToEdge(img: ImageData, p: Point, outwards: Point, reach = 7): Point {
  const l = Math.hypot(outwards[0], outwards[1]);
  if (l === 0) return p;
  const d: Point = [outwards[0] / l, outwards[1] / l];
  const side: Point = [-d[1], d[0]];
  const step = 0.5;
  const n = Math.round(reach / step);
  const profile: number[] = [];
  for (let i = -n - 2; i <= n + 2; i++) {
    let s = 0;
    for (let j = -2; j <= 2; j++) // a short average along the wall calms speckle
      s += grey(img, p[0] + d[0] * i * step + side[0] * j, p[1] + d[1] * i * step + side[1] * j);
    profile.push(s / 5);
  }
  let best = 0;
  let bestAt = -1;
  const fall: number[] = [];
  for (let k = 2; k < profile.length - 2; k++) {
    const f = (profile[k - 2]! + profile[k - 1]! - profile[k + 1]! - profile[k + 2]!) / 4;
    const away = Math.abs(k - (n + 2)) / n;
    const w = f * (1 - 0.5 * away * away); // the hand was probably near
    fall[k] = w;
    if (w > best) {
      best = w;
      bestAt = k;
    }
  }
  if (best < 6 || bestAt < 0) return p;
  const [a, b, c] = [fall[bestAt - 1] ?? 0, fall[bestAt]!, fall[bestAt + 1] ?? 0];
  const den = a - 2 * b + c;
  const fine = den < 0 ? Math.max(-0.5, Math.min(0.5, (0.5 * (a - c)) / den)) : 0;
  const t = (bestAt + fine - (n + 2)) * step;
  return [p[0] + d[0] * t, p[1] + d[1] * t];
}
