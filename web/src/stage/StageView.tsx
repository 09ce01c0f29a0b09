// The stage: tools at its side, pictures in the middle, the clip's clock below.
import { useEffect } from 'preact/hooks';
import { addKeys } from '../ui/keys';
import { settings, toggle } from '../model/settings';
import { quantities, viewRows } from '../model/exam';
import { CellView } from './CellView';
import { lift } from './covers';
import { divided, filters, isOff, panel } from './looks';
import { pressBefore, useBeforeKey } from './LookSigns';
import { ProposeBox, useProposeKeys } from './ProposeBox';
import { ColourCurve } from './ProposeColour';
import { PlaneQuality } from './ProposeQuality';
import { LooksPanel } from './LooksPanel';
import { emptyPocket, isQuadrant, measured, placed, quadrants } from './pockets';
import { Transport } from './Transport';
import { accept, combinations, combine, finishOpen, freeResult, intoRow, nextHandle, nudge, stepBack } from './measuring';
import { active, activeIndex, cells, inStep, layout, magnifier, playPause, setLayout, stepAll } from './stage';
import { armed, armNext, choose, draft, tool, toolOf, tools } from './tools';
import { zoomAt } from './view';
import { Icon } from '../ui/icons';

function zoom(factor: number): void {
  const c = active.value;
  c.view.value = zoomAt(c.view.value, [c.size.value.width / 2, c.size.value.height / 2], factor);
  c.fitted.value = false;
}

function window_(slope: number, level: number): void {
  const c = active.value;
  const w = c.window.value;
  c.window.value = { slope: Math.min(8, Math.max(0.2, w.slope * slope)), level: Math.min(255, Math.max(0, w.level + level)) };
}

const STEP = 0.25; // of a pixel of the picture
function arrows(e: KeyboardEvent): boolean {
  const k = e.shiftKey ? 4 : e.altKey ? 0.2 : 1;
  const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key]!;
  return nudge(d[0]! * STEP * k, d[1]! * STEP * k);
}

