// The pregnancy from conception to the due date: weeks, every exam, and what dates it.
import { answer, examId, facts } from '../model/exam';
import { dateText, dayNumber, gaText } from '../model/words';
import { go } from '../router';
import { chorionText, openChorionicity, several } from '../coverage/Chorionicity';
import { basisText, showDating } from './Dating';
import type { DatingEvidence } from '../model/types';

const END = 42 * 7;
const x = (ga: number) => (Math.min(END, Math.max(0, ga)) / END) * 100;

interface Stop { id: string; ga: number; date: string }

function exams(edd: number): Stop[] {
  const p = answer.value?.exam.pregnancy as { exams?: { id: string; date?: string }[] } | undefined;
  return (p?.exams ?? []).flatMap((e) => {
    const d = dayNumber(e.date);
    return d === undefined ? [] : [{ id: e.id, ga: 280 - (edd - d), date: e.date! }];
  });
}

function evidenceText(e: DatingEvidence): string {
  const est = e.estimate;
  const name = basisText[e.basis] ?? e.basis;
  if (e.refused) return `${name}: ${e.refused.what}`;
  return `${name}${e.date ? ` ${dateText(e.date)}` : ''}: due ${dateText(est?.edd)}${est?.sd_days ? ` ± ${(1.96 * est.sd_days).toFixed(0)} d` : ''}${e.chosen ? ', decides' : ''}`;
}

export function PregnancyLine() {
  const f = facts.value;
  const d = f?.dating;
  const stored = answer.value?.exam.pregnancy as { edd?: string | null } | undefined;
  const edd = dayNumber(d?.edd ?? f?.pregnancy?.edd ?? stored?.edd);
  if (!answer.value) return <section class="line" aria-label="Pregnancy line" />;
  if (edd === undefined) {
    return (
      <section class="line undated" aria-label="Pregnancy line">
        <p><b>Not dated.</b> Without a date there is no gestational age and no centile. Add the last period, the transfer, or measure CRL.</p>
        <button onClick={showDating}>Date it</button>
      </section>
    );
  }
  const stops = exams(edd);
  const here = stops.find((s) => s.id === examId.value);
  const evidence = d?.evidence ?? [];
  return (
    <section class="line" aria-label="Pregnancy line">
      <button class="line-text" onClick={showDating} title="Dating: evidence, rule, decision">
        <span class="ga"><b>{f?.pregnancy?.ga ?? gaText(f?.pregnancy?.ga_days ?? here?.ga)}</b></span>
        <span>due <b>{dateText(d?.edd ?? f?.pregnancy?.edd ?? stored?.edd)}</b>{f?.pregnancy?.sd_days ? <span class="dim"> ± {(1.96 * f.pregnancy.sd_days).toFixed(0)} d</span> : null}</span>
        <span class="dim reason" title={d?.reason}>{d?.state === 'proposed' ? 'proposed: ' : ''}{evidence.find((e) => e.chosen) ? basisText[evidence.find((e) => e.chosen)!.basis] : ''} · {d?.rule_title ?? d?.rule}</span>
      </button>
      {several() && <button class={chorionText() ? 'line-chorion' : 'line-chorion missing'} onClick={openChorionicity} title="Chorionicity: what is stated, and by which signs">{chorionText() || <><span class="glyph" aria-hidden="true">!</span>Chorionicity?</>}</button>}
      <div class="line-draw">
        <svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">
          {[[0, 14], [14, 28], [28, 42]].map(([a, b], i) => <rect key={i} class={`third t${i}`} x={x(a! * 7)} width={x(b! * 7) - x(a! * 7)} y="4" height="2.4" />)}
          <rect class="lived" x="0" width={x(here?.ga ?? 0)} y="4" height="2.4" />
        </svg>
        {[0, 4, 8, 12, 16, 20, 24, 28, 32, 36, 40].map((w) => <span key={w} class="week" style={{ left: `${x(w * 7)}%` }}>{w}</span>)}
        <span class="stop conception" style={{ left: `${x(14)}%` }} title="Conception, two weeks after the period that counts">◇</span>
        <span class="stop due" style={{ left: `${x(280)}%` }} title={`Due ${dateText(d?.edd)}`}>◆</span>
        {evidence.map((e, i) => e.date && e.estimate?.edd !== undefined && (e.basis === 'crl' || e.basis === 'biometry' || e.basis === 'sac') && dayNumber(e.date) !== undefined
          ? <span key={i} class={`proof ${e.chosen ? 'chosen' : ''}`} style={{ left: `${x(280 - (edd - dayNumber(e.date)!))}%` }} title={evidenceText(e)}>{basisText[e.basis]}</span> : null)}
        {evidence.some((e) => e.basis === 'lmp') && <span class={`proof lmp ${evidence.find((e) => e.basis === 'lmp')!.chosen ? 'chosen' : ''}`} style={{ left: '0%' }} title={evidenceText(evidence.find((e) => e.basis === 'lmp')!)}>last period</span>}
        {stops.map((s) => (
          <button key={s.id} class={s.id === examId.value ? 'stop exam here' : 'stop exam'} style={{ left: `${x(s.ga)}%` }}
            aria-current={s.id === examId.value ? 'page' : undefined} aria-label={`Exam of ${dateText(s.date)} at ${gaText(s.ga)}`}
            title={`${dateText(s.date)}, ${gaText(s.ga)}`} onClick={() => go(`/exam/${s.id}`)}>
            <span>{gaText(s.ga)}</span>
          </button>
        ))}
      </div>
    </section>
  );
}
