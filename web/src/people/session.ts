// Who is logged in. Without people in the record one person works without log-in and only gives a name.
import { computed, signal } from '@preact/signals';
import { get, loggedOut, send, who } from '../api';

export interface Person { user: string; name: string; role: string }
export interface Session { mode: 'single' | 'log-in'; person: Person | null; may: { work: boolean; sign: boolean; lead: boolean; people: boolean }; read_only?: boolean; lock_minutes?: number }
export const session = signal<Session | undefined>(undefined);

function take(s: Session): void {
  const out = s.mode === 'log-in' && !s.person;
  if (out && session.value?.person) { loggedOut.value = true; return; } // the page stays this person's, locked
  if (s.person) who.value = s.person.user;
  session.value = s;
  loggedOut.value = out;
}

/** What the present person may do here; everything while one person works without log-in. */
export const may = computed(() => session.value?.may ?? { work: true, sign: true, lead: true, people: true });

export async function loadSession(): Promise<void> { take(await get<Session>('/api/session')); }
export async function logIn(user: string, password: string): Promise<void> {
  take(await send<Session>('POST', '/api/session', { user, password }));
  back.value += 1;
}
/** Counts log-ins of this page: what listens to the server begins again. */
export const back = signal(0);
export async function logOut(): Promise<void> {
  await send('DELETE', '/api/session', {});
  who.value = '';
  location.assign('/');
}
