// Colour in the hand, in words; its region on the picture; its curve under the clip.
import { useSignal } from '@preact/signals';
import { useRef } from 'preact/hooks';
import { blind } from '../model/settings';
import type { Point } from '../model/types';
import type { Cell } from './cell';
import { proposal, type Proposal } from './propose';
import { ALIASED_SAID, aliasedShare, drawnRegion } from './proposeFlow';
import { pathOf } from './shape';
import { active } from './stage';
import { toPicture, toScreen } from './view';

const percent = (v: number, digits = 0) => `${(100 * v).toFixed(digits)} %`;
const regionText = { person: 'in the region you drew', box: 'in the colour box', picture: 'in the whole picture' };

export function ColourBox({ p }: { p: Proposal }) {
  const a = p.answer;
  const c = a.colour;
  if (!a.accepted || !c) return <p><b>No colour reading</b><span class="dim">{a.reason}</span></p>;
  const strong = a.mean_magnitude ?? c.mean_magnitude;
  const end = a.bar_end_cm_s ?? p.barEnd;
  const aliased = aliasedShare(a);
  const left = a.frames_left_out ?? 0;
  return (
    <>
      <p><b>{c.kind === 'power' ? 'Power Doppler' : 'Colour Doppler'}</b><span class="dim">{regionText[a.by ?? 'picture']}. Draw round another region on the picture.</span></p>
      {p.shown ? (
        <ul class="proposed-values">
          <li data-colour="fraction"><span>Coloured</span><b>{percent(a.mean_fraction ?? c.colour_fraction, 1)}</b></li>
          <li data-colour="strength"><span>Strength</span><b>{percent(strong)}<small> of the bar</small></b></li>
          {c.towards_fraction !== null && c.kind === 'velocity' && <li><span>Towards</span><b>{percent(c.towards_fraction)}</b></li>}
          {end && c.kind === 'velocity' && <li data-colour="velocity"><span>Mean</span><b>{(strong * end).toFixed(1)} cm/s</b></li>}
          {a.pulsatility !== undefined && a.pulsatility !== null && <li data-colour="pulsatility"><span title="(highest − lowest) / mean of share × strength over the clip">Pulsation</span><b>{a.pulsatility.toFixed(2)}</b></li>}
        </ul>
      ) : <button class="quiet" onClick={() => { proposal.value = { ...p, shown: true }; }}>Show the values now</button>}
      {aliased >= ALIASED_SAID && <p class="dim" data-colour="aliased"><b>Aliasing:</b> {percent(aliased)} of the flow went round the end of the bar; its strength is not the velocity there.</p>}
      {left > 0 && <p class="dim" data-colour="flash">{left === 1 ? 'One frame' : `${left} frames`} with a flash of tissue movement left out.</p>}
      {a.bar_end_cm_s !== undefined && <p class="dim" data-colour="end">End of the bar {a.bar_end_cm_s.toFixed(0)} cm/s, stated by the picture itself.</p>}
      {c.kind === 'velocity' && a.bar_end_cm_s === undefined && (
        <label>End of the bar (cm/s)
          <input type="number" min="1" max="300" step="1" value={end ?? ''} onChange={(e) => { proposal.value = { ...p, barEnd: e.currentTarget.value === '' ? undefined : Number(e.currentTarget.value) }; }} />
        </label>
      )}
      {end && c.kind === 'velocity' && <p class="dim">Along the beam, not corrected for its angle; flow beyond the bar reads too slow.</p>}
    </>
  );
}

