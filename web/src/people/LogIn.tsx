// Logging in: a name and a password, nothing else on the screen.
import { useState } from 'preact/hooks';
import { sentence } from '../api';
import { Curve } from '../ui/icons';
import { logIn } from './session';

export function LogIn() {
  const [trouble, setTrouble] = useState('');
  const [busy, setBusy] = useState(false);
  return (
    <main class="log-in">
      <form onSubmit={async (e) => {
        e.preventDefault();
        const f = new FormData(e.currentTarget);
        setBusy(true);
        try { await logIn(String(f.get('user')).trim(), String(f.get('password'))); } catch (x) { setTrouble(sentence(x)); }
        setBusy(false);
      }}>
        <p class="home"><Curve /><span>Ogive</span></p>
        <label>User name<input name="user" required autofocus autocomplete="username" autocapitalize="none" spellcheck={false} /></label>
        <label>Password<input name="password" type="password" required autocomplete="current-password" /></label>
        {trouble && <p class="warning" role="alert"><span aria-hidden="true">!</span>{trouble}</p>}
        <button class="main" disabled={busy}>Log in</button>
      </form>
    </main>
  );
}
