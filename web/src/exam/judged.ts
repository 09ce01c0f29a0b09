// Published rules about one value: what they say of it and where their limits lie, so that they are read beside the value.
import { facts } from '../model/exam';
import type { Judgement } from '../model/types';

/** Facts that are no value of the ledger, by the rows that they are told beside. */
const told: Record<string, string[]> = { 'ua-edf': ['ua-pi', 'ua-edv'], 'dv-a-wave': ['dv-piv', 'dv-a'] };

const about = (fact: string, quantity: string): boolean => {
  const base = fact.split('.')[0]!;
  return base === quantity || (told[base]?.includes(quantity) ?? false);
};

/** Rules that ask about nothing but this value; those about several values stand in the report. */
export const judgedBy = (quantity: string, fetus: string): Judgement[] =>
  (facts.value?.assessment ?? []).filter((a) => (a.fetus ?? '') === fetus && a.conditions.length > 0 && a.conditions.every((c) => about(c.fact, quantity)));

/** Limits of the rules on a multiple of the median, ascending. */
export const momLimits = (quantity: string, fetus: string): number[] =>
  [...new Set(judgedBy(quantity, fetus).flatMap((a) => a.conditions).filter((c) => c.fact === `${quantity}.mom`).map((c) => c.limit?.at_least ?? c.limit?.above ?? c.limit?.below ?? c.limit?.at_most))]
    .filter((v): v is number => v !== undefined).sort((a, b) => a - b);

const answers = { met: 'met', 'not-met': 'not met', 'cannot-tell': 'cannot tell' };
export const judgementText = (a: Judgement): string => `${a.title}: ${a.text && a.text.toLowerCase() !== a.title.toLowerCase() && (a.class || a.answer === 'met') ? a.text : answers[a.answer]}`;
