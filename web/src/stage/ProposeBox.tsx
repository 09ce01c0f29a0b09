// What the program proposes, in words: whether it is sure, why not, and what the person can do about it.
import { useEffect, useRef } from 'preact/hooks';
import { fetus, fetuses, objects, quantities } from '../model/exam';
import { rowsOfGroup } from '../exam/planes';
import { groupOf } from '../exam/Strip';
import { unitText } from '../model/words';
import { addKeys } from '../ui/keys';
import {
  acceptProposal, again, asking, asTiming, chooseSite, dropProposal, goOnFrom, leaveOut, marking, markingText, planeWords, proposal, propose, proposeNext, readAllAgain, running, siteKeys, sites, startCalibration, stepRead,
  stopReading, storedReading, takeEditBack, takeMarkBack, type Proposal,
} from './propose';
import { proposeColour } from './proposeFlow';
import { ColourBox } from './ProposeColour';
import { TimingBox } from './ProposeTiming';
import { AV, hasStrip, proposeTiming } from './timing';
import { active } from './stage';
import { armed } from './tools';

const flowText: Record<string, string> = {
  forward: '', absent: 'End-diastolic flow is absent.', reversed: 'End-diastolic flow is reversed.', intermittent: 'End-diastolic flow is absent in some cycles.',
  uncertain: 'End-diastolic flow cannot be judged: the wall filter may hide it.',
};

export function useProposeKeys(): void {
  useEffect(() => {
    const off = addKeys([{ keys: ['3'], label: 'Propose a measurement on this picture', group: 'Measuring', run: () => void propose() },
      { keys: ['5'], label: 'Propose on the next picture not yet read', group: 'Measuring', run: () => void proposeNext() },
      { keys: ['Shift+3', '#'], label: 'Propose on this frame of a clip only', group: 'Measuring', run: () => void propose(undefined, true) },
      { keys: ['Escape'], label: 'Stop reading the clip', group: 'Measuring', run: () => stopReading() }]);
    return off;
  }, []);
  const open = proposal.value !== undefined || marking.value !== undefined;
  useEffect(() => (open ? addKeys([
    { keys: ['Enter'], label: 'Accept the proposal', group: 'Proposal', run: () => (proposal.value?.answer.accepted ? void acceptProposal() : false) },
    { keys: ['Escape'], label: 'Put the proposal away', group: 'Proposal', run: () => dropProposal() },
    { keys: ['k'], label: 'Next frame that was read', group: 'Proposal', run: () => stepRead(1) },
    { keys: ['j'], label: 'Frame read before', group: 'Proposal', run: () => stepRead(-1) },
    { keys: ['x'], label: 'Leave this frame out, or take it in again', group: 'Proposal', run: () => leaveOut() },
    { keys: ['Backspace', 'Ctrl+z'], label: 'Take the last change of the envelope or the onsets back, or the last mark of a scale', group: 'Proposal', run: () => takeMarkBack() || takeEditBack() },
    ...Object.entries(siteKeys).map(([id, key]) => ({ keys: [key], label: `Site: ${id.replace(/-/g, ' ')}`, group: 'Proposal', run: () => chooseSite(id) })),
    { keys: ['v'], label: 'Read it as inflow and outflow: atrioventricular interval', group: 'Proposal', run: () => asTiming() },
    { keys: ['p'], label: 'Notch present (uterine)', group: 'Proposal', run: () => notch('present') },
    { keys: ['o'], label: 'No notch (uterine)', group: 'Proposal', run: () => notch('absent') },
  ]) : undefined), [open]);
}

function notch(state: 'present' | 'absent'): boolean {
  const p = proposal.value;
  if (!p?.site?.startsWith('uterine')) return false;
  proposal.value = { ...p, notch: p.notch === state ? undefined : state };
  return true;
}

const many = (n: number, word: string) => `${n} ${word}${n === 1 ? '' : 's'}`;

