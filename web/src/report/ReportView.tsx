// The report: pages as they will print, beside them what is still open, the words, the pictures, the signature.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { send, who } from '../api';
import { answer, examId, reload } from '../model/exam';
import { dateText, timeText } from '../model/words';
import { go } from '../router';
import { ask, closeSheet, showSheet } from '../ui/dialog';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { loadSigning, saveSettings, signing, type StoredReport } from './draft';
import { change, coverage, more, type OpenItem } from './facts';
import { LanguageChoice } from './Language';
import { Pictures } from './Pictures';
import { kind, kindNames, pdfAddress, PrintPages, Prints, type Kind } from './Prints';
import { Sentences } from './Sentences';

const shown = signal(''); // id of a stored report on the left; '' is the draft
const shownPages = signal(0);

async function openStored(r: StoredReport | undefined): Promise<void> {
  shown.value = r?.id ?? '';
  if (!r) return;
  try {
    const a = await (await fetch(`/api/reports/${r.id}`)).json() as { pages?: number };
    shownPages.value = a.pages ?? 0;
  } catch (e) { trouble(e); }
}

function Pages() {
  const s = signing.value;
  const stored = shown.value;
  const n = stored ? shownPages.value : s?.pages ?? 0;
  const base = stored ? `/api/reports/${stored}/pages` : `/api/exams/${examId.value}/pages`;
  const stamp = stored || s?.seen.slice(0, 16) || '';
  return (
    <div class="pages" aria-label="Pages">
      {Array.from({ length: n }, (_, i) => <img key={i} class="page" src={`${base}/${i + 1}.png?width=1000&n=${stamp}`} alt={`Page ${i + 1} of ${n}${i === 0 ? `: ${(more.value.sentences ?? []).map((x) => x.text).join(' ')}` : ''}`} loading={i < 2 ? 'eager' : 'lazy'} width={1000} height={1414} />)}
    </div>
  );
}

async function confirmDating(): Promise<void> {
  await change(`/api/exams/${examId.value}/dating`, { seen: answer.value?.facts?.dating?.edd }, 'The due date is confirmed with your name.');
  await loadSigning();
}

function told(finding: string, name: string): void {
  const now = new Date();
  const local = new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 16);
  showSheet(`Told: ${name}`, () => (
    <form class="stack" onSubmit={async (e) => {
      e.preventDefault();
      const f = new FormData(e.currentTarget);
      const body = { finding, whom: String(f.get('whom')).trim(), how: String(f.get('how')), when: String(f.get('when')).replace('T', ' '), text: String(f.get('text')).trim() };
      if (await change(`/api/exams/${examId.value}/told`, body, 'Written down.')) { closeSheet(); await loadSigning(); }
    }}>
      <label>Whom<input name="whom" required maxLength={120} /></label>
      <label>How<select name="how">{['in person', 'by telephone', 'in writing', 'tried without success'].map((h) => <option key={h}>{h}</option>)}</select></label>
      <label>When<input name="when" type="datetime-local" required defaultValue={local} /></label>
      <label>Remark<input name="text" maxLength={400} /></label>
      <button class="main">Write it down</button>
    </form>
  ));
}

function Step({ o }: { o: OpenItem }) {
  const structure = coverage.value?.structures.find((s) => s.key === o.about);
  return (
    <li data-open={o.code}><span aria-hidden="true">!</span><p>{o.what}.<small>{o.todo}</small></p>
      {o.code === 'dating-proposed' ? <button class="main" onClick={() => void confirmDating()}>Confirm {dateText(answer.value?.facts?.dating?.edd)}</button>
        : o.code === 'not-told' ? <button onClick={() => told(structure?.finding ?? '', structure?.name ?? '')}>Whom did you tell…</button>
          : o.code === 'picture-gone' ? <button onClick={() => void leaveOut()}>Leave it out</button>
            : o.code === 'disputed' || o.code === 'row-missing' ? <button onClick={() => go(`/exam/${examId.value}`)}>Stage</button>
              : <button onClick={() => go(`/exam/${examId.value}/coverage`)}>Coverage</button>}
    </li>
  );
}

