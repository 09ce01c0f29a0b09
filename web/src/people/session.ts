// Who is logged in. Without people in the record one person works without log-in and only gives a name.
import { signal } from '@preact/signals';
import { get, loggedOut, send, who } from '../api';

export interface Person { user: string; name: string; role: string }
export interface Session { mode: 'single' | 'log-in'; person: Person | null; may: { work: boolean; sign: boolean; lead: boolean; people: boolean } }
export const session = signal<Session | undefined>(undefined);

function take(s: Session): void {
  session.value = s;
  loggedOut.value = s.mode === 'log-in' && !s.person;
  if (s.person) who.value = s.person.user;
}

export async function loadSession(): Promise<void> { take(await get<Session>('/api/session')); }
export async function logIn(user: string, password: string): Promise<void> { take(await send<Session>('POST', '/api/session', { user, password })); }
export async function logOut(): Promise<void> {
  await send('DELETE', '/api/session', {});
  who.value = '';
  location.assign('/');
}
