// Sentences of the report. A number in one is a field: it can be moved or taken out, but it follows the ledger.
import { useLayoutEffect, useRef, useState } from 'preact/hooks';
import { saveEdits, signing } from './draft';
import { more, type Sentence } from './facts';

function print(v: unknown): string { return typeof v === 'number' ? String(v) : typeof v === 'string' ? v : ''; }

/** Text with {fields} as nodes; a field is a box that cannot be typed into. */
function fill(box: HTMLElement, template: string, values: Record<string, unknown>): void {
  box.replaceChildren();
  for (const part of template.split(/(\{[^{}]+\})/)) {
    const m = /^\{([^{}]+)\}$/.exec(part);
    if (!m) { if (part) box.append(part); continue; }
    const chip = document.createElement('span');
    chip.className = 'field';
    chip.contentEditable = 'false';
    chip.dataset['field'] = m[1]!;
    chip.textContent = print(values[m[1]!]) || (m[1] === 'who' ? '' : `{${m[1]}}`);
    chip.hidden = m[1] === 'who' && !chip.textContent;
    chip.title = 'Follows the ledger';
    box.append(chip);
  }
}

function read(box: HTMLElement): string {
  let out = '';
  for (const n of box.childNodes) out += n instanceof HTMLElement && n.dataset['field'] ? `{${n.dataset['field']}}` : n.textContent ?? '';
  return out.replace(/\s+/g, ' ').trim();
}

function Editor({ s, done }: { s: Sentence; done: () => void }) {
  const box = useRef<HTMLDivElement>(null);
  const [seen] = useState(() => signing.value?.draft); // the words were read in this draft, whatever was stored since
  useLayoutEffect(() => { fill(box.current!, s.editable, s.values); box.current!.focus(); }, []);
  return (
    <div class="editing">
      <div class="editor" role="textbox" aria-multiline="true" aria-label="Sentence" contentEditable ref={box} onKeyDown={(e) => { if (e.key === 'Enter') e.preventDefault(); if (e.key === 'Escape') done(); e.stopPropagation(); }} />
      <div class="answers">
        {s.edited !== undefined && s.part !== 'added' && <button onClick={async () => { if (await saveEdits((d) => { delete d.sentences?.[s.id]; })) done(); }}>As proposed</button>}
        <button onClick={done}>Leave it</button>
        <button class="main" onClick={async () => {
          const text = read(box.current!);
          const ok = await saveEdits((d) => {
            if (s.part === 'added') d.added = (d.added ?? []).map((a) => (a.id === s.id ? { id: s.id, text } : a)).filter((a) => a.text);
            else if (text && text !== s.editable) { d.sentences ??= {}; d.sentences[s.id] = { text }; }
          }, seen);
          if (ok) done();
        }}>Keep it</button>
      </div>
    </div>
  );
}

function One({ s }: { s: Sentence }) {
  const [open, setOpen] = useState(false);
  if (open) return <li><Editor s={s} done={() => setOpen(false)} /></li>;
  return (
    <li class="sentence" data-sentence={s.id}>
      <p dir="auto">{s.text}{s.edited !== undefined && <small> changed by {s.edited}</small>}{s.changes && <small>{s.changes}</small>}{s.rule?.citation && <small>{s.rule.title}. {s.rule.citation}</small>}</p>
      <span class="acts"><button onClick={() => setOpen(true)} aria-label={`Change: ${s.text}`}>Change</button>
        <button onClick={() => void saveEdits((d) => { if (s.part === 'added') d.added = (d.added ?? []).filter((a) => a.id !== s.id); else { d.sentences ??= {}; d.sentences[s.id] = { hidden: true }; } })} aria-label={`Leave out: ${s.text}`}>Leave out</button></span>
    </li>
  );
}

export function Sentences() {
  const [text, setText] = useState('');
  return (
    <section class="panel stack" aria-label="Sentences">
      <h2>Sentences</h2>
      <ul class="sentences">{(more.value.sentences ?? []).map((s) => <One key={s.id} s={s} />)}</ul>
      {(more.value.sentences_left_out ?? []).map((s) => <p key={s.id} class="dim left-out">Left out: <bdi>{s.text}</bdi> <button onClick={() => void saveEdits((d) => { delete d.sentences?.[s.id]; })}>Put it back</button></p>)}
      <form onSubmit={async (e) => { e.preventDefault(); const t = text.trim(); if (t && await saveEdits((d) => { d.added = [...(d.added ?? []), { id: `own-${Date.now().toString(36)}`, text: t }]; })) setText(''); }}>
        <label>A sentence of your own<textarea rows={2} maxLength={2000} value={text} onInput={(e) => setText(e.currentTarget.value)} placeholder="Values may be named: {A/hc}, {A/hc.centile}, {ga}" /></label>
        <button disabled={!text.trim()}>Add</button>
      </form>
    </section>
  );
}