/** The pictures that are there still; those chosen meanwhile by somebody else stay chosen. */
function leaveOut(): Promise<boolean> {
  const there = new Set((more.value.pictures ?? []).map((p) => p.object));
  const chosen = (more.value.pictures ?? []).filter((p) => p.chosen).map((p) => p.object);
  return saveSettings((s) => { s['pictures'] = ((s['pictures'] as string[] | undefined) ?? chosen).filter((id) => there.has(id)); });
}

/** Several structures missing are one line, not thirty. */
function Open() {
  const list = signing.value?.open ?? [];
  const structures = list.filter((o) => o.code === 'structure-missing');
  const rest = list.filter((o) => o.code !== 'structure-missing');
  if (!list.length) return null;
  return (
    <section class="panel open-items" aria-label="Before signing"><h2>Before signing</h2>
      <ul>{rest.map((o) => <Step key={o.code + o.about} o={o} />)}
        {structures.length === 1 ? <Step o={structures[0]!} /> : structures.length > 1 && <li data-open="structure-missing"><span aria-hidden="true">!</span><p>Nothing is recorded for {structures.length} structures of the protocol.<small>{structures.map((o) => coverage.value?.structures.find((s) => s.key === o.about)?.name ?? o.about).join(', ')}</small></p><button onClick={() => go(`/exam/${examId.value}/coverage`)}>Coverage</button></li>}
      </ul></section>
  );
}

const standing = () => [...(signing.value?.reports ?? [])].reverse().find((r) => r.state === 'signed');

async function sign(): Promise<void> {
  const s = signing.value;
  if (!s || (!who.value && !await askName())) return;
  const before = standing();
  const reason = await ask({
    title: before ? `Amend report ${before.number}?` : 'Sign this report?',
    body: <div class="stack"><p>You state that you have read it. It cannot be changed afterwards, only amended.{s.second_needed ? ' The protocol asks for a second signature.' : ''}</p>
      {before && <ul class="changes">{(s.changes ?? []).map((c, i) => <li key={i}><b>{c.what}</b>: {c.before} → {c.after}</li>)}{!s.changes?.length && <li>Nothing changed since it was signed.</li>}</ul>}
      <p class="dim">Facts {s.seen.slice(0, 16)}</p></div>,
    ...(before ? { field: { label: 'Reason for the amendment', required: true } } : {}), yes: before ? 'Sign the amendment' : 'Sign', no: 'Leave it' });
  if (reason === undefined) return;
  try {
    const r = await send<{ report: StoredReport }>('POST', `/api/exams/${examId.value}/sign`, { seen: s.seen, reason, statement: 'read and signed' });
    await reload();
    await loadSigning();
    await openStored(r.report);
    tell(`Report ${r.report.number} is signed.`);
  } catch (e) {
    trouble(e);
    await reload();
    await loadSigning();
  }
}

async function signSecond(r: StoredReport): Promise<void> {
  if (!who.value && !await askName()) return;
  if (await ask({ title: `Second signature under report ${r.number}?`, body: <p>You state that you have read it. SHA-256 {r.sha256.slice(0, 16)}…</p>, yes: 'Sign', no: 'Leave it' }) === undefined) return;
  try {
    const a = await send<{ report: StoredReport }>('POST', `/api/reports/${r.id}/sign`, { sha256: r.sha256 });
    await reload();
    await loadSigning();
    await openStored(a.report);
    tell('The second signature is under the report.');
  } catch (e) {
    trouble(e);
    await reload();
    await loadSigning();
  }
}

