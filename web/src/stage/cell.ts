// One place on the stage: an object with its picture, view, window and playback.
import { signal, type Signal } from '@preact/signals';
import { get, getBlob, sentence } from '../api';
import type { ObjectAnswer, Picture, Point, Region } from '../model/types';
import { coverAgain, coversOf, knowCovers, type Covers } from './covers';
import { DECODES, Frames } from './frames';
import { Pace } from './pace';
import { ahead, Playback, thinned, timeBase, type Range, type TimeBase } from './clock';
import { asStored, divided, doneTo, filters, playingQuery, query, type Filters } from './looks';
import { fit, type View } from './view';

export const RING_BYTES = 160 << 20; // decoded pictures of the whole stage

export type Side = 'stored' | 'filtered' | 'both';
export interface Painted { side: Side; filters: Filters; quick: boolean }

export interface Window { slope: number; level: number } // shown = (grey - level) * slope + level, in 0..255

export class Cell {
  private static made = 0;
  readonly key = Cell.made++;
  readonly object: Signal<string> = signal('');
  readonly info: Signal<ObjectAnswer | undefined> = signal(undefined);
  readonly trouble: Signal<string> = signal('');
  readonly frame = signal(0);
  readonly view: Signal<View> = signal({ scale: 1, x: 0, y: 0 });
  readonly fitted = signal(true);
  readonly size = signal({ width: 0, height: 0 });
  readonly window: Signal<Window> = signal({ slope: 1, level: 128 });
  readonly playing = signal(false);
  readonly speed = signal(1);
  readonly range: Signal<Range> = signal({ from: 0, to: 0 });
  readonly ready = signal(0); // counts pictures that became ready: a reason to draw again
  readonly shown = signal(-1); // frame on the screen
  readonly covered = signal(0); // counts answers on where burned-in text is
  /** What is painted at this moment: with which filters, and which side of before and after. */
  readonly painted: Signal<Painted | undefined> = signal(undefined);
  base: TimeBase | undefined;
  frames: Frames | undefined;
  /** Beside a filtered picture, the one that is stored: for before and after, and for the edge helper. */
  private stored: Frames | undefined;
  private filtered: Filters | undefined;
  private relief = false; // whether colour flow of this object can be drawn as a relief
  /** Filtered frames of a playing clip, compressed: they are computed and sent fast enough for most machines. */
  private quick: Frames | undefined;
  private waited = new Set<number>(); // filtered frames that have been on the screen once: those are waited for no more
  readonly pace = new Pace();
  private lastTick = 0;
  play: Playback | undefined;
  private asking: AbortController | undefined;
  look = '';
  private pixels: { frame: number; data: ImageData } | undefined;

  constructor(public share: number) {}

  async open(object: string, frame = 0): Promise<void> {
    if (object === this.object.value) {
      if (frame !== this.frame.value) this.go(frame);
      return;
    }
    this.close();
    this.object.value = object;
    this.asking = new AbortController();
    // The picture is asked for together with what it is, not after it.
    const look = query();
    const early = getBlob(`/api/objects/${object}/frames/${frame}${look}`, this.asking.signal).catch(() => undefined);
    try {
      const info = await get<ObjectAnswer>(`/api/objects/${object}`, this.asking.signal);
      const p = info.picture;
      if (info.refused || !p) {
        this.trouble.value = info.refused ? `${info.refused.what}. ${info.refused.todo}` : 'This object has no picture.';
        this.info.value = info;
        return;
      }
      this.base = timeBase(p);
      this.range.value = { from: 0, to: p.frames - 1 };
      this.relief = info.relief === true;
      this.takeFrames(object, p);
      this.frame.value = Math.min(frame, p.frames - 1);
      this.info.value = info;
      this.fitView();
      const blob = await early;
      if (this.object.value !== object) return;
      if (blob && this.frame.value === frame && this.look === look) this.frames!.have(frame, blob);
      this.request();
      void this.findText(object);
    } catch (e) {
      if (!(e instanceof DOMException && e.name === 'AbortError')) this.trouble.value = sentence(e);
    }
  }

  /** After the first picture, not before it: until the answer everything beside the scanned area is covered. */
  private async findText(object: string): Promise<void> {
    try {
      if (!coversOf(object)) knowCovers(object, await get<Covers>(`/api/objects/${object}/covers`, this.asking?.signal));
      if (this.object.value === object) this.covered.value++;
    } catch (e) {
      if (e instanceof DOMException && e.name === 'AbortError') return;
      setTimeout(() => { if (this.object.value === object) void this.findText(object); }, 3000); // still all covered
    }
  }

