// Protocols: which rows an exam of a kind must have. The one that fits the exam's age is taken unless a person chooses.
import { computed, signal } from '@preact/signals';
import { get } from '../api';
import { trouble } from '../ui/notices';
import { answer } from './exam';
import type { Protocol } from './types';

export const protocols = signal<Protocol[]>([]);
export const chosenId = signal(''); // '' means: by age

export async function loadProtocols(): Promise<void> {
  try {
    protocols.value = (await get<{ protocols: Protocol[] }>('/api/protocols')).protocols;
  } catch (e) { trouble(e); }
}

function fits(p: Protocol, ga: number | undefined, fetuses: number): boolean {
  if ((p.fetuses_min ?? 1) > fetuses) return false;
  if (p.ga_low === undefined || p.ga_high === undefined) return false;
  return ga !== undefined && ga >= p.ga_low && ga <= p.ga_high;
}

export const fittingProtocol = computed<Protocol | undefined>(() => {
  const f = answer.value?.facts;
  const fetuses = f?.pregnancy?.fetuses?.length ?? 1;
  const found = protocols.value.filter((p) => fits(p, f?.pregnancy?.ga_days, fetuses));
  // The one made for more fetuses, then the one with the narrower ages, is the more particular.
  found.sort((a, b) => (b.fetuses_min ?? 1) - (a.fetuses_min ?? 1) || (a.ga_high! - a.ga_low!) - (b.ga_high! - b.ga_low!));
  return found[0] ?? protocols.value.find((p) => p.id === 'second-trimester') ?? protocols.value[0];
});

export const chosenProtocol = computed<Protocol | undefined>(
  () => protocols.value.find((p) => p.id === chosenId.value) ?? fittingProtocol.value);
