// Playing a clip: the recorded rate, or a part of it; loop range; single frames.
import type { Signal } from '@preact/signals';
import type { Cell } from './cell';
import { active, layout, playPause, speedAll, stepAll } from './stage';
import { ClipMarks } from './ProposeMarks';
import { Icon } from '../ui/icons';

const waitsFor = { computed: 'filters are being computed', decoded: 'not every frame is ready in time' };
const speeds = [0.1, 0.25, 0.5, 1, 2];

// Their own components: only these two change with every frame of a playing clip.
function Slider({ c, frames }: { c: Cell; frames: number }) {
  return <input type="range" aria-label="Frame" min={0} max={frames - 1} step={1} value={c.frame.value}
    onInput={(e) => { c.pause(); c.go(Number(e.currentTarget.value)); }} />;
}
function Count({ c, frames }: { c: Cell; frames: number }) {
  return <output class="count">{c.frame.value + 1} / {frames}</output>;
}

export function Transport({ inStep }: { inStep: Signal<boolean> }) {
  const c = active.value;
  const p = c.info.value?.picture;
  if (!p || p.frames < 2 || !c.base) return layout.value > 1 ? <div class="transport"><p class="dim">The chosen picture is a still.</p></div> : null;
  const r = c.range.value;
  const pace = c.pace.reached.value;
  const whole = r.from === 0 && r.to === p.frames - 1;
  return (
    <div class="transport" role="toolbar" aria-label="Clip">
      <button onClick={() => stepAll(-1)} title="One frame back (,)"><Icon name="back" /></button>
      <button class="main" onClick={() => playPause()} title="Play or pause (space)" aria-pressed={c.playing.value}><Icon name={c.playing.value ? 'pause' : 'play'} /></button>
      <button onClick={() => stepAll(1)} title="One frame on (.)"><Icon name="on" /></button>
      <div class="track">
        <Slider c={c} frames={p.frames} />
        <svg class="loop" viewBox={`0 0 ${p.frames} 4`} preserveAspectRatio="none" aria-hidden="true"><rect x={r.from} y="0" width={r.to - r.from + 1} height="4" /></svg>
        <ClipMarks c={c} frames={p.frames} />
      </div>
      <Count c={c} frames={p.frames} />
      <button onClick={() => c.setRange({ ...r, from: c.frame.peek() })} title="Loop begins here ([)">⟦</button>
      <button onClick={() => c.setRange({ ...r, to: c.frame.peek() })} title="Loop ends here (])">⟧</button>
      <button disabled={whole} onClick={() => c.setRange({ from: 0, to: p.frames - 1 })} title="Loop the whole clip (\)">all</button>
      <label class="speed"><span>Speed</span>
        <select value={c.speed.value} onChange={(e) => speedAll(Number(e.currentTarget.value))}>
          {speeds.map((s) => <option key={s} value={s}>×{s}</option>)}
        </select>
      </label>
      {layout.value > 1 && <button aria-pressed={inStep.value} onClick={() => { inStep.value = !inStep.value; }} title="Clips side by side run on one clock">in step</button>}
      {pace && <span class="rate guessed" role="status" data-pace={pace.rate.toFixed(1)} data-why={pace.why}>{`${pace.rate.toFixed(pace.rate < 10 ? 1 : 0)}/s: ${waitsFor[pace.why]}`}</span>}
      <span class={c.base.guessed ? 'rate guessed' : 'rate'}>{c.base.guessed ? `no frame times in the file: shown at a guessed ${Math.round(c.base.rate)}/s` : `${c.base.rate.toFixed(c.base.rate < 10 ? 1 : 0)}/s`}</span>
    </div>
  );
}
