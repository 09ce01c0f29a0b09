// Geometry over the picture, in screen space so that lines stay thin at any enlargement: the shape in the hand, the shapes
// of accepted rows on this frame, marks, and the regions when a tool is up.
import { facts, fetus, ledger, quantities } from '../model/exam';
import { differences } from '../model/second';
import type { Geometry, Mark, Point, Row } from '../model/types';
import type { Cell } from './cell';
import { freeResult, shapeOf } from './measuring';
import { bodyMarks, marksOn, removeMark } from './marks';
import { axesOf, pathOf } from './shape';
import { ProposeOverlay } from './ProposeOverlay';
import { AcceptedOnsets } from './ProposeTiming';
import { proposal } from './propose';
import { active } from './stage';
import { armed, covered, draft, tool, toolOf, unseen, type Draft } from './tools';
import { toScreen } from './view';
import { ask } from '../ui/dialog';

// Okabe-Ito colours; each row also has its own mark at its ends, so colour is never the only sign.
const inks = ['#56b4e9', '#e69f00', '#009e73', '#cc79a7', '#f0e442', '#d55e00'];
const ends = ['plus', 'cross', 'ring', 'square'] as const;

function End({ at, kind, big }: { at: Point; kind: (typeof ends)[number]; big?: boolean }) {
  const [x, y] = at;
  const r = big ? 9 : 6;
  const g = 2; // the pixel under the point stays visible
  const d = kind === 'plus' ? `M${x - r} ${y}H${x - g}M${x + g} ${y}H${x + r}M${x} ${y - r}V${y - g}M${x} ${y + g}V${y + r}`
    : kind === 'cross' ? `M${x - r * 0.8} ${y - r * 0.8}L${x - g} ${y - g}M${x + g} ${y + g}L${x + r * 0.8} ${y + r * 0.8}M${x - r * 0.8} ${y + r * 0.8}L${x - g} ${y + g}M${x + g} ${y - g}L${x + r * 0.8} ${y - r * 0.8}`
    : kind === 'ring' ? `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`
    : `M${x - r + 1} ${y - r + 1}h${2 * r - 2}v${2 * r - 2}h${-2 * r + 2}z`;
  return <path class={big ? 'end big' : 'end'} d={d} />;
}

/** Highest (side -1) or lowest (side 1) point of a closed shape on the screen. */
function edgeOf(g: Geometry, at: (p: Point) => Point, side: 1 | -1): Point {
  const s = g.points.map(at);
  if (g.kind !== 'ellipse' || s.length !== 4) return s.reduce((best, p) => ((p[1] - best[1]) * side > 0 ? p : best));
  const c: Point = [(s[0]![0] + s[1]![0]) / 2, (s[0]![1] + s[1]![1]) / 2];
  const u: Point = [s[1]![0] - c[0], s[1]![1] - c[1]];
  const v: Point = [(s[3]![0] - s[2]![0]) / 2, (s[3]![1] - s[2]![1]) / 2];
  const h = Math.hypot(u[1], v[1]) || 1;
  return [c[0] + (side * (u[0] * u[1] + v[0] * v[1])) / h, c[1] + side * h];
}

function Shape({ g, at, ink, end, label, active: hot, thick, dashed }: { g: Geometry; at: (p: Point) => Point; ink: string; end: (typeof ends)[number]; label?: string; active?: number; thick?: boolean; dashed?: boolean }) {
  const path = pathOf(g, at);
  const s = g.points.map(at);
  const few = s.length <= 8;
  // An envelope carries its name above itself, at its right end: beside it there is no room.
  const curve = g.kind === 'trace' && s.length > 8;
  const ys = curve ? s.map((p) => p[1]) : [0];
  const [high, low] = [Math.min(...ys), Math.max(...ys)];
  const down = low + high > (2 * ys.reduce((sum, y) => sum + y, 0)) / ys.length; // its peaks point down: the name stands below them
  // A closed shape carries its name above, a line at its right end, so that names of one picture stay apart.
  const closed = g.kind === 'ellipse' || g.kind === 'outline';
  const top = closed ? edgeOf(g, at, dashed ? 1 : -1) : undefined; // a proposal's name stands below
  const spot = top ?? s.reduce((best, p) => (p[0] > best[0] ? p : best), s[0] ?? [0, 0]);
  return (
    <g style={{ color: ink }} class={`shape${thick ? ' thick' : ''}${dashed ? ' dashed' : ''}`}>
      <path class="halo" d={path} />
      <path class="line" d={path} />
      <path class="axes" d={axesOf(g, at)} />
      {few && s.map((p, i) => <End key={i} at={p} kind={end} big={hot === i} />)}
      {label && <text class="shape-label" x={closed ? spot[0] : curve ? spot[0] - 4 : spot[0] + 12} y={closed ? spot[1] + (dashed ? 24 : -12) : curve ? (down ? low + 26 : high - 14) : spot[1] + 5} text-anchor={closed ? 'middle' : curve ? 'end' : 'start'}>{label}</text>}
    </g>
  );
}

