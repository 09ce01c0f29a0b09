#include "private/phantom_wave.h"

#include <string.h>

#include "private/phantom_math.h"

static double bump(double p, double at, double width) {
  double d = p - at;
  return ph_exp(-d * d / (2 * width * width));
}

/* Systolic rise to 1 at phase `rise`, then a decay towards 0 at `end`; k > 0 sets how fast it falls. */
static double arterial(double p, double rise, double end, double k) {
  if (p < rise) return 0.5 - 0.5 * ph_cos(PH_PI * p / rise);
  if (p >= end) return 0;
  double u = (p - rise) / (end - rise), e = ph_exp(-k);
  return (ph_exp(-k * u) - e) / (1 - e);
}

static double raw_shape(const ogv_phantom_spectrum_options *o, double p, double k) {
  switch (o->vessel) {
    case OGV_PHANTOM_IN_OUT: { /* a cycle runs from outflow to outflow */
      double a = 1 - ph_clamp(o->av_ms * o->rate_bpm / 60000, 0.1, 0.45), e = a - 0.19;
      double out = p < 0.4 ? -1.25 * ph_sin(PH_PI * p / 0.4) : 0;
      double early = p > e && p < a + 0.02 ? 0.8 * ph_sin(PH_PI * (p - e) / (a + 0.02 - e)) : 0;
      double late = p > a && p < a + 0.19 ? ph_sin(PH_PI * (p - a) / 0.19) : 0;
      return out + (early > late ? early : late);
    }
    case OGV_PHANTOM_DUCTUS: /* systolic and early-diastolic peaks, atrial dip at the end of the cycle */
      return 0.55 + 0.45 * bump(p, 0.30, 0.11) + 0.33 * bump(p, 0.58, 0.09) - (0.25 + 0.04 * k) * bump(p, 0.93, 0.055) -
             (0.25 + 0.04 * k) * bump(p, -0.07, 0.055);
    case OGV_PHANTOM_UTERINE: {
      double v = arterial(p, 0.16, 1, k);
      double dip = o->notch * 0.75 * (v + 0.12);
      return v - dip * bump(p, 0.40, 0.035);
    }
    case OGV_PHANTOM_MCA: return arterial(p, 0.13, 1, k);
    default:
      if (o->diastole == OGV_PHANTOM_ABSENT) return arterial(p, 0.2, 1 - ph_clamp(o->absent_fraction, 0.1, 0.6), 1.2);
      if (o->diastole == OGV_PHANTOM_REVERSED) {
        double f = ph_clamp(o->reversed_fraction, 0.03, 0.6);
        double stop = 0.62;
        return arterial(p, 0.2, stop, 1.0) -
               f * (p > stop ? ph_sin(PH_PI * ph_clamp((p - stop) / (1 - stop), 0, 1)) : 0);
      }
      return arterial(p, 0.2, 1, k);
  }
}

/* Tabulates, rounds the corners (a circular Gaussian), turns so that the cycle starts at its foot, scales to 0..1. */
static void build_shape(const ogv_phantom_spectrum_options *o, double k, ph_wave *w) {
  double raw[PH_SHAPE], soft[PH_SHAPE];
  for (int i = 0; i < PH_SHAPE; i++) raw[i] = raw_shape(o, (double)i / PH_SHAPE, k);
  double sigma = 0.018 * PH_SHAPE;
  int r = (int)(3 * sigma);
  double kernel[200], sum = 0;
  for (int j = -r; j <= r; j++) sum += kernel[j + r] = ph_exp(-0.5 * j * j / (sigma * sigma));
  bool fixed_zero =
      o->diastole == OGV_PHANTOM_ABSENT || o->diastole == OGV_PHANTOM_REVERSED || o->vessel == OGV_PHANTOM_IN_OUT;
  for (int i = 0; i < PH_SHAPE; i++) {
    double s = 0;
    for (int j = -r; j <= r; j++) s += kernel[j + r] * raw[(i + j + PH_SHAPE) % PH_SHAPE];
    soft[i] = s / sum;
  }
  int foot = 0;
  double lo = 1e9, hi = -1e9;
  for (int i = 0; i < PH_SHAPE; i++) {
    /* The foot is looked for near the nominal start only: the last part of the cycle and the first. */
    int j = (i + PH_SHAPE - PH_SHAPE / 5) % PH_SHAPE;
    bool near = i < PH_SHAPE / 4;
    if (near && soft[j] <= lo + (fixed_zero ? 1e-9 : 0)) lo = soft[j], foot = j;
    if (soft[i] > hi) hi = soft[i];
  }
  if (o->diastole == OGV_PHANTOM_REVERSED) { /* a cycle starts where the flow turns forward */
    foot = 0;
    for (int i = PH_SHAPE - PH_SHAPE / 8; i < PH_SHAPE + PH_SHAPE / 8; i++)
      if (soft[i % PH_SHAPE] < 0) foot = (i + 1) % PH_SHAPE;
  }
  if (o->vessel == OGV_PHANTOM_IN_OUT) foot = 0;
  if (fixed_zero) lo = 0;
  w->mean = 0;
  for (int i = 0; i < PH_SHAPE; i++) {
    double v = (soft[(i + foot) % PH_SHAPE] - lo) / (hi - lo);
    if (o->diastole == OGV_PHANTOM_ABSENT && v < 1e-4) v = 0;
    w->shape[i] = v;
    w->mean += v / PH_SHAPE;
  }
  w->shape[PH_SHAPE] = w->shape[0];
}

