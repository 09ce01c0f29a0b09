// Captions and marks on pictures: data beside the picture, never burned in; removing one appends a removal.
import { send } from '../api';
import { examId, load, marks } from '../model/exam';
import { didStep } from '../model/undo';
import { trouble } from '../ui/notices';
import type { Mark } from '../model/types';

type NewMark = Pick<Mark, 'object' | 'frame' | 'kind' | 'data'>;

async function post(m: NewMark & { supersedes?: string; removed?: boolean }): Promise<string> {
  // Whatever the answer: the marks as they are now. A stale change is refused, and what it did not see is shown.
  const r = await send<{ id: string }>('POST', `/api/exams/${examId.value}/marks`, m).finally(() => load(examId.value));
  return r.id;
}

export async function addMark(m: NewMark): Promise<void> {
  try {
    let id = await post(m);
    didStep({
      label: 'the mark',
      undo: async () => { id = await post({ ...m, supersedes: id, removed: true }); },
      redo: async () => { id = await post({ ...m, supersedes: id }); },
    });
  } catch (e) { trouble(e); }
}

export async function removeMark(m: Mark): Promise<void> {
  try {
    let id = await post({ object: m.object, frame: m.frame, kind: m.kind, data: m.data, supersedes: m.id, removed: true });
    didStep({
      label: 'removing the mark',
      undo: async () => { id = await post({ object: m.object, frame: m.frame, kind: m.kind, data: m.data, supersedes: id }); },
      redo: async () => { id = await post({ object: m.object, frame: m.frame, kind: m.kind, data: m.data, supersedes: id, removed: true }); },
    });
  } catch (e) { trouble(e); }
}

export const marksOn = (object: string, frame: number) =>
  marks.value.filter((m) => m.object === object && (m.frame === null || m.frame === frame) && !m.removed);

/** Body marks of our own drawing, as SVG paths in a box of 48 x 48. */
export const bodyMarks: Record<string, { name: string; path: string }> = {
  'head-down': { name: 'Head down', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM24 40A5 5 0 1 1 24 30A5 5 0 1 1 24 40M24 30C18 26 17 18 22 12M24 26L31 20M22 18L29 13' },
  'breech': { name: 'Breech', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM24 9A5 5 0 1 1 24 19A5 5 0 1 1 24 9M24 19C18 24 17 31 22 38M24 24L31 28M22 33L30 36' },
  'transverse': { name: 'Transverse', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM10 25A5 5 0 1 1 20 25A5 5 0 1 1 10 25M20 25C26 20 32 20 38 24M25 22L29 30M33 22L36 29' },
  'probe-long': { name: 'Probe lengthwise', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM24 14V36M20 14H28' },
  'probe-across': { name: 'Probe across', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM13 25H35M13 21V29' },
  'quarters': { name: 'Four quarters', path: 'M24 4C12 4 6 14 6 26C6 38 14 45 24 45C34 45 42 38 42 26C42 14 36 4 24 4ZM24 6V43M7 25H41' },
};
