// Structures that the protocol asks to be seen: seen, seen and abnormal, or not seen and why; tied to the picture shown.
import { answer, fetus, fetuses, isPicture } from '../model/exam';
import { keepFindings, type FindingBody } from '../model/findings';
import { coverage } from '../report/facts';
import { chosenProtocol } from '../model/protocol';
import { didStep } from '../model/undo';
import { active } from '../stage/stage';
import { ask } from '../ui/dialog';
import type { Finding } from '../model/types';

interface Stored extends Finding { superseded_by?: string | null }
type State = 'normal' | 'abnormal' | 'not-seen';

const current = () => ((answer.value?.exam.findings ?? []) as Stored[]).filter((f) => !f.superseded_by && f.state !== 'removed');
export const findingOf = (id: string) => current().find((f) => f.structure === id && (f.fetus || 'A') === fetus.value);

export function structures(): { group: string; list: { id: string; name: string }[] }[] {
  return (chosenProtocol.value?.groups ?? []).filter((g) => g.structures?.length).map((g) => ({ group: g.title, list: g.structures! }));
}
/** Recorded, and all: of the structures that the protocol requires, as on the coverage page. */
export function tally(): [number, number] {
  const all = (coverage.value?.structures ?? []).filter((s) => s.required && (!s.fetus || s.fetus === fetus.value || fetuses.value.length < 2));
  return [all.filter((s) => s.state !== 'missing').length, all.length];
}

async function set(id: string, name: string, state: State): Promise<void> {
  const was = findingOf(id);
  const it = { fetus: fetus.value, structure: id };
  const now: FindingBody = { ...it, state, reason: '', text: '', objects: [], supersedes: was?.id ?? '' };
  if (state === 'not-seen') {
    const reason = await ask({ title: `${name}: not seen`, field: { label: 'Why', required: true, choices: ['Position of the fetus', 'Late or early age', 'Maternal tissue', 'Fluid', 'Not looked for'] }, yes: 'Keep it', no: 'Leave it' });
    if (!reason) return;
    now.reason = reason;
  } else {
    const o = active.value.object.value;
    if (o && isPicture(o)) now.objects = [o];
  }
  if (state === 'abnormal') {
    const text = await ask({ title: `${name}: abnormal`, field: { label: 'What is seen', required: true }, yes: 'Keep it', no: 'Leave it' });
    if (!text) return;
    now.text = text;
  }
  const before = was ? { ...it, state: was.state, reason: was.reason, text: was.text, objects: was.objects } : { ...it, state: 'removed' };
  const names = new Map([[id, name]]);
  let last = (await keepFindings([now], names))?.[0]?.id;
  if (!last) return;
  const again = async (f: Omit<FindingBody, 'supersedes'>) => { last = (await keepFindings([{ ...f, supersedes: last! }], names))?.[0]?.id ?? last; };
  didStep({ label: name, undo: () => again(before), redo: () => again(now) });
}

const buttons: { state: State; sign: string; label: string }[] = [
  { state: 'normal', sign: '✓', label: 'seen' }, { state: 'abnormal', sign: '!', label: 'abnormal' }, { state: 'not-seen', sign: '∅', label: 'not seen' },
];

export function Structures() {
  return (
    <div class="rows">
      {structures().map((g) => (
        <div key={g.group} class="group" role="group" aria-label={g.group}>
          {g.list.map((s) => {
            const f = findingOf(s.id);
            const picture = f?.objects?.find(isPicture);
            return (
              <div key={s.id} class={`structure ${f?.state ?? 'missing'}`} data-structure={s.id} data-state={f?.state ?? 'missing'}>
                <span class="structure-name">{s.name}{f && (f.reason || f.text) ? <small>{f.reason || f.text}</small> : null}</span>
                {picture ? <button class="evidence" aria-label={`Show the picture of ${s.name}`} onClick={() => void active.value.open(picture)}><img src={`/api/objects/${picture}/thumb?width=96`} alt="" loading="lazy" /></button> : <span />}
                {buttons.map((b) => (
                  <button key={b.state} class={`see ${b.state}`} aria-pressed={f?.state === b.state} aria-label={`${s.name} ${b.label}`} title={b.label} onClick={() => void set(s.id, s.name, b.state)}>{b.sign}</button>
                ))}
              </div>
            );
          })}
        </div>
      ))}
      {!structures().length && <p class="dim pad">This protocol asks for no structures.</p>}
    </div>
  );
}
