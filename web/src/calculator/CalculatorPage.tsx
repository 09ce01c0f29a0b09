// One-off calculations with the engine of the reports. Nothing typed here is stored.
import { signal } from '@preact/signals';
import { follow } from '../router';
import { Curve } from '../ui/icons';
import { DatingPart } from './DatingPart';
import { ValuePart } from './ValuePart';
import { WeightPart } from './WeightPart';

const parts = [['value', 'A value on a chart'], ['weight', 'Weight'], ['dating', 'Due date']] as const;
const shown = signal<(typeof parts)[number][0]>('value');

export function CalculatorPage() {
  return (
    <div class="calculator">
      <header class="head">
        <a class="home" href="/" onClick={follow}><Curve /><span>Ogive</span></a>
        <h1>Calculator</h1>
        <nav class="views" aria-label="What to calculate">
          {parts.map(([id, name]) => <button key={id} aria-pressed={shown.value === id} onClick={() => { shown.value = id; }}>{name}</button>)}
        </nav>
      </header>
      <main>
        {shown.value === 'value' ? <ValuePart /> : shown.value === 'weight' ? <WeightPart /> : <DatingPart />}
        <p class="caution">Nothing typed here is stored. It supports the judgement of qualified staff; local protocol and licensed practice decide.</p>
      </main>
    </div>
  );
}
