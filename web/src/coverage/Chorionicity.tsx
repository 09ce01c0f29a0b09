// Chorions and amnions of a pregnancy of several fetuses: stated once by the signs seen, held for the whole pregnancy; a
// later statement takes the place of an earlier, which stays to be read.
import { signal } from '@preact/signals';
import { answer, facts, isPicture } from '../model/exam';
import { dateText, whenText } from '../model/words';
import { change } from '../report/facts';
import { examId } from '../model/exam';
import { active } from '../stage/stage';
import { closeSheet, showSheet } from '../ui/dialog';

export interface Stated { id: string; exam: string; date?: string; chorionicity: string; amnionicity: string; basis: string[]; objects: string[]; text: string; who: string; when: string }
const chorions = ['monochorionic', 'dichorionic', 'trichorionic', 'unknown'];
const amnions = ['monoamniotic', 'diamniotic', 'triamniotic', 'unknown'];
const signs: Record<string, string> = {
  'lambda-sign': 'lambda sign', 't-sign': 'T sign', 'separate-placentas': 'two placentas', 'one-placenta': 'one placenta', 'different-sexes': 'different sexes', 'same-sex': 'same sex',
  'thick-membrane': 'thick membrane', 'thin-membrane': 'thin membrane', 'no-membrane': 'no membrane seen', 'cord-tangle': 'cords entangled', 'separate-sacs': 'separate sacs early on', 'earlier-report': 'earlier report',
};
const word = (w: string) => (w === 'unknown' ? 'cannot be told' : w);

export const statements = (): Stated[] => ((answer.value?.exam.pregnancy as { chorionicity?: Stated[] } | undefined)?.chorionicity ?? []);
export const several = (): boolean => (facts.value?.pregnancy?.fetuses?.length ?? 1) > 1;
export function chorionText(): string {
  const s = statements().at(-1);
  return !s ? '' : s.chorionicity === 'unknown' ? 'chorionicity cannot be told' : [s.chorionicity, s.amnionicity].filter((w) => w !== 'unknown').join(' ');
}

interface Form { chorionicity: string; amnionicity: string; basis: string[]; text: string; picture: boolean }
const form = signal<Form>({ chorionicity: '', amnionicity: 'unknown', basis: [], text: '', picture: false });

async function state(seen: string): Promise<void> {
  const f = form.value;
  const o = active.value.object.value;
  const body = { chorionicity: f.chorionicity, amnionicity: f.chorionicity === 'unknown' ? 'unknown' : f.amnionicity, basis: f.basis, text: f.text.trim(), objects: f.picture && o ? [o] : [], supersedes: seen };
  if (await change(`/api/exams/${examId.value}/chorionicity`, body, 'Chorionicity stated.')) closeSheet();
}

function Choice({ label, list, name, value, set }: { label: string; list: string[]; name: (w: string) => string; value: string[]; set: (w: string) => void }) {
  return <div role="group" aria-label={label}><h3>{label}</h3><div class="choices">{list.map((w) => <button type="button" key={w} aria-pressed={value.includes(w)} onClick={() => set(w)}>{name(w)}</button>)}</div></div>;
}

function Body() {
  const f = form.value;
  const set = (part: Partial<Form>) => { form.value = { ...f, ...part }; };
  const all = statements();
  const o = active.value.object.value;
  const told = f.chorionicity === 'unknown' ? f.text.trim() !== '' : f.chorionicity !== '' && f.basis.length > 0;
  return (
    <form class="stack chorionicity" onSubmit={(e) => { e.preventDefault(); if (told) void state(all.at(-1)?.id ?? ''); }}>
      {[...all].reverse().map((s, i) => <p key={s.id} class={i ? 'dim' : 'big'}>{i ? 'Before: ' : ''}<b>{[s.chorionicity, s.amnionicity].filter((w, k) => w !== 'unknown' || k === 0).map(word).join(' ')}</b> {s.basis.map((b) => signs[b] ?? b).join(', ')}{s.text ? ` · ${s.text}` : ''} <small>{s.who}, {whenText(s.when)}, exam of {dateText(s.date)}</small></p>)}
      <Choice label="Chorions" list={chorions} name={word} value={[f.chorionicity]} set={(w) => set({ chorionicity: w })} />
      {f.chorionicity !== 'unknown' && <Choice label="Amnions" list={amnions} name={word} value={[f.amnionicity]} set={(w) => set({ amnionicity: w })} />}
      {f.chorionicity !== 'unknown' && <Choice label="Known by" list={Object.keys(signs)} name={(w) => signs[w]!} value={f.basis} set={(w) => set({ basis: f.basis.includes(w) ? f.basis.filter((x) => x !== w) : [...f.basis, w] })} />}
      <label>{f.chorionicity === 'unknown' ? 'Why it cannot be told' : 'Remark'}<input name="text" maxLength={400} value={f.text} onInput={(e) => set({ text: e.currentTarget.value })} /></label>
      {o && isPicture(o) && <label class="switch"><input type="checkbox" checked={f.picture} onChange={(e) => set({ picture: e.currentTarget.checked })} /><span>The picture on the stage shows it</span></label>}
      <p class="dim">It holds for the whole pregnancy. The signs are most reliable before 14 weeks.</p>
      <button class="main" disabled={!told}>State it</button>
    </form>
  );
}

export function openChorionicity(): void {
  form.value = { chorionicity: '', amnionicity: 'unknown', basis: [], text: '', picture: false };
  showSheet('Chorionicity', () => <Body />);
}
