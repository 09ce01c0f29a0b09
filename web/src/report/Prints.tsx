// Prints: which pages to put on paper, how they look, and the printer. What is shown on the left is what the printer gets.
import { computed, signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get, send, who } from '../api';
import { answer, examId, reload } from '../model/exam';
import { dateText, timeText } from '../model/words';
import { ask } from '../ui/dialog';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { loadSigning, signing } from './draft';
import { more } from './facts';

export type Kind = 'report' | 'contact' | 'parents';
export const kind = signal<Kind>('report');
export const kindNames: Record<Kind, string> = { report: 'Report', contact: 'Contact sheet', parents: 'Parents’ page' };

interface Wish { columns: number; rows: number; landscape: boolean; anonymous: boolean; marks: boolean; which: 'report' | 'favourites' | 'all'; message: string; captions: Record<string, string> }
const plain: Wish = { columns: 0, rows: 0, landscape: false, anonymous: false, marks: false, which: 'report', message: '', captions: {} };
const wishes = signal<Record<Kind, Wish>>({ report: plain, contact: plain, parents: { ...plain, which: 'favourites' } });
export const wish = computed(() => wishes.value[kind.value]);
function set(change: Partial<Wish>): void { wishes.value = { ...wishes.value, [kind.value]: { ...wish.value, ...change } }; }

interface Favoured { id: string; favourite?: boolean; removed?: unknown }
const favourites = computed(() => new Set(((answer.value?.exam.objects ?? []) as unknown as Favoured[]).filter((o) => o.favourite && !o.removed).map((o) => o.id)));

/** The pictures asked for by name; undefined where the report's own choice serves. */
const objects = computed<string[] | undefined>(() => {
  const list = more.value.pictures ?? [];
  const first = [...list.filter((p) => favourites.value.has(p.object)), ...list.filter((p) => !favourites.value.has(p.object))];
  if (wish.value.which === 'all') return first.map((p) => p.object);
  if (wish.value.which === 'favourites' && favourites.value.size) return first.filter((p) => favourites.value.has(p.object)).map((p) => p.object);
  return undefined;
});

/** The same wish as members of an address. */
const query = computed(() => {
  const w = wish.value;
  const q = new URLSearchParams();
  if (w.columns && w.rows) { q.set('columns', String(w.columns)); q.set('rows', String(w.rows)); }
  for (const k of ['landscape', 'anonymous', 'marks'] as const) if (w[k]) q.set(k, '1');
  if (objects.value) q.set('objects', objects.value.join(','));
  if (kind.value === 'parents') {
    if (w.message) q.set('message', w.message);
    if (Object.keys(w.captions).length) q.set('captions', JSON.stringify(w.captions));
  }
  return q.toString();
});

interface Looked { object: string; caption: string; words?: string; covered?: number; marks?: boolean; flow?: boolean; out?: string | null }
interface Look { pages: number; columns: number; rows: number; pictures: Looked[] }
const look = signal<{ of: string; look?: Look; failed?: string } | undefined>(undefined);
/** What the look belongs to: the exam with its last change, the kind, the wish. */
const subject = computed(() => `${examId.value} ${answer.value?.exam['last_seq'] ?? ''} ${kind.value} ${query.value}`);

let asking: AbortController | undefined;
async function loadLook(of: string): Promise<void> {
  asking?.abort();
  asking = new AbortController();
  try {
    look.value = { of, look: await get<Look>(`/api/exams/${examId.value}/prints/${kind.value}?${query.value}`, asking.signal) };
  } catch (e) {
    if (e instanceof DOMException && e.name === 'AbortError') return;
    look.value = { of, failed: e instanceof Error ? e.message : String(e) };
  }
}

