// The page: which screen, and what stands over all of them.
import { render } from 'preact';
import { useEffect } from 'preact/hooks';
import { path } from './router';
import { CalculatorPage } from './calculator/CalculatorPage';
import { DayPage } from './day/DayPage';
import { ExamPage } from './exam/ExamPage';
import { ProtocolsPage } from './protocols/ProtocolsPage';
import { Dialogs } from './ui/dialog';
import { showHelp } from './ui/Help';
import { addKeys } from './ui/keys';
import { Notices, putAllAway } from './ui/notices';
import './style/base.css';
import './style/day.css';
import './style/exam.css';
import './style/stage.css';
import './style/propose.css';
import './style/protocols.css';
import './style/calculator.css';

function App() {
  useEffect(() => addKeys([
    { keys: ['?', 'Shift+?', 'F1'], label: 'This sheet', group: 'Everywhere', run: () => showHelp() },
    { keys: ['Escape'], label: 'Put notices away', group: 'Everywhere', run: () => putAllAway() },
  ]), []);
  const exam = /^\/exam\/([\w.-]+)$/.exec(path.value);
  const screen = exam ? <ExamPage key={exam[1]} id={exam[1]!} />
    : path.value.startsWith('/protocols') ? <ProtocolsPage /> : path.value === '/calculator' ? <CalculatorPage /> : <DayPage />;
  return <>{screen}<Dialogs /><Notices /></>;
}

render(<App />, document.getElementById('app')!);
