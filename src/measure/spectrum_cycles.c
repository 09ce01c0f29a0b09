/* Cycles of an envelope and their indices. Definitions: docs/doppler.md (Gosling 1971, Pourcelot 1974, Stuart 1980;
 * ductus venosus after Hecher et al., Ultrasound Obstet Gynecol 1994;4:381-390). */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_sort.h"
#include "private/spectrum_int.h"

void spectrum_note(ogv_spectrum *s, const char *fmt, ...) {
  size_t n = strlen(s->note);
  va_list ap;
  va_start(ap, fmt);
  if (n && n + 1 < sizeof s->note) {
    s->note[n++] = ' ';
    s->note[n] = 0;
  }
  vsnprintf(s->note + n, sizeof s->note - n, fmt, ap);
  va_end(ap);
}

void spectrum_refuse(ogv_spectrum *s, const char *fmt, ...) {
  va_list ap;
  va_start(ap, fmt);
  s->accepted = false;
  vsnprintf(s->reason, sizeof s->reason, fmt, ap);
  va_end(ap);
}

/* Normalised autocorrelation at an integer lag over the samples that exist in both. */
static double correlation(const double *v, size_t n, size_t lag) {
  double a = 0, b = 0, aa = 0, bb = 0, ab = 0;
  size_t m = 0;
  for (size_t i = 0; i + lag < n; i++) {
    double x = v[i], y = v[i + lag];
    if (isnan(x) || isnan(y)) continue;
    a += x;
    b += y;
    aa += x * x;
    bb += y * y;
    ab += x * y;
    m++;
  }
  if (m < 8) return 0;
  double k = 1.0 / (double)m, va = aa * k - a * k * a * k, vb = bb * k - b * k * b * k;
  return va > 1e-12 && vb > 1e-12 ? (ab * k - a * k * b * k) / sqrt(va * vb) : 0;
}

double spectrum_period(const double *v, size_t n, double lo, double hi, double *confidence) {
  *confidence = 0;
  if (lo < 4) lo = 4;
  if (hi > (double)n * 0.6) hi = (double)n * 0.6;
  if (hi < lo + 3) return 0;
  size_t first = (size_t)lo, last = (size_t)hi;
  double *r = malloc(sizeof *r * (last + 3));
  if (!r) return 0;
  double top = 0;
  for (size_t lag = first - 1; lag <= last + 1; lag++) {
    r[lag] = correlation(v, n, lag);
    if (lag >= first && lag <= last && r[lag] > top) top = r[lag];
  }
  /* The shortest lag whose peak is nearly the highest: multiples of the period peak as well. */
  double lag = 0;
  for (size_t k = first; k <= last && lag == 0; k++)
    if (r[k] >= 0.85 * top && r[k] >= r[k - 1] && r[k] >= r[k + 1] && r[k] > 0.2) {
      double bend = r[k - 1] - 2 * r[k] + r[k + 1];
      lag = (double)k + (bend < 0 ? 0.5 * (r[k - 1] - r[k + 1]) / bend : 0);
      *confidence = r[k];
    }
  free(r);
  return lag;
}

void spectrum_smooth(const double *v, size_t n, double sd, double *out) {
  int reach = (int)ceil(3 * sd);
  for (size_t i = 0; i < n; i++) {
    double sum = 0, weight = 0;
    for (int j = -reach; j <= reach; j++) {
      long k = (long)i + j;
      if (k < 0 || k >= (long)n || isnan(v[k])) continue;
      double g = exp(-0.5 * j * j / (sd * sd));
      sum += g * v[k];
      weight += g;
    }
    out[i] = weight > 0 ? sum / weight : NAN;
  }
}

