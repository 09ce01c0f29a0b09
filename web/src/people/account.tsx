// One's own account: who one is, a new password, the way out.
import { send } from '../api';
import { ask, closeSheet, showSheet } from '../ui/dialog';
import { trouble } from '../ui/notices';
import { follow } from '../router';
import { lock } from './Lock';
import { logOut, session } from './session';

async function newPassword(e: Event): Promise<void> {
  e.preventDefault();
  const form = e.currentTarget as HTMLFormElement;
  const f = new FormData(form);
  try {
    await send('POST', '/api/session/password', { old: String(f.get('old')), new: String(f.get('new')) });
    closeSheet();
    await ask({ title: 'Password changed', body: <p>All sessions under your name have ended. Log in with the new password.</p>, yes: 'Go on' });
    location.assign('/');
  } catch (x) { trouble(x); }
}

export function openAccount(): void {
  showSheet('Account', () => {
    const s = session.value;
    return (
      <div class="account">
        <p class="big"><b>{s?.person?.name}</b> <span class="dim">{s?.person?.user} · {s?.person?.role}</span></p>
        {(s?.may.people || s?.may.lead) && <p><a class="button" href="/people" onClick={(e) => { closeSheet(); follow(e); }}>{s.may.people ? 'People and department' : 'Department'}</a></p>}
        <form class="stack" onSubmit={(e) => void newPassword(e)}>
          <h3>New password</h3>
          <label>Present one<input name="old" type="password" required autocomplete="current-password" /></label>
          <label>New one, at least 10 characters<input name="new" type="password" required minLength={10} autocomplete="new-password" /></label>
          <button>Change it</button>
        </form>
        <p class="row-line"><button onClick={() => { closeSheet(); void lock(); }}>Lock</button><button class="main" onClick={() => void logOut().catch(trouble)}>Log out</button></p>
      </div>
    );
  });
}
