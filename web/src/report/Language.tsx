// The language of reports: those that the program has words for, each with what is to be known about its translation.
import { signal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { get } from '../api';
import { trouble } from '../ui/notices';

interface Language { language: string; name: string; about: string }
const languages = signal<Language[]>([]);
const unreviewed = 'Not yet reviewed by a clinician who works in this language. That has to come before reports in it leave the department.';

export function LanguageChoice({ value, label, choose }: { value: string; label: string; choose: (language: string) => void }) {
  useEffect(() => { if (!languages.value.length) get<{ languages: Language[] }>('/api/languages').then((a) => { languages.value = a.languages; }, trouble); }, []);
  const own = languages.value.find((l) => l.language === value);
  return (
    <>
      <select aria-label={label} value={value} onChange={(e) => choose(e.currentTarget.value)}>{languages.value.map((l) => <option key={l.language} value={l.language} lang={l.language}>{l.name}{l.about ? ' (not reviewed)' : ''}</option>)}</select>
      {own?.about && <p class="warning language-note" role="note"><span aria-hidden="true">!</span>{unreviewed}</p>}
    </>
  );
}