/* Upstrokes: places of steepest rise, one a period, found from the steepest one outwards so that spacing may vary. */
static size_t upstrokes(const double *slope, size_t n, double period, size_t *at, size_t maximum) {
  size_t seed = 0;
  for (size_t i = 1; i < n; i++)
    if (slope[i] > slope[seed]) seed = i;
  if (!(slope[seed] > 0)) return 0;
  size_t count = 0;
  for (int direction = -1; direction <= 1; direction += 2) {
    size_t here = seed;
    for (;;) {
      double lo = (double)here + direction * period * (direction > 0 ? 0.7 : 1.3);
      double hi = (double)here + direction * period * (direction > 0 ? 1.3 : 0.7);
      if (hi < 0 || lo >= (double)n) break;
      size_t best = 0;
      double top = -1;
      for (long k = (long)ceil(lo < 0 ? 0 : lo); k <= (long)hi && k < (long)n; k++)
        if (slope[k] > top) {
          top = slope[k];
          best = (size_t)k;
        }
      /* A period cut off by the end of the box may show no rise; stop there. */
      if (top < 0.35 * slope[seed] || count + 2 >= maximum) break;
      at[count++] = best;
      here = best;
    }
    if (direction < 0) {
      for (size_t i = 0; i < count / 2; i++) {
        size_t t = at[i];
        at[i] = at[count - 1 - i];
        at[count - 1 - i] = t;
      }
      at[count++] = seed;
    }
  }
  return count;
}

/* Half of the height of an upstroke. */
static double half_level(const double *v, size_t n, size_t up, double period) {
  size_t lo = up, hi = up, reach = (size_t)(0.25 * period);
  for (size_t i = up > reach ? up - reach : 0; i <= up; i++)
    if (v[i] < v[lo]) lo = i;
  for (size_t i = up; i < n && i <= up + reach; i++)
    if (v[i] > v[hi]) hi = i;
  return 0.5 * (v[lo] + v[hi]);
}

/* Where an upstroke passes a level, in samples (NaN when it does not): the sharpest mark of time that a cycle has. */
static double crossing(const double *v, size_t n, size_t up, double period, double level) {
  size_t reach = (size_t)(0.25 * period), first = up > reach ? up - reach : 0;
  for (size_t i = up + 1 < n ? up + 1 : n - 1; i > first; i--)
    if (v[i - 1] <= level && v[i] > level) return (double)(i - 1) + (level - v[i - 1]) / (v[i] - v[i - 1]);
  for (size_t i = up; i + 1 < n && i <= up + reach; i++)
    if (v[i] <= level && v[i + 1] > level) return (double)i + (level - v[i]) / (v[i + 1] - v[i]);
  return NAN;
}

/* The foot of an upstroke: going back from its steepest place, where the rise has fallen to a tenth of the steepest. */
static double foot_of(const double *slope, size_t up, double period) {
  size_t back = (size_t)(0.25 * period), i = up;
  while (i > 0 && up - i < back && slope[i] > 0.1 * slope[up]) i--;
  return (double)i;
}

/* Largest value in [lo,hi], refined by a parabola over its neighbours so that single noisy columns do not set it. */
static double peak(const double *v, size_t lo, size_t hi, size_t *at) {
  size_t k = lo;
  for (size_t i = lo; i <= hi; i++)
    if (v[i] > v[k]) k = i;
  *at = k;
  return v[k];
}

static double mean_over(const double *v, double from, double to, size_t n) {
  double sum = 0, m = 0;
  for (long i = (long)ceil(from); i < (long)ceil(to) && i < (long)n; i++)
    if (i >= 0 && !isnan(v[i])) {
      sum += v[i];
      m++;
    }
  return m > 0 ? sum / m : NAN;
}

typedef struct {
  const double *raw, *fine; /* envelope, and lightly smoothed */
  const double *mean;       /* may be NULL */
  size_t n;
  double dt, wall;
  bool may_hide;
} curve;

/* Flow at the end of diastole: it still falls there, so a line through the last part of the cycle is read at the foot
 * of the next upstroke. Where part of that stretch shows no flow, the median is taken: a line through a step is wrong.
 */