function Values({ p }: { p: Proposal }) {
  const list = p.answer.values ?? [];
  if (!list.length) return null;
  return (
    <ul class="proposed-values">
      {list.map((v) => (
        <li key={v.quantity} data-quantity={v.quantity}>
          <span>{v.symbol}</span>
          {v.refused ? <span class="dim" title={`${v.refused.what}. ${v.refused.todo}`}>none</span>
            : p.shown ? <b>{v.value!.toFixed(v.decimals ?? 2)} {unitText[v.unit] ?? v.unit}<small> SD {v.sd!.toFixed((v.decimals ?? 2) + 1)}</small></b>
            : <span class="covered" aria-label="covered until accepted">●●●</span>}
        </li>
      ))}
    </ul>
  );
}

const short: Record<string, string> = { 'umbilical-artery': 'Umbilical', 'middle-cerebral-artery': 'Middle cerebral', 'uterine-artery-left': 'Uterine left', 'uterine-artery-right': 'Uterine right', 'ductus-venosus': 'Ductus venosus', 'descending-aorta': 'Aorta' };

/** Of several spectra one is chosen by a person; none is taken unasked. */
function Choose({ p }: { p: Proposal }) {
  return (
    <>
      <p><b>Several spectra</b><span class="dim">{p.answer.reason}</span></p>
      <div class="sites" role="group" aria-label="Which spectrum">
        {p.answer.choose!.map((c, i) => <button key={c.region} data-region={c.region} disabled={p.busy} onClick={() => void again({ region: c.region })}>Spectrum {i + 1}</button>)}
      </div>
    </>
  );
}

/** Goes on from the reading of this picture that stands, where a person had a hand in it. */
function GoOn({ p }: { p: Proposal }) {
  const r = storedReading(p);
  const e = r?.evidence;
  const byHand = e && ((e['proposal'] as { adjusted?: boolean } | undefined)?.adjusted || e['calibration'] || e['chosen'] || e['angle_changed']);
  if (!r || !byHand || p.from || p.edits.length || p.chosen || p.calibration) return null;
  return <button class="quiet go-on" disabled={p.busy} onClick={() => goOnFrom(r)}>Go on from the stored reading</button>;
}

function Spectrum({ p }: { p: Proposal }) {
  const a = p.answer;
  const top = useRef<HTMLParagraphElement>(null);
  // Why there is no reading stands at the top: it must not lie above what is scrolled into view.
  useEffect(() => { if (!a.accepted) top.current?.scrollIntoView({ block: 'nearest' }); }, [a]);
  if (a.choose) return <Choose p={p} />;
  const left = (a.cycles ?? []).filter((c) => c.why === 'left out by hand').length;
  const note = a.scale_note ? (a.note ?? '').replace(a.scale_note, '').trim() : a.note;
  const warned = /over \d+:/.test(a.scale_note ?? '');
  const scale = a.scale_note && <p class={warned ? 'flow' : 'dim'}>{a.scale_note}</p>; // a warning at the top; beside the angle once that was changed
  const used = (a.cycles ?? []).filter((c) => c.used).length;
  const cell = active.value;
  return (
    <>
      <p ref={top}><b>{a.accepted ? `Spectrum: ${used} of ${a.cycles?.length ?? 0} cycles` : 'Spectrum: no reading'}</b>
        <span class="dim">{a.accepted ? `Repeats to ${Math.round(100 * (a.confidence ?? 0))} %. ${p.edits.length ? `${p.edits.length} change${p.edits.length > 1 ? 's' : ''} by hand; the automatic curve is dashed.` : p.from ? 'The stored curve; the automatic one is dashed.' : 'Draw over the curve to correct it; press a cycle’s number to leave it out.'}${left ? ` ${many(left, 'cycle')} left out by you.` : ''}` : a.reason}</span></p>
      {warned && p.angle === undefined && scale}
      {a.accepted && flowText[a.end_diastolic_flow ?? ''] && <p class="flow">{flowText[a.end_diastolic_flow ?? '']}</p>}
      <div class="sites" role="group" aria-label="Which vessel">
        {sites.value.map((s) => (
          <button key={s.id} aria-pressed={p.site === s.id} data-site={s.id} onClick={() => chooseSite(s.id)}>{short[s.id] ?? s.name}{s.maternal || fetuses.value.length < 2 ? '' : `, ${fetus.value}`} <kbd>{siteKeys[s.id]?.toUpperCase()}</kbd></button>
        ))}
      </div>
      {p.site?.startsWith('uterine') && (
        <div class="notch" role="group" aria-label="Early diastolic notch">
          <button aria-pressed={p.notch === 'present'} onClick={() => notch('present')}>Notch <kbd>P</kbd></button>
          <button aria-pressed={p.notch === 'absent'} onClick={() => notch('absent')}>No notch <kbd>O</kbd></button>
        </div>
      )}
      <GoOn p={p} />
      {a.accepted && <Values p={p} />}
      {!p.shown && p.site && a.accepted && <button class="quiet" onClick={() => { proposal.value = { ...p, shown: true }; }}>Show the values now</button>}
      <label>Angle (°)
        <input type="number" min="0" max="89" step="1" value={p.angle ?? a.angle_deg ?? ''} disabled={a.stored_angle_deg === null || a.stored_angle_deg === undefined}
          onChange={(e) => void again({ angle: e.currentTarget.value === '' ? undefined : Number(e.currentTarget.value) })} />
      </label>
      {!(warned && p.angle === undefined) && scale}
      {note && <p class="dim">{note}</p>}
      {a.calibrated_by_hand && <p class="dim">Calibrated by hand.</p>}
      {p.site && !p.site.startsWith('uterine') && (
        <label class="tick"><input type="checkbox" checked={p.rate} onChange={() => { proposal.value = { ...p, rate: !p.rate }; }} /> Heart rate too</label>
      )}
      {p.edits.length > 0 && p.before.length > 0 && <button onClick={() => takeEditBack()}>Take the last change back</button>}
      {!p.site && <button class={a.also?.includes(AV) ? 'offered' : 'quiet'} onClick={() => asTiming()}>Atrioventricular interval <kbd>V</kbd></button>}
      {cell && <button onClick={startCalibration}>Calibrate by hand</button>}
    </>
  );
}