function Drafted({ d, cell, at }: { d: Draft; cell: Cell; at: (p: Point) => Point }) {
  if (d.geometry) return <Shape g={d.geometry} at={at} ink="#f0e442" end="plus" active={d.active} thick label={armed.value?.label} />;
  const points = d.hover ? [...d.points, d.hover] : d.points;
  if (d.tool === 'ellipse' && points.length < 3) return <Shape g={{ kind: 'distance', points }} at={at} ink="#f0e442" end="plus" thick />;
  if (d.tool === 'ellipse-points' && points.length < 5) return <Shape g={{ kind: 'point', points }} at={at} ink="#f0e442" end="plus" thick />;
  const g = shapeOf(d, cell, points) ?? { kind: toolOf(d.tool).kind ?? 'distance', points };
  return (
    <>
      <Shape g={d.tool === 'outline' || d.tool === 'trace' ? { ...g, kind: 'trace' } : g} at={at} ink="#f0e442" end="plus" thick />
      {d.tool === 'ellipse-points' && points.map((p, i) => <End key={i} at={at(p)} kind="ring" />)}
    </>
  );
}

function rowsHere(object: string, frame: number): { row: Row; g: Geometry; label: string }[] {
  const seen = new Map<string, { row: Row; g: Geometry; label: string }>();
  for (const r of ledger.value) {
    if (r.state === 'withdrawn' || r.state === 'superseded' || unseen.value.has(r.quantity)) continue;
    const own = r.object === object && (r.frame ?? 0) === frame ? r.evidence?.geometry : undefined;
    const image = r.evidence?.image;
    const g = own ?? (image?.object === object && (image.frame ?? 0) === frame ? image.geometry : undefined);
    if (!g?.points?.length) continue;
    const symbol = quantities.value.get(r.quantity)?.symbol ?? r.quantity;
    const key = JSON.stringify(g.points);
    const there = seen.get(key);
    if (there) { if (!there.label.split(' ').includes(symbol)) there.label += ` ${symbol}`; }
    else seen.set(key, { row: r, g, label: symbol });
  }
  return [...seen.values()];
}

/** Readings on this frame that are told by onsets, unless their picture is being read again. */
function onsetRows(object: string, frame: number): Row[] {
  if (proposal.value?.object === object) return [];
  return ledger.value.filter((r) => r.state === 'accepted' && r.object === object && (r.frame ?? 0) === frame && r.evidence?.type === 'av-interval' && !unseen.value.has(r.quantity));
}

/** What the program had traced where a person corrected it, beside the envelope that counts. */
function automaticCurves(object: string, frame: number): Geometry[] {
  if (proposal.value?.object === object) return [];
  const seen = new Map<string, Geometry>();
  for (const r of ledger.value) {
    const kept = r.evidence?.['proposal'] as { adjusted?: boolean; geometry?: Geometry } | undefined;
    if (r.state !== 'accepted' || r.object !== object || (r.frame ?? 0) !== frame || r.evidence?.type !== 'spectrum' || unseen.value.has(r.quantity)) continue;
    if (kept?.adjusted && kept.geometry?.points?.length) seen.set(JSON.stringify(kept.geometry.points), kept.geometry);
  }
  return [...seen.values()];
}

function valueText(label: string): string {
  return label.split(' ').map((symbol) => {
    const v = facts.value?.values?.find((x) => x.symbol === symbol && (x.fetus || 'A') === fetus.value);
    return v?.text && !covered.value.has(v.quantity) ? `${symbol} ${v.text}` : symbol;
  }).join('  ');
}

