// The strip: the exam's objects, grouped by what they show.
import { useEffect } from 'preact/hooks';
import { computed, signal } from '@preact/signals';
import { ledger, objects, quantities } from '../model/exam';
import type { ExamObject } from '../model/types';
import { active, cells } from '../stage/stage';
import { addKeys } from '../ui/keys';
import { lookAt, planeGroup, planes, regroup } from './planes';

/** Previews wait for the first picture on the stage: a browser has few connections, and the eye is on the stage. */
const previews = computed(() => cells.value.some((c) => c.shown.value >= 0 || c.trouble.value !== '') || late.value);
const late = signal(false);
setTimeout(() => { late.value = true; }, 1500);
const order = ['Head', 'Abdomen', 'Limbs', 'Heart', 'Early', 'Stills', 'Clips', 'Colour', 'Doppler', 'M-mode', 'Fluid', 'Cervix', 'Other', 'Reports'];
const byKind: Record<string, string> = { cranium: 'Head', face: 'Head', abdomen: 'Abdomen', thorax: 'Heart', 'long-bone': 'Limbs', early: 'Early', doppler: 'Doppler', fluid: 'Fluid', cervix: 'Cervix', heart: 'Heart', rate: 'M-mode', placenta: 'Other' };
const byQuantity: Record<string, string> = { hc: 'Head', bpd: 'Head', 'bpd-oi': 'Head', ofd: 'Head', ac: 'Abdomen', apad: 'Abdomen', tad: 'Abdomen', fl: 'Limbs', foot: 'Limbs' };
const words: [RegExp, string][] = [[/head|brain|cran|cereb|face|skull/i, 'Head'], [/abdo|stomach|kidney/i, 'Abdomen'], [/femur|limb|humer|tibia|foot|hand/i, 'Limbs'], [/heart|cardi|chamber/i, 'Heart'], [/cervi/i, 'Cervix'], [/fluid/i, 'Fluid'], [/umbilical art|doppler|cerebral art|mca|uterine art/i, 'Doppler']];

interface Stored extends ExamObject { group?: string | null; view_name?: string; series_description?: string; regions?: { kind?: string; data_type?: number }[]; removed?: unknown; frames?: number }

/** The group by what is known of the picture; 'Stills' and 'Clips' when nothing is. */
function knownGroup(o: ExamObject): string {
  const s = o as Stored;
  if (s.group) return s.group;
  if (o.kind === 'report') return 'Reports';
  if (o.kind === 'other') return 'Other';
  const modes = new Set([...(o.modes ?? []), ...(s.regions ?? []).map((r) => r.kind ?? '')]);
  const text = `${s.view ?? ''} ${s.view_name ?? ''}`;
  const measured = ledger.value.find((r) => r.state !== 'withdrawn' && (r.object === o.id || r.evidence?.image?.object === o.id));
  if (measured) {
    const q = quantities.value.get(measured.quantity);
    const g = byQuantity[measured.quantity] ?? byKind[q?.kind ?? ''];
    if (g && !(q?.kind === 'rate' && modes.has('spectrum'))) return g;
  }
  if (modes.has('spectrum')) return 'Doppler';
  for (const [re, g] of words) if (re.test(text)) return g;
  if (modes.has('m-mode')) return 'M-mode';
  if (modes.has('colour') || (s.regions ?? []).some((r) => r.data_type === 2)) return 'Colour';
  return o.kind === 'clip' ? 'Clips' : 'Stills';
}

const nameless = new Set(['Stills', 'Clips']);

/** The group on the strip: what is known, else what the program takes the picture for. */
export function groupOf(o: ExamObject): string {
  const known = knownGroup(o);
  return !(o as Stored).group && nameless.has(known) ? planeGroup(o.id) ?? known : known;
}
const proposedGroup = (o: ExamObject) => !(o as Stored).group && nameless.has(knownGroup(o)) && planeGroup(o.id) !== undefined;

