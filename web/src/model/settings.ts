// How this person works on this machine. Only habits live here; what bears on a reading goes with the reading.
import { signal, effect } from '@preact/signals';

export interface Settings {
  snap: boolean;       // edge helper
  clickOnly: boolean;  // no dragging: each point is one click
  contrast: boolean;   // high contrast
  invert: boolean;
  autoNext: boolean;   // arm the next row of the protocol after accepting
}

const key = 'ogive.settings';
const initial: Settings = { snap: false, clickOnly: false, contrast: false, invert: false, autoNext: true };
let saved: Partial<Settings> = {};
try { saved = JSON.parse(localStorage.getItem(key) ?? '{}'); } catch { saved = {}; }

export const settings = signal<Settings>({ ...initial, ...saved });
effect(() => localStorage.setItem(key, JSON.stringify(settings.value)));
effect(() => { document.documentElement.dataset.contrast = settings.value.contrast ? 'high' : 'normal'; });

export function toggle(name: keyof Settings): void {
  settings.value = { ...settings.value, [name]: !settings.value[name] };
}

/** Blind measuring is a rule of the department, kept in the record (GET /api/setup), not a habit of one browser. */
export const blind = signal(true);
export interface Setup { blind: boolean; history: { blind: boolean; who: string; at: string }[]; may: boolean }
export const setup = signal<Setup | undefined>(undefined);
export function takeSetup(s: Setup): void {
  blind.value = s.blind;
  setup.value = s;
}
