// The readings behind a row: each with who, when, how, and what can be done about it.
import { send } from '../api';
import { covered, arm } from '../stage/tools';
import { scoreText } from '../stage/ProposeQuality';
import type { Criterion } from '../stage/propose';
import type { Beat } from '../stage/timing';
import { active } from '../stage/stage';
import { examId, isPicture, quantities, reload, type ViewRow } from '../model/exam';
import { differenceOf, rereadOf } from '../model/second';
import type { Row } from '../model/types';
import { blind } from '../model/settings';
import { didStep } from '../model/undo';
import { unitText, whenText } from '../model/words';
import { judgedBy, judgementText } from './judged';
import { ask } from '../ui/dialog';
import { ApiError } from '../api';
import { trouble } from '../ui/notices';

const stateText: Record<string, string> = { accepted: 'accepted', proposed: 'proposed', disputed: 'disputed', withdrawn: 'withdrawn', superseded: 'superseded' };
const sourceText: Record<string, string> = { geometry: 'measured here', imported: 'from the scanner’s report', typed: 'typed in', proposed: 'proposed by the program' };

async function event(id: string, state: string, why: string, version: number): Promise<void> {
  await send('POST', `/api/measurements/${id}/events`, { state, why, exam: examId.value, version });
  await reload();
}

/** Changes a reading's state. When somebody was faster, theirs is shown and nothing is overwritten. */
export async function change(r: Row, state: string, why: string, back: string): Promise<void> {
  let version = r.version ?? 0;
  try {
    await event(r.id, state, why, version++);
    didStep({
      label: `${stateText[state] ?? state}`,
      undo: () => event(r.id, back, 'undone by the same person', version++),
      redo: () => event(r.id, state, why || 'redone', version++),
    });
  } catch (e) {
    if (e instanceof ApiError && e.code === 'conflict') {
      await reload();
      trouble(new Error(`Somebody else changed this reading meanwhile. It is now shown as it stands; yours was not stored. ${e.trouble.todo}`));
    } else trouble(e);
  }
}

async function dispute(r: Row): Promise<void> {
  const why = await ask({ title: 'Dispute this reading', field: { label: 'Reason', required: true, choices: ['Wrong plane', 'Calipers misplaced', 'Wrong structure', 'Picture too poor'] }, yes: 'Dispute it', no: 'Leave it' });
  if (why) await change(r, 'disputed', why, r.state === 'proposed' ? 'withdrawn' : 'accepted');
}

async function withdraw(r: Row): Promise<void> {
  const why = await ask({ title: 'Withdraw this reading', body: <p>It stays in the record, but no value rests on it.</p>, field: { label: 'Reason', required: true, choices: ['Measured by mistake', 'Better reading exists', 'Wrong fetus'] }, yes: 'Withdraw it', no: 'Leave it' });
  if (why) await change(r, 'withdrawn', why, 'restored');
}

async function correct(row: ViewRow, r: Row): Promise<void> {
  const why = await ask({ title: `Correct ${row.symbol}`, body: <p>You measure again; the new reading supersedes this one, which stays in the record.</p>, field: { label: 'Reason', required: true, choices: ['Calipers misplaced', 'Better plane', 'Wrong structure'] }, yes: 'Measure again', no: 'Leave it' });
  if (!why) return;
  if (r.object && isPicture(r.object)) void active.value.open(r.object, r.frame ?? 0);
  arm(row, { supersedes: { [row.quantity]: r.id }, why });
}

async function type(row: ViewRow): Promise<void> {
  const unit = unitText[row.unit] ?? row.unit;
  const text = await ask({ title: `Type ${row.symbol}`, body: <p>A typed value has no picture as evidence and is marked so. Unit: {unit || 'none'}.</p>, field: { label: `${row.name}${unit ? ` (${unit})` : ''}`, required: true }, yes: 'Store it', no: 'Leave it' });
  if (!text) return;
  const value = Number(text.replace(',', '.'));
  if (!Number.isFinite(value)) { trouble(new Error(`"${text}" is not a number`)); return; }
  try {
    await send('POST', `/api/exams/${examId.value}/measurements`, { fetus: row.key.split('/')[0], typed: { quantity: row.quantity, value, unit: row.unit }, key: crypto.randomUUID() });
    await reload();
  } catch (e) { trouble(e); }
}

