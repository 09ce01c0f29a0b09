// What was measured but not yet acknowledged. It is kept in the browser's storage until the server has it, under a key
// that makes sending it twice harmless, so that a cable pulled during a measurement loses nothing.
import { signal } from '@preact/signals';
import { ApiError, loggedOut, OfflineError, send, who } from '../api';
import { connected } from '../live';

/** who: the person who measured; nobody else sends it. */
export interface Waiting { who?: string; key: string; exam: string; body: Record<string, unknown>; label: string; failed?: string }
export interface StoredRows { rows: { id: string; quantity: string }[] }

const place = 'ogive.outbox';
function read(): Waiting[] {
  try { return JSON.parse(localStorage.getItem(place) ?? '[]'); } catch { return []; }
}
export const outbox = signal<Waiting[]>(read());
outbox.subscribe((list) => localStorage.setItem(place, JSON.stringify(list)));

const settle = new Map<string, { resolve: (r: StoredRows) => void; reject: (e: unknown) => void }>();

function drop(key: string): void { outbox.value = outbox.value.filter((w) => w.key !== key); }

/** Resolves once the rows are stored; rejects when the server refuses them. Without a server it waits. */
export function sendMeasurement(w: Waiting): Promise<StoredRows> {
  outbox.value = [...outbox.value.filter((x) => x.key !== w.key), { ...w, who: who.value }];
  const promise = new Promise<StoredRows>((resolve, reject) => settle.set(w.key, { resolve, reject }));
  void flush();
  return promise;
}

/** Resolves when everything measured so far has had its answer; at once without a server, since that may take hours. */
export async function acknowledged(): Promise<void> {
  while (connected.value && outbox.value.some((w) => !w.failed)) await new Promise((r) => setTimeout(r, 20));
}

let flushing = false;
export async function flush(): Promise<void> {
  if (flushing) return;
  flushing = true;
  try {
    // What is measured while another is on its way goes with the same flush.
    for (let w; (w = outbox.value.find((x) => !x.failed && (!x.who || x.who === who.value))); ) {
      try {
        const rows = await send<StoredRows>('POST', `/api/exams/${w.exam}/measurements`, { ...w.body, key: w.key });
        drop(w.key);
        settle.get(w.key)?.resolve(rows);
      } catch (e) {
        if (e instanceof OfflineError || (e instanceof ApiError && e.status === 401)) return; // later, when there is a server or a log-in
        const busyDisk = e instanceof ApiError && (e.status === 507 || e.status === 503);
        if (busyDisk) {
          settle.get(w.key)?.reject(e); // told, but kept: the disk may get room
          return;
        }
        drop(w.key);
        settle.get(w.key)?.reject(e);
      }
    }
  } finally {
    flushing = false;
  }
}

connected.subscribe((c) => { if (c && outbox.value.length) void flush(); });
setInterval(() => { if (outbox.value.length) void flush(); }, 3000);
loggedOut.subscribe((out) => { if (!out && outbox.value.length) void flush(); });
window.addEventListener('online', () => void flush());
