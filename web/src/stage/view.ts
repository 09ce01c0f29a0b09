// From picture to screen and back. Picture coordinates are pixel centres: (0,0) is the middle of the first pixel.
import type { Point } from '../model/types';

export interface View { scale: number; x: number; y: number } // screen = (p + 0.5) * scale + (x, y), in CSS pixels

export const toScreen = (v: View, p: Point): Point => [(p[0] + 0.5) * v.scale + v.x, (p[1] + 0.5) * v.scale + v.y];
export const toPicture = (v: View, s: Point): Point => [(s[0] - v.x) / v.scale - 0.5, (s[1] - v.y) / v.scale - 0.5];

export function fit(columns: number, rows: number, width: number, height: number): View {
  const scale = Math.max(0.02, Math.min(width / columns, height / rows));
  return { scale, x: (width - columns * scale) / 2, y: (height - rows * scale) / 2 };
}

/** Zooms by a factor keeping the screen point where it is. */
export function zoomAt(v: View, at: Point, factor: number): View {
  const scale = Math.min(40, Math.max(0.05, v.scale * factor));
  const k = scale / v.scale;
  return { scale, x: at[0] - (at[0] - v.x) * k, y: at[1] - (at[1] - v.y) * k };
}