/** The pages on the left, as they will print. */
export function PrintPages() {
  const of = subject.value;
  useEffect(() => { void loadLook(of); }, [of]);
  const l = look.value;
  if (l?.of === of && l.failed) return <div class="pages"><p class="dim pad">{l.failed}.</p></div>;
  const n = l?.look?.pages ?? 0;
  const landscape = wish.value.landscape;
  return (
    <div class="pages" aria-label="Pages" data-settled={l?.of === of ? `${kind.value}?${query.value}` : ''}>
      {Array.from({ length: n }, (_, i) => {
        const src = `/api/exams/${examId.value}/prints/${kind.value}/${i + 1}.png?width=1000&${query.value}&n=${encodeURIComponent(String(answer.value?.exam['last_seq'] ?? ''))}`;
        return <img key={src} class={`page ${landscape ? 'wide' : ''}`} src={src} alt={`${kindNames[kind.value]}, page ${i + 1} of ${n}`} width={landscape ? 1414 : 1000} height={landscape ? 1000 : 1414} />;
      })}
    </div>
  );
}

export const pdfAddress = computed(() => `/api/exams/${examId.value}/${kind.value}.pdf?${query.value}`);

/* Columns by rows as a little sheet to point at; the keyboard has the same buttons. */
function Grid({ most }: { most: [number, number] }) {
  const w = wish.value;
  const now = look.value?.look;
  return (
    <fieldset class="grid-choice"><legend>Pictures a page</legend>
      <button type="button" aria-pressed={!w.columns} onClick={() => set({ columns: 0, rows: 0 })}>As fits{!w.columns && now ? `: ${now.columns} × ${now.rows}` : ''}</button>
      <div class="grid-cells" style={{ gridTemplateColumns: `repeat(${most[0]}, 34px)` }}>
        {Array.from({ length: most[0] * most[1] }, (_, i) => {
          const c = i % most[0] + 1, r = Math.floor(i / most[0]) + 1;
          return <button type="button" key={i} class={w.columns && c <= w.columns && r <= w.rows ? 'in' : ''} aria-pressed={w.columns === c && w.rows === r} aria-label={`${c} across, ${r} down`} title={`${c} × ${r}`} onClick={() => set({ columns: c, rows: r })} />;
        })}
      </div>
      {w.columns > 0 && <span class="dim">{w.columns} across, {w.rows} down</span>}
    </fieldset>
  );
}

function note(p: Looked): string {
  if (p.out) return p.out;
  const said = [];
  if (p.covered) said.push(`writing covered in ${p.covered} place${p.covered === 1 ? '' : 's'}`);
  if (p.marks) said.push('coloured marks of the scanner lie on it and stay');
  if (p.flow) said.push('coloured writing cannot be told from flow');
  return said.join('; ');
}

/** What a person has to look at before pictures leave the clinic. */
function Looking() {
  const parents = kind.value === 'parents';
  if (!parents && !wish.value.anonymous) return null;
  const list = look.value?.look?.pictures ?? [];
  return (
    <div class="looking">
      <p class="warn" role="note">Look at every picture: what the scanner wrote into it is covered where it was found. Single letters, writing as dark as the tissue and drawn marks are not found.</p>
      <ul>{list.map((p) => (
        <li key={p.object} class={p.out ? 'out' : ''} data-print-picture={p.object}>
          <img src={`/api/objects/${p.object}/thumb?width=96&frame=${more.value.pictures?.find((x) => x.object === p.object)?.frame ?? 0}`} alt="" />
          <span>{parents ? <label>Caption<input value={wish.value.captions[p.object] ?? p.words ?? ''} maxLength={60} onChange={(e) => { const captions = { ...wish.value.captions }; const v = e.currentTarget.value.trim(); if (v) captions[p.object] = v; else delete captions[p.object]; set({ captions }); }} /></label> : p.caption}
            {note(p) && <small>{note(p)}</small>}</span>
        </li>))}</ul>
    </div>
  );
}

