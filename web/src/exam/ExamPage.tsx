// One surface: pregnancy line, stage, ledger, strip; growth in the stage's place when asked for.
import { computed } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { who } from '../api';
import { connected } from '../live';
import { answer, examId, facts, followChanges, load, loadQuantities, loadQuickly, loadSetup, objects } from '../model/exam';
import { outbox } from '../model/outbox';
import { chosenId, loadProtocols } from '../model/protocol';
import { canRedo, canUndo, forgetSteps, redo, undo } from '../model/undo';
import { dateText, timeText } from '../model/words';
import { CoverageView } from '../coverage/CoverageView';
import { GrowthView } from '../growth/GrowthView';
import { ReportView } from '../report/ReportView';
import { may } from '../people/session';
import { follow, go, path } from '../router';
import { SafetyView } from '../safety/SafetyView';
import { Stage } from '../stage/StageView';
import { forgetSeen } from '../stage/covers';
import { active, closeStage } from '../stage/stage';
import { disarm } from '../stage/tools';
import { Curve, Icon } from '../ui/icons';
import { addKeys } from '../ui/keys';
import { showHelp } from '../ui/Help';
import { askName } from '../ui/name';
import { Ledger } from './Ledger';
import { ordered, Strip } from './Strip';
import { PregnancyLine } from './PregnancyLine';
import { openSettings } from '../ui/SettingsSheet';

const views = ['stage', 'growth', 'coverage', 'safety', 'report'] as const;
type View = (typeof views)[number];
const view = computed<View>(() => views.find((v) => path.value.endsWith(`/${v}`)) ?? 'stage');
const show = (v: View) => go(`/exam/${examId.value}${v === 'stage' ? '' : `/${v}`}`);
const viewNames: Record<View, string> = { stage: 'Stage', growth: 'Growth', coverage: 'Coverage', safety: 'Safety', report: 'Report' };

const openItems = computed(() => (facts.value as { open?: unknown[] } | undefined)?.open?.length ?? 0);

function Head() {
  const f = facts.value;
  const stored = answer.value?.exam as { patient?: { name?: string; patient_id?: string; birth_date?: string }; date?: string; time?: string; description?: string } | undefined;
  const name = f?.patient?.name ?? stored?.patient?.name?.replace(/\^+/g, ' ').trim() ?? '';
  const u = canUndo();
  const r = canRedo();
  return (
    <header class="head">
      <a class="home" href="/" onClick={follow} aria-label="Ogive, to the day list"><Curve /><span>Ogive</span></a>
      <div class="who-is">
        <h1>{name || '…'}</h1>
        <p class="dim">{[stored?.patient?.patient_id, stored?.patient?.birth_date && `born ${dateText(stored.patient.birth_date)}`, stored?.date && `exam ${dateText(stored.date)} ${timeText(stored.time)}`, stored?.description].filter(Boolean).join(' · ')}</p>
      </div>
      {!connected.value && <p class="offline" role="alert"><span aria-hidden="true">!</span>No server{outbox.value.length ? `, ${outbox.value.length} waiting` : ''}</p>}
      {connected.value && outbox.value.length > 0 && <p class="offline" role="status">{outbox.value.length} being stored</p>}
      <nav class="views" aria-label="Views">
        {views.map((v) => <button key={v} aria-pressed={view.value === v} onClick={() => show(v)}>{viewNames[v]}{v === 'report' && openItems.value > 0 && <span class="count">{openItems.value}</span>}</button>)}
      </nav>
      <div class="tools-right">
        <button disabled={!u} onClick={() => void undo()} title={u ? `Undo ${u.label} (Ctrl+Z)` : 'Nothing to undo'} aria-label={u ? `Undo ${u.label}` : 'Nothing to undo'}><Icon name="undo" /></button>
        <button disabled={!r} onClick={() => void redo()} title={r ? `Redo ${r.label} (Ctrl+Y)` : 'Nothing to redo'} aria-label={r ? `Redo ${r.label}` : 'Nothing to redo'}><Icon name="redo" /></button>
        <button onClick={openSettings} title="Settings (,)" aria-label="Settings"><Icon name="menu" /></button>
        <button onClick={showHelp} title="Help (?)" aria-label="Help"><Icon name="help" /></button>
        <button class="person" onClick={() => void askName()} title="Who is working">{who.value || 'Your name'}</button>
      </div>
    </header>
  );
}

export function ExamPage({ id }: { id: string }) {
  useEffect(() => {
    forgetSteps();
    forgetSeen();
    disarm();
    closeStage();
    chosenId.value = '';
    answer.value = undefined;
    void loadQuantities();
    void loadProtocols();
    void loadSetup();
    const quickly = loadQuickly(id).then(() => {
      const kept = answer.value?.exam['protocol'];
      if (typeof kept === 'string' && kept) chosenId.value = kept;
      const first = ordered().flatMap((g) => g.list).find((o) => o.kind === 'image' || o.kind === 'clip');
      if (first && !active.value.object.value) void active.value.open(first.id);
    });
    void quickly.then(() => load(id));
    const stop = followChanges();
    return () => { stop(); closeStage(); };
  }, [id]);
  useEffect(() => addKeys([
    { keys: ['Ctrl+z'], label: 'Undo', group: 'Everywhere', run: () => void undo() },
    { keys: ['Ctrl+y', 'Ctrl+Shift+z'], label: 'Redo', group: 'Everywhere', run: () => void redo() },
    { keys: ['q'], label: 'Stage or growth', group: 'Everywhere', run: () => show(view.value === 'stage' ? 'growth' : 'stage') },
  ]), []);
  useEffect(() => { if (answer.value && !who.value) void askName(); }, [answer.value === undefined]);
  const refused = answer.value?.refused;
  return (
    <div class="exam-page" data-ready={answer.value && (answer.value.facts || refused) ? 'yes' : 'no'} data-objects={objects.value.length}>
      <Head />
      <PregnancyLine />
      {!may.value.work && <p class="warning wide" role="note"><span aria-hidden="true">!</span>Administrators look only: nothing is measured, described or signed under this role.</p>}
      {refused && <p class="warning wide" role="alert"><span aria-hidden="true">!</span>The values cannot be computed: {refused.what}. {refused.todo}</p>}
      <main class={`work at-${view.value}`}>
        {view.value === 'stage' && <Stage />}
        {view.value === 'growth' && <GrowthView />}
        {view.value === 'coverage' && <CoverageView />}
        {view.value === 'safety' && <SafetyView />}
        {view.value === 'report' && <ReportView />}
        {(view.value === 'stage' || view.value === 'growth') && <Ledger />}
        {view.value === 'stage' && <Strip />}
      </main>
    </div>
  );
}
