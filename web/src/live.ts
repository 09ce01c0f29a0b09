// Live changes: the server tells every open page what changed in the record (server-sent events).
import { signal } from '@preact/signals';
import { loggedOut } from './api';

export interface Change { exam?: string; who?: string; what?: string; row?: string }
export const connected = signal(true);

type Listener = (event: string, change: Change) => void;
const listeners = new Set<Listener>();
let source: EventSource | undefined;

export function onChange(fn: Listener): () => void {
  listeners.add(fn);
  if (!source) open();
  return () => { listeners.delete(fn); };
}

/** Without a log-in nothing is listened to; after it all is looked at afresh. */
loggedOut.subscribe((out) => {
  if (out) {
    source?.close();
    source = undefined;
  } else if (!source && listeners.size) {
    open();
    tellAll('back', {});
  }
});

function open(): void {
  if (loggedOut.value) return;
  source = new EventSource('/api/events');
  let lost = false;
  source.onopen = () => {
    connected.value = true;
    if (lost) tellAll('back', {}); // something may have changed while nobody listened
    lost = false;
  };
  source.onerror = () => {
    lost = true;
    connected.value = false;
    if (source?.readyState === EventSource.CLOSED) {
      source.close();
      source = undefined;
      setTimeout(() => { if (!source) open(); }, 2000);
    }
  };
  for (const name of ['exam', 'record', 'protocol', 'setup', 'receipt'])
    source.addEventListener(name, (e) => {
      let data: Change = {};
      try { data = JSON.parse((e as MessageEvent<string>).data); } catch { data = {}; }
      tellAll(name, data);
    });
}

function tellAll(event: string, change: Change): void {
  for (const fn of [...listeners]) fn(event, change);
}
