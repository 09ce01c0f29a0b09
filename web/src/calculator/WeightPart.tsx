// A weight by every formula that the lengths allow, with the two uncertainties apart.
import { signal } from '@preact/signals';
import { send, sentence } from '../api';
import { ageOf, numberOf } from './parse';

interface Weight {
  formula: string; title: string; citation: string; status: string; grams: number; repeat_interval95_g: [number, number] | null;
  error_interval95_g: [number, number] | null; default: boolean; note: string; no_centile?: string; centile?: { statement: string; title: string };
}
interface Refused { formula: string; title: string; what: string; todo: string }

const fields = ['bpd', 'hc', 'ac', 'fl'] as const;
const typed = signal<Record<string, string>>({ bpd: '', hc: '', ac: '', fl: '', ga: '' });
const weights = signal<Weight[]>([]);
const refused = signal<Refused[]>([]);
const trouble = signal('');
let turn = 0;

async function work(): Promise<void> {
  const mine = ++turn, body: Record<string, number> = {};
  trouble.value = '';
  weights.value = refused.value = [];
  for (const f of fields) {
    const v = numberOf(typed.value[f]!);
    if (v === undefined) continue;
    if (Number.isNaN(v)) { trouble.value = `${f.toUpperCase()} is not a number.`; return; }
    body[f] = v;
  }
  const ga = ageOf(typed.value.ga!);
  if (ga !== undefined && Number.isNaN(ga)) { trouble.value = 'Write the age as 32w1d or 32+1.'; return; }
  if (ga !== undefined) body.ga_days = ga;
  if (!fields.some((f) => f in body)) return;
  try {
    const r = await send<{ weights: Weight[]; refused: Refused[] }>('POST', '/api/calculate/weight', body);
    if (mine === turn) { weights.value = r.weights; refused.value = r.refused; }
  } catch (e) { if (mine === turn) trouble.value = sentence(e); }
}

const span = (v: [number, number] | null) => (v ? `${v[0].toFixed(0)} to ${v[1].toFixed(0)} g` : 'not published');

export function WeightPart() {
  const set = (k: string) => (e: { currentTarget: HTMLInputElement }) => { typed.value = { ...typed.value, [k]: e.currentTarget.value }; void work(); };
  return (
    <section class="c-part" aria-label="Fetal weight">
      <form class="c-form" onSubmit={(e) => e.preventDefault()}>
        {fields.map((f) => <label key={f}>{f.toUpperCase()}, mm <input id={`c-${f}`} inputMode="decimal" value={typed.value[f]} onInput={set(f)} /></label>)}
        <label>Gestational age <input id="c-ga" placeholder="for the centile" value={typed.value.ga} onInput={set('ga')} /></label>
      </form>
      {trouble.value && <p class="warning" role="alert"><span aria-hidden="true">!</span>{trouble.value}</p>}
      {weights.value.length > 0 && (
        <table class="c-table" aria-live="polite">
          <thead><tr><th>Formula</th><th>Weight</th><th>Measured again</th><th>Against birth weight</th><th>Centile</th></tr></thead>
          <tbody>{[...weights.value].sort((a, b) => Number(b.default) - Number(a.default)).map((w) => (
            <tr key={w.formula} class={w.default ? 'usual' : ''}>
              <th scope="row">{w.title}{w.default && <em> usual</em>}<small>{w.citation}</small></th>
              <td><b>{w.grams.toFixed(0)} g</b></td><td>{span(w.repeat_interval95_g)}</td><td>{span(w.error_interval95_g)}</td>
              <td>{w.centile ? <>{w.centile.statement}<small>{w.centile.title}</small></> : <small>{w.no_centile ?? 'give the age'}</small>}</td>
            </tr>))}</tbody>
        </table>
      )}
      {refused.value.map((r) => <p key={r.formula} class="c-note">{r.title}: {r.what}. {r.todo}</p>)}
      <p class="dim">Both spans hold 95 %. The first says how far another sonographer's weight may lie from this one; the second how far the birth weight may lie.</p>
    </section>
  );
}
