// The draft behind the next report: changed sentences, chosen pictures, the return visit. Every save says which version it saw.
import { signal } from '@preact/signals';
import { get, send, who } from '../api';
import { examId, reload } from '../model/exam';
import { askName } from '../ui/name';
import { trouble } from '../ui/notices';
import type { OpenItem } from './facts';

export interface Edits { sentences?: Record<string, { text?: string; hidden?: boolean; who?: string }>; added?: { id: string; text: string; who?: string }[]; return_date?: string; no_return?: boolean }
export interface Content { edits?: Edits; settings?: Record<string, unknown> }
export interface StoredReport {
  id: string; number: number; state: 'draft' | 'signed' | 'amended'; amends: string | null; amended_by: string | null; reason: string; sha256: string; when: string;
  signatures: { name: string; role: string; when: string; who: string }[];
}
export interface Signing {
  seen: string; pages: number; open: OpenItem[]; draft: { content: Content; version: number; who: string | null; when: string | null }; reports: StoredReport[];
  changes: { what: string; before: string; after: string }[] | null; awaits_second: boolean; second_needed: boolean; may_sign: boolean;
}
export const signing = signal<Signing | undefined>(undefined);

export async function loadSigning(): Promise<void> {
  if (!examId.value) return;
  try { signing.value = await get<Signing>(`/api/exams/${examId.value}/sign`); } catch (e) { trouble(e); }
}

async function save(fn: (c: Content) => void): Promise<boolean> {
  if (!who.value && !await askName()) return false;
  try {
    const now = signing.value?.draft ?? await get<Signing['draft']>(`/api/exams/${examId.value}/draft`);
    const content = structuredClone(now.content);
    fn(content);
    await send('PUT', `/api/exams/${examId.value}/draft`, { content, version: now.version });
    await reload();
    await loadSigning();
    return true;
  } catch (e) {
    trouble(e);
    await loadSigning();
    return false;
  }
}

export const saveEdits = (fn: (e: Edits) => void) => save((c) => { c.edits ??= {}; fn(c.edits); });
export const saveSettings = (fn: (s: Record<string, unknown>) => void) => save((c) => { c.settings ??= {}; fn(c.settings); });
