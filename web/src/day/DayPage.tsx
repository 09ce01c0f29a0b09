// The day: exams by day and state, search, and the door for new folders.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get, who } from '../api';
import { onChange } from '../live';
import { dateText, gaText, timeText, whenText } from '../model/words';
import { follow } from '../router';
import { Curve, Icon } from '../ui/icons';
import { addKeys } from '../ui/keys';
import { showHelp } from '../ui/Help';
import { askName } from '../ui/name';
import { openSettings } from '../ui/SettingsSheet';
import { trouble } from '../ui/notices';
import { Door } from './Door';
import { Receipts } from './Receipts';
import { session } from '../people/session';

interface Brief {
  id: string; date?: string; time?: string; description?: string; patient?: { name?: string; patient_id?: string; birth_date?: string };
  ga_days?: number | null; edd?: string | null; state?: string; objects?: number; measurements?: number; reports?: number; signed?: number; notes?: number; room?: string | null; station?: string; arrived?: string | null;
}

const exams = signal<Brief[] | undefined>(undefined);
const search = signal('');
const shown = signal<'all' | 'today' | 'open' | 'reported'>('all');

async function load(): Promise<void> {
  try {
    const q = search.value.trim();
    exams.value = (await get<{ exams: Brief[] }>(`/api/exams${q ? `?text=${encodeURIComponent(q)}` : ''}`)).exams;
  } catch (e) { trouble(e); }
}

const iso = (d: Date) => `${d.getFullYear()}-${String(d.getMonth() + 1).padStart(2, '0')}-${String(d.getDate()).padStart(2, '0')}`;
const plainName = (pn: string | undefined) => {
  const [family, given] = (pn ?? '').split('=')[0]!.split('^');
  return [given, family].filter(Boolean).join(' ') || 'no name';
};

const states: Record<string, { sign: string; text: string }> = {
  new: { sign: '○', text: 'not begun' }, open: { sign: '◐', text: 'in work' }, reported: { sign: '●', text: 'reported' }, signed: { sign: '✓', text: 'signed' },
};
function stateOf(e: Brief): keyof typeof states {
  if (e.state === 'signed' || (e.signed ?? 0) > 0) return 'signed';
  if (e.state === 'reported' || (e.reports ?? 0) > 0) return 'reported';
  return (e.measurements ?? 0) > 0 ? 'open' : 'new';
}

function Card({ e }: { e: Brief }) {
  const s = states[stateOf(e)]!;
  return (
    <li>
      <a class="exam-card" href={`/exam/${e.id}`} onClick={follow}>
        <span class={`exam-state ${stateOf(e)}`}><span aria-hidden="true">{s.sign}</span>{s.text}</span>
        <span class="exam-time">{timeText(e.time) || '–'}</span>
        <span class="exam-who"><b>{plainName(e.patient?.name)}</b><small>{[e.patient?.patient_id, e.patient?.birth_date && `born ${dateText(e.patient.birth_date)}`].filter(Boolean).join(' · ')}</small></span>
        <span class="exam-ga">{e.ga_days != null ? <><b>{gaText(e.ga_days)}</b><small>due {dateText(e.edd)}</small></> : <small>not dated</small>}</span>
        <span class="exam-what">{e.description || 'no description'}{e.arrived ? <small>arrived {whenText(e.arrived)}</small> : null}</span>
        <span class="exam-count">{e.objects ?? 0} <small>{e.objects === 1 ? 'object' : 'objects'}</small></span>
        <span class="exam-count">{e.measurements ?? 0} <small>readings</small></span>
        {(e.notes ?? 0) > 0 ? <span class="exam-note" title="Something about this exam wants to be read">! {e.notes}</span> : <span />}
      </a>
    </li>
  );
}

function keep(e: Brief): boolean {
  if (shown.value === 'today') return e.date === iso(new Date());
  if (shown.value === 'open') return stateOf(e) === 'new' || stateOf(e) === 'open';
  if (shown.value === 'reported') return stateOf(e) === 'reported' || stateOf(e) === 'signed';
  return true;
}

/** Exams of one day by room: the one a person gave, else the station that the pictures name; without one last. */
function roomsOf(list: Brief[]): [string, Brief[]][] {
  const by = new Map<string, Brief[]>();
  for (const e of list) {
    const room = e.room || e.station || '';
    by.set(room, [...(by.get(room) ?? []), e]);
  }
  return [...by].sort(([a], [b]) => (a === '' ? 1 : b === '' ? -1 : a.localeCompare(b)));
}

export function DayPage() {
  useEffect(() => { void load(); return onChange((event) => { if (event !== 'receipt') void load(); }); }, []);
  useEffect(() => addKeys([
    { keys: ['/'], label: 'Search', group: 'Day', run: () => document.querySelector<HTMLInputElement>('#search')?.focus() },
  ]), []);
  const list = (exams.value ?? []).filter(keep);
  const days = [...new Set(list.map((e) => e.date ?? ''))];
  const today = iso(new Date());
  return (
    <div class="day">
      <header class="head">
        <a class="home" href="/" onClick={follow}><Curve /><span>Ogive</span></a>
        <label class="search"><span class="sr">Search</span>
          <input id="search" type="search" placeholder="Name, number or accession" value={search.value} onInput={(e) => { search.value = e.currentTarget.value; void load(); }} /></label>
        <nav class="views" aria-label="Which exams">
          {(['all', 'today', 'open', 'reported'] as const).map((k) => <button key={k} aria-pressed={shown.value === k} onClick={() => { shown.value = k; }}>{{ all: 'All', today: 'Today', open: 'In work', reported: 'Reported' }[k]}</button>)}
        </nav>
        <div class="tools-right">
          <a class="button" href="/calculator" onClick={follow}>Calculator</a>
          <button onClick={openSettings} aria-label="Settings" title="Settings"><Icon name="menu" /></button>
          <button onClick={showHelp} aria-label="Help" title="Help (?)"><Icon name="help" /></button>
          <button class="person" onClick={() => void askName()}>{who.value || 'Your name'}</button>
        </div>
      </header>
      <main>
        {!session.value?.read_only && <Door done={() => void load()} />}
        <Receipts />
        {exams.value === undefined && <p class="dim pad">…</p>}
        {exams.value?.length === 0 && !search.value && <p class="dim pad">No exams yet. Drop the folder that a scanner exported on the field above.</p>}
        {exams.value !== undefined && list.length === 0 && (exams.value.length > 0 || search.value) && <p class="dim pad">No exam fits.</p>}
        {days.map((d) => (
          <section key={d} class="day-part" aria-label={d ? dateText(d) : 'Without a date'}>
            <h2>{d === today ? 'Today' : d ? dateText(d) : 'Without a date'}</h2>
            {roomsOf(list.filter((e) => (e.date ?? '') === d)).map(([room, inRoom]) => (
              <div key={room} class="room" role="group" aria-label={room || 'Room not known'} data-room={room}>
                <h3>{room || 'Room not known'} · <span class="dim">{inRoom.length} {inRoom.length === 1 ? 'exam' : 'exams'}</span></h3>
                <ul>{inRoom.map((e) => <Card key={e.id} e={e} />)}</ul>
              </div>
            ))}
          </section>
        ))}
      </main>
      <footer class="caution">Ogive supports the judgement of qualified staff; local protocol and licensed practice decide. Not a certified medical device.</footer>
    </div>
  );
}
