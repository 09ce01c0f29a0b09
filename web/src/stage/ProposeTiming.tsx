// The atrioventricular interval in words, and its onsets on the picture: lines that a person drags, beats that are left out.
import { useSignal } from '@preact/signals';
import { useRef } from 'preact/hooks';
import type { Point, Row } from '../model/types';
import type { Cell } from './cell';
import { proposal, propose, startCalibration, type Proposal } from './propose';
import { AV, hasStrip, leaveBeat, markLetter, markName, markWall, moveOnset, takeOnsetBack, wallsAnew, wallToMark, type Beat, type OnsetMark } from './timing';
import { armed, disarm } from './tools';
import { toPicture, toScreen } from './view';

function traceInstead(): void {
  if (armed.value?.quantities[0] === AV) disarm();
  void propose();
}

export function TimingBox({ p }: { p: Proposal }) {
  const a = p.answer;
  const t = p.timing;
  const beats = t?.beats ?? [];
  const used = beats.filter((b) => b.used).length;
  const wall = wallToMark(p);
  const value = a.values?.[0];
  if (wall) {
    return <p><b>{wall === 'atrial' ? 'Mark the atrial wall' : 'Mark the ventricular wall'}</b>
      <span class="dim">Drag over the rows in which it moves{wall === 'atrial' ? '; the ventricular wall comes next' : ''}.</span></p>;
  }
  return (
    <>
      <p><b>{a.accepted ? `Atrioventricular interval: ${used} of ${beats.length} beats` : 'Atrioventricular interval: no reading'}</b>
        <span class="dim">{a.accepted ? (a.from === 'm-mode' ? 'Movement of the atrial wall (A) to that of the ventricular wall (V).' : 'A wave onset (A) to outflow onset (O).') : a.reason}</span></p>
      {beats.length > 0 && <p class="dim">{t!.edits.length ? `${t!.edits.length} change${t!.edits.length > 1 ? 's' : ''} by hand; the automatic onsets are dashed.` : 'Drag a line to correct it; press a beat’s number to leave it out.'}</p>}
      {value && a.accepted && (
        <ul class="proposed-values"><li data-quantity={value.quantity}><span>{value.symbol}</span>
          {value.refused ? <span class="dim" title={value.refused.todo}>none</span>
            : p.shown ? <b>{value.value!.toFixed(value.decimals ?? 0)} ms<small> SD {value.sd!.toFixed((value.decimals ?? 0) + 1)}</small></b>
            : <span class="covered" aria-label="covered until accepted">●●●</span>}</li></ul>
      )}
      {!p.shown && a.accepted && <button class="quiet" onClick={() => { proposal.value = { ...p, shown: true }; }}>Show the value now</button>}
      {a.accepted && <p class="dim">No reference range is built in: local protocol decides.</p>}
      {a.calibrated_by_hand && <p class="dim">Calibrated by hand.</p>}
      {t && t.before.length > 0 && <button class="quiet" onClick={() => takeOnsetBack()}>Take the last change back</button>}
      {a.from === 'm-mode' && <button class="quiet" onClick={wallsAnew}>Mark the walls anew</button>}
      {a.from === 'spectrum' && <button class="quiet" onClick={traceInstead}>Trace the spectrum instead</button>}
      {!a.accepted && !hasStrip() && <button onClick={startCalibration}>Calibrate by hand</button>}
    </>
  );
}

interface Frame { at: (q: Point) => Point; box: [number, number, number, number] }

/** Both onsets of a beat, with its number over them. */
function BeatMarks({ beat, i, from, f, quiet }: { beat: Beat; i: number; from?: string; f: Frame; quiet?: boolean }) {
  const [xa, top] = f.at([beat.atrial_x, f.box[1]]);
  const [xv, bottom] = f.at([beat.ventricular_x, f.box[3]]);
  const y = top + 22;
  return (
    <g class={`onsets${beat.used ? '' : ' left-out'}${quiet ? ' quiet' : ''}`} data-beat={i + 1}>
      <path class="halo" d={`M${xa} ${top}V${bottom}M${xv} ${top}V${bottom}M${xa} ${y}H${xv}`} />
      <path class="onset atrial" d={`M${xa} ${top}V${bottom}`} />
      <path class="onset ventricular" d={`M${xv} ${top}V${bottom}`} />
      <path class="onset" d={`M${xa} ${y}H${xv}`} />
      <text x={xa - 4} y={bottom - 6} text-anchor="end">{markLetter(from, 'atrial')}</text>
      <text x={xv + 4} y={bottom - 6}>{markLetter(from, 'ventricular')}</text>
      <text x={(xa + xv) / 2} y={y - 6} text-anchor="middle">{beat.used ? i + 1 : '×'}</text>
    </g>
  );
}

/** Onsets of accepted readings on this frame. */
export function AcceptedOnsets({ cell, rows }: { cell: Cell; rows: Row[] }) {
  const at = (q: Point) => toScreen(cell.view.value, q);
  return (
    <>
      {rows.map((r) => {
        const box = (r.evidence?.['region'] as { box?: [number, number, number, number] } | undefined)?.box;
        const beats = r.evidence?.['beats'] as Beat[] | undefined;
        if (r.evidence?.type !== AV || !box || !beats) return null;
        return <g key={r.id} class="accepted-onsets">{beats.map((b, i) => <BeatMarks key={i} beat={b} i={i} from={r.evidence?.['from'] as string} f={{ at, box }} quiet />)}</g>;
      })}
    </>
  );
}

const STEP = 0.25; // columns a key press
const GRIP = 9;    // CSS pixels on each side of a line that take it

