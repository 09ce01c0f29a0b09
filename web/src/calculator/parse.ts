// What people type: numbers with point or comma, ages as 20w3d or 20+3.

/** NaN when it is not a number; undefined when empty. */
export function numberOf(text: string): number | undefined {
  const t = text.trim().replace(',', '.');
  if (!t) return undefined;
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(t) ? Number(t) : NaN;
}

/** Days; NaN when it is not an age; undefined when empty. */
export function ageOf(text: string): number | undefined {
  const t = text.trim();
  if (!t) return undefined;
  const m = /^(\d{1,2})\s*(?:w|\+)\s*([0-6])?\s*d?$/.exec(t);
  if (m) return Number(m[1]) * 7 + Number(m[2] ?? 0);
  const d = /^(\d{2,3})\s*d$/.exec(t);
  return d ? Number(d[1]) : NaN;
}
