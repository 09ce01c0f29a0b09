// The page: which screen, and what stands over all of them.
import { render } from 'preact';
import { useEffect } from 'preact/hooks';
import { loggedOut } from './api';
import { path } from './router';
import { CalculatorPage } from './calculator/CalculatorPage';
import { DayPage } from './day/DayPage';
import { ExamPage } from './exam/ExamPage';
import { Lock } from './people/Lock';
import { LogIn } from './people/LogIn';
import { PeoplePage } from './people/PeoplePage';
import { loadSession, session } from './people/session';
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
import './style/report.css';

function App() {
  useEffect(() => { void loadSession().catch(() => { session.value ??= { mode: 'single', person: null, may: { work: true, sign: true, lead: true, people: true } }; }); }, []);
  useEffect(() => addKeys([
    { keys: ['?', 'Shift+?', 'F1'], label: 'This sheet', group: 'Everywhere', run: () => showHelp() },
    { keys: ['Escape'], label: 'Put notices away', group: 'Everywhere', run: () => putAllAway() },
  ]), []);
  if (session.value === undefined) return null;
  if (loggedOut.value && !session.value.person) return <><LogIn /><Notices /></>;
  const exam = /^\/exam\/([\w.-]+)(?:\/\w+)?$/.exec(path.value);
  const screen = exam ? <ExamPage key={exam[1]} id={exam[1]!} />
    : path.value === '/people' ? <PeoplePage />
    : path.value.startsWith('/protocols') ? <ProtocolsPage /> : path.value === '/calculator' ? <CalculatorPage /> : <DayPage />;
  // Locked, the page stays under a cover: nothing of it is seen, nothing of it is lost.
  return <>{session.value.read_only && <p class="read-only" role="status">This record is read-only: it can be looked at, nothing can be added.</p>}<div class={loggedOut.value ? 'covered' : 'open'} inert={loggedOut.value}>{screen}<Dialogs /><Notices /></div>{loggedOut.value && <Lock />}</>;
}

render(<App />, document.getElementById('app')!);
