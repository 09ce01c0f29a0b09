// Coverage: what the protocol wants to be seen, what was seen of it, and why the rest was not.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { examId, fetus, fetuses, objects } from '../model/exam';
import { chosenId, protocols } from '../model/protocol';
import { dateText } from '../model/words';
import { seenFinding, type FindingBody } from '../model/findings';
import { change, coverage, more, storeFindings, type AskedRow, type Structure } from '../report/facts';
import { openChorionicity } from './Chorionicity';
import { saveEdits } from '../report/draft';
import { go } from '../router';
import { active } from '../stage/stage';
import { ask, closeSheet, showSheet } from '../ui/dialog';
import { addKeys } from '../ui/keys';

export const reasons = ['fetal position', 'maternal habitus', 'shadow', 'too early', 'too late', 'fluid', 'time'];
const pointed = signal('');
const words: Record<string, [string, string]> = { normal: ['✓', 'seen, normal'], abnormal: ['!', 'seen, abnormal'], 'not-seen': ['–', 'not seen'], missing: ['○', 'not recorded'] };

const here = () => (coverage.value?.structures ?? []).filter((s) => !s.fetus || s.fetus === fetus.value || fetuses.value.length < 2);
const asIs = (s: Structure) => ({ fetus: s.fetus, structure: s.structure, state: s.state === 'missing' ? 'removed' : s.state, reason: s.reason ?? '', text: s.text ?? '', objects: s.objects ?? [], data: s.data ?? {} });
/** One structure with what is said of it now, over what stands on the screen. */
const say = (s: Structure, state: string, more: Partial<FindingBody> = {}): FindingBody => ({ fetus: s.fetus, structure: s.structure, state, objects: s.objects ?? [], ...more, supersedes: s.finding ?? '' });
const pictures = (s: Structure) => (s.objects?.length ? s.objects : s.suggested);

function normal(list: Structure[]): void {
  const what = list.length === 1 ? list[0]!.name : `${list.length} structures`;
  void storeFindings(list.map((s) => say(s, 'normal', { objects: pictures(s) })), `${what}: seen, normal.`, list.map(asIs));
}

async function notSeen(s: Structure): Promise<void> {
  const reason = await ask({ title: `${s.name}: not seen`, body: <p>Why? It stands in the report, and a return visit is proposed.</p>, field: { label: 'Reason', choices: reasons, required: true, value: s.reason ?? '' }, yes: 'Record it', no: 'Leave it' });
  if (reason) await storeFindings([say(s, 'not-seen', { reason })], `${s.name}: not seen, ${reason}.`, [asIs(s)]);
}

const form = signal({ text: '', critical: false });
function abnormal(s: Structure): void {
  form.value = { text: s.text ?? '', critical: s.data?.critical ?? false };
  showSheet(`${s.name}: abnormal`, () => (
    <form class="stack" onSubmit={async (e) => {
      e.preventDefault();
      const f = form.value;
      if (!f.text.trim()) return;
      if (await storeFindings([say(s, 'abnormal', { text: f.text.trim(), objects: pictures(s), data: { critical: f.critical } })], `${s.name}: abnormal.`, [asIs(s)])) closeSheet();
    }}>
      {s.terms && <div class="choices">{s.terms.map((t) => <button type="button" key={t} onClick={() => { form.value = { ...form.value, text: [form.value.text.trim(), t].filter(Boolean).join(', ') }; }}>{t}</button>)}</div>}
      <label>What was seen<textarea rows={4} required maxLength={2000} value={form.value.text} onInput={(e) => { form.value = { ...form.value, text: e.currentTarget.value }; }} /></label>
      <label class="switch"><input type="checkbox" checked={form.value.critical} onChange={(e) => { form.value = { ...form.value, critical: e.currentTarget.checked }; }} /><span><b>Critical result</b><small>The report cannot be signed before it is written down whom you told, and when.</small></span></label>
      <button class="main" disabled={!form.value.text.trim()}>Record it</button>
    </form>
  ));
}

