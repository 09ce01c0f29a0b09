// A small strip from the lowest to the highest centile with the value and its uncertainty: a picture of one number.
import type { Centile } from '../model/types';

const ticks = [3, 10, 50, 90, 97];
/** Even steps of z, so that the ends are not squeezed: -3 to +3. */
const place = (c: number) => {
  const p = Math.min(0.9999, Math.max(0.0001, c / 100));
  return Math.min(98, Math.max(2, 50 + (quantile(p) / 3) * 48));
};

/** Standard normal quantile for drawing only (Acklam's rational approximation, relative error below 1.2e-9). */
function quantile(p: number): number {
  const a = [-39.69683028665376, 220.9460984245205, -275.9285104469687, 138.357751867269, -30.66479806614716, 2.506628277459239];
  const b = [-54.47609879822406, 161.5858368580409, -155.6989798598866, 66.80131188771972, -13.28068155288572];
  const c = [-0.007784894002430293, -0.3223964580411365, -2.400758277161838, -2.549732539343734, 4.374664141464968, 2.938163982698783];
  const d = [0.007784695709041462, 0.3224671290700398, 2.445134137142996, 3.754408661907416];
  if (p < 0.02425 || p > 0.97575) {
    const q = Math.sqrt(-2 * Math.log(p < 0.5 ? p : 1 - p));
    const x = (((((c[0]! * q + c[1]!) * q + c[2]!) * q + c[3]!) * q + c[4]!) * q + c[5]!) / ((((d[0]! * q + d[1]!) * q + d[2]!) * q + d[3]!) * q + 1);
    return p < 0.5 ? x : -x;
  }
  const q = p - 0.5;
  const r = q * q;
  return ((((((a[0]! * r + a[1]!) * r + a[2]!) * r + a[3]!) * r + a[4]!) * r + a[5]!) * q) / (((((b[0]! * r + b[1]!) * r + b[2]!) * r + b[3]!) * r + b[4]!) * r + 1);
}

/** Multiples of the median from a half to twice, on a logarithmic scale. */
const multiple = (m: number) => 50 + 48 * Math.max(-1, Math.min(1, Math.log2(m)));

function MultipleStrip({ mom, limits, title }: { mom: number; limits: number[]; title?: string }) {
  const spoken = `${mom.toFixed(2)} multiples of the median${limits.length ? `, limits ${limits.map((v) => v.toFixed(2)).join(', ')}` : ''}${title ? `, ${title}` : ''}`;
  return (
    <svg class="centiles multiples" viewBox="0 0 100 20" preserveAspectRatio="none" role="img" aria-label={spoken}>
      <title>{spoken}</title>
      <line class="tick" x1="2" x2="98" y1="10" y2="10" />
      <line class="tick mid" x1="50" x2="50" y1="4" y2="16" />
      {limits.map((v) => <line key={v} class="tick limit" data-limit={v} x1={multiple(v)} x2={multiple(v)} y1="4" y2="16" />)}
      <line class="needle" x1={multiple(mom)} x2={multiple(mom)} y1="1" y2="19" />
    </svg>
  );
}

/** `limits`: of the rules about a multiple of the median. */
export function CentileStrip({ c, limits = [] }: { c: Centile | undefined; limits?: number[] }) {
  if (!c) return null;
  if (c.multiple && c.mom !== undefined) return <MultipleStrip mom={c.mom} limits={limits} title={c.title} />;
  if (c.refused) return <span class="no-centile" title={`${c.refused.what}. ${c.refused.todo}`}>no centile</span>;
  const at = c.centile ?? ((c.text ?? '').startsWith('<') ? 0.1 : 99.9);
  const low = place(c.low ?? at);
  const high = place(c.high ?? at);
  const spoken = `centile ${c.text ?? at.toFixed(0)}${c.interval_text ? `, 95 % interval ${c.interval_text}` : ''}${c.title ? `, ${c.title}` : ''}`;
  return (
    <svg class="centiles" viewBox="0 0 100 20" preserveAspectRatio="none" role="img" aria-label={spoken}>
      <title>{spoken}</title>
      <rect class="range" x={place(10)} y="7" width={place(90) - place(10)} height="6" />
      {ticks.map((t) => <line key={t} class={t === 50 ? 'tick mid' : 'tick'} x1={place(t)} x2={place(t)} y1="4" y2="16" />)}
      <line class="spread" x1={low} x2={high} y1="10" y2="10" />
      <line class="needle" x1={place(at)} x2={place(at)} y1="1" y2="19" />
    </svg>
  );
}