export function useStageKeys(): void {
  useEffect(() => addKeys([
    ...tools.map((t) => ({ keys: [t.key], label: t.label, group: 'Tools', run: () => choose(t.id) })),
    { keys: ['n'], label: 'Next row of the protocol', group: 'Measuring', run: () => { armNext(); } },
    { keys: ['Enter'], label: 'Accept the shape (or close an outline)', group: 'Measuring', run: () => (draft.value ? (draft.value.geometry ? void accept() : finishOpen()) : false) },
    { keys: ['Escape'], label: 'Back: last point, shape, tool', group: 'Measuring', run: () => stepBack() },
    { keys: ['Backspace'], label: 'Take the last point back', group: 'Measuring', run: () => stepBack() },
    { keys: ['Tab'], label: 'Other end of the shape', group: 'Measuring', run: () => (draft.value?.geometry ? nextHandle(1) : false) },
    { keys: ['Shift+Tab'], label: 'Other end, backwards', group: 'Measuring', run: () => (draft.value?.geometry ? nextHandle(-1) : false) },
    { keys: ['ArrowLeft', 'ArrowRight', 'ArrowUp', 'ArrowDown', 'Shift+ArrowLeft', 'Shift+ArrowRight', 'Shift+ArrowUp', 'Shift+ArrowDown', 'Alt+ArrowLeft', 'Alt+ArrowRight', 'Alt+ArrowUp', 'Alt+ArrowDown'],
      label: 'Nudge the end by a quarter pixel (Shift: one, Alt: a twentieth)', group: 'Measuring', run: arrows },
    { keys: ['s'], label: 'Edge helper on or off', group: 'Measuring', run: () => toggle('snap') },
    { keys: ['c'], label: 'Clicks only, no dragging', group: 'Measuring', run: () => toggle('clickOnly') },
    { keys: [' '], label: 'Play or pause', group: 'Clips', run: () => playPause() },
    { keys: ['ArrowLeft', ','], label: 'One frame back', group: 'Clips', run: () => stepAll(-1) },
    { keys: ['ArrowRight', '.'], label: 'One frame on', group: 'Clips', run: () => stepAll(1) },
    { keys: ['['], label: 'Loop begins here', group: 'Clips', run: () => active.value.setRange({ ...active.value.range.value, from: active.value.frame.value }) },
    { keys: [']'], label: 'Loop ends here', group: 'Clips', run: () => active.value.setRange({ ...active.value.range.value, to: active.value.frame.value }) },
    { keys: ['\\'], label: 'Loop the whole clip', group: 'Clips', run: () => active.value.setRange({ from: 0, to: 1e9 }) },
    { keys: ['+', '='], label: 'Larger', group: 'Picture', run: () => zoom(1.25) },
    { keys: ['-'], label: 'Smaller', group: 'Picture', run: () => zoom(0.8) },
    { keys: ['0'], label: 'Whole picture', group: 'Picture', run: () => active.value.fitView() },
    { keys: ['m'], label: 'Magnifier', group: 'Picture', run: () => { magnifier.value = !magnifier.value; } },
    { keys: ['u'], label: 'Filters', group: 'Picture', run: () => { panel.value = !panel.value; } },
    { keys: ['z'], label: 'As stored: while held, or until the next tap', group: 'Picture', run: pressBefore },
    { keys: ['Shift+z'], label: 'Stored and filtered in halves', group: 'Picture', run: () => (isOff(filters.value) ? false : void (divided.value = divided.value === undefined ? 0.5 : undefined)) },
    { keys: ['Shift+t'], label: 'Burned-in text shown or covered', group: 'Picture', run: () => lift(active.value) },
    { keys: ['i'], label: 'Invert', group: 'Picture', run: () => toggle('invert') },
    { keys: ['Shift+ArrowUp'], label: 'Brighter', group: 'Picture', run: () => window_(1, -12) },
    { keys: ['Shift+ArrowDown'], label: 'Darker', group: 'Picture', run: () => window_(1, 12) },
    { keys: ['Shift+ArrowRight'], label: 'More contrast', group: 'Picture', run: () => window_(1.15, 0) },
    { keys: ['Shift+ArrowLeft'], label: 'Less contrast', group: 'Picture', run: () => window_(1 / 1.15, 0) },
    { keys: ['Shift+0', ')'], label: 'Window as stored', group: 'Picture', run: () => { active.value.window.value = { slope: 1, level: 128 }; } },
    { keys: ['1'], label: 'One picture', group: 'Picture', run: () => void setLayout(1) },
    { keys: ['2'], label: 'Two side by side', group: 'Picture', run: () => void setLayout(2) },
    { keys: ['4'], label: 'Four', group: 'Picture', run: () => void setLayout(4) },
    { keys: ['f'], label: 'Next place on the stage', group: 'Picture', run: () => { activeIndex.value = (activeIndex.value + 1) % cells.value.length; } },
  ]), []);
}

function Rail() {
  return (
    <div class="rail">
      <div class="tool-box" role="toolbar" aria-label="Tools" aria-orientation="vertical">
        {tools.map((t) => (
          <button key={t.id} class="tool" aria-pressed={tool.value === t.id} title={`${t.label} (${t.key.toUpperCase()})`} onClick={() => choose(t.id)}>
            <Icon name={t.id} /><span>{t.label}</span>
          </button>
        ))}
      </div>
      {!draft.value && <ProposeBox />}
      <Prompt />
    </div>
  );
}