  private takeFrames(object: string, p: Picture): void {
    const old = [this.frames, this.stored, this.quick];
    this.look = query();
    this.filtered = this.look ? doneTo(filters.value, this.relief) : undefined;
    // All decoded pictures of the stage together stay within RING_BYTES.
    const ring = (look: string, part: number) => {
      const f = new Frames(object, p.frames, p.columns, p.rows, (RING_BYTES / this.share) * part, look);
      f.onReady = (k) => { if (k === this.frame.value) { this.ready.value++; this.trouble.value = ''; } };
      f.onFail = (k, e) => { if (k === this.frame.value) this.trouble.value = sentence(e); };
      return f;
    };
    const clip = p.frames > 1;
    this.frames = ring(this.look, !this.look ? 1 : clip ? 0.15 : 0.5);
    this.stored = this.look ? ring('', clip ? 0.25 : 0.5) : undefined;
    this.quick = this.look && clip ? ring(playingQuery(), 0.6) : undefined;
    this.waited.clear();
    this.pace.stop();
    this.pixels = undefined;
    for (const f of old) f?.close(); // the canvas keeps the last picture until the new one is there
  }

  /** The filters changed: the same frame again, looked at otherwise. */
  relook(): void {
    const p = this.info.value?.picture;
    if (!p || !this.frames || this.look === query()) return;
    this.takeFrames(this.object.value, p);
    this.request();
  }

  fitView(): void {
    const p = this.info.value?.picture;
    const { width, height } = this.size.value;
    if (p && width > 0) this.view.value = fit(p.columns, p.rows, width, height);
    this.fitted.value = true;
  }

  request(): void {
    const frame = this.frame.peek();
    const side = this.side();
    // Only what is shown is fetched ahead; of the other side the frame on the screen is enough, and none while a clip plays.
    const playing = this.playing.peek();
    const rest = playing ? [] : [frame];
    const next = (f: Frames) => this.prepare(f, frame);
    if ((side === 'stored' && this.stored) || (playing && this.quick)) this.frames?.want(rest);
    else if (this.frames) next(this.frames);
    if (side !== 'stored' && playing && this.quick) next(this.quick);
    else this.quick?.want(side === 'stored' ? [] : [frame]);
    if (side === 'filtered') this.stored?.want(rest);
    else if (this.stored) next(this.stored);
  }

  /** Has frames ready ahead in a ring; while a clip plays that this computer cannot decode in time, not all of them. */
  private prepare(f: Frames, frame: number): void {
    const range = this.range.peek();
    const play = this.playing.peek() ? this.play : undefined;
    const all = ahead(frame, range, f.capacity, play !== undefined);
    if (!play) return f.want(all);
    this.pace.plan(this.lastTick, f.decodeMs, DECODES);
    if (this.pace.stride === 1) return f.want(all);
    const lead = Math.ceil((f.decodeMs * play.perSecond) / 1000);
    // What comes sooner than it could be decoded is kept where it is decoded already.
    const soon = thinned(play.count + 1, range, 1, 0, lead - 1).filter((k) => k !== frame && f.picture(k));
    const some = thinned(play.count, range, this.pace.stride, lead, f.capacity - 1 - soon.length);
    f.want(f.picture(frame) ? [frame, ...soon, ...some] : [...soon, ...some, frame], all);
  }

  private side(): Side {
    if (!this.stored || asStored.peek()) return 'stored';
    return divided.peek() === undefined ? 'filtered' : 'both';
  }

  /** Pictures of the frame on the screen as they are to be painted; undefined while one of them is missing. */
  layers(frame = this.frame.value): { side: Side; stored?: ImageBitmap; filtered?: ImageBitmap; filters?: Filters; quick: boolean } | undefined {
    const side = this.side();
    const stored = (this.stored ?? this.frames)?.picture(frame);
    const exact = this.stored ? this.frames?.picture(frame) : undefined;
    const filtered = exact ?? this.quick?.picture(frame);
    if (side !== 'filtered' && !stored) return undefined;
    if (side !== 'stored' && !filtered) return undefined;
    return { side, stored, filtered, filters: this.filtered, quick: filtered !== undefined && filtered !== exact };
  }

  go(frame: number): void {
    const p = this.info.value?.picture;
    if (!p) return;
    this.frame.value = Math.min(p.frames - 1, Math.max(0, frame));
    this.request();
  }

  step(by: number): void {
    this.pause();
    const { from, to } = this.range.value;
    const n = to - from + 1;
    this.go(from + (((this.frame.value - from + by) % n) + n) % n);
  }

  start(now: number): void {
    if (!this.base || this.range.value.to === this.range.value.from) return;
    this.play = new Playback(this.base, this.range.value, this.speed.value);
    this.lastTick = now;
    this.pace.start(now, this.play.perSecond);
    this.play.start(now, Math.min(Math.max(this.frame.value, this.range.value.from), this.range.value.to));
    this.playing.value = true;
    this.request();
  }