static double end_diastole(const curve *c, double from, double to, double end) {
  double value[256], x = 0, y = 0, xx = 0, xy = 0;
  size_t m = 0, still = 0;
  for (long i = (long)floor(from); i <= (long)ceil(to); i++) {
    if (i < 0 || i >= (long)c->n || isnan(c->raw[i]) || m == 256) continue;
    double u = (double)i - end, v = c->raw[i];
    still += fabs(v) <= c->wall;
    value[m++] = v;
    x += u;
    y += v;
    xx += u * u;
    xy += u * v;
  }
  if (m < 4 || still || value[0] < 0) {
    size_t late = m / 3; /* the earlier third may still belong to falling forward flow */
    return ogv_median(value + late, m - late);
  }
  double d = (double)m * xx - x * x;
  return d > 0 ? (y * xx - x * xy) / d : ogv_median(value, m);
}

#define NEAR_COLUMNS 3 /* so near to an upstroke its flow shows; and so many make a line */
static void arterial_cycle(const curve *c, double start, double end, ogv_spectrum_cycle *out) {
  double t = end - start;
  size_t lo = (size_t)ceil(start), hi = (size_t)(start + 0.6 * t), top = lo;
  if (hi >= c->n) hi = c->n - 1;
  out->psv = peak(c->fine, lo, hi, &top);
  double margin = fmax(0.025 * t, NEAR_COLUMNS);
  out->edv = end_diastole(c, end - margin - fmax(0.165 * t, NEAR_COLUMNS), end - margin, end);
  out->mdv = INFINITY;
  for (size_t i = top; (double)i < end && i < c->n; i++)
    if (c->fine[i] < out->mdv) out->mdv = c->fine[i];
  /* Below the wall filter there is nothing to see: the value is not known better than "not above it". */
  if (fabs(out->edv) <= c->wall) {
    out->edv = 0;
    out->edf = c->may_hide ? OGV_EDF_UNCERTAIN : OGV_EDF_ABSENT;
  } else {
    out->edf = out->edv > 0 ? OGV_EDF_FORWARD : OGV_EDF_REVERSED;
  }
  out->acceleration_s = ((double)top - start) * c->dt;
  out->d_wave = NAN;
  out->pi = (out->psv - out->edv) / out->tamax;
  out->ri = (out->psv - out->edv) / out->psv;
  out->sd_ratio = out->edv > 0 ? out->psv / out->edv : NAN;
}

/* Flow at a trough: a least-squares parabola over 5 % of a cycle on each side, read at its lowest point. The single
 * lowest column would be the one that noise drew furthest down. */
