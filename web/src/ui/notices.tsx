// Short notices, read out by screen readers too. Trouble stays until it is put away.
import { signal } from '@preact/signals';
import { sentence } from '../api';

interface Notice { id: number; kind: 'done' | 'trouble'; text: string; action?: { label: string; run: () => void } }
const notices = signal<Notice[]>([]);
let next = 1;

export function tell(text: string, action?: Notice['action']): void {
  const n: Notice = { id: next++, kind: 'done', text, action };
  notices.value = [...notices.value.slice(-2), n];
  setTimeout(() => putAway(n.id), action ? 9000 : 5000);
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

export function Notices() {
  return (
    <div class="notices" aria-live="polite" role="status">
      {notices.value.map((n) => (
        <div key={n.id} class={`notice ${n.kind}`}>
          <span class="glyph" aria-hidden="true">{n.kind === 'trouble' ? '!' : '✓'}</span>
          <p>{n.text}</p>
          {n.action && <button onClick={() => { n.action!.run(); putAway(n.id); }}>{n.action.label}</button>}
          <button class="quiet" aria-label="Put the notice away" onClick={() => putAway(n.id)}>×</button>
        </div>
      ))}
    </div>
  );
}
