// People who may log in, and what stands at the head of reports.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get, send, who } from '../api';
import { LanguageChoice } from '../report/Language';
import { follow } from '../router';
import { ask } from '../ui/dialog';
import { Curve } from '../ui/icons';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { loadSession, may, session } from './session';

interface Row { user: string; name: string; role: string; active: boolean }
interface Head { name?: string; lines?: string[]; logo?: string }
interface Setup { department?: Head; language?: string; sign_roles?: string[]; remove?: string; lock_minutes?: number }
const people = signal<Row[]>([]);
const setup = signal<Setup>({});
const roles = ['sonographer', 'reporter', 'lead', 'administrator'];

async function load(): Promise<void> {
  try {
    setup.value = await get<Setup>('/api/department');
    if (may.value.people) people.value = (await get<{ people: Row[] }>('/api/people')).people;
  } catch (e) { trouble(e); }
}

async function store(body: Record<string, unknown>): Promise<void> {
  if (!who.value && !await askName()) return;
  try {
    await send('POST', '/api/people', body);
    await loadSession();
    await load();
    tell('Stored.');
  } catch (e) { trouble(e); }
}

async function add(e: Event): Promise<void> {
  e.preventDefault();
  const form = e.currentTarget as HTMLFormElement;
  const f = new FormData(form);
  if (session.value?.mode === 'single' && await ask({ title: 'Switch log-in on?', body: <p>From the first person on everybody logs in, on every machine that uses this record. This cannot be switched off again.</p>, yes: 'Switch it on', no: 'Leave it' }) === undefined) return;
  await store({ user: f.get('user'), name: f.get('name'), role: f.get('role'), password: f.get('password') });
  form.reset();
}

async function keepSetup(part: Setup): Promise<void> {
  if (!who.value && !await askName()) return;
  try {
    await send('POST', '/api/department', part);
    await load();
    await loadSession();
    tell('Stored.');
  } catch (e) { trouble(e); }
}

function Department() {
  const d = setup.value.department ?? {};
  return (
    <section class="panel stack">
      <h2>Head of the report</h2>
      <form class="stack" onSubmit={(e) => {
        e.preventDefault();
        const f = new FormData(e.currentTarget);
        void keepSetup({ department: { name: String(f.get('name')), lines: String(f.get('lines')).split('\n').map((l) => l.trim()).filter(Boolean).slice(0, 4) } });
      }}>
        <label>Name of the department<input name="name" defaultValue={d.name ?? ''} maxLength={100} key={d.name} /></label>
        <label>Address and telephone, up to 4 lines<textarea name="lines" rows={4} defaultValue={(d.lines ?? []).join('\n')} key={(d.lines ?? []).join()} /></label>
        <button>Store</button>
      </form>
      <div class="row-line">{d.logo ? <img class="logo" src={`data:image/png;base64,${d.logo}`} alt="Logo at present" /> : <span class="dim">No logo</span>}
        <label class="button">Choose a PNG<input class="sr" type="file" accept="image/png" onChange={async (e) => {
          const file = e.currentTarget.files?.[0];
          if (!file) return;
          const bytes = new Uint8Array(await file.arrayBuffer());
          let text = '';
          for (const b of bytes) text += String.fromCharCode(b);
          await keepSetup({ department: { logo: btoa(text) } });
        }} /></label>
        {d.logo && <button onClick={() => void keepSetup({ department: { logo: '' } })}>Take it away</button>}
      </div>
      <h3>Language of reports</h3>
      <LanguageChoice label="Language of reports" value={setup.value.language ?? 'en'} choose={(l) => void keepSetup({ language: l })} />
      <h3>Who may sign</h3>
      <div class="choices">{roles.map((r) => {
        const chosen = setup.value.sign_roles ?? ['reporter', 'lead'];
        return <button key={r} aria-pressed={chosen.includes(r)} onClick={() => void keepSetup({ sign_roles: chosen.includes(r) ? chosen.filter((x) => x !== r) : [...chosen, r] })}>{r}</button>;
      })}</div>
      <h3>The page locks after</h3>
      <div class="choices" role="group" aria-label="The page locks after">{[[5, '5 minutes'], [15, '15 minutes'], [30, '30 minutes'], [60, 'an hour'], [0, 'never']].map(([n, label]) => <button key={n} aria-pressed={(setup.value.lock_minutes ?? 15) === n} onClick={() => void keepSetup({ lock_minutes: Number(n) })}>{label}</button>)}</div>
      <p class="dim">Without a hand on it. What was not stored yet stays; one password goes on.</p>
      <h3>Who may delete pictures</h3>
      <div class="choices">{[['reason', 'anybody at work, with a reason'], ['lead', 'the lead'], ['never', 'nobody']].map(([id, label]) => <button key={id} aria-pressed={(setup.value.remove ?? 'reason') === id} onClick={() => void keepSetup({ remove: id })}>{label}</button>)}</div>
    </section>
  );
}

function People() {
  return (
    <section class="panel stack">
      <h2>People</h2>
      {!people.value.length && <p>Nobody yet: one person works here without log-in. The first person must be an administrator.</p>}
      <ul class="people">{people.value.map((p) => (
        <li key={p.user} class={p.active ? '' : 'closed'}>
          <span><b>{p.name}</b> <span class="dim">{p.user}</span></span>
          <select value={p.role} aria-label={`Role of ${p.name}`} onChange={(e) => void store({ user: p.user, role: e.currentTarget.value })}>{roles.map((r) => <option key={r}>{r}</option>)}</select>
          <button onClick={async () => { const password = await ask({ title: `New password for ${p.name}`, field: { label: 'At least 10 characters', required: true }, yes: 'Set it', no: 'Leave it' }); if (password) await store({ user: p.user, password }); }}>Password…</button>
          <button onClick={() => void store({ user: p.user, active: !p.active })}>{p.active ? 'Close' : 'Open again'}</button>
        </li>))}</ul>
      <form class="stack" onSubmit={(e) => void add(e)}>
        <h3>Add a person</h3>
        <label>User name<input name="user" required pattern="[A-Za-z0-9._\-]+" autocapitalize="none" /></label>
        <label>Full name, as it stands under reports<input name="name" required /></label>
        <label>Role<select name="role">{(people.value.length ? roles : ['administrator']).map((r) => <option key={r}>{r}</option>)}</select></label>
        <label>Password, at least 10 characters<input name="password" type="password" required minLength={10} autocomplete="new-password" /></label>
        <button class="main">Add</button>
      </form>
    </section>
  );
}

export function PeoplePage() {
  useEffect(() => { void load(); }, []);
  return (
    <div class="people-page">
      <header class="head"><a class="home" href="/" onClick={follow}><Curve /><span>Ogive</span></a><h1>People and department</h1></header>
      <main>
        {may.value.people && <People />}
        {may.value.lead ? <Department /> : <p class="pad">A lead or administrator sets this up.</p>}
      </main>
    </div>
  );
}
