// Who is working: the name goes with every row of the ledger.
import { who } from '../api';
import { openAccount } from '../people/account';
import { session } from '../people/session';
import { ask } from './dialog';

export async function askName(): Promise<boolean> {
  if (session.value?.person) {
    openAccount();
    return true;
  }
  const name = await ask({ title: 'Who is working?', body: <p>Your name is kept with every reading you make.</p>, field: { label: 'Name', value: who.value, required: true }, yes: 'Go on', no: who.value ? 'Leave it' : 'Only look' });
  if (name) who.value = name;
  return Boolean(who.value);
}