function Clip({ p }: { p: Proposal }) {
  const c = p.answer.clip!;
  const here = active.value.frame.value;
  const at = c.accepted.findIndex((f) => f.frame === here);
  const out = p.leftOut?.includes(here) ?? false;
  return (
    <>
      <p><b>{p.answer.kind[0]!.toUpperCase() + p.answer.kind.slice(1)}: {many(c.accepted.length - (p.leftOut?.length ?? 0), 'frame')}</b>
        <span class="dim">of {c.looked_at} looked at. Frames so alike count as {Math.max(1, c.effective ?? 1).toFixed(1)} readings.</span></p>
      <div class="frames-read" role="group" aria-label="Frames that were read">
        <button onClick={() => stepRead(-1)} title="Frame read before (J)">‹ <kbd>J</kbd></button>
        <output>{at < 0 ? 'not read' : `${at + 1} / ${c.accepted.length}`}</output>
        <button onClick={() => stepRead(1)} title="Next frame that was read (K)">› <kbd>K</kbd></button>
      </div>
      <button aria-pressed={out} disabled={at < 0} onClick={() => leaveOut()}>{out ? 'Take it in again' : 'Leave this frame out'} <kbd>X</kbd></button>
      {p.leftOut?.length ? <p class="dim">{many(p.leftOut.length, 'frame')} left out by you. The value follows when you accept.</p> : <Values p={p} />}
      {!p.shown && !p.leftOut?.length && <button class="quiet" onClick={() => { proposal.value = { ...p, shown: true }; }}>Show the values now</button>}
      <button class="quiet" onClick={() => void propose(undefined, true)}>This frame only <kbd>⇧3</kbd></button>
    </>
  );
}

function Progress() {
  const r = running.value!;
  return (
    <div class="prompt proposal" role="status" data-running={r.job}>
      <p><b>Reading the clip</b><span class="dim">{r.of ? `${r.done} of ${r.of}` : 'waiting'}</span></p>
      <progress max={r.of || 1} value={r.of ? r.done : undefined} aria-label="Reading the clip" />
      <button onClick={() => stopReading()}>Stop <kbd>Esc</kbd></button>
    </div>
  );
}

