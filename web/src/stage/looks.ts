// Display filters: how the picture is shown, computed by the server on a copy. What is on stands on the picture.
import { signal } from '@preact/signals';
import { get, send } from '../api';
import { answer } from '../model/exam';
import { chosenProtocol } from '../model/protocol';
import { tell, trouble } from '../ui/notices';

export interface Filters {
  speckle: number; shading: number; local_contrast: number; depth_gain: number[]; range: [number, number]; gamma: number; smooth_frames: number;
}
export const off: Filters = { speckle: 0, shading: 0, local_contrast: 0, depth_gain: [], range: [0, 255], gamma: 1, smooth_frames: 1 };

export const filters = signal<Filters>(off);
/** The other side of before and after: the picture as stored, while the filters stay set. */
export const before = signal(false);
export const panel = signal(false);

export const isOff = (f: Filters) => JSON.stringify(normal(f)) === JSON.stringify(off);
function normal(f: Filters): Filters {
  return { ...f, depth_gain: f.depth_gain.some((g) => g !== 0) ? f.depth_gain : [] };
}

/** Query of the frame's address; empty when the picture is shown as stored. */
export function query(): string {
  return before.value || isOff(filters.value) ? '' : `?filters=${encodeURIComponent(JSON.stringify(normal(filters.value)))}`;
}

const percent = (v: number) => `${Math.round(v * 100)} %`;
export function words(f: Filters): string[] {
  const out: string[] = [];
  if (f.shading) out.push(`shadows lifted ${percent(f.shading)}`);
  if (f.depth_gain.some((g) => g !== 0)) out.push('depth gain');
  if (f.speckle) out.push(`speckle reduced ${percent(f.speckle)}`);
  if (f.local_contrast) out.push(`local contrast ${percent(f.local_contrast)}`);
  if (f.range[0] !== 0 || f.range[1] !== 255) out.push(`range ${f.range[0]} to ${f.range[1]}`);
  if (f.gamma !== 1) out.push(`gamma ${f.gamma}`);
  if (f.smooth_frames > 1) out.push(`mean of ${f.smooth_frames} frames`);
  return out;
}

interface Look { protocol: string; scanner: string; filters: Filters }
const scanner = () => {
  const e = answer.value?.exam as { manufacturer?: string; model?: string } | undefined;
  return [e?.manufacturer, e?.model].filter(Boolean).join(' ') || 'any scanner';
};

/** The preset of this protocol and scanner, when somebody saved one. */
export async function usePreset(): Promise<void> {
  try {
    const { looks } = await get<{ looks: Look[] }>('/api/looks');
    const found = looks.find((l) => l.protocol === chosenProtocol.value?.id && l.scanner === scanner());
    if (found) filters.value = { ...off, ...found.filters };
    else tell('No preset is saved for this protocol and scanner.');
  } catch (e) { trouble(e); }
}

export async function savePreset(): Promise<void> {
  try {
    await send('POST', '/api/looks', { protocol: chosenProtocol.value?.id ?? 'any', scanner: scanner(), filters: normal(filters.value) });
    tell(`Saved for ${chosenProtocol.value?.title ?? 'any protocol'} on ${scanner()}.`);
  } catch (e) { trouble(e); }
}
