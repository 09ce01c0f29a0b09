// One value on one chart: statement, interval, formula's source and limits, and the curve with the value on it.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get, send, sentence } from '../api';
import { loadQuantities, quantities } from '../model/exam';
import { ageOf, numberOf } from './parse';

interface ChartBrief { id: string; quantity: string; title: string; enabled: boolean; default: boolean; status: string; x_unit?: string }
interface ChartInfo {
  id: string; title: string; citation: string; doi: string; population: string; convention: string; unit: string; model: string; status: string; note: string;
  x: { name: string; unit: string; low: number; high: number };
}
interface Answer {
  statement: string; z: number | null; centile: number | null; median: number | null; mom: number | null; unit: string; warning?: string; weight_note?: string;
  interval95?: { centile_low: number; centile_high: number }; calipers?: { note: string };
}
interface Result { chart: ChartInfo; curve: string; answer?: Answer; refused?: { what: string; todo: string }; value_sd: number | null; sd_from_table: boolean }

const charts = signal<ChartBrief[]>([]);
const quantity = signal('hc');
const chart = signal('');
const x = signal('20w3d');
const value = signal('');
const result = signal<Result | undefined>(undefined);
const trouble = signal('');
let turn = 0;

const statuses: Record<string, string> = {
  verified: 'confirmed by a second source or by its own table', 'single-source': 'from a single source: check it before relying on it',
  'from-memory': 'from memory: not for use',
};

function range(c: ChartInfo): string {
  const at = (v: number) => (c.x.unit === 'd' ? `${Math.floor(v / 7)}w${v % 7}d` : `${v} ${c.x.unit}`);
  return `${c.x.name} ${at(c.x.low)} to ${at(c.x.high)}`;
}

async function work(): Promise<void> {
  const mine = ++turn;
  trouble.value = '';
  if (!chart.value) { result.value = undefined; return; }
  const age = result.value?.chart.id === chart.value && result.value.chart.x.unit !== 'd' ? numberOf(x.value) : ageOf(x.value) ?? numberOf(x.value);
  const at = age !== undefined && Number.isNaN(age) ? numberOf(x.value) : age, v = numberOf(value.value);
  if (at === undefined || v === undefined) {
    result.value = undefined;
    // The curve and its source are shown before anything is typed.
    try {
      const r = await send<Result>('POST', '/api/calculate/value', { chart: chart.value, x: at ?? -1, value: v ?? 1 });
      if (mine === turn) result.value = { ...r, answer: undefined, refused: undefined };
    } catch (e) { if (mine === turn) trouble.value = sentence(e); }
    return;
  }
  if (Number.isNaN(at)) { trouble.value = 'Write the age as 20w3d or 20+3, another scale as a number.'; return; }
  if (Number.isNaN(v)) { trouble.value = 'The value is not a number.'; return; }
  try {
    const r = await send<Result>('POST', '/api/calculate/value', { chart: chart.value, x: at, value: v });
    if (mine === turn) result.value = r;
  } catch (e) { if (mine === turn) { result.value = undefined; trouble.value = sentence(e); } }
}

function pick(id: string): void {
  quantity.value = id;
  const own = charts.value.filter((c) => c.quantity === id);
  chart.value = (own.find((c) => c.default) ?? own[0])?.id ?? '';
  void work();
}

function Outcome() {
  const r = result.value;
  if (trouble.value) return <p class="warning" role="alert"><span aria-hidden="true">!</span>{trouble.value}</p>;
  if (!r) return null;
  const a = r.answer, c = r.chart;
  return (
    <div class="c-outcome" aria-live="polite">
      {r.refused && <p class="warning" role="alert"><span aria-hidden="true">!</span>{r.refused.what}. {r.refused.todo}</p>}
      {a && (
        <div class="c-answer">
          <b class="c-big">{a.statement}</b>
          <span>{a.interval95 ? `95 % interval: centile ${a.interval95.centile_low.toFixed(1)} to ${a.interval95.centile_high.toFixed(1)}` : 'no interval: the SD of the reading is not known'}
            {a.z != null && ` · z ${a.z.toFixed(2)}`}{a.median != null && ` · median ${a.median.toPrecision(4)} ${a.unit === '1' ? '' : a.unit}`}{a.mom != null && ` · ${a.mom.toFixed(2)} times the median`}</span>
          {r.sd_from_table && r.value_sd != null && <small>reading SD {r.value_sd.toPrecision(2)} {a.unit === '1' ? '' : a.unit} between two observers; the age is taken as exact</small>}
          {[a.warning, a.weight_note, a.calipers?.note].filter(Boolean).map((t) => <p class="c-note">{t}</p>)}
        </div>
      )}
      {r.curve && <img class="c-curve" alt={`Curves of ${c.title}`} src={`data:image/svg+xml;charset=utf-8,${encodeURIComponent(r.curve)}`} />}
      <dl class="c-source">
        <div><dt>Source</dt><dd>{c.citation}{c.doi && <> · doi {c.doi}</>}</dd></div>
        <div><dt>Standing</dt><dd>{statuses[c.status] ?? c.status}</dd></div>
        <div><dt>Made from</dt><dd>{c.population}</dd></div>
        <div><dt>Range</dt><dd>{range(c)}; outside it no centile is given</dd></div>
        {c.convention && <div><dt>Calipers</dt><dd>{c.convention}</dd></div>}
        <div><dt>Model</dt><dd>{c.model}</dd></div>
        {c.note && <div><dt>To know</dt><dd>{c.note}</dd></div>}
      </dl>
    </div>
  );
}

export function ValuePart() {
  useEffect(() => {
    void loadQuantities();
    get<{ charts: ChartBrief[] }>('/api/charts').then((c) => { charts.value = c.charts.filter((y) => y.enabled); pick(quantity.value); },
      (e) => { trouble.value = sentence(e); });
  }, []);
  const known = [...new Set(charts.value.map((c) => c.quantity))];
  const q = quantities.value.get(quantity.value);
  const unit = result.value?.chart.unit ?? q?.unit ?? '';
  return (
    <section class="c-part" aria-label="One value on a chart">
      <form class="c-form" onSubmit={(e) => { e.preventDefault(); void work(); }}>
        <label>Quantity <select value={quantity.value} onChange={(e) => pick(e.currentTarget.value)}>
          {known.map((id) => <option key={id} value={id}>{quantities.value.get(id)?.symbol ?? id} – {quantities.value.get(id)?.name ?? ''}</option>)}</select></label>
        <label>Chart <select value={chart.value} onChange={(e) => { chart.value = e.currentTarget.value; void work(); }}>
          {charts.value.filter((c) => c.quantity === quantity.value).map((c) => <option key={c.id} value={c.id}>{c.title}{c.default ? ' (usual)' : ''}</option>)}</select></label>
        <label>{result.value?.chart.x.unit && result.value.chart.x.unit !== 'd' ? `${result.value.chart.x.name}, ${result.value.chart.x.unit}` : 'Gestational age'}
          <input id="c-x" value={x.value} onInput={(e) => { x.value = e.currentTarget.value; void work(); }} /></label>
        <label>Value{unit && unit !== '1' ? `, ${unit}` : ''}
          <input id="c-value" inputMode="decimal" value={value.value} onInput={(e) => { value.value = e.currentTarget.value; void work(); }} /></label>
      </form>
      <Outcome />
    </section>
  );
}
