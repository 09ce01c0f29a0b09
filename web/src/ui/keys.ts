// Keys: every action has one, and the help sheet is written from the same list.
import { dialogOpen } from './dialog';

export interface KeyAction {
  keys: string[];        // as in KeyboardEvent.key, with "Ctrl+", "Shift+", "Alt+" before; letters in lower case
  label: string;
  group: string;
  run: (e: KeyboardEvent) => boolean | void; // false: not mine now, try the next
}

const layers: KeyAction[][] = [];

export function addKeys(actions: KeyAction[]): () => void {
  layers.push(actions);
  return () => {
    const at = layers.indexOf(actions);
    if (at >= 0) layers.splice(at, 1);
  };
}

export function allKeys(): KeyAction[] { return layers.flat(); }

function nameOf(e: KeyboardEvent): string {
  const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
  const shift = e.shiftKey && (e.key.length > 1 || /[a-z]/i.test(e.key)) ? 'Shift+' : '';
  return `${e.ctrlKey || e.metaKey ? 'Ctrl+' : ''}${e.altKey ? 'Alt+' : ''}${shift}${key}`;
}

function typing(t: EventTarget | null): boolean {
  if (t instanceof HTMLInputElement) return !/^(range|checkbox|button|file)$/.test(t.type);
  return t instanceof HTMLElement && (t.isContentEditable || /^(TEXTAREA|SELECT)$/.test(t.tagName));
}

// Space and Enter belong to the focused button only when the keyboard brought the focus there: a thumb that was clicked
// must not swallow the key that accepts a shape or plays a clip.
let focusByKey = false;
window.addEventListener('pointerdown', () => { focusByKey = false; }, true);
window.addEventListener('keydown', (e) => { if (e.key === 'Tab') focusByKey = true; }, true);

window.addEventListener('keydown', (e) => {
  if (dialogOpen() || typing(e.target)) return;
  const name = nameOf(e);
  if ((name === ' ' || name === 'Enter') && focusByKey && e.target instanceof Element && e.target.closest('button,a,summary,[role="button"]')) return;
  for (let i = layers.length - 1; i >= 0; i--)
    for (const a of layers[i]!) {
      if (!a.keys.includes(name)) continue;
      if (a.run(e) !== false) {
        e.preventDefault();
        return;
      }
    }
});
