// The safety log: thermal and mechanical index of every object, highest by mode, clip time by class of index.
import { examId, objects } from '../model/exam';
import { go } from '../router';
import { active } from '../stage/stage';
import { more } from '../report/facts';

const modes: Record<string, string> = { '2d': 'Grey scale', colour: 'Colour Doppler', spectrum: 'Spectral Doppler', 'm-mode': 'M-mode' };
const n = (v: number | null | undefined, d = 1) => (typeof v === 'number' ? v.toFixed(d) : '–');
interface Indexed { indices?: { mi?: number; tis?: number; tib?: number; tic?: number }; duration_s?: number }

export function SafetyView() {
  const s = more.value.safety;
  const list = objects.value.filter((o) => o.kind === 'image' || o.kind === 'clip');
  if (!s) return <p class="pad">The pictures of this exam say nothing about acoustic output.</p>;
  const key = s.index === 'TIS' ? 'tis' : 'tib';
  return (
    <section class="safety-view" aria-label="Safety log">
      <div class="panel stack">
        <h2>Acoustic output</h2>
        <p>Judged by <b>{s.index}</b> (<bdi>{s.why}</bdi>). Highest MI <b>{n(s.mi_max)}</b>, highest {s.index} <b>{n(s.ti_max)}</b>.{s.unknown ? ` ${s.unknown} pictures carry no index: unknown, not zero.` : ''}</p>
        {(s.notes ?? []).map((t, i) => <p key={i} class="warning" role="note"><span aria-hidden="true">!</span>{t}</p>)}
        <table><thead><tr><th>Mode</th><th>Pictures</th><th>MI</th><th>TIS</th><th>TIB</th><th>TIC</th><th>Clips, s</th></tr></thead>
          <tbody>{s.by_mode.map((m) => <tr key={m.mode}><th>{modes[m.mode] ?? m.mode}</th><td>{m.objects}</td><td>{n(m.mi_max)}</td><td>{n(m.tis_max)}</td><td>{n(m.tib_max)}</td><td>{n(m.tic_max)}</td><td>{n(m.dwell_s)}</td></tr>)}</tbody></table>
        {s.classes && s.classes.length > 0 && <table><thead><tr><th>{s.index}</th><th>Longest time</th><th>Pictures</th><th>Clips, s</th></tr></thead>
          <tbody>{s.classes.map((c, i) => <tr key={i}><th>{c.over ? `over ${c.over}${c.to ? ` to ${c.to}` : ''}` : `up to ${c.to}`}</th><td>{c.minutes === null || c.minutes === undefined ? 'no limit' : c.minutes === 0 ? 'not recommended' : `${c.minutes} min`}</td><td>{c.objects}</td><td>{n(c.dwell_s)}</td></tr>)}</tbody></table>}
        <p class="dim">Seconds are those of stored clips only, not of the whole examination. {s.source}</p>
      </div>
      <div class="panel">
        <h2>Picture by picture</h2>
        <table class="pictures"><thead><tr><th>Picture</th><th>Mode</th><th>MI</th><th>TIS</th><th>TIB</th><th>TIC</th></tr></thead>
          <tbody>{list.map((o, i) => {
            const x = (o as Indexed).indices ?? {};
            const over = (x[key] ?? 0) > 0.7;
            return <tr key={o.id} class={over ? 'over' : ''}><th><button onClick={() => { go(`/exam/${examId.value}`); void active.value.open(o.id); }}>{o.number ?? i + 1}{o.view ? ` · ${o.view}` : ''}</button></th><td>{modes[o.modes?.[0] ?? ''] ?? ''}</td><td>{n(x.mi)}</td><td>{n(x.tis)}</td><td>{n(x.tib)}{over ? ' !' : ''}</td><td>{n(x.tic)}</td></tr>;
          })}</tbody></table>
      </div>
    </section>
  );
}
