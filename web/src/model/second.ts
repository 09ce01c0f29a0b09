// Where the second reader, measuring the same picture without knowing the value, found something else.
import { computed } from '@preact/signals';
import { answer, ledger } from './exam';
import type { Geometry } from './types';

export interface Difference {
  measurement: string; quantity: string; fetus: string; value: number; second_value: number; limit: number;
  object: string; frame: number; geometry?: Geometry; second_geometry?: Geometry; text: string;
}

/** Of readings that still stand: a corrected or withdrawn one settles its difference. */
export const differences = computed<Difference[]>(() => {
  const notes = (answer.value?.exam['notes'] ?? []) as { verb: string; detail: Difference }[];
  const live = new Set(ledger.value.filter((r) => r.state === 'accepted' || r.state === 'disputed').map((r) => r.id));
  return notes.filter((n) => n.verb === 'second-reading' && live.has(n.detail.measurement)).map((n) => n.detail);
});
export const differenceOf = (row: string): Difference | undefined => differences.value.find((d) => d.measurement === row);
