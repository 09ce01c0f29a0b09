// The ledger: what the protocol expects, with value, uncertainty, centile, evidence and state.
import { useEffect, useRef } from 'preact/hooks';
import { signal } from '@preact/signals';
import { send, who } from '../api';
import { evidenceOf, examId, facts, fetus, fetuses, fresh, viewRows, type ViewRow } from '../model/exam';
import { chosenId, chosenProtocol, fittingProtocol, protocols } from '../model/protocol';
import { differenceOf } from '../model/second';
import { blind } from '../model/settings';
import { unitText } from '../model/words';
import { active } from '../stage/stage';
import { arm, armed, covered } from '../stage/tools';
import { StateSign } from '../ui/icons';
import { addKeys } from '../ui/keys';
import { CentileStrip } from './CentileStrip';
import { judgedBy, judgementText, momLimits } from './judged';
import { ColourKept } from './ColourKept';
import { trouble } from '../ui/notices';
import { Readings } from './Readings';
import { Structures, tally } from './Structures';

export const opened = signal('');   // key of the row whose readings are shown
export const pointed = signal('');  // key of the row that keys act on

export function showEvidence(row: ViewRow): boolean {
  const e = evidenceOf(row);
  if (!e) return false;
  void active.value.open(e.object, e.frame);
  return true;
}

/** A row that has evidence brings its picture along; the tool comes into the hand either way. */
function choose(row: ViewRow): void {
  pointed.value = row.key;
  if (row.state !== 'missing') showEvidence(row);
  if (row.measurable) arm(row);
}

function Amount({ row }: { row: ViewRow }) {
  const v = row.value;
  if (covered.value.has(row.quantity)) return <span class="covered" title="Covered while you measure" aria-label="covered while you measure">●●●</span>;
  if (v?.value !== undefined) return <><b>{v.text ?? v.value.toFixed(1)}</b><span class="unit">{unitText[v.unit] ?? v.unit}</span><span class="pm">{v.interval_text ?? ''}</span></>;
  if (row.state === 'proposed') return blind.value ? <span class="covered" title="The program has a proposal; it is shown after your own reading">proposal</span> : <span class="dim">proposal</span>;
  if (v?.refused) return <span class="no-value" title={`${v.refused.what}. ${v.refused.todo}`}>no value</span>;
  if (row.state === 'disputed') return <span class="no-value">disputed</span>;
  return <span class="none" aria-label="not measured">–</span>;
}

/** What a person said of the notch, beside the index of that uterine artery. */
function notchOf(quantity: string): string | undefined {
  const side = /^uta-pi-(left|right)$/.exec(quantity)?.[1];
  const f = side ? (facts.value?.findings ?? []).filter((x) => x.structure === `uterine-notch-${side}`).at(-1) : undefined;
  return f?.state === 'abnormal' ? 'notch' : f?.state === 'normal' ? 'no notch' : undefined;
}

function LedgerRow({ row, next }: { row: ViewRow; next: boolean }) {
  const e = evidenceOf(row);
  const hidden = covered.value.has(row.quantity);
  const inHand = armed.value?.key === row.key || armed.value?.quantities.includes(row.quantity) === true;
  const c = row.value?.centiles?.[0];
  const isOpen = opened.value === row.key;
  const ref = useRef<HTMLDivElement>(null);
  useEffect(() => { if (pointed.value === row.key) ref.current?.scrollIntoView({ block: 'nearest' }); }, [pointed.value]);
  return (
    <div ref={ref} class={`row ${row.state} ${inHand ? 'in-hand' : ''} ${pointed.value === row.key ? 'pointed' : ''} ${fresh.value.has(row.key) ? 'fresh' : ''}`} data-quantity={row.quantity} data-state={row.state}>
      <div class="row-head">
        <button class="row-main" disabled={!row.measurable && !e} aria-pressed={inHand}
          title={row.measurable ? `Measure ${row.symbol}` : row.name}
          onClick={() => choose(row)}>
          <StateSign state={row.state} />
          <span class="symbol">{row.symbol}{(row.expected?.repeats ?? 1) > 1 && row.state !== 'missing' && <small>{Math.min(counted(row), row.expected!.repeats!)}/{row.expected!.repeats}</small>}{next && <span class="next" title="Next in the protocol">next</span>}{row.readings.some((r) => differenceOf(r.id)) && <span class="next differs" title="The second reader measures something else on the same picture; unfold the row to see it">differs</span>}{!hidden && judgedBy(row.quantity, row.value?.fetus ?? '').filter((a) => a.answer === 'met').map((a) => <span key={a.rule} class="next judged" data-rule={a.rule} title={`${judgementText(a)}. ${a.citation}`}>{a.class ?? 'beyond limit'}</span>)}{!hidden && notchOf(row.quantity) && <span class="next" title="Marked by a person on the spectrum">{notchOf(row.quantity)}</span>}{fresh.value.has(row.key) && <span class="next theirs" title="Just changed by somebody else">new</span>}</span>
          <span class="amount"><Amount row={row} /></span>
        </button>
        <span class="centile-cell">{hidden ? null : <CentileStrip c={c} limits={c?.multiple ? momLimits(row.quantity, row.value?.fetus ?? '') : undefined} />}{!hidden && c?.text && <span class="centile-text" aria-hidden="true">{c.text}<small>{c.text.match(/^[<>]/) ? '' : suffix(c.text)}</small></span>}</span>
        <button class="evidence" disabled={!e} aria-label={e ? `Show the picture of ${row.symbol}` : `No picture for ${row.symbol}`} onClick={() => showEvidence(row)}>
          {e ? <img src={`/api/objects/${e.object}/thumb?width=96&frame=${e.frame}`} alt="" loading="lazy" /> : <span aria-hidden="true">{row.state === 'derived' ? '=' : ''}</span>}
        </button>
        <button class="unfold" aria-expanded={isOpen} aria-label={`Readings of ${row.symbol}`} onClick={() => { opened.value = isOpen ? '' : row.key; }}>{isOpen ? '▾' : '▸'}</button>
      </div>
      {isOpen && <Readings row={row} />}
    </div>
  );
}

