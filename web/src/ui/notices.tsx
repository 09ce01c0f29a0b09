// Short notices, read out by screen readers too. Trouble stays until it is put away. Any other goes by itself, but never while a
// person is at it: the keyboard's focus or the pointer on one of its buttons holds it (WCAG 2.2, 2.2.1 Timing Adjustable).
import { signal } from '@preact/signals';
import { useEffect, useState } from 'preact/hooks';
import { sentence } from '../api';

interface Notice { id: number; kind: 'done' | 'trouble'; text: string; action?: { label: string; run: () => void } }
const notices = signal<Notice[]>([]);
let next = 1;

export function tell(text: string, action?: Notice['action']): void {
  notices.value = [...notices.value.slice(-2), { id: next++, kind: 'done', text, action }];
}

export function trouble(e: unknown, action?: Notice['action']): void {
  const text = sentence(e);
  if (notices.value.some((n) => n.text === text)) return;
  notices.value = [...notices.value.slice(-2), { id: next++, kind: 'trouble', text, action }];
}

export function putAway(id: number): void {
  notices.value = notices.value.filter((n) => n.id !== id);
}

export function putAllAway(): boolean {
  const any = notices.value.length > 0;
  notices.value = [];
  return any;
}

function One({ n }: { n: Notice }) {
  const [focus, setFocus] = useState(false);
  const [pointer, setPointer] = useState(false);
  const stays = n.kind === 'trouble' || focus || pointer;
  useEffect(() => { // let go, it stays its whole time again
    if (stays) return;
    const t = setTimeout(() => putAway(n.id), n.action ? 9000 : 5000);
    return () => clearTimeout(t);
  }, [stays]);
  return (
    <div class={`notice ${n.kind}`} onFocusIn={() => setFocus(true)} onFocusOut={() => setFocus(false)} onPointerEnter={() => setPointer(true)} onPointerLeave={() => setPointer(false)}>
      <span class="glyph" aria-hidden="true">{n.kind === 'trouble' ? '!' : '✓'}</span>
      <p>{n.text}</p>
      {n.action && <button onClick={() => { n.action!.run(); putAway(n.id); }}>{n.action.label}</button>}
      <button class="quiet" aria-label="Put the notice away" onClick={() => putAway(n.id)}>×</button>
    </div>
  );
}

export function Notices() {
  return (
    <div class="notices" aria-live="polite" role="status">
      {notices.value.map((n) => <One key={n.id} n={n} />)}
    </div>
  );
}