function tie(s: Structure): void {
  showSheet(`Pictures of ${s.name}`, () => {
    const now = coverage.value?.structures.find((x) => x.key === s.key) ?? s;
    const on = new Set(now.objects ?? []);
    return (
      <div class="tie">{objects.value.filter((o) => o.kind === 'image' || o.kind === 'clip').map((o) => (
        <button key={o.id} class="thumb" aria-pressed={on.has(o.id)} aria-label={`Picture ${o.number ?? ''} ${o.view ?? ''}`} onClick={() => {
          if (on.has(o.id)) on.delete(o.id); else on.add(o.id);
          void storeFindings([{ ...asIs(now), ...say(now, now.state === 'missing' ? 'normal' : now.state, { objects: [...on] }) }]);
        }}><img src={`/api/objects/${o.id}/thumb?width=200`} alt="" loading="lazy" /><small>{o.number}{on.has(o.id) ? ' ✓' : ''}</small></button>))}
      </div>
    );
  });
}

function Line({ s }: { s: Structure }) {
  const [sign, label] = words[s.state]!;
  const shown = s.objects ?? [];
  return (
    <li class={`structure ${s.state} ${pointed.value === s.key ? 'pointed' : ''}`} data-structure={s.structure} data-state={s.state}>
      <span class="state-sign" role="img" aria-label={label}>{sign}</span>
      <span class="what"><b><bdi>{s.name}</bdi></b>{!s.required && <small> optional</small>}{s.data?.critical && <span class="tag">critical</span>}<small>{s.state === 'missing' ? s.about ?? '' : [s.reason, s.text].filter(Boolean).join(' · ')}</small></span>
      <span class="tied">{shown.slice(0, 3).map((id) => <button key={id} class="mini" aria-label={`Show the picture of ${s.name}`} onClick={() => { go(`/exam/${examId.value}`); void active.value.open(id); }}><img src={`/api/objects/${id}/thumb?width=96`} alt="" loading="lazy" /></button>)}
        <button class="quiet-small" aria-label={`Choose pictures of ${s.name}`} title="Choose pictures" onClick={() => tie(s)}>{shown.length ? '…' : '+'}</button></span>
      {s.structure === 'chorionicity' ? <span class="acts"><button onClick={openChorionicity}>{s.state === 'missing' ? 'State it…' : 'State it anew…'}</button></span> : <span class="acts">
        <button aria-pressed={s.state === 'normal'} aria-label={`${s.name}: seen, normal`} onClick={() => normal([s])}>Normal</button>
        <button aria-pressed={s.state === 'abnormal'} aria-label={`${s.name}: seen, abnormal`} onClick={() => abnormal(s)}>Abnormal…</button>
        <button aria-pressed={s.state === 'not-seen'} aria-label={`${s.name}: not seen`} onClick={() => void notSeen(s)}>Not seen…</button>
      </span>}
    </li>
  );
}

function Group({ title, list }: { title: string; list: Structure[] }) {
  const open = list.filter((s) => s.state === 'missing' && s.required && s.structure !== 'chorionicity'); // which is stated, not ticked
  return (
    <section class="panel coverage-group" aria-label={title}>
      <header><h2>{title}</h2><span class="dim">{list.filter((s) => s.state !== 'missing').length} of {list.length}</span>
        {open.length > 0 && <button class="all-normal" onClick={() => normal(open)} title="You state that you saw each of them">{open.length > 1 ? `All ${open.length} open` : 'The open one'}: seen, normal</button>}</header>
      <ul>{list.map((s) => <Line key={s.key} s={s} />)}</ul>
    </section>
  );
}

async function notMeasured(r: AskedRow): Promise<void> {
  const supersedes = seenFinding(r.fetus, `measure:${r.quantity}`);
  const reason = await ask({ title: `${r.name}: not measured`, body: <p>Why? It stands in the report.</p>, field: { label: 'Reason', choices: reasons, required: true }, yes: 'Record it', no: 'Leave it' });
  const it = { fetus: r.fetus, structure: `measure:${r.quantity}` };
  if (reason) await storeFindings([{ ...it, state: 'not-seen', reason, supersedes }], `${r.name}: not measured, ${reason}.`, [{ ...it, state: 'removed' }]);
}