function MarkShape({ m, at }: { m: Mark; at: (p: Point) => Point }) {
  const p = m.data.points.map(at);
  const remove = async () => {
    if (await ask({ title: 'Remove this mark?', yes: 'Remove it', no: 'Keep it' }) !== undefined) await removeMark(m);
  };
  const common = { class: 'mark', tabindex: 0, role: 'button' as const, 'aria-label': `Mark: ${m.data.text ?? m.kind}. Enter removes it.`, onDblClick: remove,
    onKeyDown: (e: KeyboardEvent) => { if (e.key === 'Enter' || e.key === 'Delete') void remove(); } };
  if (m.kind === 'arrow' && p.length === 2) {
    const a = Math.atan2(p[1]![1] - p[0]![1], p[1]![0] - p[0]![0]);
    const head = (t: number) => `${p[1]![0] - 14 * Math.cos(a + t)} ${p[1]![1] - 14 * Math.sin(a + t)}`;
    const d = `M${p[0]![0]} ${p[0]![1]}L${p[1]![0]} ${p[1]![1]}M${head(0.45)}L${p[1]![0]} ${p[1]![1]}L${head(-0.45)}`;
    return <g {...common}><path class="halo" d={d} /><path class="line" d={d} /></g>;
  }
  if (m.kind === 'text') return <g {...common}><text class="mark-text" x={p[0]![0]} y={p[0]![1]}>{m.data.text}</text></g>;
  const b = bodyMarks[m.data.body ?? ''];
  return b ? <g {...common} transform={`translate(${p[0]![0] - 36} ${p[0]![1] - 36}) scale(1.5)`}><title>{b.name}</title><path class="body" d={b.path} /></g> : null;
}

export function Overlay({ cell, index }: { cell: Cell; index: number }) {
  const v = cell.view.value;
  const at = (p: Point) => toScreen(v, p);
  const object = cell.object.value;
  const frame = cell.frame.value;
  const d = draft.value;
  const free = freeResult.value;
  const measuring = toolOf(tool.value).kind && cell === active.value;
  return (
    <svg class="overlay" aria-hidden="false">
      {measuring && (cell.info.value?.regions ?? []).filter((r) => r.measurable[0] || r.measurable[1]).map((r, i) => {
        const a = at([r.box[0] - 0.5, r.box[1] - 0.5]);
        const b = at([r.box[2] + 0.5, r.box[3] + 0.5]);
        return <g key={i}><rect class="region" x={a[0]} y={a[1]} width={b[0] - a[0]} height={b[1] - a[1]} />
          {r.kind !== '2d' && <text class="region-label" x={a[0] + 6} y={a[1] + 16}>{r.kind}</text>}</g>;
      })}
      {object && rowsHere(object, frame).map(({ row, g, label }, i) => (
        <Shape key={row.id} g={g} at={at} ink={inks[i % inks.length]!} end={ends[i % ends.length]!} dashed={row.state === 'proposed'} label={row.state === 'proposed' ? `${label} ?` : valueText(label)} />
      ))}
      {object && automaticCurves(object, frame).map((g, i) => <g key={i} class="second-reading automatic-curve"><path class="automatic" d={pathOf(g, at)} /><title>The automatic curve, before it was corrected by hand</title></g>)}
      {object && <AcceptedOnsets cell={cell} rows={onsetRows(object, frame)} />}
      {object && differences.value.filter((x) => x.object === object && x.frame === frame && x.second_geometry && !covered.value.has(x.quantity)).map((x) => (
        <g key={x.measurement} class="second-reading"><path class="automatic" d={pathOf(x.second_geometry!, at)} /><title>{x.text}</title></g>
      ))}
      {object && marksOn(object, frame).map((m) => <MarkShape key={m.id} m={m} at={at} />)}
      {free && free.object === object && free.frame === frame && <Shape g={free.geometry} at={at} ink="#f0e442" end="ring" label={free.text} thick />}
      <ProposeOverlay cell={cell} index={index} />
      {d && d.cell === index && d.object === object && <Drafted d={d} cell={cell} at={at} />}
    </svg>
  );
}
