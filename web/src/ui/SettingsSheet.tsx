// Settings: habits of this browser, and the department's switch for blind measuring.
import { send, who } from '../api';
import { blind, settings, setup, takeSetup, toggle, type Settings, type Setup } from '../model/settings';
import { loadSetup } from '../model/exam';
import { whenText } from '../model/words';
import { may } from '../people/session';
import { follow } from '../router';
import { closeSheet, showSheet } from './dialog';
import { trouble } from './notices';

const habits: { name: keyof Settings; label: string; about: string }[] = [
  { name: 'clickOnly', label: 'Clicks only', about: 'Each point is one click; nothing has to be dragged.' },
  { name: 'snap', label: 'Edge helper', about: 'Moves a released end to the nearest clear edge. Kept with the reading.' },
  { name: 'autoNext', label: 'Next row by itself', about: 'After accepting, the next missing row of the protocol comes into the hand.' },
  { name: 'contrast', label: 'High contrast', about: 'Stronger lines and text.' },
];

async function setBlind(on: boolean): Promise<void> {
  try {
    takeSetup(await send<Setup>('POST', '/api/setup', { blind: on }));
  } catch (e) { trouble(e); }
}

/** Who decided, and when: the last three. */
function Decided() {
  const list = setup.value?.history ?? [];
  if (!list.length) return <small>Never changed: blind measuring is on from the start.</small>;
  return <small class="decided">{list.slice(0, 3).map((h) => `${h.blind ? 'on' : 'off'}: ${h.who}, ${whenText(h.at)}`).join(' · ')}{list.length > 3 ? ` · ${list.length - 3} more` : ''}</small>;
}

export function openSettings(): void {
  void loadSetup();
  showSheet('Settings', () => (
    <div class="settings">
      {habits.map((h) => (
        <label key={h.name} class="switch"><input type="checkbox" checked={settings.value[h.name]} onChange={() => toggle(h.name)} /><span><b>{h.label}</b><small>{h.about}</small></span></label>
      ))}
      <h3>Department</h3>
      <label class="switch"><input type="checkbox" checked={blind.value} disabled={!who.value || !may.value.lead} onChange={(e) => void setBlind(e.currentTarget.checked)} />
        <span><b>Blind measuring</b><small>A value stays covered until its geometry is accepted: people pull calipers towards the value they expect. Switching it off is recorded with your name, and each reading says whether it was blind.{may.value.lead ? '' : ' A lead or administrator switches it.'}</small><Decided /></span></label>
      {may.value.lead && <p><a href="/protocols" onClick={(e) => { closeSheet(); follow(e); }}>Edit protocols</a> · <a href="/people" onClick={(e) => { closeSheet(); follow(e); }}>People, head of the report</a></p>}
    </div>
  ));
}
