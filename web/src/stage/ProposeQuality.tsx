// How good the plane is, criterion by criterion: what the program could judge, and what it leaves to the person, who may
// tick it. Nothing is counted that nobody judged.
import { proposal, tick, type Criterion } from './propose';
import { draft } from './tools';

const sign: Record<Criterion['state'], string> = { met: '✓', 'not-met': '✗', 'for-the-person': '○' };
const word: Record<Criterion['state'], string> = { met: 'met', 'not-met': 'not met', 'for-the-person': 'not judged' };

const short: Record<string, string> = {
  size: 'Large enough', outline: 'Whole outline', symmetry: 'Symmetrical', thalami: 'Thalami', cavum: 'Cavum', 'no-cerebellum': 'No cerebellum',
  stomach: 'Stomach', 'portal-sinus': 'Vein at the sinus', 'no-kidneys': 'No kidneys', ends: 'Both ends', angle: 'Under 45°',
};

/** As judged now: the program's judgement, or the person's tick. */
export function judgedNow(criteria: Criterion[], judged: Record<string, boolean> = {}): (Criterion & { own: boolean })[] {
  return criteria.map((c) => {
    const t = judged[c.id];
    return c.state !== 'for-the-person' ? { ...c, own: false } : { ...c, own: true, state: t === undefined ? 'for-the-person' as const : t ? 'met' as const : 'not-met' as const };
  });
}

export function scoreText(list: { state: string }[]): string {
  const judged = list.filter((c) => c.state !== 'for-the-person');
  const open = list.length - judged.length;
  return `${judged.filter((c) => c.state === 'met').length} of ${judged.length} judged met${open ? `, ${open} not judged` : ''}`;
}

export function PlaneQuality() {
  const held = draft.value?.proposal ?? (proposal.value?.answer.clip && proposal.value.answer.accepted ? { criteria: proposal.value.answer.criteria, judged: proposal.value.judged } : undefined);
  if (!held?.criteria?.length) return null;
  const list = judgedNow(held.criteria, held.judged);
  return (
    <div class="quality-bar" role="group" aria-label="How good the plane is">
      <b>Plane <span class="dim">{scoreText(list)}</span></b>
      <ul>
        {list.map((c) => (
          <li key={c.id} data-criterion={c.id} data-state={c.state}>
            {c.own
              ? <button class="tick-off" title={`${c.text}: ${word[c.state]}. Yours to judge, if you want to.`} aria-label={`${c.text}: ${word[c.state]}. Yours to judge.`} onClick={() => tick(c.id)}><span aria-hidden="true">{sign[c.state]}</span> {short[c.id] ?? c.text}</button>
              : <span title={`${c.text}: ${word[c.state]}, judged by the program`}><span aria-hidden="true">{sign[c.state]}</span> {short[c.id] ?? c.text}<span class="sr"> {word[c.state]}, judged by the program</span></span>}
          </li>
        ))}
      </ul>
    </div>
  );
}