function Stored({ r }: { r: StoredReport }) {
  const first = signing.value?.reports.find((x) => x.id === r.amended_by)?.reason === 'second signature';
  const mine = r.signatures.some((g) => g.who === who.value);
  const waits = r.state === 'signed' && signing.value?.awaits_second;
  return (
    <li class={r.state} data-report={r.number} data-state={r.state}>
      <p><b>Report {r.number}</b> {r.state === 'amended' ? (first ? 'first signature; complete in the next' : 'amended since') : waits ? 'awaits the second signature' : 'signed'}
        <small>{r.signatures.map((g) => `${g.name}${g.role && g.role !== 'signer' ? ` (${g.role})` : ''}, ${dateText(g.when)} ${timeText(g.when.slice(11, 19).replace(/:/g, ''))} UTC`).join('; ')}{r.reason && r.reason !== 'second signature' ? ` · ${r.reason}` : ''}</small>
        <small class="hash">SHA-256 {r.sha256}</small></p>
      <span class="acts"><button aria-pressed={shown.value === r.id} onClick={() => void openStored(shown.value === r.id ? undefined : r)}>Show</button>
        <a class="button" target="_blank" rel="noopener" href={`/api/reports/${r.id}/report.pdf`}>PDF</a>
        {waits && mine && <small class="dim">Another person signs second.</small>}
        {waits && !mine && signing.value?.may_sign && <button class="main" onClick={() => void signSecond(r)}>Second signature…</button>}</span>
    </li>
  );
}

export function ReportView() {
  const seq = answer.value?.exam['last_seq'];
  useEffect(() => { void loadSigning(); }, [examId.value, seq, answer.value]);
  useEffect(() => { shown.value = ''; }, [examId.value]);
  const s = signing.value;
  const before = standing();
  const nothingNew = before && !s?.changes?.length;
  return (
    <div class="report-view">
      <div class="paper">
        <header class="bar"><div class="kinds" role="group" aria-label="What is shown">{(Object.keys(kindNames) as Kind[]).map((k) => <button key={k} aria-pressed={kind.value === k} onClick={() => { kind.value = k; }}>{kindNames[k]}</button>)}</div>
          <h2>{kind.value !== 'report' ? 'As it prints' : shown.value ? `Report ${s?.reports.find((r) => r.id === shown.value)?.number ?? ''}, as signed` : 'Draft, as it prints'}</h2>
          {kind.value === 'report' && shown.value && <button onClick={() => void openStored(undefined)}>To the draft</button>}
          <a class="button" target="_blank" rel="noopener" href={kind.value !== 'report' ? pdfAddress.value : shown.value ? `/api/reports/${shown.value}/report.pdf` : `/api/exams/${examId.value}/report.pdf`}>PDF</a></header>
        {kind.value === 'report' ? <Pages /> : <PrintPages />}
      </div>
      <aside class="writing">
        {kind.value !== 'report' && <Prints report="" name="" />}
        <Open />
        <section class="panel stack sign" aria-label="Sign-off">
          <h2>Sign-off</h2>
          {(s?.reports.length ?? 0) > 0 && <ul class="reports">{s!.reports.map((r) => <Stored key={r.id} r={r} />)}</ul>}
          {s && !s.may_sign && <p>Your role may not sign reports here.</p>}
          {s?.may_sign && <button class="main sign-button" disabled={s.open.length > 0 || Boolean(nothingNew)} onClick={() => void sign()}>{before ? 'Sign an amendment…' : 'Sign…'}</button>}
          {s && s.open.length > 0 && <p class="dim">{s.open.length === 1 ? 'One thing stands open.' : `${s.open.length} things stand open.`}</p>}
          {nothingNew && <p class="dim">The signed report says all there is.</p>}
          {(more.value.told ?? []).map((t, i) => <p key={i} class="dim">Told: {t.whom} {t.how}, {t.when} ({t.who})</p>)}
        </section>
        {kind.value === 'report' && <Sentences />}
        <Pictures />
        {kind.value === 'report' && <Prints report={shown.value || before?.id || ''} name={shown.value || before ? `report ${(s?.reports.find((r) => r.id === shown.value) ?? before)?.number ?? ''}` : 'the draft'} />}
        <section class="panel stack" aria-label="Language"><h2>Language</h2>
          <LanguageChoice label="Language of the report" value={String(more.value.settings?.language ?? 'en')} choose={(l) => void saveSettings((x) => { x['language'] = l; })} /></section>
      </aside>
    </div>
  );
}
