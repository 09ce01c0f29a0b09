// The help sheet, written from the same list that the keys work from.
import { showSheet } from './dialog';
import { allKeys } from './keys';

const keyText = (k: string) => k.replace('ArrowLeft', '←').replace('ArrowRight', '→').replace('ArrowUp', '↑').replace('ArrowDown', '↓').replace(/^ $/, 'Space').replace('PageDown', 'Page ↓').replace('PageUp', 'Page ↑');
const shown = (k: string) => (k === ' ' ? 'Space' : k.length === 1 ? k.toUpperCase() : keyText(k).replace(/\+([a-z])$/, (_, c: string) => `+${c.toUpperCase()}`));

export function showHelp(): void {
  showSheet('Help', () => {
    const keys = allKeys();
    const groups = [...new Set(keys.map((k) => k.group))];
    return (
      <div class="help">
        <p>Choose a row of the ledger, place the geometry on the picture, accept. The value shows after you accept. A finger or pen works like the mouse; two fingers enlarge; the right button moves the picture.</p>
        <div class="help-groups">
          {groups.map((g) => (
            <section key={g}><h3>{g}</h3>
              <dl>{keys.filter((k) => k.group === g).map((k) => <div key={k.label}><dt>{k.keys.filter((x) => !/^(Shift|Alt)\+Arrow|^Shift\+[?0]|^Ctrl\+Shift/.test(x) || k.keys.length === 1).slice(0, 4).map((x) => <kbd key={x}>{shown(x)}</kbd>)}</dt><dd>{k.label}</dd></div>)}</dl>
            </section>
          ))}
        </div>
        <p class="dim">Ogive supports the judgement of qualified staff; local protocol and licensed practice decide. Not a certified medical device.</p>
      </div>
    );
  });
}
