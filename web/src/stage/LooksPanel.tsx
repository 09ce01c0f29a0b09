// The panel of display filters, beside the picture so that the effect is seen while it is set.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { ComponentChildren } from 'preact';
import { effect } from '@preact/signals';
import { active } from './stage';
import { allOff, before, dials, divided, filters, fitting, flip, forMeasuring, isOff, keepEdges, loadLooks, off, panel, reliefHere, removeLook, saveLook, switches, take, turn, type Filters, type SwitchId } from './looks';

effect(() => { reliefHere.value = active.value.info.value?.relief === true; });

const percent = (v: number) => `${Math.round(v * 100)} %`;

/** One filter: a switch, and what it is set to below it. */
function Part({ id, label, children, folds }: { id: SwitchId; label: string; children: ComponentChildren; folds?: boolean }) {
  const on = switches.value.has(id);
  return (
    <fieldset class="look" data-filter={id} data-on={on ? 'yes' : 'no'}>
      <legend class="sr">{label}</legend>
      <button role="switch" aria-checked={on} onClick={() => flip(id)}><span>{label}</span><span class="knob" aria-hidden="true" /><b>{on ? 'on' : 'off'}</b></button>
      {(on || !folds) && children}
    </fieldset>
  );
}

function Slide({ label, value, min, max, step, text, onChange, hidden }: { label: string; value: number; min: number; max: number; step: number; text: string; onChange: (v: number) => void; hidden?: boolean }) {
  return (
    <label class="slide"><span class={hidden ? 'sr' : ''}>{label}</span><output>{text}</output>
      <input type="range" min={min} max={max} step={step} value={value} aria-valuetext={text} onChange={(e) => onChange(Number(e.currentTarget.value))} /></label>
  );
}

function Strength({ id, label }: { id: 'speckle' | 'shading' | 'local_contrast'; label: string }) {
  const v = dials.value[id];
  return <Part id={id} label={label}><Slide label={`${label}, strength`} hidden value={v} min={0.1} max={1} step={0.1} text={percent(v)} onChange={(x) => turn(id, { [id]: x })} /></Part>;
}

function Presets() {
  const name = useSignal('');
  const field = useRef<HTMLInputElement>(null);
  const chosen = fitting.value.find((l) => JSON.stringify({ ...off, ...l.filters }) === JSON.stringify(filters.value));
  const save = async (e: Event) => {
    e.preventDefault();
    if (name.value.trim() && await saveLook(name.value.trim())) {
      name.value = '';
      field.current?.blur(); // the keys belong to the picture again
    }
  };
  return (
    <section class="saved" aria-label="Saved for this protocol and scanner">
      <h3>Saved for this protocol and scanner</h3>
      {fitting.value.length === 0 && <p class="dim">None yet.</p>}
      <ul>
        {fitting.value.map((l) => (
          <li key={l.id}>
            <button class="use" aria-pressed={chosen?.id === l.id} onClick={() => take({ ...off, ...l.filters })}>{l.name}</button>
            <button class="quiet" aria-label={`Remove ${l.name}`} title={`Remove ${l.name}`} onClick={() => void removeLook(l)}>×</button>
          </li>
        ))}
      </ul>
      <form onSubmit={(e) => void save(e)}>
        <input ref={field} aria-label="Name for these filters" placeholder="Name" maxLength={40} value={name.value} onInput={(e) => { name.value = e.currentTarget.value; }} />
        <button type="submit" disabled={isOff(filters.value) || !name.value.trim()}>Save</button>
      </form>
    </section>
  );
}

export function LooksPanel() {
  const box = useRef<HTMLElement>(null);
  const open = panel.value;
  useEffect(() => { void loadLooks(); }, []);
  useEffect(() => { if (open) box.current?.querySelector<HTMLElement>('[role="switch"]')?.focus({ preventScroll: true }); }, [open]);
  if (!open) return null;
  const d = dials.value;
  const f = filters.value;
  // The arrows and the space bar belong to a slider or switch in here, not to the clip.
  const keys = (e: KeyboardEvent) => {
    const own = e.target instanceof HTMLInputElement ? /^(Arrow|Home$|End$|Page)/ : /^( |Enter)$/;
    if (own.test(e.key)) e.stopPropagation();
    if (e.key === 'Escape') { e.stopPropagation(); close(); }
  };
  const close = () => { panel.value = false; document.querySelector<HTMLElement>('[data-opens="looks"]')?.focus(); };
  return (
    <aside class="looks" aria-label="Filters" ref={box} onKeyDown={keys}>
      <header><h2>Filters</h2><button class="quiet" aria-label="Close" onClick={close}>×</button></header>
      <p class="dim">They change how the picture looks, never what is stored. Those seen while a shape is placed are kept with the reading.</p>
      <Strength id="speckle" label="Calm speckle" />
      <Strength id="shading" label="Lift shadows" />
      <Strength id="local_contrast" label="Local contrast" />
      <Part id="depth_gain" label="Gain by depth" folds>
        <div class="gains">{d.depth_gain.map((g, i) => (
          <input key={i} type="range" aria-label={`Gain at depth ${i + 1} of ${d.depth_gain.length}, near to far`} aria-valuetext={`${g} grey levels`} min={-60} max={60} step={5} value={g}
            onChange={(e) => turn('depth_gain', { depth_gain: d.depth_gain.map((x, j) => (j === i ? Number(e.currentTarget.value) : x)) })} />
        ))}</div>
      </Part>
      <Part id="greys" label="Greys" folds>
        <Slide label="Black at" value={d.range[0]} min={0} max={120} step={5} text={String(d.range[0])} onChange={(v) => turn('greys', { range: [v, d.range[1]] })} />
        <Slide label="White at" value={d.range[1]} min={130} max={255} step={5} text={String(d.range[1])} onChange={(v) => turn('greys', { range: [d.range[0], v] })} />
        <Slide label="Gamma" value={d.gamma} min={0.4} max={2.5} step={0.1} text={d.gamma.toFixed(1)} onChange={(v) => turn('greys', { gamma: v })} />
      </Part>
      <Part id="smooth_frames" label="Mean over frames" folds>
        <label class="slide"><span class="sr">Frames in the mean</span>
          <select value={d.smooth_frames} onChange={(e) => turn('smooth_frames', { smooth_frames: Number(e.currentTarget.value) })}><option value={3}>3 frames</option><option value={5}>5 frames</option></select></label>
      </Part>
      <Part id="relief" label="Colour as a relief" folds>
        <p class="dim">{active.value.info.value?.relief ? 'Lit by the strength of the flow; its hue stays.' : 'This picture has no colour bar that can be read: it stays as it is.'}</p>
      </Part>
      {!isOff(f) && !keepEdges(f) && <p class="edges" role="note"><span aria-hidden="true">!</span>These move edges{forMeasuring.value ? ': the stored picture is shown while you measure.' : '. The stored picture will be shown while you measure.'}</p>}
      <div class="acts">
        <button aria-pressed={before.value} disabled={isOff(f)} onClick={() => { before.value = !before.value; }}>As stored <kbd>Z</kbd></button>
        <button aria-pressed={divided.value !== undefined} disabled={isOff(f)} onClick={() => { divided.value = divided.value === undefined ? 0.5 : undefined; }}>Halves</button>
        <button disabled={isOff(f)} onClick={allOff}>All off</button>
      </div>
      <Presets />
    </aside>
  );
}
export type { Filters };
