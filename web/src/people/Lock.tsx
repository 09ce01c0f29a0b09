// The lock: nobody's hand on the page for a while, or the server's session over. The page stays as it is underneath, with
// everything that was not stored yet; one password goes on. Nothing of the patient is to be seen meanwhile.
import { signal } from '@preact/signals';
import { useEffect, useRef, useState } from 'preact/hooks';
import { loggedOut, send, sentence } from '../api';
import { setLocked } from '../ui/dialog';
import { logIn, session } from './session';

/** A hand on any page of this browser counts for all of them. */
const place = 'ogive.hand';
let hand = Date.now();
let told = 0;
function moved(): void {
  hand = Date.now();
  if (hand - told < 5000) return;
  told = hand;
  localStorage.setItem(place, String(hand));
}
for (const name of ['pointerdown', 'pointermove', 'keydown', 'wheel', 'touchstart'])
  window.addEventListener(name, moved, { capture: true, passive: true });

const idleMs = () => Date.now() - Math.max(hand, Number(localStorage.getItem(place)) || 0);

/** Ends the session on the server and covers the page; called by the clock and by the button. */
export async function lock(): Promise<void> {
  loggedOut.value = true;
  await send('DELETE', '/api/session', {}).catch(() => undefined); // without a server the cover stays; its clock ends the session
}

let lastSign = Date.now();
function look(): void {
  const minutes = session.value?.lock_minutes;
  if (!session.value?.person || loggedOut.value) return;
  if (minutes && idleMs() >= minutes * 60000) { void lock(); return; }
  if (Date.now() - lastSign < 120000 || idleMs() > 120000) return;
  lastSign = Date.now(); // looking and thinking ask nothing of the server, which must not take them for absence
  void fetch('/api/session').catch(() => undefined);
}
setInterval(look, 1000);

const trouble = signal('');
export function Lock() {
  const ref = useRef<HTMLDialogElement>(null);
  const [busy, setBusy] = useState(false);
  const person = session.value!.person!;
  useEffect(() => {
    const d = ref.current!;
    trouble.value = '';
    setLocked(true);
    d.showModal();
    return () => setLocked(false);
  }, []);
  return (
    <dialog ref={ref} class="lock" aria-label="Locked" onKeyDown={(e) => { if (e.key === 'Escape') e.preventDefault(); }} onCancel={(e) => e.preventDefault()} onClose={() => ref.current?.showModal()}>
      <form onSubmit={async (e) => {
        e.preventDefault();
        const field = e.currentTarget.elements.namedItem('password') as HTMLInputElement;
        setBusy(true);
        try { await logIn(person.user, field.value); } catch (x) { trouble.value = sentence(x); field.value = ''; field.focus(); }
        setBusy(false);
      }}>
        <h2>Locked</h2>
        <p><b>{person.name}</b> <span class="dim">{person.user}</span></p>
        <p class="dim">What was not stored yet is still here.</p>
        <label>Password<input name="password" type="password" required autofocus autocomplete="current-password" /></label>
        {trouble.value && <p class="warning" role="alert"><span aria-hidden="true">!</span>{trouble.value}</p>}
        <div class="answers"><button type="button" onClick={() => { if (confirm(`Log in as somebody else? What ${person.name} had not stored is lost.`)) location.assign('/'); }}>Somebody else…</button>
          <button class="main" disabled={busy}>Go on</button></div>
      </form>
    </dialog>
  );
}
