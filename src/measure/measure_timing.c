#include "measure_timing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/spectrum_int.h"

#define SMOOTH_S 0.006 /* SD of the smoothing over time: both onsets move by the same few milliseconds */

typedef struct {
  const double *in, *out; /* smoothed envelopes of both sides, pixels from the baseline */
  size_t n;
  double period; /* samples */
} flows;

/* Onset of the wave whose peak is at `top`: the line through its rise at 25 and 60 % of its height above `floor`, read
 * at the floor. A line, not the first visible flow, so that the wall filter does not delay it. The rule and its two
 * heights are our own choice, tried on the phantom only; no publication was seen that states one. */
static double onset(const double *v, size_t from, size_t top, double floor) {
  double height = v[top] - floor, at[2] = {NAN, NAN};
  static const double part[] = {0.25, 0.6};
  for (int k = 0; k < 2; k++) {
    double t = floor + part[k] * height;
    for (size_t i = top; i > from; i--)
      if (v[i] >= t && v[i - 1] < t) {
        at[k] = (double)(i - 1) + (t - v[i - 1]) / (v[i] - v[i - 1]);
        break;
      }
  }
  return at[0] - (at[1] - at[0]) * part[0] / (part[1] - part[0]); /* NaN when either is missing */
}

static size_t highest(const double *v, size_t from, size_t to) {
  size_t k = from;
  for (size_t i = from; i <= to; i++)
    if (v[i] > v[k]) k = i;
  return k;
}

/* Peaks of outflow, one a period, from the highest one outwards. */
static size_t outflow_peaks(const flows *f, size_t *at) {
  size_t first = highest(f->out, 0, f->n - 1), count = 0;
  double phase = fmod((double)first, f->period), level = 0.5 * f->out[first];
  for (double centre = phase; centre < (double)f->n && count < OGV_TIMING_BEATS; centre += f->period) {
    size_t lo = centre > 0.25 * f->period ? (size_t)(centre - 0.25 * f->period) : 0,
           hi = (size_t)fmin((double)f->n - 1, centre + 0.25 * f->period), k = highest(f->out, lo, hi);
    if (f->out[k] < level || k == lo || k == hi) continue;
    at[count++] = k;
    centre = (double)k; /* spacing may vary from beat to beat */
  }
  return count;
}

/* The A wave that ends before this outflow: its onset, NaN when it is not seen by itself. */
static double atrial_onset(const flows *f, double outflow, bool *fused) {
  long lo = (long)(outflow - 0.5 * f->period), hi = (long)outflow;
  *fused = false;
  if (lo < 1 || hi >= (long)f->n) return NAN;
  double top_of_all = f->in[highest(f->in, (size_t)lo, (size_t)hi)];
  /* The last wave: back from the outflow to the first maximum of some height. */
  long peak = hi;
  while (peak > lo && (f->in[peak] < 0.35 * top_of_all || f->in[peak - 1] > f->in[peak])) peak--;
  if (peak <= lo) return NAN;
  /* Its foot towards the E wave: the lowest place before flow rises again to that of the E wave. */
  long foot = peak;
  for (long i = peak; i >= lo && f->in[i] < f->in[foot] + 0.2 * f->in[peak]; i--)
    if (f->in[i] < f->in[foot]) foot = i;
  if (f->in[foot] > 0.75 * f->in[peak]) {
    *fused = true;
    return NAN;
  }
  /* With flow left between the waves, A begins where they meet; with hardly any, where the line of its rise leaves the
   * baseline. */
  return f->in[foot] > 0.22 * f->in[peak] ? (double)foot : onset(f->in, (size_t)foot, (size_t)peak, 0);
}

static void refuse(ogv_av_timing *t, const char *why) {
  snprintf(t->interval.reason, sizeof t->interval.reason, "%s", why);
}

/* The beats that show both onsets, with this side as outflow; how many have E and A as one wave. */
static void read_beats(const flows *f, int x0, ogv_av_timing *t, int *fused) {
  size_t peak[OGV_TIMING_BEATS], n = outflow_peaks(f, peak);
  t->n = 0;
  *fused = 0;
  for (size_t i = 0; i < n; i++) {
    size_t from = peak[i] > (size_t)(0.3 * f->period) ? peak[i] - (size_t)(0.3 * f->period) : 0;
    double o = onset(f->out, from, peak[i], 0);
    if (isnan(o)) continue;
    bool one_wave;
    double a = atrial_onset(f, o, &one_wave);
    *fused += one_wave;
    if (isnan(a)) continue;
    t->beat[t->n++] = (ogv_av_beat){x0 + a, x0 + o, true};
  }
}

