// A due date from pieces of evidence: each piece, the rule's choice and why, and the combined estimate beside it.
import { signal } from '@preact/signals';
import { send, sentence } from '../api';
import { dateText } from '../model/words';
import { numberOf } from './parse';

interface Estimate { basis: string; edd?: string; ga?: string; date?: string; sd_days?: number; title?: string; citation?: string; note?: string; error?: { what: string; todo: string } }
interface Decision {
  rule_title: string; citation: string; chosen: number; edd: string; edd_interval95: [string, string]; reason: string; estimates: Estimate[];
  combined?: { edd?: string; edd_interval95?: [string, string]; label?: string };
}

const typed = signal<Record<string, string>>({ lmp: '', cycle: '', crl: '', crl_date: '', hc: '', fl: '', scan_date: '', transfer: '', embryo: '5', rule: 'acog700' });
const decision = signal<Decision | undefined>(undefined);
const trouble = signal('');
let turn = 0;

function evidence(): Record<string, unknown>[] {
  const t = typed.value, list: Record<string, unknown>[] = [];
  if (t.lmp) list.push({ basis: 'lmp', date: t.lmp, ...(numberOf(t.cycle!) ? { cycle_days: numberOf(t.cycle!) } : {}) });
  if (t.transfer) list.push({ basis: 'transfer', date: t.transfer, embryo_age_days: numberOf(t.embryo!) ?? 5 });
  if (t.crl && t.crl_date) list.push({ basis: 'crl', date: t.crl_date, value_mm: numberOf(t.crl) });
  if ((t.hc || t.fl) && t.scan_date) list.push({ basis: 'biometry', date: t.scan_date, ...(t.hc ? { hc_mm: numberOf(t.hc) } : {}), ...(t.fl ? { fl_mm: numberOf(t.fl) } : {}) });
  return list;
}

async function work(): Promise<void> {
  const mine = ++turn, list = evidence();
  trouble.value = '';
  decision.value = undefined;
  if (!list.length) return;
  if (list.some((e) => Object.values(e).some((v) => typeof v === 'number' && Number.isNaN(v)))) { trouble.value = 'One of the values is not a number.'; return; }
  try {
    const d = await send<Decision>('POST', '/api/calculate/dating', { evidence: list, rule: typed.value.rule });
    if (mine === turn) decision.value = d;
  } catch (e) { if (mine === turn) trouble.value = sentence(e); }
}

export function DatingPart() {
  const field = (k: string, label: string, type = 'text', hint = '') => (
    <label>{label} <input id={`c-${k}`} type={type} placeholder={hint} value={typed.value[k]} onInput={(e) => { typed.value = { ...typed.value, [k]: e.currentTarget.value }; void work(); }} /></label>);
  const d = decision.value;
  return (
    <section class="c-part" aria-label="Dating">
      <form class="c-form" onSubmit={(e) => e.preventDefault()}>
        {field('lmp', 'First day of the last period', 'date')}{field('cycle', 'Usual cycle, days', 'text', '28')}
        {field('crl', 'CRL, mm')}{field('crl_date', 'measured on', 'date')}
        {field('hc', 'HC, mm')}{field('fl', 'FL, mm')}{field('scan_date', 'measured on', 'date')}
        {field('transfer', 'Embryo transfer on', 'date')}{field('embryo', 'Age of the embryo, days')}
        <label>Rule <select value={typed.value.rule} onChange={(e) => { typed.value = { ...typed.value, rule: e.currentTarget.value }; void work(); }}>
          <option value="acog700">scan replaces period past a limit (ACOG 700)</option><option value="scan-always">the early scan always dates</option></select></label>
      </form>
      {trouble.value && <p class="warning" role="alert"><span aria-hidden="true">!</span>{trouble.value}</p>}
      {d && (
        <div class="c-outcome" aria-live="polite">
          <div class="c-answer"><b class="c-big">due {dateText(d.edd)}</b><span>95 % interval: {dateText(d.edd_interval95[0])} to {dateText(d.edd_interval95[1])}</span><span>{d.reason}</span><small>{d.citation}</small></div>
          <table class="c-table">
            <thead><tr><th>Evidence</th><th>Due date</th><th>Age then</th><th>SD</th></tr></thead>
            <tbody>{d.estimates.map((e, i) => (
              <tr key={i} class={i === d.chosen ? 'usual' : ''}>
                <th scope="row">{e.title ?? e.basis}{i === d.chosen && <em> decides</em>}<small>{e.citation ?? ''}</small></th>
                {e.error ? <td colSpan={3}>{e.error.what}. {e.error.todo}</td> : <><td>{dateText(e.edd)}</td><td>{e.ga}</td><td>{e.sd_days?.toFixed(1)} days</td></>}
              </tr>))}</tbody>
          </table>
          {d.combined?.edd && <p class="c-note">All evidence weighed together: {dateText(d.combined.edd)}{d.combined.edd_interval95 && ` (${dateText(d.combined.edd_interval95[0])} to ${dateText(d.combined.edd_interval95[1])})`}. {d.combined.label}.</p>}
        </div>
      )}
    </section>
  );
}
