// Dating: what each piece of evidence says, which one decides by which rule, and a person's decision over it.
import { signal } from '@preact/signals';
import { send, who } from '../api';
import { examId, facts, reload } from '../model/exam';
import { dateText, gaText } from '../model/words';
import { ask, showSheet } from '../ui/dialog';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import type { DatingEvidence } from '../model/types';

export const basisText: Record<string, string> = { lmp: 'last period', conception: 'conception', transfer: 'embryo transfer', crl: 'CRL', sac: 'sac diameter', biometry: 'biometry', edd: 'due date given' };
const form = signal<{ basis: string; date: string; cycle: string; certain: boolean; age: string }>({ basis: 'lmp', date: '', cycle: '', certain: true, age: '5' });

async function addEvidence(): Promise<void> {
  const f = form.value;
  if (!f.date) { trouble(new Error('Give the date.')); return; }
  if (!who.value && !await askName()) return;
  const body: Record<string, unknown> = { basis: f.basis, date: f.date };
  if (f.basis === 'lmp') { body['certain'] = f.certain; if (f.cycle) body['cycle_days'] = Number(f.cycle); }
  if (f.basis === 'transfer') body['embryo_age_days'] = Number(f.age);
  try {
    await send('POST', `/api/exams/${examId.value}/evidence`, body);
    await reload();
    tell('Evidence kept. The rule decides unless a person has.');
  } catch (e) { trouble(e); }
}

async function confirm(): Promise<void> {
  if (!who.value && !await askName()) return;
  try {
    await send('POST', `/api/exams/${examId.value}/dating`, { seen: facts.value?.dating?.edd }); // the date that was read, not one that came since
    await reload();
    tell('The due date is confirmed with your name.');
  } catch (e) { trouble(e); }
}

async function change(): Promise<void> {
  if (!who.value && !await askName()) return;
  const edd = await ask({ title: 'Another due date', body: <p>Every age and centile of this pregnancy will follow it; the old decision stays in the record.</p>, field: { label: 'Due date, as 2026-08-24', required: true, value: facts.value?.dating?.edd ?? '' }, yes: 'Go on', no: 'Leave it' });
  if (!edd) return;
  const why = await ask({ title: 'Why is the due date changed?', field: { label: 'Reason', required: true }, yes: 'Change it', no: 'Leave it' });
  if (!why) return;
  try {
    await send('POST', `/api/exams/${examId.value}/dating`, { edd, why });
    await reload();
    tell('The due date is changed, with your name and reason.');
  } catch (e) { trouble(e); }
}

function Piece({ e }: { e: DatingEvidence }) {
  const s = e.estimate;
  return (
    <li class={e.chosen ? 'piece chosen' : 'piece'}>
      <p><b>{basisText[e.basis] ?? e.basis}{e.fetus ? ` ${e.fetus}` : ''}</b> {dateText(e.date)}{e.chosen && <span class="tag">decides</span>}</p>
      {e.refused ? <p class="dim">{e.refused.what}</p>
        : <p>due <b>{dateText(s?.edd)}</b>{s?.sd_days ? ` ± ${(1.96 * s.sd_days).toFixed(0)} d` : ''} <span class="dim">{e.difference_days ? `${Math.abs(e.difference_days)} ${Math.abs(e.difference_days) === 1 ? 'day' : 'days'} ${e.difference_days > 0 ? 'later' : 'earlier'} than the date in use · ` : ''}{s?.formula}</span></p>}
    </li>
  );
}

function Body() {
  const f = facts.value;
  const d = f?.dating;
  const v = form.value;
  const set = (part: Partial<typeof v>) => { form.value = { ...v, ...part }; };
  return (
    <div class="dating">
      {d?.edd ? <p class="big">Due <b>{dateText(d.edd)}</b>, {f?.pregnancy?.ga ?? gaText(f?.pregnancy?.ga_days)} on the day of this exam. {d.state === 'proposed' ? 'Proposed by the rule; nobody has confirmed it.' : 'Decided.'}</p> : <p class="big">Not dated.</p>}
      {d?.reason && <p>{d.reason}</p>}
      {d?.rule_title && <p class="dim">Rule: {d.rule_title}</p>}
      <ul>{(d?.evidence ?? []).map((e, i) => <Piece key={i} e={e} />)}</ul>
      {d?.edd && <div class="acts"><button class="main" disabled={d.state !== 'proposed'} onClick={() => void confirm()}>Confirm the due date</button><button onClick={() => void change()}>Change it…</button></div>}
      <h3>Add evidence</h3>
      <div class="dating-form">
        <label>Kind<select value={v.basis} onChange={(e) => set({ basis: e.currentTarget.value })}>{['lmp', 'conception', 'transfer', 'edd'].map((b) => <option key={b} value={b}>{basisText[b]}</option>)}</select></label>
        <label>Date<input type="date" value={v.date} onInput={(e) => set({ date: e.currentTarget.value })} /></label>
        {v.basis === 'lmp' && <label>Cycle, days<input type="number" min={20} max={45} placeholder="28" value={v.cycle} onInput={(e) => set({ cycle: e.currentTarget.value })} /></label>}
        {v.basis === 'lmp' && <label class="tick"><input type="checkbox" checked={v.certain} onChange={(e) => set({ certain: e.currentTarget.checked })} /> certain, regular cycle</label>}
        {v.basis === 'transfer' && <label>Embryo age, days<input type="number" min={1} max={7} value={v.age} onInput={(e) => set({ age: e.currentTarget.value })} /></label>}
        <button onClick={() => void addEvidence()}>Add</button>
      </div>
      <p class="dim">CRL and biometry date the pregnancy from the ledger as soon as they are measured and accepted.</p>
    </div>
  );
}

export function showDating(): void { showSheet('Dating', () => <Body />); }
