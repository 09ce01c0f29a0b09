// Small pieces of text: dates, ages, numbers. The server rounds values; these only set them.
export function gaText(days: number | undefined | null): string {
  if (days === undefined || days === null || !Number.isFinite(days)) return '';
  const d = Math.round(days);
  return `${Math.floor(d / 7)}w${d % 7}d`;
}

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];
/** 2026-04-11 -> 11 Apr 2026: no reader can mistake day for month. */
export function dateText(iso: string | undefined | null): string {
  const m = /^(\d{4})-?(\d{2})-?(\d{2})/.exec(iso ?? '');
  return m ? `${Number(m[3])} ${months[Number(m[2]) - 1] ?? '?'} ${m[1]}` : '';
}

export function dayNumber(iso: string | undefined | null): number | undefined {
  const m = /^(\d{4})-?(\d{2})-?(\d{2})/.exec(iso ?? '');
  return m ? Date.UTC(Number(m[1]), Number(m[2]) - 1, Number(m[3])) / 86400000 : undefined;
}

export function timeText(t: string | undefined | null): string {
  const m = /^(\d{2}):?(\d{2})/.exec(t ?? '');
  return m ? `${m[1]}:${m[2]}` : '';
}

/** An instant by the reader's own clock, in the same plain form as dates. */
export function whenText(iso: string | undefined): string {
  const d = iso ? new Date(iso) : undefined;
  if (!d || Number.isNaN(d.valueOf())) return '';
  const two = (n: number) => String(n).padStart(2, '0');
  return `${d.getDate()} ${months[d.getMonth()]} ${d.getFullYear()} ${two(d.getHours())}:${two(d.getMinutes())}`;
}

export const unitText: Record<string, string> = {
  mm: 'mm', g: 'g', '1': '', '/min': '/min', 'cm/s': 'cm/s', d: 'd', mL: 'mL', mm2: 'mm²', deg: '°', '%': '%', ms: 'ms', s: 's',
};

export function newKey(): string {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return [...bytes].map((b) => b.toString(16).padStart(2, '0')).join('');
}
