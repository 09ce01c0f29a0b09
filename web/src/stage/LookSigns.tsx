// What stands on the picture while display filters are on, the bar between stored and filtered, and the key that is held.
import { useEffect } from 'preact/hooks';
import type { Cell } from './cell';
import { before, divided, filters, forMeasuring, isOff, words } from './looks';

/** Says what is painted at this moment, not what was asked for: a picture may still be under way. */
export function ShownAs({ cell }: { cell: Cell }) {
  const p = cell.painted.value;
  if (!p || isOff(p.filters)) return null;
  const what = words(p.filters).join(', ');
  return (
    <span class={`shown-as filtered ${p.side}`} role="status" data-side={p.side}>
      {p.side === 'stored' && (forMeasuring.value && !before.value ? 'As stored while you measure: the filters set move edges' : 'As stored; the filters are set aside')}
      {p.side === 'filtered' && <><b>Filters on</b> {what}</>}
      {p.side === 'both' && <>Left as stored, right <b>filters on</b> {what}</>}
      {p.side !== 'stored' && p.quick && <span class="dim"> · compressed while playing</span>}
    </span>
  );
}

export function DividingBar({ cell }: { cell: Cell }) {
  const p = cell.painted.value;
  if (divided.value === undefined || !p || p.side !== 'both') return null;
  const at = divided.value;
  const put = (v: number) => { divided.value = Math.min(0.95, Math.max(0.05, v)); };
  const drag = (e: PointerEvent) => {
    const bar = e.currentTarget as HTMLElement;
    if (!bar.hasPointerCapture(e.pointerId)) return;
    const r = bar.parentElement!.getBoundingClientRect();
    put((e.clientX - r.left) / r.width);
  };
  const keys = (e: KeyboardEvent) => {
    const by = { ArrowLeft: -0.02, ArrowRight: 0.02 }[e.key];
    if (by === undefined) return;
    e.preventDefault();
    e.stopPropagation();
    put(at + by);
  };
  return (
    <button class="dividing-bar" role="slider" aria-label="Stored to the left, filtered to the right" aria-valuemin={5} aria-valuemax={95} aria-valuenow={Math.round(at * 100)}
      style={{ left: `${at * 100}%` }} onPointerDown={(e) => { e.stopPropagation(); e.currentTarget.setPointerCapture(e.pointerId); }} onPointerMove={drag} onKeyDown={keys} />
  );
}

const TAP_MS = 350;
let down = 0; // when the key went down; 0: it is up

/** Held, the key shows the stored picture for as long; tapped, it stays until the next tap. */
export function pressBefore(e: KeyboardEvent): boolean | void {
  if (isOff(filters.value)) return false;
  if (e.repeat || down) return;
  down = e.timeStamp;
  before.value = !before.value;
}

export function useBeforeKey(): void {
  useEffect(() => {
    const back = (held: boolean) => {
      if (down && held) before.value = !before.value;
      down = 0;
    };
    const up = (e: KeyboardEvent) => { if (e.key.toLowerCase() === 'z') back(e.timeStamp - down > TAP_MS); };
    const away = () => back(true);
    window.addEventListener('keyup', up);
    window.addEventListener('blur', away);
    return () => { window.removeEventListener('keyup', up); window.removeEventListener('blur', away); };
  }, []);
}
