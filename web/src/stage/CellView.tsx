// One cell of the stage: the picture on a canvas, geometry over it, and the pointer.
import { useSignal, useSignalEffect } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { settings } from '../model/settings';
import type { Point } from '../model/types';
import type { Cell } from './cell';
import { addPoint, finishOpen, hover, moveActive, whyNot } from './measuring';
import { Overlay } from './Overlay';
import { moveAll, sub } from './shape';
import { activeIndex, layout, magnifier, watchPlaying } from './stage';
import { draft, tool, toolOf } from './tools';
import { toPicture, toScreen, zoomAt } from './view';
import { placeMark } from './placing';
import { asStored, divided, filters } from './looks';
import { paintCovers } from './covers';
import { TextSign } from './TextSign';
import { DividingBar, ShownAs } from './LookSigns';
import { Magnifier } from './Magnifier';

const GRAB = 16;      // CSS pixels round a handle that take it
const DRAG = 5;       // movement that makes a press a drag

interface Hand { id: number; start: Point; last: Point; moved: boolean; what: 'point' | 'handle' | 'whole' | 'pan' | 'window' | 'free' | 'none' }

function draw(canvas: HTMLCanvasElement, cell: Cell): void {
  const ctx = canvas.getContext('2d', { alpha: false });
  const layers = cell.layers();
  if (!ctx) return;
  const { width, height } = cell.size.value;
  const k = window.devicePixelRatio || 1;
  const w = Math.max(1, Math.round(width * k));
  const h = Math.max(1, Math.round(height * k));
  if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
  if (!layers) {
    if (cell.shown.value < 0) { ctx.fillStyle = '#000'; ctx.fillRect(0, 0, w, h); }
    return; // the last picture stays until the next one is there
  }
  const v = cell.view.value;
  ctx.setTransform(1, 0, 0, 1, 0, 0);
  ctx.fillStyle = '#000';
  ctx.fillRect(0, 0, w, h);
  ctx.setTransform(v.scale * k, 0, 0, v.scale * k, v.x * k, v.y * k);
  ctx.imageSmoothingEnabled = v.scale * k < 6;
  ctx.imageSmoothingQuality = cell.playing.value ? 'low' : 'high';
  if (layers.side !== 'filtered') ctx.drawImage(layers.stored!, 0, 0);
  if (layers.side !== 'stored') {
    ctx.save();
    if (layers.side === 'both') {
      ctx.setTransform(1, 0, 0, 1, 0, 0);
      ctx.beginPath();
      ctx.rect(w * (divided.value ?? 0), 0, w, h);
      ctx.clip();
      ctx.setTransform(v.scale * k, 0, 0, v.scale * k, v.x * k, v.y * k);
    }
    ctx.drawImage(layers.filtered!, 0, 0);
    ctx.restore();
  }
  paintCovers(ctx, cell);
  cell.shown.value = cell.frame.value;
  const was = cell.painted.peek();
  if (was?.side !== layers.side || was.filters !== layers.filters || was.quick !== layers.quick)
    cell.painted.value = layers.filters && { side: layers.side, filters: layers.filters, quick: layers.quick };
}

/** What the cell shows, on the element itself: written directly, so that a playing clip re-renders nothing else. */
function label(box: HTMLElement, cell: Cell): void {
  const v = cell.view.value;
  const d = box.dataset;
  d['frame'] = String(cell.frame.value);
  d['shown'] = String(cell.shown.value);
  d['scale'] = String(v.scale);
  d['x'] = String(v.x);
  d['y'] = String(v.y);
  const held = cell.held();
  d['ring'] = String(held.most);
  d['decoded'] = String(held.decoded);
  d['kept'] = String(held.kept);
  d['due'] = String(cell.play?.due ?? 0);
  d['late'] = String((cell.play?.due ?? 0) - (cell.play?.shown ?? 0));
}