export function ColourOverlay({ cell, p }: { cell: Cell; p: Proposal }) {
  const v = cell.view.value;
  const at = (q: Point) => toScreen(v, q);
  const stroke = useRef<Point[] | undefined>(undefined);
  const live = useSignal<Point[]>([]);
  const place = (e: PointerEvent): Point => {
    const r = (e.currentTarget as Element).closest('.cell')!.getBoundingClientRect();
    return toPicture(v, [e.clientX - r.left, e.clientY - r.top]);
  };
  const size = cell.info.value?.picture;
  const [x0, y0] = at([-0.5, -0.5]);
  const [x1, y1] = at([(size?.columns ?? 0) - 0.5, (size?.rows ?? 0) - 0.5]);
  const [bx0, by0, bx1, by1] = p.answer.colour?.bar ?? [0, 0, -1, -1];
  const [u0, w0] = at([bx0! - 0.5, by0! - 0.5]);
  const [u1, w1] = at([bx1! + 0.5, by1! + 0.5]);
  const down = (e: PointerEvent) => {
    if (e.button !== 0 || p.busy) return;
    e.stopPropagation();
    (e.currentTarget as Element).setPointerCapture(e.pointerId);
    stroke.current = [place(e)];
    live.value = stroke.current;
  };
  const move = (e: PointerEvent) => {
    const s = stroke.current;
    if (!s) return;
    e.stopPropagation();
    const q = place(e);
    const last = s[s.length - 1]!;
    if (Math.hypot(q[0] - last[0], q[1] - last[1]) < 1.5) return;
    s.push(q);
    live.value = [...s];
  };
  const up = (e: PointerEvent) => {
    const s = stroke.current;
    if (!s) return;
    e.stopPropagation();
    stroke.current = undefined;
    live.value = [];
    drawnRegion(s);
  };
  return (
    <g class="proposal-layer colour-layer">
      {p.geometry && !live.value.length && <><path class="halo" d={pathOf(p.geometry, at)} /><path class="envelope" d={pathOf(p.geometry, at)} /></>}
      {u1 > u0 && <rect class="bar-read" x={u0 - 2} y={w0 - 2} width={u1 - u0 + 4} height={w1 - w0 + 4} />}
      {live.value.length > 1 && <path class="envelope" d={pathOf({ kind: 'outline', points: live.value }, at)} />}
      <rect class="catch" x={x0} y={y0} width={x1 - x0} height={y1 - y0} onPointerDown={down} onPointerMove={move} onPointerUp={up}
        onPointerCancel={() => { stroke.current = undefined; live.value = []; }} />
    </g>
  );
}

const W = 600;
const H = 64;

/** What pulses (share of the region times strength), frame by frame; a press goes to the frame. */
export function ColourCurve() {
  const p = proposal.value;
  const cell = active.value;
  const curve = p?.answer.curve;
  if (!curve?.length || p!.object !== cell.object.value) return null;
  const flow = curve.map((c) => c.colour_fraction * c.mean_magnitude);
  const most = Math.max(...flow.filter((_, i) => !curve[i]!.left_out), 1e-9);
  const last = Math.max(1, curve[curve.length - 1]!.frame);
  const x = (frame: number) => (frame / last) * W;
  const d = flow.map((f, i) => `${i ? 'L' : 'M'}${x(curve[i]!.frame).toFixed(1)} ${(H - 4 - Math.min(1, f / most) * (H - 10)).toFixed(1)}`).join('');
  const here = (e: MouseEvent) => {
    const r = (e.currentTarget as Element).getBoundingClientRect();
    const frame = ((e.clientX - r.left) / r.width) * last;
    const nearest = curve.reduce((best, c) => (Math.abs(c.frame - frame) < Math.abs(best - frame) ? c.frame : best), curve[0]!.frame);
    cell.pause();
    cell.go(nearest);
  };
  return (
    <div class="colour-curve">
      <span class="dim">Share × strength</span>
      <svg viewBox={`0 0 ${W} ${H}`} preserveAspectRatio="none" role="img" onClick={here}
        aria-label={`Flow in the region over ${curve.length} frames${blind.value && !p!.shown ? '' : `, from ${(Math.min(...flow) * 100).toFixed(1)} to ${(most * 100).toFixed(1)} %`}`}>
        <path class="baseline" d={`M0 ${H - 4}H${W}`} />
        <path class="flow" d={d} />
        {curve.filter((c) => c.left_out).map((c) => <path class="left-out" d={`M${x(c.frame)} 0V${H}`} />)}
        <path class="now" d={`M${x(cell.frame.value)} 0V${H}`} />
      </svg>
    </div>
  );
}
