// What arrived at the door: still coming in, read, and the files that were not taken and why.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get } from '../api';
import { onChange } from '../live';
import { whenText } from '../model/words';
import { trouble } from '../ui/notices';

interface Receipt {
  batch: string; who: string; began: string; at: string; files: number; state: 'arriving' | 'reading' | 'done' | 'failed'; why?: string;
  counts?: { added?: number; present?: number; conflict?: number; refused?: number; skipped?: number }; refused?: { file: string; why: string }[];
}
const receipts = signal<Receipt[]>([]);

async function load(): Promise<void> {
  try { receipts.value = (await get<{ receipts: Receipt[] }>('/api/receipts')).receipts; } catch (e) { trouble(e); }
}

const stateText = { arriving: 'arriving', reading: 'being read', done: 'taken in', failed: 'not taken in' };
const sign = { arriving: '…', reading: '…', done: '✓', failed: '!' };

function Line({ r }: { r: Receipt }) {
  const c = r.counts ?? {};
  const n = (k: number | undefined, text: string) => (k ? `${k} ${text}` : '');
  const bad = (c.refused ?? 0) + (c.skipped ?? 0); // damaged, or no DICOM at all
  const text = r.state === 'done' ? [n(c.added, 'added') || 'nothing new', n(c.present, 'known already'), n(c.conflict, 'beside another version')].filter(Boolean).join(', ') : `${r.files} ${r.files === 1 ? 'file' : 'files'}${r.state === 'failed' ? '' : ' so far'}`;
  return (
    <li class={`receipt ${r.state}`} data-state={r.state}>
      <span class="receipt-sign" aria-hidden="true">{c.refused ? '!' : sign[r.state]}</span>
      <span><b>{whenText(r.at)}</b> {stateText[r.state]}: {text}{r.why ? `. ${r.why}` : ''}<small>{r.who}</small></span>
      {bad > 0 && (
        <details><summary>{bad} not taken</summary>
          <ul>{(r.refused ?? []).map((f, i) => <li key={i}><b>{f.file}</b>: {f.why.replace(/^.*incoming\/\S+?:? /, '')}</li>)}{bad > (r.refused?.length ?? 0) && <li>and {bad - (r.refused?.length ?? 0)} more</li>}</ul>
        </details>
      )}
    </li>
  );
}

export function Receipts() {
  useEffect(() => { void load(); return onChange((event) => { if (event === 'receipt' || event === 'back') void load(); }); }, []);
  const list = receipts.value;
  if (!list.length) return null;
  return (
    <section class="receipts" aria-label="Arrivals">
      <h2>Arrivals</h2>
      <ul>{list.slice(0, 4).map((r) => <Line key={r.batch} r={r} />)}</ul>
    </section>
  );
}
