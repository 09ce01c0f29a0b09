// Protocols: what an exam of a kind must have. A department edits its own; the older versions stay in the record.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { ApiError, get, send, who } from '../api';
import { loadQuantities, quantities } from '../model/exam';
import { loadProtocols, protocols } from '../model/protocol';
import type { Protocol, ProtocolGroup, ProtocolRow } from '../model/types';
import { gaText } from '../model/words';
import { may } from '../people/session';
import { follow } from '../router';
import { ask } from '../ui/dialog';
import { Curve } from '../ui/icons';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';

const edited = signal<Protocol | undefined>(undefined);
const dirty = signal(false);
interface ChartBrief { id: string; quantity: string; title: string; enabled: boolean }
const charts = signal<ChartBrief[]>([]);

function change(fn: (p: Protocol) => void): void {
  if (!edited.value) return;
  const p = structuredClone(edited.value);
  fn(p);
  edited.value = p;
  dirty.value = true;
}

async function choose(p: Protocol): Promise<void> {
  if (dirty.value && await ask({ title: 'Leave without storing?', body: <p>What you changed is not stored yet.</p>, yes: 'Leave it', no: 'Go back' }) === undefined) return;
  edited.value = structuredClone(p);
  dirty.value = false;
}

async function store(): Promise<void> {
  const p = edited.value;
  if (!p || (!who.value && !await askName())) return;
  try {
    edited.value = await send<Protocol>('PUT', `/api/protocols/${p.id}`, p);
    dirty.value = false;
    await loadProtocols();
    tell('Protocol stored. Exams use it from now on.');
  } catch (e) {
    if (!(e instanceof ApiError && e.code === 'conflict')) { trouble(e); return; }
    try {
      const now = await get<Protocol>(`/api/protocols/${p.id}`);
      const over = await ask({ title: 'Somebody changed this protocol meanwhile', body: <p>Yours is not stored yet. Theirs stays in the record's history whatever you choose.</p>, yes: 'Store mine over it', no: 'Go back to mine' });
      if (over === undefined) return;
      change((x) => { x.version = now.version; });
      await store();
    } catch (x) { trouble(x); }
  }
}

async function copy(): Promise<void> {
  const p = edited.value;
  const title = await ask({ title: 'A protocol of your own', field: { label: 'Title', required: true, value: p ? `${p.title}, ours` : '' }, yes: 'Begin', no: 'Leave it' });
  if (!title || !p) return;
  const id = title.toLowerCase().replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, '').slice(0, 60) || 'ours';
  edited.value = { ...structuredClone(p), id, title, version: 0 };
  dirty.value = true;
}

// What several readings make. The empty one leaves it to the program, which takes the mean.
const ruleWords = [['', 'the usual: mean'], ['mean', 'mean'], ['best', 'best (surest)'], ['last', 'last'], ['smallest', 'smallest'], ['largest', 'largest']] as const;

function weeks(days: number | undefined): string { return days === undefined ? '' : gaText(days); }
function parseWeeks(text: string): number | undefined {
  const m = /^(\d{1,2})\s*w?\s*\+?\s*([0-6])?\s*d?$/.exec(text.trim());
  return m ? Number(m[1]) * 7 + Number(m[2] ?? 0) : undefined;
}

function move<T>(list: T[], i: number, by: number): void {
  const j = i + by;
  if (j < 0 || j >= list.length) return;
  [list[i], list[j]] = [list[j]!, list[i]!];
}

function RowEditor({ g, i, row, last }: { g: number; i: number; row: ProtocolRow; last: boolean }) {
  const q = quantities.value.get(row.quantity);
  const own = charts.value.filter((c) => c.quantity === row.quantity);
  const edit = (fn: (r: ProtocolRow) => void) => change((p) => fn(p.groups[g]!.rows![i]!));
  return (
    <li class="p-row">
      <span class="p-name"><b>{q?.symbol ?? row.quantity}</b><small>{q?.name}</small></span>
      <label><input type="checkbox" checked={row.required !== false} onChange={(e) => edit((r) => { r.required = e.currentTarget.checked; })} /> required</label>
      <label>readings <input type="number" min={1} max={9} value={row.repeats ?? 1} onChange={(e) => edit((r) => { r.repeats = Number(e.currentTarget.value); })} /></label>
      <label>of several <select value={row.rule ?? ''} onChange={(e) => edit((r) => { if (e.currentTarget.value) r.rule = e.currentTarget.value; else delete r.rule; })}>
        {ruleWords.map(([id, text]) => <option key={id} value={id}>{text}</option>)}</select></label>
      <label class="p-chart">chart <select value={row.charts?.[0] ?? ''} onChange={(e) => edit((r) => { if (e.currentTarget.value) r.charts = [e.currentTarget.value]; else delete r.charts; })}>
        <option value="">the usual one</option>{own.map((c) => <option key={c.id} value={c.id}>{c.title}</option>)}</select></label>
      <span class="p-acts">
        <button aria-label={`${q?.symbol} up`} disabled={i === 0} onClick={() => change((p) => move(p.groups[g]!.rows!, i, -1))}>↑</button>
        <button aria-label={`${q?.symbol} down`} disabled={last} onClick={() => change((p) => move(p.groups[g]!.rows!, i, 1))}>↓</button>
        <button aria-label={`Take ${q?.symbol} out`} onClick={() => change((p) => { p.groups[g]!.rows!.splice(i, 1); })}>×</button>
      </span>
    </li>
  );
}

function GroupEditor({ g, group, last }: { g: number; group: ProtocolGroup; last: boolean }) {
  const list = [...quantities.value.values()];
  const inUse = new Set(edited.value?.groups.flatMap((x) => (x.rows ?? []).map((r) => r.quantity)));
  return (
    <section class="p-group">
      <header>
        <input aria-label="Title of the group" value={group.title} onChange={(e) => change((p) => { p.groups[g]!.title = e.currentTarget.value; })} />
        <button aria-label="Group up" disabled={g === 0} onClick={() => change((p) => move(p.groups, g, -1))}>↑</button>
        <button aria-label="Group down" disabled={last} onClick={() => change((p) => move(p.groups, g, 1))}>↓</button>
        <button aria-label="Take the group out" onClick={() => change((p) => { p.groups.splice(g, 1); })}>×</button>
      </header>
      <ol>{(group.rows ?? []).map((r, i) => <RowEditor key={`${r.quantity}-${i}`} g={g} i={i} row={r} last={i === (group.rows?.length ?? 0) - 1} />)}</ol>
      {(group.structures ?? []).length > 0 && (
        <ul class="p-structures">{group.structures!.map((s, i) => (
          <li key={s.id}>{s.name} {s.checked ? <small title={s.checked}>✓ checked</small> : edited.value?.source && <small title="Nobody has held this line against the guideline's own text yet">from memory</small>} <button aria-label={`Take ${s.name} out`} onClick={() => change((p) => { p.groups[g]!.structures!.splice(i, 1); })}>×</button></li>))}</ul>
      )}
      <div class="p-add">
        <select aria-label="Add a quantity" value="" onChange={(e) => { const id = e.currentTarget.value; e.currentTarget.value = ''; if (id) change((p) => { (p.groups[g]!.rows ??= []).push({ quantity: id, required: true }); }); }}>
          <option value="">add a quantity…</option>{list.filter((q) => !inUse.has(q.id)).map((q) => <option key={q.id} value={q.id}>{q.symbol} – {q.name}</option>)}
        </select>
        <button onClick={async () => {
          const name = await ask({ title: 'A structure to be seen', field: { label: 'Name', required: true }, yes: 'Add it', no: 'Leave it' });
          if (name) change((p) => { (p.groups[g]!.structures ??= []).push({ id: name.toLowerCase().replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, ''), name }); });
        }}>add a structure…</button>
      </div>
    </section>
  );
}

