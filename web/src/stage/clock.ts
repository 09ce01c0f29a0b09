// Which frame is due: playback follows the clock, never the speed of decoding.
import type { Picture } from '../model/types';

export const GUESSED_MS = 1000 / 25;

export interface TimeBase { starts: number[]; length: number; guessed: boolean; rate: number }

/** Start of each frame in ms. The recorded times come first, then a constant frame time, then a stated guess. */
export function timeBase(p: Picture): TimeBase {
  const n = p.frames;
  if (p.times.length === n && n > 1) {
    const last = p.times[n - 1]! - p.times[n - 2]!;
    const length = p.times[n - 1]! + last;
    return { starts: p.times, length, guessed: false, rate: (1000 * n) / length };
  }
  const good = p.frame_ms !== null && p.frame_ms > 0.5 && p.frame_ms < 60000;
  const step = good ? p.frame_ms! : GUESSED_MS;
  return { starts: Array.from({ length: n }, (_, i) => i * step), length: n * step, guessed: !good, rate: 1000 / step };
}

/** Frame shown at time t: the last one that has started. */
export function frameAt(b: TimeBase, t: number): number {
  let lo = 0;
  let hi = b.starts.length - 1;
  while (lo < hi) {
    const m = (lo + hi + 1) >> 1;
    if (b.starts[m]! <= t) lo = m; else hi = m - 1;
  }
  return lo;
}

export interface Range { from: number; to: number } // frames, inclusive

export function rangeTime(b: TimeBase, r: Range): { start: number; length: number } {
  const start = b.starts[r.from]!;
  const end = r.to + 1 < b.starts.length ? b.starts[r.to + 1]! : b.length;
  return { start, length: Math.max(1e-3, end - start) };
}

/** Running state of one clip. `elapsed` counts ms of clip time since play was pressed. */
export class Playback {
  private anchor = 0;      // clip time at which the present run began
  private began = 0;       // clock time of that
  due = 0;                 // frames that became due
  shown = 0;               // of those, frames that were on the screen in their time
  private lastCount = 0;

  constructor(private readonly base: TimeBase, public range: Range, public speed: number) {}

  /** Starts at a frame. The clock is set half a frame in, so that a display and a clip of the same rate do not beat. */
  start(now: number, frame: number): void {
    const { start } = rangeTime(this.base, this.range);
    const half = (this.base.length / this.base.starts.length) / 2;
    this.anchor = Math.max(0, this.base.starts[frame]! - start) + half;
    this.began = now;
    this.lastCount = frame - this.range.from;
  }

  /** The clock stands still for a while: a frame that is still being computed is waited for, not left out. */
  hold(ms: number): void { this.began += ms; }

  /** What `at` would say, without taking note of it. */
  peek(now: number): { frame: number; passed: number; count: number } {
    const { start, length } = rangeTime(this.base, this.range);
    const t = this.anchor + (now - this.began) * this.speed;
    const turns = Math.floor(t / length);
    const frame = frameAt(this.base, start + (t - turns * length));
    const inRange = this.range.to - this.range.from + 1;
    const count = turns * inRange + (frame - this.range.from);
    return { frame, passed: count - this.lastCount, count };
  }

  /** Frame due now, and how many frames have gone by since the last call (1 when playback keeps up). */
  at(now: number): { frame: number; passed: number } {
    const { frame, passed, count } = this.peek(now);
    this.lastCount = count;
    return { frame, passed };
  }

  /** Number of the frame that was due last, counted on from loop to loop. */
  get count(): number { return this.lastCount; }

  /** The frame to be seen after the one that was due last, and by how many ms the clock has passed its end (0: it has not). */
  following(now: number): { frame: number; over: number } {
    const { start, length } = rangeTime(this.base, this.range);
    const n = this.range.to - this.range.from + 1;
    const count = this.lastCount + 1;
    const frame = this.range.from + (count % n);
    const end = Math.floor(count / n) * length + (frame < this.range.to ? this.base.starts[frame + 1]! - start : length);
    const over = (this.anchor - end) / this.speed + now - this.began;
    return { frame, over: over < 0 ? 0 : over + 0.01 };
  }

  /** How many frames become due in a second. */
  get perSecond(): number {
    return (1000 * this.speed * (this.range.to - this.range.from + 1)) / rangeTime(this.base, this.range).length;
  }
}

/**
 * Frames to have ready, in order, where not all can be: each `stride`th of those that come, from `lead` frames after the
 * one played as number `count` on; other ones each time round the loop, so that in the end every frame is seen.
 */
export function thinned(count: number, range: Range, stride: number, lead: number, many: number): number[] {
  const n = range.to - range.from + 1;
  const out: number[] = [];
  for (let c = count + lead; c < count + lead + n && out.length < many; c++)
    if ((c + Math.floor(c / n)) % stride === 0) out.push(range.from + (c % n));
  return out;
}

/** Frames to have ready, in order: the present one, those ahead round the loop, a few behind for stepping back. */
export function ahead(frame: number, range: Range, count: number, playing: boolean): number[] {
  const out = [frame];
  const n = range.to - range.from + 1;
  if (playing) {
    for (let i = 1; i < n && out.length < count; i++) out.push(range.from + ((frame - range.from + i) % n + n) % n);
    return out;
  }
  for (let i = 1; i < n && out.length < count; i++)
    for (const f of [frame + i, frame - i])
      if (f >= range.from && f <= range.to && out.length < count) out.push(f);
  return out;
}
