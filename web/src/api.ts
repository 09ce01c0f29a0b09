// Talking to the server: JSON in and out, one kind of error, the author's name with every change.
import { signal } from '@preact/signals';

export interface Trouble { code: string; what: string; todo: string }

export class ApiError extends Error {
  constructor(readonly status: number, readonly trouble: Trouble) {
    super(trouble.what);
  }
  get code() { return this.trouble.code; }
}

/** The request never reached the server or no answer came back: it may be tried again. */
export class OfflineError extends Error {}

const stored = localStorage.getItem('ogive.who') ?? '';
export const who = signal(stored);
/** The server asks for a log-in (see people/session.ts). */
export const loggedOut = signal(false);
who.subscribe((name) => localStorage.setItem('ogive.who', name));

async function request(method: string, path: string, body?: unknown, signal?: AbortSignal): Promise<Response> {
  const headers: Record<string, string> = {};
  if (who.value) headers['X-Ogive-Who'] = encodeURIComponent(who.value);
  let payload: BodyInit | undefined;
  if (body instanceof Blob) {
    headers['Content-Type'] = 'application/octet-stream';
    payload = body;
  } else if (body !== undefined) {
    headers['Content-Type'] = 'application/json';
    payload = JSON.stringify(body);
  }
  let answer: Response;
  try {
    answer = await fetch(path, { method, headers, body: payload, signal });
  } catch (e) {
    if (e instanceof DOMException && e.name === 'AbortError') throw e;
    throw new OfflineError('the server does not answer');
  }
  if (!answer.ok) {
    let trouble: Trouble = { code: 'internal', what: `the server answered ${answer.status}`, todo: '' };
    try { trouble = (await answer.json()).error ?? trouble; } catch { /* not JSON: keep the plain sentence */ }
    if (answer.status === 401 && path !== '/api/session') loggedOut.value = true;
    throw new ApiError(answer.status, trouble);
  }
  return answer;
}

export async function get<T>(path: string, signal?: AbortSignal): Promise<T> {
  return (await request('GET', path, undefined, signal)).json() as Promise<T>;
}

export async function send<T>(method: 'POST' | 'PUT' | 'DELETE', path: string, body: unknown): Promise<T> {
  return (await request(method, path, body)).json() as Promise<T>;
}

export async function getBlob(path: string, signal?: AbortSignal): Promise<Blob> {
  return (await request('GET', path, undefined, signal)).blob();
}

export function sentence(e: unknown): string {
  if (e instanceof ApiError) return `${capital(e.trouble.what)}. ${e.trouble.todo}`.trim();
  if (e instanceof OfflineError) return 'The server does not answer. Nothing is lost: it will be sent when the server is back.';
  return e instanceof Error ? e.message : String(e);
}

export function capital(s: string): string {
  return s ? s[0]!.toUpperCase() + s.slice(1) : s;
}