function Choices() {
  const w = wish.value;
  if (kind.value === 'report') return null;
  const parents = kind.value === 'parents';
  return (
    <section class="panel stack" aria-label="Sheet">
      <h2>{kindNames[kind.value]}</h2>
      <label>Which pictures<select value={w.which} onChange={(e) => set({ which: e.currentTarget.value as Wish['which'] })}>
        <option value="favourites">{favourites.value.size ? `Favourites (${favourites.value.size})` : parents ? 'Plain pictures, as there are no favourites' : 'Favourites: none yet'}</option>
        {!parents && <option value="report">Those of the report</option>}
        <option value="all">All</option></select></label>
      <Grid most={parents ? [2, 3] : [4, 6]} />
      <div class="switches">
        <label class="switch"><input type="checkbox" checked={w.landscape} onChange={(e) => set({ landscape: e.currentTarget.checked })} />Landscape</label>
        {!parents && <label class="switch"><input type="checkbox" checked={!w.anonymous} onChange={(e) => set({ anonymous: !e.currentTarget.checked })} />With name and date</label>}
        {!parents && !w.anonymous && <label class="switch"><input type="checkbox" checked={w.marks} onChange={(e) => set({ marks: e.currentTarget.checked })} />Calipers</label>}
      </div>
      {parents && <label>A line of your own<input value={w.message} maxLength={120} onChange={(e) => set({ message: e.currentTarget.value })} /></label>}
      <Looking />
    </section>
  );
}

// --- paper ---------------------------------------------------------------------------------------------------------
interface Printer { id: string; name: string; place: string; state: string; accepting: boolean; pdf: boolean; standard: boolean; reasons: string[]; papers: { id: string; name: string }[]; paper: string; two_sided: boolean }
const printers = signal<{ printers: Printer[]; trouble: string | null } | undefined>(undefined);
const paper = signal({ printer: '', paper: '', copies: 1, two_sided: false });
interface Job { job: number; printer: string; name: string; state: string; ended: boolean; words: string; reasons: string[] }
/** The job handed over from this page, followed until it ends. */
const job = signal<(Job & { exam: string }) | undefined>(undefined);
const busy = signal(false);

async function loadPrinters(): Promise<void> {
  try {
    const a = await get<{ printers: Printer[]; trouble: string | null }>('/api/printers');
    printers.value = a;
    if (!a.printers.some((p) => p.id === paper.value.printer)) paper.value = { ...paper.value, printer: (a.printers.find((p) => p.standard) ?? a.printers.find((p) => p.state !== 'unreachable') ?? a.printers[0])?.id ?? '', paper: '' };
  } catch (e) { trouble(e); }
}

async function follow(): Promise<void> {
  while (job.value && !job.value.ended) {
    const now = job.value;
    await new Promise((done) => setTimeout(done, 1500));
    try {
      const next = await get<Job>(`/api/exams/${now.exam}/print?job=${now.job}&printer=${encodeURIComponent(now.printer)}`);
      if (job.value?.job === now.job) job.value = { ...job.value, ...next };
    } catch (e) { trouble(e); return; }
  }
}

async function print(report: string): Promise<void> {
  if (!who.value && !await askName()) return;
  const parents = kind.value === 'parents';
  if (kind.value !== 'report' && (parents || wish.value.anonymous)) {
    const list = (look.value?.look?.pictures ?? []).filter((p) => p.marks || p.flow || p.out);
    if (await ask({ title: 'Have you looked at every picture?', yes: 'I have looked: print', no: 'Leave it',
      body: <div class="stack"><p>These pages leave the clinic{parents ? ' with the parents' : ' without a name'}. Numbers or names that the scanner wrote into a picture may still be seen.</p>{list.length > 0 && <ul class="changes">{list.map((p) => <li key={p.object}><b>{p.caption}</b>: {note(p)}</li>)}</ul>}</div> }) === undefined) return;
  }
  busy.value = true;
  try {
    const w = wish.value;
    const a = await send<{ job: Job }>('POST', `/api/exams/${examId.value}/print`, { ...paper.value, what: kind.value, report, columns: w.columns && w.rows ? w.columns : 0, rows: w.columns ? w.rows : 0, landscape: w.landscape, anonymous: w.anonymous, marks: w.marks, ...(objects.value && kind.value !== 'report' ? { objects: objects.value } : {}), message: w.message, captions: w.captions });
    job.value = { ...a.job, exam: examId.value };
    tell(`${a.job.name} has the ${kindNames[kind.value].toLowerCase()}.`);
    void follow();
    await reload();
    await loadSigning();
  } catch (e) { trouble(e); } finally { busy.value = false; }
}