function Prompt() {
  const d = draft.value;
  const t = toolOf(tool.value);
  const a = armed.value;
  const free = freeResult.value;
  if (free) {
    const choices = viewRows.value.filter((r) => r.measurable && quantities.value.get(r.quantity)?.geometry === free.geometry.kind);
    return (
      <div class="prompt" role="status">
        <p><b>{free.text}</b><span class="dim">not in any row</span></p>
        <label>Put it in
          <select onChange={(e) => { if (e.currentTarget.value) void intoRow(e.currentTarget.value); }}>
            <option value="">no row</option>
            {choices.map((r) => <option key={r.key} value={r.quantity}>{r.symbol}</option>)}
          </select>
        </label>
        {combinations().map((c) => <button key={c.how} onClick={() => void combine(c.how, c.of)}>{c.label}</button>)}
        <button onClick={() => { freeResult.value = undefined; }}>Put away <kbd>Esc</kbd></button>
      </div>
    );
  }
  if (!t.kind && tool.value === 'look') return null;
  return (
    <div class="prompt" role="status">
      <p><b>{a ? a.label : t.label}</b><span class="dim">{d?.geometry ? 'Released. Move or nudge an end, or accept.' : t.hint}</span></p>
      {a?.pockets && <p class="pockets">{quadrants.map((id, i) => <span key={id} class={a.quantities[0] === id ? 'now' : ''}>{i + 1}{measured(id) ? '✓' : ''}</span>)}<span class="dim">{placed.value} of 4</span></p>}
      {a?.pockets && !d && isQuadrant(a.quantities[0]!) && <button onClick={() => void emptyPocket()}>No pocket here (0 mm)</button>}
      {d?.geometry && <button class="main accept" onClick={() => void accept()}>Accept <kbd>Enter</kbd></button>}
      {(d || a || tool.value !== 'look') && <button onClick={() => stepBack()}>{d ? 'Back' : 'Put down'} <kbd>Esc</kbd></button>}
    </div>
  );
}

function Corner() {
  const c = active.value;
  const s = settings.value;
  return (
    <div class="corner" role="toolbar" aria-label="Picture" aria-orientation="vertical">
      <button aria-pressed={layout.value === 1} onClick={() => void setLayout(1)} title="One picture (1)"><Icon name="one" /></button>
      <button aria-pressed={layout.value === 2} onClick={() => void setLayout(2)} title="Two side by side (2)"><Icon name="two" /></button>
      <button aria-pressed={layout.value === 4} onClick={() => void setLayout(4)} title="Four (4)"><Icon name="four" /></button>
      <span class="gap" />
      <button aria-pressed={s.snap} onClick={() => toggle('snap')} title="Edge helper (S)"><Icon name="snap" /></button>
      <button aria-pressed={s.clickOnly} onClick={() => toggle('clickOnly')} title="Clicks only (C)"><Icon name="clicks" /></button>
      <button aria-pressed={magnifier.value} onClick={() => { magnifier.value = !magnifier.value; }} title="Magnifier (M)"><Icon name="magnifier" /></button>
      <button data-opens="looks" aria-expanded={panel.value} aria-pressed={!isOff(filters.value)} onClick={() => { panel.value = !panel.value; }} title="Filters (U)"><Icon name="filters" /></button>
      <button aria-pressed={s.invert} onClick={() => toggle('invert')} title="Invert (I)"><Icon name="invert" /></button>
      <span class="gap" />
      <button onClick={() => zoom(0.8)} title="Smaller (-)"><Icon name="minus" /></button>
      <button onClick={() => c.fitView()} title="Whole picture (0)" aria-pressed={c.fitted.value}><Icon name="whole" /></button>
      <button onClick={() => zoom(1.25)} title="Larger (+)"><Icon name="plus" /></button>
    </div>
  );
}

export function Stage() {
  useStageKeys();
  useBeforeKey();
  useProposeKeys();
  const clips = cells.value.some((c) => (c.info.value?.picture?.frames ?? 1) > 1);
  return (
    <section class="stage" aria-label="Stage">
      <Rail />
      <div class="stage-middle">
        <div class="stage-row">
          <div class={`cells n${layout.value}`}>
            {cells.value.map((c, i) => <CellView key={c.key} cell={c} index={i} />)}
          </div>
          <LooksPanel />
          <Corner />
        </div>
        <PlaneQuality />
        <ColourCurve />
        {clips && <Transport inStep={inStep} />}
      </div>
    </section>
  );
}
