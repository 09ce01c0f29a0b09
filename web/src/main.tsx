import { render } from 'preact';
import './style.css';

function App() {
  return <main><h1>Ogive</h1></main>;
}

render(<App />, document.getElementById('app')!);