function Other({ p }: { p: Proposal }) {
  const a = p.answer;
  const coloured = active.value.info.value?.picture?.samples === 3;
  const clip = (active.value.info.value?.picture?.frames ?? 1) > 1;
  if (a.kind === 'rate' && a.accepted) {
    return <p><b>Heart rate from the {a.from}</b><span class="dim">Repeats to {Math.round(100 * (a.confidence ?? 0))} %.{a.frames ? ` Frames ${a.frames[0] + 1} to ${a.frames[1] + 1}.` : ''} The value is shown when it is accepted.</span></p>;
  }
  return (
    <>
      <p><b>No proposal</b><span class="dim">{a.reason}</span></p>
      {(planeWords.has(a.kind) || a.kind === 'none') && <p class="dim">Click inside the structure and it is tried again there.</p>}
      {a.kind === 'rate' && clip && <p class="dim">Click on the heart and it is tried again there.</p>}
      {a.kind === 'none' && <GoOn p={p} />}
      {a.kind === 'none' && coloured && <button onClick={() => void proposeColour()}>Count its colour</button>}
      {(a.kind === 'none' || a.kind === 'spectrum') && <button onClick={startCalibration}>It is a spectrum: calibrate by hand</button>}
    </>
  );
}

/** Which rows a proposal on the shown picture would fill: of the row in the hand, else by what the picture shows. */
function offered(): string {
  const o = objects.value.find((x) => x.id === active.value.object.value);
  if (!o) return '';
  const ids = armed.value?.quantities ?? rowsOfGroup[groupOf(o)] ?? [];
  return ids.map((id) => quantities.value.get(id)?.symbol ?? '').filter(Boolean).join(', ');
}

export function ProposeBox() {
  const there = proposal.value;
  const offer = offered();
  const p = there?.object === active.value.object.value ? there : undefined;
  const m = marking.value;
  const shows = active.value.info.value?.picture;
  if (m) return <div class="prompt proposal" role="status"><p><b>Calibrate by hand</b><span class="dim">{markingText[m.step]} <span class="mark-count">{m.points.length + 1} of 6</span></span></p>{m.points.length > 0 && <button onClick={() => takeMarkBack()}>Take the mark back</button>}<button onClick={() => dropProposal()}>Leave it <kbd>Esc</kbd></button></div>;
  if (running.value && running.value.object === active.value.object.value) return <Progress />;
  if (!p) {
    return (
      <div class="propose-row">
        <button class="propose" disabled={!shows || asking.value} onClick={() => void propose()}><span>{asking.value ? 'Reading…' : 'Propose'}{offer && !asking.value && <small class="offer">{offer}</small>}</span> <kbd>3</kbd></button>
        {hasStrip() && <button class="quiet" disabled={asking.value} onClick={() => void proposeTiming()}>Atrioventricular interval</button>}
        <button disabled={asking.value} title="Propose on the next picture not yet read (5)" onClick={() => void proposeNext()}>Next picture <kbd>5</kbd></button>
        <button class="quiet" disabled={asking.value} title="The second reader measures all accepted pictures again without knowing the values" onClick={() => void readAllAgain()}>Read all again</button>
      </div>
    );
  }
  const spectrum = p.answer.kind === 'spectrum';
  const clip = p.answer.clip && p.answer.accepted;
  return (
    <div class="prompt proposal" role="status" data-clip={clip ? 'yes' : undefined} data-kind={p.answer.kind} data-accepted={p.answer.accepted ? 'yes' : 'no'} data-busy={p.busy ? 'yes' : 'no'} data-edits={p.timing?.edits.length ?? p.edits.length}>
      {spectrum ? <Spectrum p={p} /> : p.answer.kind === AV ? <TimingBox p={p} /> : p.answer.kind === 'colour' ? <ColourBox p={p} /> : clip ? <Clip p={p} /> : <Other p={p} />}
      {p.trouble && <p class="said" role="alert">{p.trouble}</p>}
      {p.answer.accepted && (spectrum || clip || p.answer.kind === 'rate' || p.answer.kind === 'colour' || p.answer.kind === AV) && <button class="main accept" disabled={p.busy} onClick={() => void acceptProposal()}>{p.answer.kind === 'colour' ? 'Keep' : 'Accept'} <kbd>Enter</kbd></button>}
      <button onClick={() => dropProposal()}>Put away <kbd>Esc</kbd></button>
    </div>
  );
}
