// Colour readings kept with the exam: they have no row in the table of quantities, so they stand below the rows.
import { send } from '../api';
import { examId, isPicture, reload } from '../model/exam';
import { colourKept, type KeptColour } from '../model/second';
import { newKey, whenText } from '../model/words';
import { ALIASED_SAID, aliasedShare } from '../stage/proposeFlow';
import { active } from '../stage/stage';
import { ask } from '../ui/dialog';
import { trouble } from '../ui/notices';

async function takeBack(k: KeptColour): Promise<void> {
  const why = await ask({ title: 'Take this colour reading back', body: <p>It stays in the record, taken back.</p>, field: { label: 'Reason', required: true, choices: ['Wrong region', 'Gain set wrongly', 'Kept by mistake'] }, yes: 'Take it back', no: 'Leave it' });
  if (!why) return;
  try {
    await send('POST', `/api/exams/${examId.value}/colour`, { key: newKey(), withdraw: k.id, why });
    await reload();
  } catch (e) { trouble(e); }
}

export function ColourKept() {
  const list = colourKept.value;
  if (!list.length) return null;
  return (
    <div class="group colour-kept" role="group" aria-label="Colour flow">
      <h3>Colour flow</h3>
      <ul>
        {list.map((k) => (
          <li key={k.id} data-colour-reading={k.id}>
            <p><b>{k.text}</b>{k.mean_velocity_cm_s ? `, mean ${k.mean_velocity_cm_s.toFixed(1)} cm/s along the beam` : ''}{k.pulsatility ? `, pulsation ${k.pulsatility.toFixed(2)}` : ''}</p>
            <p class="dim">{k.by === 'person' ? 'region drawn by hand' : k.by === 'box' ? 'in the colour box' : 'in the whole picture'}{k.curve ? `, ${k.curve.length} frames` : ''}{k.frames_left_out ? `, ${k.frames_left_out} left out (flash)` : ''}{aliasedShare(k) >= ALIASED_SAID ? `, ${(100 * aliasedShare(k)).toFixed(0)} % aliased` : ''} · {k.who} · {whenText(k.at)}</p>
            <div class="acts">
              {isPicture(k.object) && <button onClick={() => void active.value.open(k.object, k.frame)}>Picture</button>}
              <button onClick={() => void takeBack(k)}>Take back</button>
            </div>
          </li>
        ))}
      </ul>
    </div>
  );
}
