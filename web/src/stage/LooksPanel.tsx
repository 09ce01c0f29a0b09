// The panel of display filters, beside the picture so that the effect is seen while it is set.
import { before, filters, isOff, off, panel, savePreset, usePreset, type Filters } from './looks';

function set(part: Partial<Filters>): void { filters.value = { ...filters.value, ...part }; }

function Slide({ label, value, min, max, step, text, onChange }: { label: string; value: number; min: number; max: number; step: number; text: string; onChange: (v: number) => void }) {
  return (
    <label class="slide"><span>{label}</span><output>{text}</output>
      <input type="range" min={min} max={max} step={step} value={value} onChange={(e) => onChange(Number(e.currentTarget.value))} /></label>
  );
}

const percent = (v: number) => (v ? `${Math.round(v * 100)} %` : 'off');

export function LooksPanel() {
  if (!panel.value) return null;
  const f = filters.value;
  const gain = f.depth_gain.length ? f.depth_gain : Array.from({ length: 6 }, () => 0);
  return (
    <aside class="looks" aria-label="Filters">
      <header><h2>Filters</h2><button class="quiet" aria-label="Close" onClick={() => { panel.value = false; }}>×</button></header>
      <p class="dim">They change how the picture looks, never what is stored. Measuring uses the places you point at; what is on is kept with the reading.</p>
      <Slide label="Speckle" value={f.speckle} min={0} max={1} step={0.1} text={percent(f.speckle)} onChange={(v) => set({ speckle: v })} />
      <Slide label="Local contrast" value={f.local_contrast} min={0} max={1} step={0.1} text={percent(f.local_contrast)} onChange={(v) => set({ local_contrast: v })} />
      <Slide label="Lift shadows" value={f.shading} min={0} max={1} step={0.1} text={percent(f.shading)} onChange={(v) => set({ shading: v })} />
      <Slide label="Black at" value={f.range[0]} min={0} max={120} step={5} text={String(f.range[0])} onChange={(v) => set({ range: [Math.min(v, f.range[1] - 10), f.range[1]] })} />
      <Slide label="White at" value={f.range[1]} min={130} max={255} step={5} text={String(f.range[1])} onChange={(v) => set({ range: [f.range[0], v] })} />
      <Slide label="Gamma" value={f.gamma} min={0.4} max={2.5} step={0.1} text={f.gamma.toFixed(1)} onChange={(v) => set({ gamma: v })} />
      <fieldset class="gains"><legend>Depth gain, near to far</legend>
        {gain.map((g, i) => (
          <input key={i} type="range" aria-label={`Gain at depth ${i + 1} of ${gain.length}`} min={-60} max={60} step={5} value={g}
            onChange={(e) => set({ depth_gain: gain.map((x, j) => (j === i ? Number(e.currentTarget.value) : x)) })} />
        ))}
      </fieldset>
      <label class="slide"><span>Mean over frames</span>
        <select value={f.smooth_frames} onChange={(e) => set({ smooth_frames: Number(e.currentTarget.value) })}><option value={1}>off</option><option value={3}>3 frames</option><option value={5}>5 frames</option></select></label>
      <div class="acts">
        <button aria-pressed={before.value} disabled={isOff(f)} onClick={() => { before.value = !before.value; }}>As stored <kbd>Z</kbd></button>
        <button disabled={isOff(f)} onClick={() => { filters.value = off; before.value = false; }}>All off</button>
        <button onClick={() => void usePreset()}>Preset</button>
        <button onClick={() => void savePreset()}>Save preset</button>
      </div>
    </aside>
  );
}