void ph_wave_make(const ogv_phantom_spectrum_options *o, double length_s, ph_wave *w) {
  memset(w, 0, sizeof *w);
  w->psv = o->psv_cm_s;
  w->scaled_only =
      (o->diastole != OGV_PHANTOM_FORWARD && o->vessel == OGV_PHANTOM_UMBILICAL) || o->vessel == OGV_PHANTOM_IN_OUT;
  double k = o->vessel == OGV_PHANTOM_MCA || o->vessel == OGV_PHANTOM_UTERINE ? 2.6 : 1.6;
  build_shape(o, k, w);
  if (!w->scaled_only) {
    /* d = PSV-EDV follows from PI = d / (EDV + mean d). A high PI needs a shape with a small mean; EDV stays >= 6 %. */
    for (int i = 0; i < 40 && o->pi * w->psv / (1 + o->pi * (1 - w->mean)) > 0.94 * w->psv; i++)
      build_shape(o, k += 0.35, w);
    double d = o->pi * w->psv / (1 + o->pi * (1 - w->mean));
    if (d > 0.985 * w->psv) d = 0.985 * w->psv;
    w->edv = w->psv - d;
  }
  ph_rng r = ph_rng_of(o->seed, 11);
  double cycle = 60 / o->rate_bpm, t = -cycle * (0.05 + 0.9 * ph_uniform(&r)), breath = ph_range(&r, 0, 2 * PH_PI);
  double drift = 0;
  while (w->n < 78) {
    drift = 0.5 * drift + ph_gauss(&r) * 0.87;
    w->foot[w->n] = t;
    w->gain[w->n] = 1 + o->amplitude_jitter * ph_sin(breath + 2 * PH_PI * t / 1.3);
    t += cycle * (1 + o->rate_jitter * ph_clamp(drift, -2.5, 2.5));
    w->n++;
    if (t > length_s + cycle) break;
  }
  w->foot[w->n] = t;
  w->gain[w->n] = 1;
}

double ph_wave_at(const ph_wave *w, double t) {
  int i = 0;
  while (i < w->n - 1 && t >= w->foot[i + 1]) i++;
  double p = (t - w->foot[i]) / (w->foot[i + 1] - w->foot[i]);
  p = ph_clamp(p, 0, 1) * PH_SHAPE;
  int k = (int)p;
  if (k >= PH_SHAPE) k = PH_SHAPE - 1;
  double s = w->shape[k] + (w->shape[k + 1] - w->shape[k]) * (p - k);
  /* The amplitude follows the beats smoothly: equal to gain[i] around the peak, halfway to the next beat at the foot.
   */
  double g0 = i > 0 ? 0.5 * (w->gain[i - 1] + w->gain[i]) : w->gain[i], g1 = 0.5 * (w->gain[i] + w->gain[i + 1]);
  double q = p / PH_SHAPE,
         g = q < 0.25 ? g0 + (w->gain[i] - g0) * q * 4 : w->gain[i] + (g1 - w->gain[i]) * (q - 0.25) / 0.75;
  double v = w->scaled_only ? w->psv * s : w->edv + (w->psv - w->edv) * s;
  return v * g;
}