export function ProtocolsPage() {
  useEffect(() => {
    void loadQuantities();
    void loadProtocols().then(() => { if (!edited.value && protocols.value[0]) edited.value = structuredClone(protocols.value[0]); });
    get<{ charts: ChartBrief[] }>('/api/charts').then((c) => { charts.value = c.charts.filter((x) => x.enabled); }, trouble);
  }, []);
  const p = edited.value;
  return (
    <div class="protocols-page">
      <header class="head"><a class="home" href="/" onClick={follow}><Curve /><span>Ogive</span></a><h1>Protocols</h1>
        <div class="tools-right"><button class="person" onClick={() => void askName()}>{who.value || 'Your name'}</button></div></header>
      <main>
        <nav aria-label="Protocols"><ul>{protocols.value.map((x) => (
          <li key={x.id}><button aria-pressed={x.id === p?.id} onClick={() => void choose(x)}><b>{x.title}</b><small>{weeks(x.ga_low)}{x.ga_low !== undefined ? ' to ' : ''}{weeks(x.ga_high)}{(x as { edited?: boolean }).edited ? ' · edited here' : ''}</small></button></li>))}</ul>
          {may.value.lead && <button onClick={() => void copy()}>A protocol of your own…</button>}
        </nav>
        {p && (
          <fieldset class="p-edit" disabled={!may.value.lead}>
            {!may.value.lead && <p class="dim">To read. A lead or administrator changes protocols.</p>}
            <div class="p-head">
              <label>Title<input value={p.title} onChange={(e) => change((x) => { x.title = e.currentTarget.value; })} /></label>
              <label>From<input value={weeks(p.ga_low)} onChange={(e) => { const d = parseWeeks(e.currentTarget.value); if (d !== undefined) change((x) => { x.ga_low = d; }); else e.currentTarget.value = weeks(p.ga_low); }} /></label>
              <label>To<input value={weeks(p.ga_high)} onChange={(e) => { const d = parseWeeks(e.currentTarget.value); if (d !== undefined) change((x) => { x.ga_high = d; }); else e.currentTarget.value = weeks(p.ga_high); }} /></label>
              <label>Fetuses, at least<input type="number" min={1} max={5} value={p.fetuses_min ?? 1} onChange={(e) => change((x) => { x.fetuses_min = Number(e.currentTarget.value); })} /></label>
              {may.value.lead && <button class="main" disabled={!dirty.value} onClick={() => void store()}>{dirty.value ? 'Store it' : 'Stored'}</button>}
            </div>
            <label class="switch"><input type="checkbox" name="second" checked={p.second_signature === true} onChange={(e) => change((x) => { x.second_signature = e.currentTarget.checked; })} /><span><b>Two people sign</b><small>A report after this protocol is complete when a second person has read and signed it. Who may sign is set up under Department.</small></span></label>
            {p.about && <p class="dim">{p.about}</p>}
            {p.source && <p class="dim">Source: {p.source}</p>}
            {p.groups.map((g, i) => <GroupEditor key={i} g={i} group={g} last={i === p.groups.length - 1} />)}
            <button onClick={() => change((x) => { x.groups.push({ title: 'New group', rows: [] }); })}>Add a group</button>
          </fieldset>
        )}
      </main>
    </div>
  );
}