function Missing() {
  const rows = (coverage.value?.rows ?? []).filter((r) => r.required && r.state !== 'done');
  if (!rows.length) return null;
  return (
    <section class="panel" aria-label="Measurements not made">
      <header><h2>Measurements not made</h2></header>
      <ul>{rows.map((r) => (
        <li key={r.key} class={`structure ${r.state === 'missing' ? 'missing' : 'not-seen'}`} data-row={r.quantity} data-state={r.state}>
          <span class="state-sign" aria-hidden="true">{r.state === 'missing' ? '○' : '–'}</span>
          <span class="what"><b>{r.name}</b>{fetuses.value.length > 1 && r.fetus && <small> {r.fetus}</small>}<small>{r.reason ?? 'required by the protocol'}</small></span>
          <span class="acts"><button onClick={() => go(`/exam/${examId.value}`)}>Measure</button><button onClick={() => void notMeasured(r)}>Why not…</button></span>
        </li>))}</ul>
    </section>
  );
}

function Return() {
  const again = coverage.value?.again;
  return (
    <section class="panel stack return" aria-label="Return visit">
      <h2>Return visit</h2>
      <p>{again ? <>Proposed for <b>{dateText(again.date)}</b>{again.ga ? ` (${again.ga})` : ''}{again.for ? <>: {again.for}</> : null}</> : 'None proposed.'}</p>
      <label>Another date<input type="date" value={again?.by_hand ? again.date : ''} onChange={(e) => void saveEdits((d) => { d.return_date = e.currentTarget.value; d.no_return = false; })} /></label>
      {again && <button onClick={() => void saveEdits((d) => { d.no_return = true; d.return_date = ''; })}>No return visit</button>}
    </section>
  );
}

export function CoverageView() {
  useEffect(() => {
    const at = () => here().find((s) => s.key === pointed.value);
    const step = (by: number) => { const l = here(); const i = l.findIndex((s) => s.key === pointed.value); const to = l[Math.min(l.length - 1, Math.max(0, i < 0 ? 0 : i + by))]; if (to) { pointed.value = to.key; document.querySelector('.structure.pointed')?.scrollIntoView({ block: 'nearest' }); } };
    return addKeys([
      { keys: ['j'], label: 'Structure below', group: 'Coverage', run: () => step(1) },
      { keys: ['k'], label: 'Structure above', group: 'Coverage', run: () => step(-1) },
      { keys: ['1'], label: 'Seen, normal', group: 'Coverage', run: () => { const s = at(); if (s) normal([s]); } },
      { keys: ['2'], label: 'Seen, abnormal', group: 'Coverage', run: () => { const s = at(); if (s) abnormal(s); } },
      { keys: ['3'], label: 'Not seen', group: 'Coverage', run: () => { const s = at(); if (s) void notSeen(s); } },
    ]);
  }, []);
  const c = coverage.value;
  const list = here();
  const groups = [...new Set(list.map((s) => s.group))];
  const wanted = list.filter((s) => s.required);
  const left = wanted.filter((s) => s.state === 'missing').length;
  return (
    <div class="coverage-view">
      <header class="bar">
        <label class="protocol">Protocol <select value={c?.protocol.by_age === false ? c.protocol.id : ''} onChange={async (e) => { const id = e.currentTarget.value; if (id && await change(`/api/exams/${examId.value}/protocol`, { protocol: id }, 'Protocol chosen.')) chosenId.value = id; }}>
          <option value="">{c ? `${c.protocol.title} (by age)` : 'none fits: choose one'}</option>{protocols.value.map((p) => <option key={p.id} value={p.id}>{p.title}</option>)}</select></label>
        {fetuses.value.length > 1 && <div class="fetuses" role="group" aria-label="Fetus">{fetuses.value.map((f) => <button key={f} aria-pressed={fetus.value === f} onClick={() => { fetus.value = f; }}>{f}</button>)}</div>}
        <p class="tally" aria-live="polite">Structures <b>{wanted.length - left}</b> of {wanted.length}{left ? <>, <b class="left">{left} open</b></> : ', complete'}</p>
        <button class="main" onClick={() => go(`/exam/${examId.value}/report`)}>Report{more.value.open?.length ? ` · ${more.value.open.length} open` : ''}</button>
      </header>
      {!c && <p class="pad">No protocol fits this exam. Choose one above.</p>}
      <div class="coverage-groups">{groups.map((g) => <Group key={g} title={g} list={list.filter((s) => s.group === g)} />)}<Missing /><Return /></div>
      {c && <p class="dim pad">{c.protocol.source}</p>}
    </div>
  );
}