export function CellView({ cell, index }: { cell: Cell; index: number }) {
  const box = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const hands = useRef(new Map<number, Hand>());
  const pinch = useRef<{ d: number; c: Point } | undefined>(undefined);
  const at = useSignal<Point | undefined>(undefined); // pointer, in CSS pixels of the cell

  useEffect(() => {
    const watch = new ResizeObserver(([e]) => {
      const { width, height } = e!.contentRect;
      cell.size.value = { width, height };
      if (cell.fitted.value) cell.fitView();
    });
    watch.observe(box.current!);
    return () => watch.disconnect();
  }, [cell]);
  useSignalEffect(() => {
    void cell.ready.value;
    void cell.info.value;
    void asStored.value;
    void divided.value;
    void cell.covered.value;
    if (canvas.current) draw(canvas.current, cell);
    if (box.current) label(box.current, cell);
  });
  useSignalEffect(() => { if (cell.playing.value) watchPlaying(); });
  useSignalEffect(() => {
    void filters.value;
    cell.relook();
  });
  useSignalEffect(() => {
    void asStored.value;
    void divided.value;
    cell.request(); // the other side may not be here yet
  });

  const place = (e: { clientX: number; clientY: number }): Point => {
    const r = box.current!.getBoundingClientRect();
    return [e.clientX - r.left, e.clientY - r.top];
  };
  const inPicture = (s: Point) => toPicture(cell.view.value, s);

  function handleNear(s: Point): number {
    const d = draft.value;
    if (!d?.geometry || d.cell !== index || d.geometry.points.length > 8) return -1;
    let best = -1;
    let far = GRAB;
    d.geometry.points.forEach((p, i) => {
      const q = toScreen(cell.view.value, p);
      const l = Math.hypot(q[0] - s[0], q[1] - s[1]);
      if (l < far) { far = l; best = i; }
    });
    return best;
  }

  function down(e: PointerEvent): void {
    if (e.target instanceof Element && e.target.closest('button')) return;
    activeIndex.value = index;
    box.current!.setPointerCapture(e.pointerId);
    const s = place(e);
    const hand: Hand = { id: e.pointerId, start: s, last: s, moved: false, what: 'none' };
    hands.current.set(e.pointerId, hand);
    if (hands.current.size === 2) { // a second finger: enlarge and move, whatever the tool
      for (const h of hands.current.values()) h.what = 'none';
      pinch.current = undefined;
      return;
    }
    if (e.button === 1 || (e.button === 2 && !e.shiftKey)) { hand.what = 'pan'; return; }
    if (e.button === 2) { hand.what = 'window'; return; }
    const near = handleNear(s);
    if (near >= 0) {
      draft.value = { ...draft.value!, active: near };
      hand.what = settings.value.clickOnly ? 'none' : 'handle';
      return;
    }
    if (tool.value === 'look') { hand.what = 'pan'; return; }
    if (draft.value?.geometry) { hand.what = 'whole'; return; }
    if (!cell.info.value?.picture) return;
    const t = toolOf(tool.value);
    hand.what = (t.kind === 'outline' || t.kind === 'trace') && !draft.value ? 'free' : 'point';
    if (!draft.value || hand.what === 'free') addOrMark(inPicture(s));
    else hand.what = 'point', addOrMark(inPicture(s));
  }

  function addOrMark(p: Point): void {
    if (tool.value === 'text' || tool.value === 'body') { placeMark(cell, p); return; }
    const why = whyNot(cell);
    if (why) return; // the sentence stands on the stage already
    addPoint(cell, p);
  }

  function pinching(): boolean {
    if (hands.current.size !== 2) return false;
    const [a, b] = [...hands.current.values()] as [Hand, Hand];
    const d = Math.hypot(a.last[0] - b.last[0], a.last[1] - b.last[1]) || 1;
    const c: Point = [(a.last[0] + b.last[0]) / 2, (a.last[1] + b.last[1]) / 2];
    const p = pinch.current;
    if (p) {
      const v = zoomAt(cell.view.value, p.c, d / p.d);
      cell.view.value = { ...v, x: v.x + c[0] - p.c[0], y: v.y + c[1] - p.c[1] };
      cell.fitted.value = false;
    }
    pinch.current = { d, c };
    return true;
  }

  function move(e: PointerEvent): void {
    const s = place(e);
    at.value = s;
    const hand = hands.current.get(e.pointerId);
    if (!hand) { hover(inPicture(s)); return; }
    const from = hand.last;
    hand.last = s;
    if (pinching()) return;
    if (!hand.moved && Math.hypot(s[0] - hand.start[0], s[1] - hand.start[1]) < DRAG) return;
    hand.moved = true;
    const v = cell.view.value;
    if (hand.what === 'pan') {
      cell.view.value = { ...v, x: v.x + s[0] - from[0], y: v.y + s[1] - from[1] };
      cell.fitted.value = false;
    } else if (hand.what === 'window') {
      const w = cell.window.value;
      cell.window.value = { slope: Math.min(8, Math.max(0.2, w.slope * Math.exp((s[0] - from[0]) / 200))), level: Math.min(255, Math.max(0, w.level + (s[1] - from[1]) / 2)) };
    } else if (hand.what === 'handle') {
      moveActive(inPicture(s));
    } else if (hand.what === 'whole' && draft.value?.geometry && !settings.value.clickOnly) {
      draft.value = { ...draft.value, geometry: moveAll(draft.value.geometry, sub(inPicture(s), inPicture(from))) };
    } else if (hand.what === 'free' && draft.value && !settings.value.clickOnly) {
      const last = draft.value.points[draft.value.points.length - 1]!;
      const p = inPicture(s);
      if (Math.hypot(p[0] - last[0], p[1] - last[1]) >= 1.5 / Math.max(1, v.scale)) addPoint(cell, p);
    } else {
      hover(inPicture(s));
    }
  }

  function up(e: PointerEvent): void {
    const hand = hands.current.get(e.pointerId);
    hands.current.delete(e.pointerId);
    if (hands.current.size < 2) pinch.current = undefined;
    if (!hand || !hand.moved || settings.value.clickOnly) return;
    const s = place(e);
    if (hand.what === 'point' && draft.value && !draft.value.geometry) addOrMark(inPicture(s)); // press, drag, release: two points
    if (hand.what === 'free' && toolOf(tool.value).kind) finishOpen();
  }

  function lost(e: PointerEvent): void {
    // The pointer was taken away (a call, a pulled pen): what was placed stays, nothing is added.
    hands.current.delete(e.pointerId);
    pinch.current = undefined;
  }

  function wheel(e: WheelEvent): void {
    e.preventDefault();
    cell.view.value = zoomAt(cell.view.value, place(e), Math.exp(-e.deltaY / 400));
    cell.fitted.value = false;
  }
  useEffect(() => {
    const b = box.current!;
    b.addEventListener('wheel', wheel, { passive: false });
    return () => b.removeEventListener('wheel', wheel);
  }, [cell]);

  const w = cell.window.value;
  const plain = w.slope === 1 && w.level === 128 && !settings.value.invert;
  const k = settings.value.invert ? -w.slope : w.slope;
  const intercept = (w.level / 255) * (1 - w.slope);
  const d = draft.value;
  const name = cell.object.value;
  const p = cell.info.value?.picture;
  return (
    <div
      ref={box} class={`cell ${index === activeIndex.value && layout.value > 1 ? 'active' : ''} tool-${toolOf(tool.value).kind ? 'place' : tool.value}`}
      onPointerDown={down} onPointerMove={move} onPointerUp={up} onPointerCancel={lost} onPointerLeave={() => { at.value = undefined; }}
      onDblClick={() => { if (tool.value === 'look') cell.fitView(); else finishOpen(); }}
      onContextMenu={(e) => e.preventDefault()}
      data-object={name}
      role="img" aria-label={p ? `Picture${p.frames > 1 ? `, clip of ${p.frames} frames` : ''}${p.view ? `, ${p.view}` : ''}` : 'Empty place on the stage'}
    >
      {!plain && (
        <svg class="filters" aria-hidden="true"><filter id={`window-${index}`} color-interpolation-filters="sRGB">
          <feComponentTransfer>
            {(['feFuncR', 'feFuncG', 'feFuncB'] as const).map((F) => <F key={F} type="linear" slope={k} intercept={settings.value.invert ? 1 - intercept : intercept} />)}
          </feComponentTransfer>
        </filter></svg>
      )}
      <canvas ref={canvas} style={{ filter: plain ? 'none' : `url(#window-${index})` }} />
      {!cell.playing.value && <Overlay cell={cell} index={index} />}
      {magnifier.value && at.value && <Magnifier cell={cell} at={at.value} source={canvas} />}
      {cell.trouble.value && <p class="stage-trouble" role="alert"><span aria-hidden="true">!</span>{cell.trouble.value}</p>}
      {!cell.trouble.value && name && p && toolOf(tool.value).kind && whyNot(cell) && <p class="stage-trouble"><span aria-hidden="true">!</span>{whyNot(cell)}</p>}
      {!name && <p class="stage-empty">Choose a picture from the strip below.</p>}
      {name && !p && !cell.trouble.value && <p class="stage-empty">…</p>}
      {d && d.cell === index && d.object !== name && <p class="stage-trouble">The shape in the hand belongs to another picture.</p>}
      {name && <DividingBar cell={cell} />}
      {name && <ShownAs cell={cell} />}
      {name && <TextSign cell={cell} />}
      {!plain && <span class="shown-as">Shown changed: {settings.value.invert ? 'inverted' : ''} {w.slope !== 1 || w.level !== 128 ? `window ×${w.slope.toFixed(2)}` : ''}</span>}
    </div>
  );
}