  pause(): void {
    this.playing.value = false;
    this.pace.stop();
    this.request();
  }

  setSpeed(speed: number): void {
    this.speed.value = speed;
    if (this.playing.value) this.start(performance.now());
  }

  setRange(r: Range): void {
    const p = this.info.value?.picture;
    if (!p) return;
    const from = Math.max(0, Math.min(r.from, p.frames - 1));
    this.range.value = { from, to: Math.max(from, Math.min(r.to, p.frames - 1)) };
    if (this.frame.value < from || this.frame.value > this.range.value.to) this.go(from);
    if (this.playing.value) this.start(performance.now());
  }

  /**
   * For how long the clock must stand still. A filtered frame is waited for the first time, while it is computed, and none
   * is passed over. Later it is left out when late, as stored ones are.
   */
  mustWait(now: number): number {
    if (!this.playing.value || !this.play || !this.quick || asStored.peek()) return 0;
    const on = this.frame.peek();
    if (!this.waited.has(on)) { // it was due and is not painted yet, or only since the last display frame
      if (this.shown.peek() === on) this.waited.add(on);
      return now - this.lastTick;
    }
    const { frame, over } = this.play.following(now);
    if (this.play.peek(now).passed < 1 || this.waited.has(frame)) return 0;
    return this.layers(frame) ? over : now - this.lastTick;
  }

  /** Called on each display frame while playing. `hold`: ms for which this clip or one that runs in step waits for a frame. */
  tick(now: number, hold: number): void {
    if (!this.playing.value || !this.play) return;
    const since = now - this.lastTick;
    this.lastTick = now;
    if (hold > 0) this.play.hold(hold);
    if (hold >= since && since > 0) {
      this.pace.held(now);
      this.request();
      return;
    }
    const { frame, passed } = this.play.at(now);
    if (passed <= 0) {
      if (this.shown.value !== frame && this.layers()) this.ready.value++;
      return;
    }
    this.play.due += passed;
    this.frame.value = frame;
    const here = this.layers() !== undefined;
    if (here) this.play.shown++;
    if (this.shown.peek() === frame) this.waited.add(frame); // painted at once
    this.pace.due(now, here, (this.quick ?? this.frames)?.has(frame) ?? false);
    this.request();
  }

  /** Decoded pictures held and the most there may be, of all rings of this cell; frames of what is played whose bytes are here. */
  held(): { decoded: number; most: number; kept: number } {
    const rings = [this.frames, this.stored, this.quick].filter((f) => f !== undefined);
    return { decoded: rings.reduce((n, f) => n + f.decoded, 0), most: rings.reduce((n, f) => n + f.capacity, 0), kept: (this.quick ?? this.frames)?.kept ?? 0 };
  }

  /** Region under a point: the smallest that holds it. */
  regionAt(p: Point): Region | undefined {
    const area = (r: Region) => (r.box[2] - r.box[0]) * (r.box[3] - r.box[1]);
    return (this.info.value?.regions ?? [])
      .filter((r) => p[0] >= r.box[0] - 0.5 && p[0] <= r.box[2] + 0.5 && p[1] >= r.box[1] - 0.5 && p[1] <= r.box[3] + 0.5)
      .sort((a, b) => area(a) - area(b))[0];
  }

  /** Pixels of the frame on the screen as stored, whatever filters are on, for the edge helper. */
  imageData(): ImageData | undefined {
    const picture = (this.stored ?? this.frames)?.picture(this.frame.value);
    if (!picture) return undefined;
    if (this.pixels?.frame === this.frame.value) return this.pixels.data;
    const c = new OffscreenCanvas(picture.width, picture.height);
    const ctx = c.getContext('2d', { willReadFrequently: true })!;
    ctx.drawImage(picture, 0, 0);
    this.pixels = { frame: this.frame.value, data: ctx.getImageData(0, 0, picture.width, picture.height) };
    return this.pixels.data;
  }

  close(): void {
    coverAgain(this.object.value);
    this.asking?.abort();
    this.frames?.close();
    this.stored?.close();
    this.quick?.close();
    this.frames = undefined;
    this.stored = undefined;
    this.quick = undefined;
    this.pace.stop();
    this.filtered = undefined;
    this.painted.value = undefined;
    this.look = '';
    this.play = undefined;
    this.pixels = undefined;
    this.playing.value = false;
    this.info.value = undefined;
    this.trouble.value = '';
    this.object.value = '';
    this.frame.value = 0;
    this.shown.value = -1;
    this.window.value = { slope: 1, level: 128 };
  }
}
