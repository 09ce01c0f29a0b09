// Undo and redo. The record is append-only, so undoing appends too: a withdrawal, a restoration, a new superseding row.
import { signal } from '@preact/signals';
import { trouble } from '../ui/notices';

export interface Step { label: string; undo: () => Promise<void>; redo: () => Promise<void> }

const done = signal<Step[]>([]);
const undone = signal<Step[]>([]);
export const canUndo = () => done.value[done.value.length - 1];
export const canRedo = () => undone.value[undone.value.length - 1];

export function didStep(s: Step): void {
  done.value = [...done.value.slice(-99), s];
  undone.value = [];
}

export function forgetSteps(): void {
  done.value = [];
  undone.value = [];
}

// One after the other, however fast the keys come.
let queue: Promise<void> = Promise.resolve();
function run(from: typeof done, to: typeof done, way: 'undo' | 'redo'): Promise<void> {
  queue = queue.then(async () => {
    const s = from.value[from.value.length - 1];
    if (!s) return;
    try {
      await s[way]();
      from.value = from.value.slice(0, -1);
      to.value = [...to.value, s];
    } catch (e) {
      trouble(e);
    }
  });
  return queue;
}

export const undo = () => run(done, undone, 'undo');
export const redo = () => run(undone, done, 'redo');
