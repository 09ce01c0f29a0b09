// Questions that need an answer before going on: one at a time, in a native dialog (focus stays inside, Escape closes).
import { signal } from '@preact/signals';
import { useEffect, useRef, useState } from 'preact/hooks';
import type { ComponentChildren } from 'preact';

export interface Question {
  title: string;
  body?: ComponentChildren;
  field?: { label: string; value?: string; choices?: string[]; required?: boolean };
  yes: string;
  no?: string;
}
type Answer = string | undefined; // undefined: put away
const asked = signal<{ q: Question; done: (a: Answer) => void } | undefined>(undefined);

/** Resolves to the text of the field ('' without a field), or undefined when the question was put away. */
export function ask(q: Question): Promise<Answer> {
  asked.value?.done(undefined);
  return new Promise((resolve) => {
    asked.value = { q, done: (a) => { asked.value = undefined; resolve(a); } };
  });
}

let locked = false;
export function setLocked(on: boolean): void { locked = on; }

export function dialogOpen(): boolean { return locked || asked.value !== undefined || sheet.value !== undefined; }

function Asking({ q, done }: { q: Question; done: (a: Answer) => void }) {
  const ref = useRef<HTMLDialogElement>(null);
  const [text, setText] = useState(q.field?.value ?? '');
  useEffect(() => { ref.current?.showModal(); }, []);
  const missing = q.field?.required && !text.trim();
  return (
    <dialog ref={ref} onCancel={(e) => { e.preventDefault(); done(undefined); }} aria-label={q.title}>
      <form method="dialog" onSubmit={(e) => { e.preventDefault(); if (!missing) done(text.trim()); }}>
        <h2>{q.title}</h2>
        {q.body}
        {q.field?.choices && (
          <div class="choices">
            {q.field.choices.map((c) => (
              <button type="button" key={c} aria-pressed={text === c} onClick={() => setText(c)}>{c}</button>
            ))}
          </div>
        )}
        {q.field && (
          <label>{q.field.label}
            <input autofocus value={text} maxLength={200} onInput={(e) => setText(e.currentTarget.value)} />
          </label>
        )}
        <div class="answers">
          {q.no !== undefined && <button type="button" onClick={() => done(undefined)}>{q.no}</button>}
          <button class="main" disabled={missing}>{q.yes}</button>
        </div>
      </form>
    </dialog>
  );
}

const sheet = signal<{ title: string; body: () => ComponentChildren } | undefined>(undefined);
/** A sheet to read or work on, put away with Escape. */
export function showSheet(title: string, body: () => ComponentChildren): void { sheet.value = { title, body }; }
export function closeSheet(): void { sheet.value = undefined; }

function Sheet({ title, body }: { title: string; body: () => ComponentChildren }) {
  const ref = useRef<HTMLDialogElement>(null);
  useEffect(() => { ref.current?.showModal(); }, []);
  return (
    <dialog class="sheet" ref={ref} aria-label={title} onClose={closeSheet}>
      <header><h2>{title}</h2><button class="quiet" aria-label="Close" onClick={closeSheet}>×</button></header>
      <div class="sheet-body">{body()}</div>
    </dialog>
  );
}

export function Dialogs() {
  const a = asked.value;
  const s = sheet.value;
  return (
    <>
      {s && <Sheet key={s.title} {...s} />}
      {a && <Asking key={a.q.title} q={a.q} done={a.done} />}
    </>
  );
}
