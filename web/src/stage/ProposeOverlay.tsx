// The proposal on the picture: the envelope that counts, the automatic one dashed beside it, cycles, and the places where a
// press corrects the curve, marks a scale or shows a structure.
import { useSignal } from '@preact/signals';
import { useRef } from 'preact/hooks';
import type { Geometry, Point } from '../model/types';
import type { Cell } from './cell';
import { again, chooseCycle, drawOn, marking, markPoint, planeWords, proposal, propose, redrawn, releaseEdit } from './propose';
import { ColourOverlay } from './ProposeColour';
import { TimingOverlay } from './ProposeTiming';
import { AV } from './timing';
import { pathOf } from './shape';
import { toPicture, toScreen } from './view';

export function ProposeOverlay({ cell, index }: { cell: Cell; index: number }) {
  const p = proposal.value;
  const m = marking.value;
  const live = useSignal<Geometry | undefined>(undefined);
  const stroke = useRef<{ base: Geometry; rows: Map<number, number>; last: Point } | undefined>(undefined);
  if (!p || p.cell !== index || p.object !== cell.object.value || (p.frame !== cell.frame.value && p.answer.kind === 'spectrum')) return null;
  const v = cell.view.value;
  const at = (q: Point) => toScreen(v, q);
  const inPicture = (e: PointerEvent): Point => {
    const r = (e.currentTarget as Element).closest('.cell')!.getBoundingClientRect();
    return toPicture(v, [e.clientX - r.left, e.clientY - r.top]);
  };
  const size = cell.info.value?.picture;
  const a = p.answer;
  // A clip's heart rate may be found where the person shows the heart.
  const rate = a.kind === 'rate' && (size?.frames ?? 1) > 1;
  if (m || (!a.accepted && (planeWords.has(a.kind) || a.kind === 'none' || rate))) {
    const [x0, y0] = at([-0.5, -0.5]);
    const [x1, y1] = at([(size?.columns ?? 0) - 0.5, (size?.rows ?? 0) - 0.5]);
    return (
      <g class="proposal-layer">
        {a.geometry && a.geometry.points.length > 1 && <path class="automatic" d={pathOf(a.geometry, at)} />}
        {m?.points.map((q, i) => { const [x, y] = at(q); return <circle key={i} class="marked" cx={x} cy={y} r="6" />; })}
        <rect class="catch" x={x0} y={y0} width={x1 - x0} height={y1 - y0}
          onPointerDown={(e) => { if (e.button !== 0) return; e.stopPropagation(); if (m) void markPoint(inPicture(e)); else void propose(inPicture(e)); }} />
      </g>
    );
  }
  if (a.kind === AV) return p.frame === cell.frame.value ? <TimingOverlay cell={cell} p={p} /> : null;
  if (a.kind === 'colour') return <ColourOverlay cell={cell} p={p} />;
  if (a.clip && a.accepted) {
    const here = a.clip.accepted.find((f) => f.frame === cell.frame.value);
    if (!here) return null;
    const out = p.leftOut?.includes(here.frame);
    return (
      <g class="proposal-layer" data-read={here.frame}>
        {!out && <path class="halo" d={pathOf(here.geometry, at)} />}
        <path class={out ? 'automatic' : 'envelope'} d={pathOf(here.geometry, at)} />
        {here.geometry.kind === 'distance' && here.geometry.points.map((q, i) => { const [x, y] = at(q); return <circle key={i} class="marked" cx={x} cy={y} r="6" />; })}
      </g>
    );
  }
  if (a.kind === 'spectrum' && a.choose) return (
    <g class="proposal-layer">
      {a.choose.map((c, i) => {
        const [l, t] = at([c.box[0] - 0.5, c.box[1] - 0.5]);
        const [r, b] = at([c.box[2] + 0.5, c.box[3] + 0.5]);
        return (
          <g key={c.region} class="choose-spectrum">
            <rect x={l} y={t} width={r - l} height={b - t} />
            <text x={l + 10} y={t + 24}>{i + 1}</text>
            <rect class="catch" data-region={c.region} x={l} y={t} width={r - l} height={b - t} onPointerDown={(e) => { if (e.button !== 0) return; e.stopPropagation(); void again({ region: c.region }); }} />
          </g>
        );
      })}
    </g>
  );
  if (a.kind !== 'spectrum' || !a.box) return null;
  const box = a.box;
  const shown = live.value ?? p.geometry;
  const [x0, y0] = at([box[0] - 0.5, box[1] - 0.5]);
  const [x1, y1] = at([box[2] + 0.5, box[3] + 0.5]);
  const inBox = (q: Point): Point => [Math.min(box[2], Math.max(box[0], q[0])), q[1]];
  const down = (e: PointerEvent) => {
    if (e.button !== 0 || p.busy) return;
    e.stopPropagation();
    (e.currentTarget as Element).setPointerCapture(e.pointerId);
    const q = inBox(inPicture(e));
    const rows = new Map<number, number>();
    stroke.current = { base: p.geometry ?? { kind: 'trace', points: [] }, rows, last: q };
    drawOn(rows, undefined, q);
    live.value = redrawn(stroke.current.base, rows, box);
  };
  const move = (e: PointerEvent) => {
    const s = stroke.current;
    if (!s) return;
    e.stopPropagation();
    const q = inBox(inPicture(e));
    drawOn(s.rows, s.last, q);
    s.last = q;
    live.value = redrawn(s.base, s.rows, box);
  };
  const up = (e: PointerEvent) => {
    const s = stroke.current;
    if (!s) return;
    e.stopPropagation();
    stroke.current = undefined;
    const after = redrawn(s.base, s.rows, box);
    live.value = undefined;
    releaseEdit(s.base, after);
  };
  const lost = () => { stroke.current = undefined; live.value = undefined; };
  return (
    <g class="proposal-layer">
      {(a.cycles ?? []).map((c, i) => {
        const left = at([c.x0, box[1]]);
        const right = at([c.x1, box[3]]);
        return (
          <g key={i} class={c.used ? 'cycle' : 'cycle left-out'}>
            <path d={`M${left[0]} ${left[1]}V${right[1]}M${right[0]} ${left[1]}V${right[1]}`} />
            <text x={(left[0] + right[0]) / 2} y={right[1] - 6} text-anchor="middle">{c.used ? i + 1 : '×'}<title>{c.why}</title></text>
          </g>
        );
      })}
      {a.baseline_row !== undefined && <path class="baseline" d={`M${x0} ${at([0, a.baseline_row])[1]}H${x1}`} />}
      {a.automatic && (p.edits.length > 0 || p.from) && <path class="automatic" d={pathOf(a.automatic, at)} />}
      {shown && shown.points.length > 1 && <><path class="halo" d={pathOf(shown, at)} /><path class="envelope" d={pathOf(shown, at)} /></>}
      <rect class="catch" x={x0} y={y0} width={x1 - x0} height={y1 - y0} onPointerDown={down} onPointerMove={move} onPointerUp={up} onPointerCancel={lost} />
      {(a.cycles ?? []).map((c, i) => {
        const middle = (c.x0 + c.x1) / 2;
        const [x, y] = at([middle, box[3]]);
        const choose = () => chooseCycle(middle, !c.used);
        return <rect key={i} class="choose-cycle" data-cycle={i} data-used={c.used ? 'yes' : 'no'} x={x - 22} y={y - 30} width="44" height="30" role="button" tabindex={0}
          aria-label={`Cycle ${i + 1}${c.used ? ': leave it out' : `, left out${c.why ? ` (${c.why})` : ''}: take it in`}`}
          onPointerDown={(e) => { if (e.button !== 0) return; e.stopPropagation(); e.preventDefault(); choose(); }} onMouseDown={(e) => e.preventDefault() /* the focus stays: Enter accepts */}
          onKeyDown={(e) => { if (e.key === 'Enter' || e.key === ' ') { e.preventDefault(); e.stopPropagation(); choose(); } }}><title>{c.used ? 'Leave this cycle out' : `${c.why || 'left out'}; press to take it in`}</title></rect>;
      })}
    </g>
  );
}
