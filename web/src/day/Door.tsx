// The door: a folder or files from a scanner are dropped here, sent one by one, and read together.
import { signal } from '@preact/signals';
import { send, who } from '../api';
import { newKey } from '../model/words';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';

interface Line { file?: string; result?: string; why?: string; code?: string }
interface Result { import?: { counts?: { added?: number; present?: number; conflict?: number; refused?: number; measurements?: number }; files?: Line[]; error?: { what?: string } }; status: number }
const progress = signal<{ sent: number; all: number; reading: boolean } | undefined>(undefined);
const over = signal(false);

async function filesOf(entry: FileSystemEntry): Promise<File[]> {
  if (entry.isFile) return [await new Promise<File>((y, n) => (entry as FileSystemFileEntry).file(y, n))];
  const reader = (entry as FileSystemDirectoryEntry).createReader();
  const out: File[] = [];
  for (;;) { // a folder is given in pieces of a hundred
    const part = await new Promise<FileSystemEntry[]>((y, n) => reader.readEntries(y, n));
    if (!part.length) return out;
    for (const e of part) out.push(...await filesOf(e));
  }
}

function summary(r: Result): string {
  const c = r.import?.counts ?? {};
  const n = (k: number | undefined, text: string) => (k ? `${k} ${text}` : '');
  return [`${c.added ?? 0} ${c.added === 1 ? 'object' : 'objects'} added`, n(c.present, 'known already'), n(c.measurements, 'readings from the scanner’s report'),
    n(c.conflict, 'kept beside another version'), n(c.refused, 'not taken')].filter(Boolean).join(', ');
}

async function take(files: File[], done: () => void): Promise<void> {
  if (!files.length || progress.value) return;
  if (!who.value && !await askName()) return;
  const batch = newKey();
  progress.value = { sent: 0, all: files.length, reading: false };
  try {
    let n = 0;
    for (const f of files) {
      await send('POST', `/api/imports/${batch}/files?n=${n++}&name=${encodeURIComponent(f.name)}`, f);
      progress.value = { sent: n, all: files.length, reading: false };
    }
    progress.value = { sent: n, all: files.length, reading: true };
    const r = await send<Result>('POST', `/api/imports/${batch}`, {});
    const text = summary(r);
    const bad = refusals(r, files);
    if (bad) trouble(new Error(`${text}. ${bad}`));
    else tell(`${text}.`);
    done();
  } catch (e) {
    trouble(e);
  } finally {
    progress.value = undefined;
  }
}

/** The files that were not taken, by the names they had here, with the reason. */
function refusals(r: Result, files: File[]): string {
  const bad = (r.import?.files ?? []).filter((f) => f.result === 'refused');
  const name = (f: Line) => files[Number(/(\d+)$/.exec(f.file ?? '')?.[1] ?? -1)]?.name ?? 'a file';
  const text = bad.slice(0, 3).map((f) => `${name(f)}: ${(f.why ?? 'not readable').replace(/^.*incoming\/\S+?:? /, '')}`).join(' · ');
  return text + (bad.length > 3 ? ` · and ${bad.length - 3} more` : '') || r.import?.error?.what || '';
}

export function Door({ done }: { done: () => void }) {
  const p = progress.value;
  return (
    <section class={`door ${over.value ? 'over' : ''}`} aria-label="Take in a folder"
      onDragOver={(e) => { e.preventDefault(); over.value = true; }} onDragLeave={() => { over.value = false; }}
      onDrop={async (e) => {
        e.preventDefault();
        over.value = false;
        const entries = [...(e.dataTransfer?.items ?? [])].map((i) => i.webkitGetAsEntry()).filter((x): x is FileSystemEntry => x !== null);
        const loose = [...(e.dataTransfer?.files ?? [])];
        try {
          const files = entries.length ? (await Promise.all(entries.map(filesOf))).flat() : loose;
          await take(files, done);
        } catch (x) { trouble(x); }
      }}>
      {p ? (
        <p role="status"><b>{p.reading ? 'Reading and storing…' : `Sending ${p.sent} of ${p.all}`}</b> <progress max={p.all} value={p.sent} /></p>
      ) : (
        <>
          <p><b>Drop a scanner’s export here</b> <span class="dim">a folder or files; nothing leaves this machine</span></p>
          <label class="button">Choose a folder<input class="sr" type="file" multiple {...{ webkitdirectory: true }} onChange={(e) => { void take([...(e.currentTarget.files ?? [])], done); e.currentTarget.value = ''; }} /></label>
          <label class="button">Choose files<input class="sr" type="file" multiple onChange={(e) => { void take([...(e.currentTarget.files ?? [])], done); e.currentTarget.value = ''; }} /></label>
        </>
      )}
    </section>
  );
}

