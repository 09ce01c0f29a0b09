// Addresses of the page: / (day), /exam/ID, /protocols.
import { signal } from '@preact/signals';

export const path = signal(location.pathname);

export function go(to: string): void {
  if (to === path.value) return;
  history.pushState(null, '', to);
  path.value = location.pathname;
}

window.addEventListener('popstate', () => { path.value = location.pathname; });

/** For links: an ordinary click stays in the page, everything else is the browser's. */
export function follow(e: MouseEvent): void {
  if (e.button !== 0 || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey) return;
  e.preventDefault();
  go((e.currentTarget as HTMLAnchorElement).pathname);
}