export function ordered(): { group: string; list: ExamObject[] }[] {
  const map = new Map<string, ExamObject[]>();
  for (const o of objects.value) {
    if ((o as Stored).removed) continue;
    const g = groupOf(o);
    map.set(g, [...(map.get(g) ?? []), o]);
  }
  const rank = (g: string) => (order.indexOf(g) < 0 ? order.length : order.indexOf(g));
  return [...map].sort((a, b) => rank(a[0]) - rank(b[0])).map(([group, list]) => ({ group, list }));
}

const pictures = () => ordered().flatMap((g) => g.list).filter((o) => o.kind === 'image' || o.kind === 'clip');

export function stepObject(by: number): void {
  const list = pictures();
  if (!list.length) return;
  const at = list.findIndex((o) => o.id === active.value.object.value);
  const to = list[at < 0 ? 0 : (at + by + list.length) % list.length]!;
  void active.value.open(to.id);
}

function Thumb({ o, n }: { o: ExamObject; n: number }) {
  const guess = proposedGroup(o);
  const on = cells.value.some((c) => c.object.value === o.id);
  const current = active.value.object.value === o.id;
  const s = o as Stored;
  const symbols = [...new Set(ledger.value.filter((r) => r.state !== 'withdrawn' && r.state !== 'superseded' && (r.object === o.id || r.evidence?.image?.object === o.id)).map((r) => quantities.value.get(r.quantity)?.symbol ?? r.quantity))];
  const name = s.view || s.view_name || `picture ${n}`;
  if (o.kind !== 'image' && o.kind !== 'clip')
    return <div class="thumb report" title={o.kind === 'report' ? 'Structured report from the scanner' : 'No picture'}><span aria-hidden="true">≡</span><small>{o.kind}</small></div>;
  return (
    <div class="thumb-place">
    <button class={`thumb ${on ? 'on' : ''}`} aria-pressed={current} data-object={o.id} onClick={() => void active.value.open(o.id)}
      aria-label={`${name}${o.kind === 'clip' ? `, clip of ${o.frames ?? s.frames} frames` : ''}${symbols.length ? `, measured: ${symbols.join(', ')}` : ''}${guess ? ', grouped by the program' : ''}`}>
      {previews.value && <img src={`/api/objects/${o.id}/thumb?width=200`} alt="" loading="lazy" draggable={false} />}
      {o.kind === 'clip' && <span class="badge clip" aria-hidden="true">▶ {o.frames ?? s.frames}</span>}
      {symbols.length > 0 && <span class="badge done" aria-hidden="true">✓ {symbols.slice(0, 3).join(' ')}</span>}
    </button>
    {guess && <button class="guess" data-guess={groupOf(o)} title={`The program takes this for: ${groupOf(o)} (${Math.round(100 * planes.value.get(o.id)!.probability)} %). Press to say what it shows.`}
      aria-label={`Grouped by the program as ${groupOf(o)}. Say what it shows.`} onClick={() => void regroup(o.id, groupOf(o))}>?</button>}
    </div>
  );
}

export function Strip() {
  useEffect(() => addKeys([
    { keys: ['PageDown'], label: 'Next picture', group: 'Picture', run: () => stepObject(1) },
    { keys: ['PageUp'], label: 'Picture before', group: 'Picture', run: () => stepObject(-1) },
  ]), []);
  const asking = previews.value ? objects.value.filter((o) => (o.kind === 'image' || o.kind === 'clip') && !(o as Stored).removed && nameless.has(knownGroup(o))).map((o) => o.id) : [];
  useEffect(() => { if (asking.length) void lookAt(asking); }, [asking.join()]);
  let n = 0;
  return (
    <section class="strip" aria-label="Pictures">
      {ordered().map(({ group, list }) => (
        <div key={group} class="strip-group" role="group" aria-label={group}>
          <h3>{group} <span class="dim">{list.length}</span></h3>
          <div class="thumbs">{list.map((o) => <Thumb key={o.id} o={o} n={++n} />)}</div>
        </div>
      ))}
      {!objects.value.length && <p class="dim pad">This exam has no pictures.</p>}
    </section>
  );
}