const half = signal<'values' | 'structures'>('values');

async function chooseProtocol(id: string): Promise<void> {
  chosenId.value = id;
  if (!id || !who.value) return;
  try { await send('POST', `/api/exams/${examId.value}/protocol`, { protocol: id }); } catch (e) { trouble(e); }
}

/** Readings that count towards the number that the protocol asks for. */
const counted = (row: ViewRow) => row.readings.filter((r) => r.state === 'accepted' && r.source === 'geometry').length;

function suffix(text: string): string {
  const n = Number(text);
  if (!Number.isInteger(n)) return '';
  const t = n % 100;
  return t >= 11 && t <= 13 ? 'th' : ['th', 'st', 'nd', 'rd'][n % 10] ?? 'th';
}

function point(by: number): void {
  const rows = viewRows.value;
  const at = rows.findIndex((r) => r.key === pointed.value);
  const to = rows[Math.min(rows.length - 1, Math.max(0, at < 0 ? 0 : at + by))];
  if (to) pointed.value = to.key;
}

const pointedRow = () => viewRows.value.find((r) => r.key === pointed.value);

export function Ledger() {
  useEffect(() => addKeys([
    { keys: ['j'], label: 'Row below', group: 'Ledger', run: () => point(1) },
    { keys: ['k'], label: 'Row above', group: 'Ledger', run: () => point(-1) },
    { keys: ['l'], label: 'Measure the pointed row', group: 'Ledger', run: () => { const r = pointedRow(); if (r?.measurable) arm(r); } },
    { keys: ['g'], label: 'Show its picture', group: 'Ledger', run: () => { const r = pointedRow(); if (r) showEvidence(r); } },
    { keys: [';'], label: 'Values or structures', group: 'Ledger', run: () => { half.value = half.value === 'values' ? 'structures' : 'values'; } },
    { keys: ['h'], label: 'Show its readings', group: 'Ledger', run: () => { opened.value = opened.value === pointed.value ? '' : pointed.value; } },
  ]), []);
  const rows = viewRows.value;
  const next = rows.find((r) => r.measurable && r.required && r.state === 'missing');
  const groups = [...new Set(rows.map((r) => r.group))];
  const wanted = rows.filter((r) => r.required && r.group !== 'Calculated' && r.group !== 'Beside the protocol');
  const have = wanted.filter((r) => r.state === 'accepted').length;
  const [seen, all] = tally();
  return (
    <section class="ledger" aria-label="Ledger">
      <header>
        <label class="protocol"><span class="sr">Protocol</span>
          <select value={chosenId.value} onChange={(e) => void chooseProtocol(e.currentTarget.value)}>
            <option value="">{fittingProtocol.value ? `${fittingProtocol.value.title} (by age)` : 'no protocol'}</option>
            {protocols.value.map((p) => <option key={p.id} value={p.id}>{p.title}</option>)}
          </select>
        </label>
        {fetuses.value.length > 1 && (
          <div class="fetuses" role="group" aria-label="Fetus">
            {fetuses.value.map((f) => <button key={f} aria-pressed={fetus.value === f} onClick={() => { fetus.value = f; }}>{f}</button>)}
          </div>
        )}
      </header>
      <div class="halves" role="tablist" aria-label="Ledger">
        <button role="tab" aria-selected={half.value === 'values'} onClick={() => { half.value = 'values'; }}>Values <b>{have}</b> of {wanted.length}</button>
        <button role="tab" aria-selected={half.value === 'structures'} onClick={() => { half.value = 'structures'; }}>Structures <b>{seen}</b> of {all}</button>
      </div>
      {half.value === 'structures' ? <Structures /> : <div class="rows">
        {groups.map((g) => (
          <div key={g} class="group" role="group" aria-label={g}>
            <h3>{g}</h3>
            {rows.filter((r) => r.group === g).map((r) => <LedgerRow key={r.key} row={r} next={r === next} />)}
          </div>
        ))}
        <ColourKept />
        {!rows.length && <p class="dim pad">{chosenProtocol.value ? 'No rows yet.' : 'No protocol fits this exam.'}</p>}
      </div>}
      {!blind.value && <p class="warning" role="note"><span aria-hidden="true">!</span>Values are shown while measuring: blind measuring is switched off.</p>}
    </section>
  );
}
