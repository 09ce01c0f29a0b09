// Playing a clip: the recorded rate, or a part of it; loop range; single frames.
import type { Signal } from '@preact/signals';
import { active, layout, playPause, speedAll, stepAll } from './stage';
import { Icon } from '../ui/icons';

const speeds = [0.1, 0.25, 0.5, 1, 2];

export function Transport({ inStep }: { inStep: Signal<boolean> }) {
  const c = active.value;
  const p = c.info.value?.picture;
  if (!p || p.frames < 2 || !c.base) return layout.value > 1 ? <div class="transport"><p class="dim">The chosen picture is a still.</p></div> : null;
  const r = c.range.value;
  const whole = r.from === 0 && r.to === p.frames - 1;
  const play = c.play;
  const late = play && play.due > 0 ? play.due - play.shown : 0;
  return (
    <div class="transport" role="toolbar" aria-label="Clip" data-due={play?.due ?? 0} data-late={late}>
      <button onClick={() => stepAll(-1)} title="One frame back (,)"><Icon name="back" /></button>
      <button class="main" onClick={() => playPause()} title="Play or pause (space)" aria-pressed={c.playing.value}><Icon name={c.playing.value ? 'pause' : 'play'} /></button>
      <button onClick={() => stepAll(1)} title="One frame on (.)"><Icon name="on" /></button>
      <div class="track">
        <input type="range" aria-label="Frame" min={0} max={p.frames - 1} step={1} value={c.frame.value}
          onInput={(e) => { c.pause(); c.go(Number(e.currentTarget.value)); }} />
        <svg class="loop" viewBox={`0 0 ${p.frames} 4`} preserveAspectRatio="none" aria-hidden="true"><rect x={r.from} y="0" width={r.to - r.from + 1} height="4" /></svg>
      </div>
      <output class="count">{c.frame.value + 1} / {p.frames}</output>
      <button onClick={() => c.setRange({ ...r, from: c.frame.value })} title="Loop begins here ([)">⟦</button>
      <button onClick={() => c.setRange({ ...r, to: c.frame.value })} title="Loop ends here (])">⟧</button>
      <button disabled={whole} onClick={() => c.setRange({ from: 0, to: p.frames - 1 })} title="Loop the whole clip (\)">all</button>
      <label class="speed"><span>Speed</span>
        <select value={c.speed.value} onChange={(e) => speedAll(Number(e.currentTarget.value))}>
          {speeds.map((s) => <option key={s} value={s}>×{s}</option>)}
        </select>
      </label>
      {layout.value > 1 && <button aria-pressed={inStep.value} onClick={() => { inStep.value = !inStep.value; }} title="Clips side by side run on one clock">in step</button>}
      <span class={c.base.guessed ? 'rate guessed' : 'rate'}>{c.base.guessed ? `no frame times in the file: shown at a guessed ${Math.round(c.base.rate)}/s` : `${c.base.rate.toFixed(c.base.rate < 10 ? 1 : 0)}/s`}</span>
    </div>
  );
}
