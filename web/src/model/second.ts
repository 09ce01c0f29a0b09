// Where the second reader, measuring the same picture without knowing the value, found something else.
import { computed } from '@preact/signals';
import { answer, ledger } from './exam';
import type { ColourAnswer } from '../stage/proposeFlow';
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

export interface ExamEvent<D> { seq: number; verb: string; who: string; when: string; detail: D }
export const eventsOf = <D>(verb: string): ExamEvent<D>[] => ((answer.value?.exam['events'] ?? []) as ExamEvent<D>[]).filter((e) => e.verb === verb);

export interface Reread { measurement: string; result: 'agrees' | 'differs' | 'could-not-read'; basis: 'own' | 'adjusted' | 'proposed'; second_value?: number; limit?: number; reason?: string }
/** What the blind second reading of a row found, the newest. */
export const rereadOf = (row: string): Reread | undefined => eventsOf<Reread>('re-read').filter((e) => e.detail.measurement === row).pop()?.detail;

export interface KeptColour extends ColourAnswer { id: string; object: string; frame: number; text: string; mean_velocity_cm_s?: number; who: string; at: string }
/** Colour readings that stand: those taken back are left out. */
export const colourKept = computed<KeptColour[]>(() => {
  const all = eventsOf<KeptColour & { withdraws?: string }>('colour');
  const back = new Set(all.map((e) => e.detail.withdraws));
  return all.filter((e) => !e.detail.withdraws && !back.has(e.detail.id)).map((e) => ({ ...e.detail, who: e.who, at: e.when }));
});
