// Growth charts, drawn by the same code as the report's, with every scan of the pregnancy.
import { examId, facts, fetus, answer } from '../model/exam';
import { covered } from '../stage/tools';

export function Growth() {
  const with_ = (facts.value?.values ?? []).filter((v) => (v.fetus || 'A') === fetus.value && (v.centiles ?? []).some((c) => !c.refused) && !covered.value.has(v.quantity));
  const first = ['efw', 'hc', 'ac', 'fl', 'bpd'];
  const rank = (q: string) => (first.indexOf(q) < 0 ? 99 : first.indexOf(q));
  const list = [...with_].sort((a, b) => rank(a.quantity) - rank(b.quantity));
  const stamp = answer.value?.exam['last_seq'] ?? facts.value?.ledger?.length ?? 0;
  return (
    <section class="growth" aria-label="Growth">
      {list.map((v) => (
        <figure key={v.key} class="chart">
          <img src={`/api/exams/${examId.value}/charts/${v.quantity}.svg?fetus=${encodeURIComponent(v.fetus || 'A')}&width=620&height=400&n=${stamp}`}
            alt={`${v.name} against gestational age: ${v.text ?? ''} ${v.unit}, centile ${v.centiles?.[0]?.text ?? 'none'}, ${v.centiles?.[0]?.title ?? ''}`} />
        </figure>
      ))}
      {!list.length && <p class="dim pad">Nothing to draw yet: no value of this fetus has a centile.</p>}
    </section>
  );
}
