// Growth: every scan of the pregnancy on one chart for each quantity, by one reference or two; twins together.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get } from '../api';
import { answer, examId, facts, fetus, fetuses } from '../model/exam';
import { trouble } from '../ui/notices';
import { covered } from '../stage/tools';

interface Chart { id: string; quantity: string; title: string; enabled: boolean }
const charts = signal<Chart[]>([]);
const together = signal(true);
const second = signal<Record<string, string>>({});

export function GrowthView() {
  useEffect(() => { get<{ charts: Chart[] }>('/api/charts').then((a) => { charts.value = a.charts.filter((c) => c.enabled); }).catch(trouble); }, []);
  const several = fetuses.value.length > 1;
  const all = several && together.value;
  const order = ['efw', 'hc', 'ac', 'fl', 'bpd'];
  const rank = (q: string) => (order.indexOf(q) < 0 ? 99 : order.indexOf(q));
  const values = (facts.value?.values ?? []).filter((v) => (v.centiles ?? []).some((c) => !c.refused) && !covered.value.has(v.quantity) && (all || !v.fetus || v.fetus === fetus.value));
  const list = [...new Map(values.map((v) => [v.quantity, v])).values()].sort((a, b) => rank(a.quantity) - rank(b.quantity));
  const stamp = answer.value?.exam['last_seq'] ?? 0;
  return (
    <section class="growth-view" aria-label="Growth">
      {several && <header class="bar"><div class="fetuses" role="group" aria-label="Fetuses"><button aria-pressed={together.value} onClick={() => { together.value = true; }}>All fetuses</button>
        {fetuses.value.map((f) => <button key={f} aria-pressed={!together.value && fetus.value === f} onClick={() => { together.value = false; fetus.value = f; }}>{f}</button>)}</div></header>}
      <div class="growth-charts">{list.map((v) => {
        const options = charts.value.filter((c) => c.quantity === v.quantity && c.id !== v.centiles?.[0]?.chart);
        const compare = second.value[v.quantity] ?? '';
        const query = `quantity=${v.quantity}&fetus=${all ? '' : encodeURIComponent(v.fetus || 'A')}${compare ? `&compare=${compare}` : ''}`;
        return (
          <figure key={v.quantity} class="chart" data-quantity={v.quantity}>
            <img src={`/api/exams/${examId.value}/figures/growth.svg?${query}&dark=1&width=620&height=400&n=${stamp}`} alt={`${v.name} against gestational age: ${v.text ?? ''} ${v.unit}, centile ${v.centiles?.[0]?.text ?? 'none'}, ${v.centiles?.[0]?.title ?? ''}`} />
            <figcaption>
              {options.length > 0 && <label>Compare with <select value={compare} onChange={(e) => { second.value = { ...second.value, [v.quantity]: e.currentTarget.value }; }}><option value="">nothing</option>{options.map((c) => <option key={c.id} value={c.id}>{c.title}</option>)}</select></label>}
              <a href={`/api/exams/${examId.value}/figures/growth.pdf?${query}&width=900&height=600`} target="_blank" rel="noopener">PDF</a> <a href={`/api/exams/${examId.value}/figures/growth.png?${query}&width=1200&height=800`} target="_blank" rel="noopener">PNG</a>
              {(v.centiles ?? []).slice(1).filter((c) => c.text && !c.refused).map((c) => <span key={c.chart} class="dim">{c.title}: centile {c.text}</span>)}
            </figcaption>
          </figure>);
      })}</div>
      {!list.length && <p class="dim pad">Nothing to draw yet: no value of this fetus has a centile.</p>}
    </section>
  );
}
