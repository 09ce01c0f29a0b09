// What a playing clip reaches on this computer: how many frames a second, why not all of them, and which ones to decode.
import { signal, type Signal } from '@preact/signals';

const LATELY = 1500; // ms
const WINDOW = 2000;
const MARGIN = 1.15; // decoding is not all that has to be done

export interface Reached { rate: number; why: 'computed' | 'decoded' }

export class Pace {
  /** Frames a second while that is less than the clip's rate, and what they wait for. */
  readonly reached: Signal<Reached | undefined> = signal(undefined);
  /** Each of how many frames is decoded; 1: all of them. */
  stride = 1;
  private startedAt = 0;
  private full = 0; // frames due in a second
  private heldAt = -1e9;
  private missedAt = -1e9;
  private shownAt: number[] = [];

  start(now: number, perSecond: number): void {
    this.startedAt = now;
    this.full = perSecond;
    this.shownAt = [];
    this.heldAt = this.missedAt = -1e9;
  }

  stop(): void {
    this.reached.value = undefined;
    this.stride = 1;
  }

  /** The clip waits for a frame that is being computed. */
  held(now: number): void {
    this.heldAt = now;
    this.note(now);
  }

  /** A frame was due and is on the screen or is not, whether its bytes are still on their way or it is being decoded. */
  due(now: number, shown: boolean, fetched: boolean): void {
    if (shown) this.shownAt.push(now);
    else if (fetched) this.missedAt = now;
    this.note(now);
  }

  /**
   * Frames that cannot be decoded in their time are left out evenly, not as they happen to come late.
   * `decodeMs`: how long one takes, `lanes` at a time.
   */
  plan(now: number, decodeMs: number, lanes: number): void {
    const needed = (this.full * decodeMs * MARGIN) / 1000 / lanes;
    if (needed > this.stride && now - this.missedAt < LATELY) this.stride = Math.ceil(needed);
    else if (needed < this.stride - 1.25 || (needed < 0.75 && this.stride === 2)) this.stride = Math.max(1, Math.ceil(needed));
  }

  private note(now: number): void {
    while (this.shownAt.length && this.shownAt[0]! < now - WINDOW) this.shownAt.shift();
    const span = Math.min(WINDOW, now - this.startedAt) / 1000;
    const computed = now - this.heldAt < LATELY;
    const rate = this.shownAt.length / span;
    const slow = rate < 0.9 * this.full && span > 0.7; // sooner the number would say nothing
    const why = computed ? 'computed' : 'decoded';
    const was = this.reached.peek();
    if (!slow) { if (was) this.reached.value = undefined; }
    else if (!was || was.why !== why || Math.abs(rate - was.rate) > 0.1 * Math.max(1, was.rate)) this.reached.value = { rate, why };
  }
}