async function takeBack(): Promise<void> {
  if (!job.value) return;
  try { await send('POST', `/api/exams/${job.value.exam}/print/cancel`, { printer: job.value.printer, job: job.value.job }); } catch (e) { trouble(e); }
}

interface Printed { seq: number; verb: string; who: string; when: string; detail: { what: string; name: string; copies: number } }
const printed = computed<Printed[]>(() => {
  const exam = (answer.value?.exam as unknown as { events?: Printed[] } | undefined)?.events ?? [];
  const reports = (signing.value?.reports ?? []).flatMap((r) => (r as unknown as { events?: Printed[] }).events ?? []);
  return [...exam, ...reports].filter((e) => e.verb === 'printed').sort((a, b) => b.seq - a.seq);
});

function Paper({ report, name }: { report: string; name: string }) {
  useEffect(() => { void loadPrinters(); }, []);
  const all = printers.value;
  const p = all?.printers.find((x) => x.id === paper.value.printer);
  const choose = (c: Partial<typeof paper.value>) => { paper.value = { ...paper.value, ...c }; };
  const a4 = p?.papers.find((x) => x.id.startsWith('iso_a4'))?.id;
  return (
    <section class="panel stack" aria-label="Paper">
      <h2>Paper</h2>
      {!all && <p class="dim">Asking for the printers…</p>}
      {all && !all.printers.length && <p role="note">No printer: {all.trouble ?? 'the print server of this machine has none'}. The PDF above can be saved and printed elsewhere.</p>}
      {p && <>
        <label>Printer<select value={p.id} onChange={(e) => choose({ printer: e.currentTarget.value, paper: '', two_sided: false })}>{all!.printers.map((x) => <option key={x.id} value={x.id}>{x.name}{x.place ? `, ${x.place}` : ''}</option>)}</select></label>
        {(p.state !== 'ready' || p.reasons.length > 0 || !p.accepting) && <p class="warn" role="note">{p.state === 'unreachable' ? p.reasons.join(', ') : [p.accepting ? p.state : 'takes no jobs', ...p.reasons].join(', ')}</p>}
        <div class="paper-row">
          <label>Copies<input type="number" min={1} max={50} value={paper.value.copies} onChange={(e) => choose({ copies: Math.min(50, Math.max(1, Number(e.currentTarget.value) || 1)) })} /></label>
          {p.papers.length > 0 && <label>Paper<select value={paper.value.paper || a4 || p.paper} onChange={(e) => choose({ paper: e.currentTarget.value })}>{p.papers.map((x) => <option key={x.id} value={x.id}>{x.name}</option>)}</select></label>}
        </div>
        {p.two_sided && <label class="switch"><input type="checkbox" checked={paper.value.two_sided} onChange={(e) => choose({ two_sided: e.currentTarget.checked })} />Both sides</label>}
        <button class="main" disabled={busy.value || !p.accepting || p.state === 'unreachable' || Boolean(look.value?.failed && kind.value !== 'report')} onClick={() => void print(report)}>Print {name}</button>
      </>}
      {job.value?.exam === examId.value && <p class={`job ${job.value.state}`} role="status" data-job={job.value.state}>Job {job.value.job} at {job.value.name} {job.value.words}{!job.value.ended && <button onClick={() => void takeBack()}>Take back</button>}</p>}
      {printed.value.length > 0 && <ul class="printed">{printed.value.slice(0, 6).map((e) => <li key={e.seq}>{kindNames[e.detail.what as Kind] ?? e.detail.what}{e.detail.copies > 1 ? ` × ${e.detail.copies}` : ''} to {e.detail.name}<small>{e.who}, {dateText(e.when)} {timeText(e.when.slice(11, 19).replace(/:/g, ''))} UTC</small></li>)}</ul>}
    </section>
  );
}

/** The side of the page that belongs to printing. report: id of the stored report that is shown, '' for the draft. */
export function Prints({ report, name }: { report: string; name: string }) {
  return <><Choices /><Paper report={kind.value === 'report' ? report : ''} name={kind.value === 'report' ? name : kind.value === 'contact' ? 'the contact sheet' : 'the parents’ page'} /></>;
}
