// Frames of one object: compressed bytes are kept up to a limit, decoded pictures live in a ring of fixed size.
import { getBlob } from '../api';

const FETCHES = 4;
export const DECODES = 2;

export class Frames {
  readonly capacity: number;
  private readonly blobs = new Map<number, Blob>();
  private blobBytes = 0;
  private readonly pictures = new Map<number, ImageBitmap>();
  private wanted: number[] = [];
  private bytesOf: number[] = []; // after those, only the bytes
  private readonly fetching = new Map<number, AbortController>();
  private readonly decoding = new Set<number>();
  private readonly failed = new Map<number, unknown>();
  private closed = false;
  private took: number[] = []; // the latest decodings, ms
  onReady: (frame: number) => void = () => {};
  onFail: (frame: number, e: unknown) => void = () => {};

  constructor(readonly object: string, readonly count: number, columns: number, rows: number,
    decodedBytes: number, private readonly query = '', private readonly keptBytes = 64 << 20) {
    this.capacity = Math.max(2, Math.min(count, Math.floor(decodedBytes / (columns * rows * 4))));
  }

  picture(frame: number): ImageBitmap | undefined { return this.pictures.get(frame); }
  get decoded(): number { return this.pictures.size; }
  /** How long a frame takes to decode, ms: the median of the latest, so that what else goes on while a clip is fetched is soon forgotten. */
  get decodeMs(): number {
    return [...this.took].sort((p, q) => p - q)[this.took.length >> 1] ?? 0;
  }
  /** Whether the bytes of a frame are here. */
  has(frame: number): boolean { return this.blobs.has(frame); }
  /** Frames whose bytes are here. */
  get kept(): number { return this.blobs.size; }

  /** Frames in the order they will be needed; everything else may go. Then those of which only the bytes should be here. */
  want(list: number[], bytesOf: number[] = []): void {
    if (this.closed) return;
    this.wanted = list.slice(0, this.capacity);
    this.bytesOf = bytesOf;
    for (const [frame, abort] of this.fetching)
      if (!list.includes(frame) && !bytesOf.includes(frame)) abort.abort();
    this.pump();
  }

  /** Bytes that were fetched elsewhere. */
  have(frame: number, blob: Blob): void {
    if (this.blobs.has(frame)) return;
    this.blobs.set(frame, blob);
    this.blobBytes += blob.size;
  }

  private room(): boolean {
    if (this.pictures.size + this.decoding.size < this.capacity) return true;
    for (const [frame, p] of this.pictures)
      if (!this.wanted.includes(frame)) {
        p.close();
        this.pictures.delete(frame);
        return true;
      }
    return false;
  }

  private pump(): void {
    for (const frame of this.wanted) {
      if (this.pictures.has(frame) || this.decoding.has(frame) || this.failed.has(frame)) continue;
      const blob = this.blobs.get(frame);
      if (blob) {
        if (this.decoding.size < DECODES && this.room()) void this.decode(frame, blob);
      } else if (!this.fetching.has(frame) && this.fetching.size < FETCHES) {
        void this.fetch(frame);
      }
    }
    for (const frame of this.bytesOf)
      if (this.fetching.size < FETCHES && !this.blobs.has(frame) && !this.fetching.has(frame) && !this.failed.has(frame)) void this.fetch(frame);
  }

  private async fetch(frame: number): Promise<void> {
    const abort = new AbortController();
    this.fetching.set(frame, abort);
    try {
      const blob = await getBlob(`/api/objects/${this.object}/frames/${frame}${this.query}`, abort.signal);
      this.blobs.set(frame, blob);
      this.blobBytes += blob.size;
      for (const [old, b] of this.blobs) {
        if (this.blobBytes <= this.keptBytes) break;
        if (old === frame || this.wanted.includes(old)) continue;
        this.blobs.delete(old);
        this.blobBytes -= b.size;
      }
    } catch (e) {
      if (!abort.signal.aborted) {
        this.failed.set(frame, e);
        setTimeout(() => { this.failed.delete(frame); this.pump(); }, 3000); // tried again when the network is back
        this.onFail(frame, e);
      }
    } finally {
      this.fetching.delete(frame);
      if (!this.closed) this.pump();
    }
  }

  private async decode(frame: number, blob: Blob): Promise<void> {
    this.decoding.add(frame);
    const began = performance.now();
    try {
      const p = await createImageBitmap(blob, { colorSpaceConversion: 'none', premultiplyAlpha: 'none' });
      this.took.push(performance.now() - began);
      if (this.took.length > 7) this.took.shift();
      if (this.closed) p.close();
      else {
        this.pictures.set(frame, p);
        this.onReady(frame);
      }
    } catch (e) {
      this.failed.set(frame, e);
      this.onFail(frame, new Error(`frame ${frame + 1} cannot be shown: its bytes are damaged`));
    } finally {
      this.decoding.delete(frame);
      if (!this.closed) this.pump();
    }
  }

  close(): void {
    this.closed = true;
    for (const a of this.fetching.values()) a.abort();
    for (const p of this.pictures.values()) p.close();
    this.pictures.clear();
    this.blobs.clear();
  }
}
