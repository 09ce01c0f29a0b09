// Marks on a clip's timeline: the frames that a value rests on, of the proposal in the hand or of an accepted reading.
import { ledger } from '../model/exam';
import type { Cell } from './cell';
import { proposal } from './propose';

interface Read { frame: number; left_out?: boolean }

function readFrames(object: string): { list: Read[]; best: number[] } | undefined {
  const p = proposal.value;
  if (p?.object === object && p.answer.clip && p.answer.accepted)
    return { list: p.answer.clip.accepted.map((f) => ({ frame: f.frame, left_out: p.leftOut?.includes(f.frame) })), best: p.answer.clip.best };
  const row = ledger.value.find((r) => r.state === 'accepted' && r.object === object && r.evidence?.type === 'clip');
  const frames = row?.evidence?.['frames'] as { accepted?: Read[] } | undefined;
  if (!frames?.accepted) return undefined;
  return { list: frames.accepted, best: ((row!.evidence!['proposal'] as { best?: number[] } | undefined)?.best) ?? [] };
}

export function ClipMarks({ c, frames }: { c: Cell; frames: number }) {
  const read = readFrames(c.object.value);
  if (!read) return null;
  return (
    <svg class="clip-marks" viewBox={`0 0 ${frames} 8`} preserveAspectRatio="none" role="img" aria-label={`${read.list.length} frames read: ${read.list.map((f) => f.frame + 1).join(', ')}`}>
      {read.list.map((f) => <rect key={f.frame} data-frame={f.frame} class={f.left_out ? 'left-out' : read.best.includes(f.frame) ? 'best' : ''}
        x={f.frame + 0.15} width="0.7" y={f.left_out ? 6 : read.best.includes(f.frame) ? 0 : 3} height={f.left_out ? 2 : read.best.includes(f.frame) ? 8 : 5} />)}
    </svg>
  );
}
