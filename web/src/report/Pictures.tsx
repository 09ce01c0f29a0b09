// Which pictures go into the report; favourites for the parents; pictures set aside, with a reason and a way back.
import { send, who } from '../api';
import { answer, reload } from '../model/exam';
import { ask } from '../ui/dialog';
import { askName } from '../ui/name';
import { tell, trouble } from '../ui/notices';
import { loadSigning, saveSettings } from './draft';
import { more, type Offered } from './facts';

async function event(id: string, body: Record<string, string>, done?: string, undo?: () => void): Promise<void> {
  if (!who.value && !await askName()) return;
  try {
    await send('POST', `/api/objects/${id}/events`, body);
    await reload();
    await loadSigning();
    if (done) tell(done, undo && { label: 'Undo', run: undo });
  } catch (e) { trouble(e); }
}

async function setAside(p: Offered): Promise<void> {
  const why = await ask({ title: 'Delete this picture?', body: <p>It is hidden from the exam, its bytes stay in the record. {p.caption}</p>, field: { label: 'Reason', choices: ['taken twice', 'not of use', 'wrong patient'], required: true }, yes: 'Delete', no: 'Leave it' });
  if (why) await event(p.object, { verb: 'remove', why }, 'Picture deleted.', () => void event(p.object, { verb: 'restore' }, 'Picture restored.'));
}

interface Stored { id: string; favourite?: boolean; removed?: { who: string; why: string } | null; instance_number?: number }

export function Pictures() {
  const list = more.value.pictures ?? [];
  const stored = new Map(((answer.value?.exam.objects ?? []) as unknown as Stored[]).map((o) => [o.id, o]));
  const chosen = [...list.filter((p) => p.chosen)].sort((a, b) => (a.order ?? 0) - (b.order ?? 0)).map((p) => p.object);
  const gone = [...stored.values()].filter((o) => o.removed);
  return (
    <section class="panel stack" aria-label="Pictures of the report">
      <h2>Pictures <span class="dim">{chosen.length} of {list.length}</span></h2>
      <ul class="picks">{list.map((p) => {
        const favourite = stored.get(p.object)?.favourite === true;
        return (
          <li key={p.object} data-picture={p.object}>
            <button class="pick" aria-pressed={p.chosen} aria-label={`${p.caption}: ${p.chosen ? 'in the report' : 'not in the report'}`}
              onClick={() => void saveSettings((s) => { const now = (s['pictures'] as string[] | undefined) ?? chosen; s['pictures'] = p.chosen ? now.filter((x) => x !== p.object) : [...now.filter((x) => x !== p.object), p.object]; })}>
              <img src={`/api/objects/${p.object}/thumb?width=200&frame=${p.frame}`} alt="" loading="lazy" /><span class="tick" aria-hidden="true">{p.chosen ? '✓' : ''}</span></button>
            <small>{p.caption}</small>
            <span class="acts"><button aria-pressed={favourite} aria-label={`Favourite: ${p.caption}`} onClick={() => void event(p.object, { verb: favourite ? 'not-favourite' : 'favourite' })}>{favourite ? '★' : '☆'}</button>
              <button aria-label={`Delete: ${p.caption}`} onClick={() => void setAside(p)}>×</button></span>
          </li>);
      })}</ul>
      {gone.map((o) => <p key={o.id} class="dim">Deleted: image {o.instance_number ?? ''}, {o.removed!.why} ({o.removed!.who}) <button onClick={() => void event(o.id, { verb: 'restore' }, 'Picture restored.')}>Restore</button></p>)}
    </section>
  );
}
