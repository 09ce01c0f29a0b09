// The cells of the stage and what acts on all of them.
import { computed, signal } from '@preact/signals';
import { Cell } from './cell';

export const layout = signal<1 | 2 | 4>(1);
export const cells = signal<Cell[]>([new Cell(1)]);
export const activeIndex = signal(0);
export const inStep = signal(true);      // clips side by side run on one clock
export const magnifier = signal(false);
export const active = computed<Cell>(() => cells.value[Math.min(activeIndex.value, cells.value.length - 1)]!);

export async function setLayout(n: 1 | 2 | 4): Promise<void> {
  const kept = cells.value.map((c) => ({ object: c.object.value, frame: c.frame.value }));
  for (const c of cells.value) c.close(); // the ring is shared out anew
  layout.value = n;
  activeIndex.value = Math.min(activeIndex.value, n - 1);
  cells.value = Array.from({ length: n }, () => new Cell(n));
  await Promise.all(cells.value.map((c, i) => (kept[i]?.object ? c.open(kept[i]!.object, kept[i]!.frame) : undefined)));
}

export function closeStage(): void {
  for (const c of cells.value) c.close();
  layout.value = 1;
  cells.value = [new Cell(1)];
  activeIndex.value = 0;
}

/** The cells that playing and stepping act on. */
function driven(): Cell[] {
  return inStep.value && cells.value.length > 1 ? cells.value.filter((c) => (c.info.value?.picture?.frames ?? 1) > 1) : [active.value];
}

export function playPause(): void {
  const list = driven();
  const on = list.some((c) => c.playing.value);
  const now = performance.now();
  for (const c of list) {
    if (on) c.pause();
    else {
      if (list.length > 1) c.go(c.range.value.from);
      c.start(now);
    }
  }
}

export function stepAll(by: number): void { for (const c of driven()) c.step(by); }
export function speedAll(s: number): void { for (const c of driven()) c.setSpeed(s); }

let running = false;
function loop(now: number): void {
  let any = false;
  const waits = cells.value.map((c) => c.mustWait(now));
  const all = inStep.value ? Math.max(0, ...waits) : 0; // clips in step wait for each other
  cells.value.forEach((c, i) => {
    if (c.playing.value) any = true;
    c.tick(now, Math.max(all, waits[i]!));
  });
  if (any) requestAnimationFrame(loop);
  else running = false;
}

/** Runs the display loop while something plays. */
export function watchPlaying(): void {
  if (!running && cells.value.some((c) => c.playing.value)) {
    running = true;
    requestAnimationFrame(loop);
  }
}