static double trough(const curve *c, double where, double period) {
  double reach = fmax(0.05 * period, 2), s[5] = {0}, y[3] = {0}, least = INFINITY;
  for (long i = (long)ceil(where - reach); i <= (long)(where + reach); i++) {
    if (i < 0 || i >= (long)c->n || isnan(c->raw[i])) continue;
    double u = ((double)i - where) / reach, p = 1;
    for (int k = 0; k < 5; k++, p *= u) {
      s[k] += p;
      if (k < 3) y[k] += p * c->raw[i];
    }
    least = fmin(least, c->fine[i]);
  }
  double det =
      s[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (s[1] * s[4] - s[2] * s[3]) + s[2] * (s[1] * s[3] - s[2] * s[2]);
  if (s[0] < 5 || fabs(det) < 1e-9) return least;
  double a =
      (y[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (y[1] * s[4] - s[3] * y[2]) + s[2] * (y[1] * s[3] - s[2] * y[2])) /
      det;
  double b =
      (s[0] * (y[1] * s[4] - s[3] * y[2]) - y[0] * (s[1] * s[4] - s[2] * s[3]) + s[2] * (s[1] * y[2] - y[1] * s[2])) /
      det;
  double q =
      (s[0] * (s[2] * y[2] - s[3] * y[1]) - s[1] * (s[1] * y[2] - s[2] * y[1]) + y[0] * (s[1] * s[3] - s[2] * s[2])) /
      det;
  double at = q > 0 ? -b / (2 * q) : 0;
  return q > 0 && fabs(at) <= 1 ? a + b * at + q * at * at : least;
}

/* A ductus venosus cycle runs from a-wave trough to a-wave trough: S is the first peak, D the second, v between them.
 */
static void venous_cycle(const curve *c, double start, double end, ogv_spectrum_cycle *out) {
  double t = end - start;
  size_t lo = (size_t)ceil(start), mid = (size_t)(start + 0.5 * t), hi = (size_t)(end - 0.08 * t), s_at, d_at, k;
  if (hi >= c->n) hi = c->n - 1;
  if (mid > hi) mid = hi;
  out->psv = peak(c->fine, lo, mid, &s_at);
  size_t from = s_at + (size_t)(0.2 * t);
  if (from > hi) from = hi;
  out->d_wave = peak(c->fine, from, hi, &d_at);
  k = s_at;
  for (size_t i = s_at; i <= d_at; i++)
    if (c->fine[i] < c->fine[k]) k = i;
  out->mdv = c->fine[k];
  out->edv = 0.5 * (trough(c, start, t) + trough(c, end, t)); /* the a-waves at both ends */
  if (fabs(out->edv) <= c->wall) {
    out->edv = 0;
    out->edf = c->may_hide ? OGV_EDF_UNCERTAIN : OGV_EDF_ABSENT;
  } else {
    out->edf = out->edv > 0 ? OGV_EDF_FORWARD : OGV_EDF_REVERSED;
  }
  out->acceleration_s = ((double)s_at - start) * c->dt;
  out->pi = (out->psv - out->edv) / out->tamax;
  out->ri = (out->psv - out->edv) / out->psv;
  out->sd_ratio = out->edv > 0 ? out->psv / out->edv : NAN;
}

/* Own rule, not published: a cycle whose length or peak is over 20 % from the median of the strip is not used. */
static void reject_outliers(ogv_spectrum *s) {
  double length[OGV_SPECTRUM_CYCLES], top[OGV_SPECTRUM_CYCLES];
  for (size_t i = 0; i < s->n_cycles; i++) {
    length[i] = s->cycles[i].end_s - s->cycles[i].start_s;
    top[i] = s->cycles[i].psv;
  }
  double l = ogv_median(length, s->n_cycles), p = ogv_median(top, s->n_cycles);
  for (size_t i = 0; i < s->n_cycles; i++) {
    ogv_spectrum_cycle *c = &s->cycles[i];
    c->used = true;
    if (fabs(c->end_s - c->start_s - l) > 0.2 * l) snprintf(c->why, sizeof c->why, "length over 20 %% from the median");
    else if (fabs(c->psv - p) > 0.2 * p) snprintf(c->why, sizeof c->why, "peak over 20 %% from the median");
    else if (!isfinite(c->pi) || c->tamax <= 0) snprintf(c->why, sizeof c->why, "no mean flow");
    if (c->why[0]) c->used = false;
    s->n_used += c->used;
  }
}

static ogv_estimate estimate(const ogv_spectrum *s, size_t offset, double calibration, double pixel) {
  double sum = 0, sq = 0, n = 0;
  for (size_t i = 0; i < s->n_cycles; i++) {
    const ogv_spectrum_cycle *c = &s->cycles[i];
    double v;
    memcpy(&v, (const char *)c + offset, sizeof v);
    if (!c->used || isnan(v)) continue;
    sum += v;
    sq += v * v;
    n++;
  }
  if (n < 1) return (ogv_estimate){NAN, NAN};
  double m = sum / n, var = n > 1 ? fmax(0, (sq - n * m * m) / (n - 1)) / n : NAN;
  return (ogv_estimate){m, sqrt(var + calibration * m * calibration * m + pixel * pixel)};
}

/* How well the edge of the flow is known at a velocity: some 0.9 row, and 0.8 % of the velocity, with which the edge
 * grows broader. Measured on the phantom (tests/published/test_spectrum_grid.c), where 1.96 SD then cover the truth. */
static double edge_sd(double velocity, double row) { return hypot(0.9 * row, 0.008 * velocity); }

/* Rate, and what the cycles say about the end of diastole. */
static void summarise_times(ogv_spectrum *s, double cal) {
  double sum = 0, sq = 0, n = 0, absent = 0, reversed = 0, unsure = 0;
  for (size_t i = 0; i < s->n_cycles; i++) {
    const ogv_spectrum_cycle *c = &s->cycles[i];
    if (!c->used) continue;
    double t = c->end_s - c->start_s;
    sum += t;
    sq += t * t;
    n++;
    absent += c->edf == OGV_EDF_ABSENT;
    reversed += c->edf == OGV_EDF_REVERSED;
    unsure += c->edf == OGV_EDF_UNCERTAIN;
  }
  double t = sum / n, sd = n > 1 ? sqrt(fmax(0, (sq - n * t * t) / (n - 1))) : NAN;
  s->rate_bpm.value = 60 / t;
  s->rate_bpm.sd = 60 / t * hypot(n > 1 ? sd / t / sqrt(n) : 0.01, cal);
  s->rate_variability_percent = 100 * sd / t;
  s->edf_share = (absent + reversed + unsure) / n;
  s->edf = unsure > 0 && unsure >= n / 2     ? OGV_EDF_UNCERTAIN
           : reversed == n                   ? OGV_EDF_REVERSED
           : absent == n                     ? OGV_EDF_ABSENT
           : absent + reversed + unsure == 0 ? OGV_EDF_FORWARD
           : absent + reversed + unsure == n ? (reversed >= n / 2 ? OGV_EDF_REVERSED : OGV_EDF_ABSENT)
                                             : OGV_EDF_INTERMITTENT;
}

/* Under the wall filter nothing can be seen: anything there is as likely. What is seen little above it may be the upper
 * end of slower flow, so that counts less and less up to twice the filter (our own rule). */
static double hidden_sd(double edv, double wall) {
  if (!(wall > 0)) return 0;
  return wall / sqrt(3) * fmin(1, fmax(0, 2 - fabs(edv) / wall));
}

/* Analysis windows of some 10 ms, blur and columns show a steep rise early, by about this much: seconds. */
static double rise_shown_early(const ogv_spectrum *s, double column_s) {
  return hypot(0.003, hypot(0.3 * column_s, 0.2 * s->sharpness.time_s));
}

/* The end of diastole is read beyond the last columns that are free of the next upstroke: how far wrong a line may be
 * there, where those few columns are a large part of the beat. */
static double read_beyond(const ogv_spectrum *s, double column_s) {
  double part = NEAR_COLUMNS * column_s * s->rate_bpm.value / 60 - 0.025;
  return 0.25 * fabs(s->tamax.value - s->edv.value) * fmax(0, part);
}

static void widen(ogv_estimate *e, double sd) { e->sd = hypot(e->sd, sd); }

static void summarise(ogv_spectrum *s, const ogv_spectrum_scale *scale) {
  double cal = scale->calibration_sd, row = fabs(scale->cm_s_per_pixel);
  summarise_times(s, cal);
#define OF(member) offsetof(ogv_spectrum_cycle, member)
  s->psv = estimate(s, OF(psv), cal, 0);
  s->edv = estimate(s, OF(edv), cal, 0);
  s->mdv = estimate(s, OF(mdv), cal, 0);
  s->tamax = estimate(s, OF(tamax), cal, 0);
  s->tamean = estimate(s, OF(tamean), cal, 0);
  s->pi = estimate(s, OF(pi), 0, 0); /* ratios do not depend on the scale; the places of the edges do move them */
  s->ri = estimate(s, OF(ri), 0, 0);
  s->sd_ratio = estimate(s, OF(sd_ratio), 0, 0);
  double fall = estimate(s, OF(peak_fall), 0, 0).value;
  s->acceleration_s = estimate(s, OF(acceleration_s), cal, 0.5 * scale->s_per_pixel);
#undef OF
  double psv = fmax(s->psv.value, 1e-9), edv = s->edv.value, mean = fmax(s->tamax.value, 1e-9), pi = s->pi.value,
         ri = s->ri.value;
  double top = hypot(edge_sd(psv, row), 0.5 * fall),
         low = hypot(hypot(edge_sd(edv, row), read_beyond(s, scale->s_per_pixel)),
                     0.7 * row * s->sharpness.time_s / scale->s_per_pixel),
         early = (psv - edv) * rise_shown_early(s, scale->s_per_pixel) * s->rate_bpm.value / 60,
         whole = hypot(hypot(0.5 * row, 0.005 * mean), early), hidden = hidden_sd(edv, s->wall_filter_cm_s),
         together = s->sharpness.edge_rows * row; /* all edges further in or out */
  const struct {
    ogv_estimate *of;
    double own, together;
  } parts[] = {{&s->psv, top, together},
               {&s->edv, hypot(low, hidden), together},
               {&s->mdv, edge_sd(s->mdv.value, row), together},
               {&s->tamax, whole, together},
               {&s->tamean, whole, together},
               {&s->pi, hypot(hypot(hypot(top, low), hidden), whole * pi) / mean, together * pi / mean},
               {&s->ri, hypot(hypot(low, hidden), top * edv / psv) / psv, together * ri / psv}};
  for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) widen(parts[i].of, hypot(parts[i].own, parts[i].together));
  if (edv > 0 && !isnan(s->sd_ratio.value))
    widen(&s->sd_ratio,
          s->sd_ratio.value * hypot(hypot(hypot(low, hidden) / edv, top / psv), together * (1 / edv - 1 / psv)));
}

static void limits_of(ogv_flow_kind kind, double *lo, double *hi) {
  *lo = kind == OGV_FLOW_ARTERIAL_MATERNAL || kind == OGV_FLOW_ARTERIAL_ANY ? 0.33 : 0.26;
  if (kind == OGV_FLOW_ARTERIAL_ANY) *lo = 0.26;
  *hi = kind == OGV_FLOW_ARTERIAL_MATERNAL || kind == OGV_FLOW_ARTERIAL_ANY ? 1.6 : 0.80;
}

/* The systolic upstrokes: the largest rises over an eighth of a cycle, then the steepest place of each. The steepest
 * place alone may be where reverse flow gives way to a small forward wave, a step that the wall filter makes sharp. */
static size_t rises(const double *v, const double *slope, size_t n, double period, size_t *at, double *work) {
  size_t reach = (size_t)fmax(1, 0.06 * period);
  for (size_t i = 0; i < n; i++) {
    double d = v[i + reach < n ? i + reach : n - 1] - v[i > reach ? i - reach : 0];
    work[i] = isnan(d) ? 0 : d;
  }
  size_t m = upstrokes(work, n, period, at, OGV_SPECTRUM_CYCLES);
  for (size_t i = 0; i < m; i++) {
    size_t lo = at[i] > reach ? at[i] - reach : 0, hi = at[i] + reach < n ? at[i] + reach : n - 1, best = at[i];
    for (size_t k = lo; k <= hi; k++)
      if (slope[k] > slope[best]) best = k;
    at[i] = best;
  }
  return m;
}

/* Moves marks of time from soft turning points to one common distance before the passing of one level, which is sharp.
 * up[i] is the steepest place of the rise that belongs to soft[i]. A rise cut off by the end of the box may not reach
 * the level; its cycle is not complete then. */
static size_t sharpen(const double *v, size_t n, double period, const size_t *up, const double *soft, size_t m,
                      double *starts) {
  double lead[OGV_SPECTRUM_CYCLES + 2], level[OGV_SPECTRUM_CYCLES + 2];
  size_t kept = 0;
  for (size_t i = 0; i < m; i++) level[i] = half_level(v, n, up[i], period);
  double common = ogv_median(level, m);
  for (size_t i = 0; i < m; i++) {
    double t = crossing(v, n, up[i], period, common);
    if (isnan(t)) continue;
    starts[kept] = t;
    lead[kept++] = t - soft[i];
  }
  double before = ogv_median(lead, kept);
  for (size_t i = 0; i < kept; i++) starts[i] -= before;
  return kept;
}

/* Start of every cycle, in samples. Arteries: feet of the upstrokes. Ductus venosus: the deepest troughs, timed by the
 * rise from the a-wave to the S-wave that follows them. */
static size_t cycle_starts(const double *v, const double *slope, size_t n, double period, ogv_flow_kind kind,
                           double *work, double *starts) {
  size_t at[OGV_SPECTRUM_CYCLES + 2];
  double soft[OGV_SPECTRUM_CYCLES + 2] = {0};
  if (kind != OGV_FLOW_DUCTUS_VENOSUS) {
    size_t m = rises(v, slope, n, period, at, work);
    for (size_t i = 0; i < m; i++) soft[i] = foot_of(slope, at[i], period);
    return sharpen(v, n, period, at, soft, m, starts);
  }
  double top = -INFINITY;
  for (size_t i = 0; i < n; i++)
    if (v[i] > top) top = v[i];
  for (size_t i = 0; i < n; i++) work[i] = isnan(v[i]) ? 0 : top - v[i];
  size_t m = upstrokes(work, n, period, at, OGV_SPECTRUM_CYCLES), up[OGV_SPECTRUM_CYCLES + 2] = {0};
  for (size_t i = 0; i < m; i++) {
    soft[i] = (double)at[i];
    up[i] = at[i];
    for (size_t k = at[i]; k < n && (double)k < (double)at[i] + 0.3 * period; k++)
      if (slope[k] > slope[up[i]]) up[i] = k;
  }
  size_t kept = sharpen(v, n, period, up, soft, m, starts);
  /* Too few rises in view: the troughs themselves. */
  if (kept >= 2 || m <= kept) return kept;
  memcpy(starts, soft, m * sizeof *starts);
  return m;
}

/* Blurs the curve once more as much as the picture and its columns have blurred it. */
static void measure_falls(ogv_spectrum *s, const double *fine, size_t n, double dt, double *work) {
  spectrum_smooth(fine, n, hypot(0.3, s->sharpness.time_s / dt), work);
  for (size_t i = 0; i < s->n_cycles; i++) {
    ogv_spectrum_cycle *c = &s->cycles[i];
    size_t lo = (size_t)(c->start_s / dt), hi = (size_t)((c->start_s + 0.6 * (c->end_s - c->start_s)) / dt), at;
    if (hi >= n) hi = n - 1;
    c->peak_fall = fmax(0, peak(fine, lo, hi, &at) - peak(work, lo, hi, &at));
  }
}

#define SD_FINE 0.3
/* Whether every sample of a cycle was seen. */
static bool complete(const double *v, double from, double to, size_t n) {
  size_t gaps = 0, all = 0;
  if (from < 0) return false;
  for (long i = (long)ceil(from); i < (long)to && i < (long)n; i++, all++) gaps += isnan(v[i]);
  return all > 3 && gaps <= all / 20;
}

ogv_status spectrum_cycles(ogv_spectrum *s, const ogv_spectrum_scale *scale, ogv_flow_kind kind, double dt, bool traced,
                           bool flow_may_hide, ogv_error *err) {
  size_t n = s->columns;
  double *work = malloc(sizeof(double) * 4 * n), *fine = work, *coarse = work + n, *slope = work + 2 * n;
  if (!work) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (traced) spectrum_smooth(s->vmax, n, fmax(SD_FINE, 0.003 / dt), fine);
  else memcpy(fine, s->vmax, n * sizeof *fine);
  spectrum_smooth(s->vmax, n, traced ? fmax(1.0, 0.012 / dt) : 0.6, coarse);
  slope[0] = slope[n - 1] = 0;
  for (size_t i = 1; i + 1 < n; i++) {
    slope[i] = 0.5 * (coarse[i + 1] - coarse[i - 1]);
    if (isnan(slope[i])) slope[i] = 0;
  }
  double lo, hi;
  limits_of(kind, &lo, &hi);
  double period = spectrum_period(coarse, n, lo / dt, hi / dt, &s->period_confidence);
  double starts[OGV_SPECTRUM_CYCLES + 2];
  size_t m = 0;
  if (period > 0 && s->period_confidence >= 0.45)
    m = cycle_starts(coarse, slope, n, period, kind, work + 3 * n, starts);
  curve c = {s->vmax, fine, s->vmean, n, dt, s->wall_filter_cm_s, flow_may_hide};
  for (size_t i = 0; i + 1 < m && s->n_cycles < OGV_SPECTRUM_CYCLES; i++) {
    if (!complete(s->vmax, starts[i], starts[i + 1], n)) continue;
    ogv_spectrum_cycle *y = &s->cycles[s->n_cycles++];
    *y = (ogv_spectrum_cycle){.start_s = starts[i] * dt, .end_s = starts[i + 1] * dt};
    y->tamax = mean_over(s->vmax, starts[i], starts[i + 1], n);
    y->tamean = s->vmean ? mean_over(s->vmean, starts[i], starts[i + 1], n) : NAN;
    if (kind == OGV_FLOW_DUCTUS_VENOSUS) venous_cycle(&c, starts[i], starts[i + 1], y);
    else arterial_cycle(&c, starts[i], starts[i + 1], y);
  }
  measure_falls(s, fine, n, dt, work + n);
  free(work);
  if (period <= 0 || s->period_confidence < 0.45) {
    spectrum_refuse(s,
                    "No regular cycle found (best repeat %.0f %%): record 3 or more similar cycles without breathing "
                    "or movement.",
                    100 * s->period_confidence);
    return OGV_OK;
  }
  reject_outliers(s);
  if (s->n_used < 2) {
    spectrum_refuse(s, "%s complete cycle that fits the others in the box: record at least 3 similar cycles.",
                    s->n_used ? "Only one" : "No");
    return OGV_OK;
  }
  summarise(s, scale);
  s->accepted = true;
  if (s->n_used < 3) spectrum_note(s, "Only %zu complete cycles; 3 or more are advised.", s->n_used);
  s->irregular = s->n_used * 2 < s->n_cycles;
  if (s->irregular)
    spectrum_refuse(s,
                    "Irregular: %zu of %zu cycles differ by over 20 %% in length or peak. Measure cycles by hand or "
                    "record again.",
                    s->n_cycles - s->n_used, s->n_cycles);
  else {
    if (s->n_used < s->n_cycles)
      spectrum_note(s, "%zu of %zu cycles left out: over 20 %% apart from the others in length or peak.",
                    s->n_cycles - s->n_used, s->n_cycles);
    if (s->rate_variability_percent > 12)
      spectrum_note(s, "Cycle lengths vary by %.0f %%.", s->rate_variability_percent);
  }
  return OGV_OK;
}

void ogv_spectrum_choose(ogv_spectrum *s, const ogv_spectrum_scale *scale, const ogv_spectrum_choice *list, size_t n) {
  if (!n || (!s->accepted && !s->irregular)) return;
  for (size_t k = 0; k < n; k++)
    for (size_t i = 0; i < s->n_cycles; i++) {
      ogv_spectrum_cycle *c = &s->cycles[i];
      if (!(list[k].at_s >= c->start_s && list[k].at_s < c->end_s)) continue;
      c->used = list[k].used && isfinite(c->pi) && c->tamax > 0;
      snprintf(c->why, sizeof c->why, "%s", c->used ? "" : list[k].used ? "no mean flow" : "left out by hand");
    }
  s->n_used = 0;
  for (size_t i = 0; i < s->n_cycles; i++) s->n_used += s->cycles[i].used;
  s->irregular = false;
  s->reason[0] = 0;
  s->accepted = s->n_used >= 2;
  if (s->accepted) summarise(s, scale);
  else spectrum_refuse(s, "Fewer than two cycles are taken: take another one in.");
}