export function TimingOverlay({ cell, p }: { cell: Cell; p: Proposal }) {
  const v = cell.view.value;
  const at = (q: Point) => toScreen(v, q);
  const live = useSignal<{ i: number; mark: OnsetMark; x: number } | undefined>(undefined);
  const band = useSignal<{ from: Point; to: Point } | undefined>(undefined);
  const held = useRef(false);
  const box = p.answer.box;
  if (!box) return null;
  const from = p.answer.from;
  const place = (e: PointerEvent): Point => {
    const r = (e.currentTarget as Element).closest('.cell')!.getBoundingClientRect();
    return toPicture(v, [e.clientX - r.left, e.clientY - r.top]);
  };
  const [x0, y0] = at([box[0] - 0.5, box[1] - 0.5]);
  const [x1, y1] = at([box[2] + 0.5, box[3] + 0.5]);
  const wall = wallToMark(p);
  const take = (e: PointerEvent) => { e.stopPropagation(); (e.currentTarget as Element).setPointerCapture(e.pointerId); held.current = true; };
  const rows = (b: readonly [number, number]) => { const [, a] = at([0, b[0] - 0.5]); const [, c] = at([0, b[1] + 0.5]); return { y: a, height: c - a }; };
  const walls = [...Object.entries(p.timing?.walls ?? {}) as [string, [number, number]][],
    ...(band.value && wall ? [[wall, [Math.min(band.value.from[1], band.value.to[1]), Math.max(band.value.from[1], band.value.to[1])]] as [string, [number, number]]] : [])];
  const beats = (p.timing?.beats ?? []).map((b, i) => (live.value?.i === i ? { ...b, [`${live.value.mark}_x`]: live.value.x } : b));
  const inBox = (x: number) => Math.min(box[2], Math.max(box[0], x));
  const grips = (i: number, mark: OnsetMark) => {
    const x = beats[i]![`${mark}_x`];
    const [sx] = at([x, 0]);
    return (
      <rect key={`${i}${mark}`} class="grip" data-beat={i + 1} data-mark={mark} x={sx - GRIP} y={y0 + 30} width={2 * GRIP} height={Math.max(0, y1 - y0 - 30)} tabindex={0} role="slider"
        aria-label={`${markName(from, mark)} of beat ${i + 1}`} aria-valuemin={box[0]} aria-valuemax={box[2]} aria-valuenow={x}
        onPointerDown={(e) => { if (e.button !== 0 || p.busy) return; take(e); live.value = { i, mark, x }; }}
        onPointerMove={(e) => { if (!held.current || live.value?.i !== i || live.value.mark !== mark) return; e.stopPropagation(); live.value = { i, mark, x: inBox(place(e)[0]) }; }}
        onPointerUp={(e) => { if (!held.current || !live.value) return; e.stopPropagation(); held.current = false; const to = live.value.x; live.value = undefined; moveOnset(i, mark, to); }}
        onPointerCancel={() => { held.current = false; live.value = undefined; }}
        onKeyDown={(e) => {
          const by = (e.key === 'ArrowLeft' ? -STEP : e.key === 'ArrowRight' ? STEP : 0) * (e.shiftKey ? 16 : 1);
          if (!by) return;
          e.preventDefault();
          e.stopPropagation();
          moveOnset(i, mark, inBox(x + by));
        }} />
    );
  };
  return (
    <g class="proposal-layer timing-layer">
      {p.answer.baseline_row !== undefined && <path class="baseline" d={`M${x0} ${at([0, p.answer.baseline_row])[1]}H${x1}`} />}
      {walls.map(([name, b]) => <rect key={name} class="wall" data-wall={name} x={x0} width={x1 - x0} {...rows(b)} />)}
      {p.timing!.edits.length > 0 && (p.answer.automatic_beats ?? []).map((b, i) => {
        const d = `M${at([b.atrial_x, 0])[0]} ${y0}V${y1}M${at([b.ventricular_x, 0])[0]} ${y0}V${y1}`;
        return <path key={i} class="automatic" d={d} />;
      })}
      {beats.map((b, i) => <BeatMarks key={i} beat={b} i={i} from={from} f={{ at, box }} />)}
      <rect class="catch" x={x0} y={y0} width={x1 - x0} height={y1 - y0}
        onPointerDown={(e) => { if (e.button !== 0) return; take(e); if (wall) { const q = place(e); band.value = { from: q, to: q }; } }}
        onPointerMove={(e) => { if (held.current && band.value) { e.stopPropagation(); band.value = { ...band.value, to: place(e) }; } }}
        onPointerUp={(e) => { e.stopPropagation(); held.current = false; const b = band.value; band.value = undefined; if (b) markWall(b.from, b.to); }}
        onPointerCancel={() => { held.current = false; band.value = undefined; }} />
      {!wall && beats.map((b, i) => {
        const [l] = at([b.atrial_x, 0]);
        const [r] = at([b.ventricular_x, 0]);
        return (
          <g key={i}>
            <rect class="leave" data-beat={i + 1} x={(l + r) / 2 - 14} y={y0} width="28" height="30" tabindex={0} role="button" aria-pressed={!b.used} aria-label={b.used ? `Leave beat ${i + 1} out` : `Take beat ${i + 1} in again`}
              onPointerDown={(e) => { e.stopPropagation(); leaveBeat(i); }}
              onKeyDown={(e) => { if (e.key === 'Enter' || e.key === ' ') { e.preventDefault(); e.stopPropagation(); leaveBeat(i); } }} />
            {grips(i, 'atrial')}{grips(i, 'ventricular')}
          </g>
        );
      })}
    </g>
  );
}