/** That it was read again blind, quietly; a difference is told louder, above. */
function Again({ r }: { r: Row }) {
  const again = rereadOf(r.id);
  if (!again || again.result === 'differs') return null;
  const q = quantities.value.get(r.quantity);
  const d = q?.decimals ?? 1;
  if (again.basis === 'proposed') return <p class="dim reread" data-result={again.result}>Proposed by the program: no second reading of another kind.</p>;
  if (again.result === 'could-not-read') return <p class="dim reread" data-result="could-not-read">Second reading: could not be read. {again.reason}</p>;
  return <p class="dim reread" data-result="agrees">Second reading agrees: {again.second_value!.toFixed(d)} {unitText[r.unit] ?? r.unit}, {Math.abs(again.second_value! - r.value).toFixed(d)} apart, two observers within {again.limit!.toFixed(d)}.</p>;
}

interface KeptClip { in_clip: number; looked_at: number; accepted: { frame: number; left_out?: boolean }[] }

/** What stands behind a reading of the program: frames of a clip, and how good the plane is, by whose judgement. */
function Behind({ r }: { r: Row }) {
  const clip = r.evidence?.type === 'clip' ? r.evidence['frames'] as KeptClip : undefined;
  const combined = r.evidence?.['combined'] as { effective_frames?: number } | undefined;
  const criteria = (r.evidence?.['proposal'] as { criteria?: Criterion[] } | undefined)?.criteria;
  const beats = r.evidence?.type === 'av-interval' ? r.evidence['beats'] as Beat[] : undefined;
  const by = (r.evidence?.['proposal'] as { adjusted_by?: string } | undefined)?.adjusted_by;
  const left = clip?.accepted.filter((f) => f.left_out).length ?? 0;
  return (
    <>
      {clip && <p class="dim behind-clip">Rests on {clip.accepted.length - left} of {clip.looked_at} frames looked at{left ? `, ${left} left out by hand` : ''}; so alike that they count as {(combined?.effective_frames ?? 1).toFixed(1)}.</p>}
      {beats && <p class="dim behind-beats">Rests on {beats.filter((b) => b.used).length} of {beats.length} beats, marked on the picture{by ? `; onsets adjusted by ${by}` : ''}.</p>}
      {criteria && criteria.length > 0 && (
        <details class="quality"><summary>Plane: {scoreText(criteria)}</summary>
          <ul>{criteria.map((c) => <li key={c.id} data-state={c.state}>{c.state === 'met' ? '✓' : c.state === 'not-met' ? '✗' : '○'} {c.text} <span class="dim">{c.by === 'program' ? 'by the program' : c.by ? `by ${c.by}` : 'not judged'}</span></li>)}</ul>
        </details>
      )}
    </>
  );
}