/* Waves in a curve: rises and falls by a fifth of its height, so that speckle does not count. */
static int waves(const double *v, size_t n) {
  double step = 0.2 * v[highest(v, 0, n - 1)], low = v[0], high = v[0];
  int count = 0;
  bool rising = false;
  for (size_t i = 1; i < n; i++) {
    if (rising) {
      if (v[i] > high) high = v[i];
      else if (v[i] < high - step) {
        rising = false;
        count++;
        low = v[i];
      }
    } else {
      if (v[i] < low) low = v[i];
      else if (v[i] > low + step) {
        rising = true;
        high = v[i];
      }
    }
  }
  return count;
}

/* Which side is outflow follows from the beat itself: outflow is one wave, inflow is two (E and A). */
static ogv_status both_ways(const double *up, const double *down, size_t n, const ogv_spectrum_scale *scale,
                            ogv_av_timing *out) {
  double dt = scale->s_per_pixel, sure[2], period[2], each[2];
  const double *side[2] = {up, down};
  for (int k = 0; k < 2; k++) {
    period[k] = spectrum_period(side[k], n, 0.26 / dt, 0.8 / dt, &sure[k]);
    if (sure[k] < 0.45) period[k] = 0;
  }
  /* E and A may be so alike that one of them looks like the beat: the slower of both sides has it. */
  double beat = fmax(period[0], period[1]);
  if (beat <= 0) {
    refuse(out, "No regular beat was found: record 3 or more similar beats.");
    return OGV_OK;
  }
  for (int k = 0; k < 2; k++) each[k] = waves(side[k], n) * beat / (double)n;
  int outflow = each[0] < each[1] ? 0 : 1;
  if (!(each[outflow] > 0.6 && each[outflow] < 1.4 && each[!outflow] > 1.5)) {
    refuse(out, each[!outflow] < 1.5 && each[outflow] > 0.6
                    ? "E and A waves are not seen apart on either side: record at a slower rate, or use the M-mode."
                    : "It is not clear which side is inflow and which outflow: record with less noise.");
    return OGV_OK;
  }
  flows f = {side[!outflow], side[outflow], n, beat};
  int fused;
  out->outflow_below = outflow == 1;
  out->beat_s = beat * dt;
  read_beats(&f, scale->x0, out, &fused);
  ogv_av_reckon(out, dt, scale->calibration_sd);
  if (out->n < 3 && fused > out->n)
    refuse(out,
           "The E and A waves are fused, so the onset of A is not seen: record at a slower rate or use the M-mode.");
  return OGV_OK;
}

ogv_status ogv_av_interval_from_spectrum(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_av_timing *out,
                                         ogv_error *err) {
  *out = (ogv_av_timing){.interval = {.ms = NAN, .sd_ms = NAN}, .beat_s = NAN};
  OGV_TRY(spectrum_check(picture, scale, err));
  spectrum_box box;
  OGV_TRY(spectrum_box_prepare(picture, scale, &box, err));
  size_t n = (size_t)box.columns;
  double *v = malloc(sizeof(double) * 5 * n), *edge = v ? v + 2 * n : NULL, *sure = v ? v + 4 * n : NULL;
  ogv_status s = v ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  double high[2] = {0};
  for (int k = 0; k < 2 && s == OGV_OK; k++) {
    s = spectrum_side_envelope(&box, k ? &box.down : &box.up, 2, edge + (size_t)k * n, sure, NULL, err);
    if (s != OGV_OK) break;
    spectrum_smooth(edge + (size_t)k * n, n, fmax(0.7, SMOOTH_S / scale->s_per_pixel), v + (size_t)k * n);
    for (size_t i = 0; i < n; i++) high[k] = fmax(high[k], v[(size_t)k * n + i]);
  }
  if (s == OGV_OK) {
    if (high[0] < 8 || high[1] < 8)
      refuse(out, "Flow is seen on one side of the baseline only: place the gate where inflow and outflow meet.");
    else s = both_ways(v, v + n, n, scale, out);
  }
  free(v);
  spectrum_box_free(&box);
  return s;
}