function Reading({ row, r }: { row: ViewRow; r: Row }) {
  const q = quantities.value.get(r.quantity);
  const hidden = covered.value.has(r.quantity) || (r.state === 'proposed' && blind.value);
  const last = r.events?.[r.events.length - 1];
  const picture = r.object && isPicture(r.object) ? { object: r.object, frame: r.frame ?? 0 }
    : r.evidence?.image?.object && isPicture(r.evidence.image.object) ? { object: r.evidence.image.object, frame: r.evidence.image.frame ?? 0 } : undefined;
  return (
    <li class={`reading ${r.state}`}>
      <p><b>{hidden ? '●●●' : `${r.value.toFixed(q?.decimals ?? 1)} ${unitText[r.unit] ?? r.unit}`}</b>
        {!hidden && r.sd ? <span class="pm"> SD {r.sd.toFixed((q?.decimals ?? 1) + 1)}</span> : null}
        <span class={`tag ${r.state}`}>{stateText[r.state]}</span>{r.used && <span class="tag">counts</span>}</p>
      <p class="dim">{sourceText[r.source]}{r.evidence?.method ? `, ${r.evidence.method}` : ''}{r.evidence?.how?.blind === false ? ', value shown while measuring' : ''}{r.evidence?.how?.snap ? ', edge helper' : ''}{r.evidence?.how?.text === 'seen' ? ', burned-in text seen' : ''} · {r.who} · {whenText(r.at)}</p>
      {!hidden && differenceOf(r.id) && <p class="warning"><span aria-hidden="true">!</span>{differenceOf(r.id)!.text} Its geometry is drawn dashed on the picture.</p>}
      <Behind r={r} />
      {!hidden && <Again r={r} />}
      {r.why && <p class="dim">Reason: {r.why}</p>}
      {last && <p class="dim">{stateText[last.state] ?? last.state} by {last.who}{last.why ? `: ${last.why}` : ''}</p>}
      {r.state !== 'superseded' && (
        <div class="acts">
          {picture && <button onClick={() => void active.value.open(picture.object, picture.frame)}>Picture</button>}
          {(r.state === 'proposed' || r.state === 'disputed') && <button class="main" onClick={() => void change(r, 'accepted', '', 'disputed')}>Accept</button>}
          {r.state === 'accepted' && <button onClick={() => void dispute(r)}>Dispute</button>}
          {r.state === 'accepted' && r.source === 'geometry' && <button onClick={() => void correct(row, r)}>Correct</button>}
          {(r.state === 'accepted' || r.state === 'proposed') && <button onClick={() => void withdraw(r)}>Withdraw</button>}
          {r.state === 'withdrawn' && <button onClick={() => void change(r, 'restored', 'restored', 'withdrawn')}>Restore</button>}
        </div>
      )}
    </li>
  );
}

export function Readings({ row }: { row: ViewRow }) {
  const q = quantities.value.get(row.quantity);
  const v = row.value;
  const hidden = covered.value.has(row.quantity);
  return (
    <div class="readings">
      <p class="long-name">{row.name}</p>
      {q?.technique && <p class="dim">{q.technique}</p>}
      {!hidden && v?.rule_text && <p>Rule: {v.rule_text}{v.rule_by === 'protocol' && ' (the protocol says so)'}.</p>}
      {!hidden && v?.conflict && <p class="warning"><span aria-hidden="true">!</span>{v.conflict.what}</p>}
      {v?.refused && <p class="warning"><span aria-hidden="true">!</span>{v.refused.what}. {v.refused.todo}</p>}
      {!hidden && v?.formula && <p>{v.formula.title}. <span class="dim">{v.formula.citation}</span></p>}
      {!hidden && v?.error_text && <p>Against birth weight: {v.error_text} (95 %).</p>}
      {!hidden && (v?.centiles ?? []).map((c) => (
        <p key={c.chart} class="chart-line">{c.refused ? <><b>no centile</b> on {c.title ?? c.chart}: {c.refused.what}</> : <><b>{c.text}</b>{c.interval_text && ` (${c.interval_text})`} · {c.title ?? c.chart}</>}{c.chosen_by === 'protocol' && ' (chosen by the protocol)'}</p>
      ))}
      {!hidden && judgedBy(row.quantity, row.value?.fetus ?? '').map((a) => (
        <p key={a.rule} class={a.answer === 'met' ? 'warning judged' : 'dim judged'} data-rule={a.rule}>{a.answer === 'met' && <span aria-hidden="true">!</span>}<span><b>{judgementText(a)}.</b> Limits: {a.conditions.map((c) => c.text).join('; ')}. {a.note} {a.citation}. Local protocol decides.</span></p>
      ))}
      <ol>{[...row.readings].reverse().map((r) => <Reading key={r.id} row={row} r={r} />)}</ol>
      {row.measurable && <div class="acts"><button onClick={() => arm(row)}>{row.readings.some((r) => r.state === 'accepted') ? 'Measure once more' : 'Measure'}</button><button onClick={() => void type(row)}>Type a value</button></div>}
    </div>
  );
}
