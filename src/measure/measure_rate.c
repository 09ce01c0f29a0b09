#include "measure_rate.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/period_int.h"
#include "private/spectrum_int.h"

#define SLOWEST_S 1.2  /* 50 beats a minute */
#define FASTEST_S 0.25 /* 240 beats a minute */

static void refuse(ogv_rate *r, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void refuse(ogv_rate *r, const char *fmt, ...) {
  va_list ap;
  va_start(ap, fmt);
  vsnprintf(r->reason, sizeof r->reason, fmt, ap);
  va_end(ap);
  r->accepted = false;
  r->bpm = r->sd = NAN;
}

/* Takes the running mean over +-half samples out of a signal: movement of mother, probe and fetus is slower than a
 * beat. */
static void high_pass(float *v, size_t n, size_t half, double *sums) {
  sums[0] = 0;
  for (size_t i = 0; i < n; i++) sums[i + 1] = sums[i] + v[i];
  for (size_t i = 0; i < n; i++) {
    size_t lo = i > half ? i - half : 0, hi = i + half + 1 < n ? i + half + 1 : n;
    v[i] = (float)(v[i] - (sums[hi] - sums[lo]) / (double)(hi - lo));
  }
}

/* Sum over all rows of the lagged product, normalised by the energy of both parts. */
static double repeat(const float *v, size_t rows, size_t n, size_t lag) {
  double ab = 0, aa = 0, bb = 0;
  for (size_t r = 0; r < rows; r++) {
    const float *p = v + r * n;
    float sab = 0, saa = 0, sbb = 0;
    for (size_t i = 0; i + lag < n; i++) {
      sab += p[i] * p[i + lag];
      saa += p[i] * p[i];
      sbb += p[i + lag] * p[i + lag];
    }
    ab += sab;
    aa += saa;
    bb += sbb;
  }
  return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
}

/* Best lag near `about`, refined by a parabola; *height is the peak. 0 when the best lies at the end of the range. */
static double refine(const double *r, size_t lo, size_t hi, double *height) {
  size_t k = lo;
  for (size_t i = lo; i <= hi; i++)
    if (r[i] > r[k]) k = i;
  *height = r[k];
  if (k == lo || k == hi) return 0;
  double bend = r[k - 1] - 2 * r[k] + r[k + 1];
  return (double)k + (bend < 0 ? 0.5 * (r[k - 1] - r[k + 1]) / bend : 0);
}

/* The beat: the shortest lag whose repeat is nearly the best one; then sharpened at a multiple, where one beat's error
 * is divided by their number. */
static double beat_of(const double *r, size_t lo, size_t hi, size_t longest, double *confidence, double *last) {
  double top = 0;
  for (size_t k = lo; k <= hi; k++) top = fmax(top, r[k]);
  double lag = 0;
  for (size_t k = lo + 1; k + 1 <= hi && lag == 0; k++)
    if (r[k] >= 0.8 * top && r[k] >= r[k - 1] && r[k] >= r[k + 1] && r[k] > 0.1)
      lag = refine(r, k - 1, k + 1, confidence);
  *last = lag;
  for (int m = 2; lag > 0 && m <= 6; m++) {
    double spread = 0.12 * lag, h;
    size_t a = (size_t)(m * lag - spread), b = (size_t)(m * lag + spread) + 1;
    if (b + 1 > longest || b < a + 2) break;
    double far = refine(r, a, b, &h);
    if (far == 0 || h < 0.4 * *confidence) break;
    lag = far / m;
    *last = far;
  }
  return lag;
}

ogv_status period_of_rows(float *value, size_t rows, size_t n, double dt, ogv_rate *out, ogv_error *err) {
  *out = (ogv_rate){.bpm = NAN, .sd = NAN};
  double length = (double)n * dt;
  if (n < 24 || length < 3 * FASTEST_S) {
    refuse(out, "The record is too short (%.1f s): record at least 3 beats.", length);
    return OGV_OK;
  }
  if (dt > FASTEST_S / 4) {
    refuse(out, "Only %.0f samples a second: too few to see the heart beat.", 1 / dt);
    return OGV_OK;
  }
  size_t longest = n * 3 / 4, lo = (size_t)(FASTEST_S / dt), hi = (size_t)(SLOWEST_S / dt);
  if (lo < 2) lo = 2;
  if (hi > n / 2) hi = n / 2;
  double *work = malloc(sizeof(double) * (n + 1 + longest + 2)), *r = work ? work + n + 1 : NULL;
  if (!work) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < rows; i++) high_pass(value + i * n, n, (size_t)(0.4 / dt) + 1, work);
  for (size_t lag = 0; lag <= longest; lag++) r[lag] = lag + 1 < lo ? 1 : repeat(value, rows, n, lag);
  double last = 0, lag = hi > lo + 3 ? beat_of(r, lo, hi, longest, &out->confidence, &last) : 0;
  free(work);
  if (lag <= 0 || out->confidence < 0.25) {
    refuse(out, "Nothing in the picture repeats like a heart beat (best repeat %.0f %%).", 100 * out->confidence);
    return OGV_OK;
  }
  double beat = lag * dt, multiple = round(last / lag);
  out->beats = length / beat;
  if (out->beats < 2.5) {
    refuse(out, "The record holds only %.1f beats: record at least 3.", out->beats);
    return OGV_OK;
  }
  /* Half a sample over the multiple used, and what the picture does not repeat. */
  double sd = hypot(0.3 * dt / fmax(1, multiple), 0.02 * beat * sqrt((1 - out->confidence) / out->beats));
  out->bpm = 60 / beat;
  out->sd = out->bpm * sd / beat;
  out->accepted = true;
  return OGV_OK;
}

ogv_status mmode_check(const ogv_image *p, const ogv_region *r, ogv_error *err) {
  if (r->format != OGV_FORMAT_MMODE || r->unit_x != OGV_UNIT_S || !(r->delta_x > 0))
    return ogv_fail(err, OGV_E_CALIBRATION, "Calibrate the time scale by hand.",
                    "the region is not an M-mode strip with a time scale (format %d, unit code %d)", r->format,
                    r->unit_x);
  if (r->x0 < 0 || r->y0 < 0 || r->x1 >= p->width || r->y1 >= p->height || r->x1 - r->x0 < 31 || r->y1 - r->y0 < 7)
    return ogv_fail(err, OGV_E_CALIBRATION, NULL, "the M-mode strip does not lie in the picture");
  return OGV_OK;
}

int mmode_grey(const ogv_image *p, int x, int y) {
  const uint8_t *q = p->pixels + (size_t)y * p->stride + (size_t)x * (size_t)p->channels;
  return p->channels == 1 ? q[0] : (q[0] * 299 + q[1] * 587 + q[2] * 114) / 1000;
}

ogv_status ogv_rate_from_mmode(const ogv_image *picture, const ogv_region *region, ogv_rate *out, ogv_error *err) {
  *out = (ogv_rate){.bpm = NAN, .sd = NAN};
  OGV_TRY(mmode_check(picture, region, err));
  size_t n = (size_t)(region->x1 - region->x0 + 1), rows = (size_t)(region->y1 - region->y0 + 1) / 2;
  float *v = malloc(sizeof(float) * rows * n);
  if (!v) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t r = 0; r < rows; r++)
    for (size_t i = 0; i < n; i++)
      v[r * n + i] = 0.5f * (float)(mmode_grey(picture, region->x0 + (int)i, region->y0 + 2 * (int)r) +
                                    mmode_grey(picture, region->x0 + (int)i, region->y0 + 2 * (int)r + 1));
  ogv_status s = period_of_rows(v, rows, n, region->delta_x, out, err);
  free(v);
  return s;
}

/* --- clips ------------------------------------------------------------------------------------------------------- */

#define CELLS_X 64
#define CELLS_Y 48

/* Mean of each of CELLS_X x CELLS_Y cells of the box. Colour pixels count by their largest channel, so that flow
 * pulses. */
static void shrink(const ogv_image *p, const int box[4], float *cells, size_t step) {
  int w = box[2] - box[0] + 1, h = box[3] - box[1] + 1;
  for (int cy = 0; cy < CELLS_Y; cy++)
    for (int cx = 0; cx < CELLS_X; cx++) {
      int x0 = box[0] + w * cx / CELLS_X, x1 = box[0] + w * (cx + 1) / CELLS_X;
      int y0 = box[1] + h * cy / CELLS_Y, y1 = box[1] + h * (cy + 1) / CELLS_Y;
      if (x1 == x0) x1++;
      if (y1 == y0) y1++;
      long sum = 0;
      for (int y = y0; y < y1; y++) {
        const uint8_t *q = p->pixels + (size_t)y * p->stride + (size_t)x0 * (size_t)p->channels;
        for (int x = x0; x < x1; x++, q += p->channels) {
          int m = q[0];
          if (p->channels == 3) {
            if (q[1] > m) m = q[1];
            if (q[2] > m) m = q[2];
          }
          sum += m;
        }
      }
      cells[(size_t)(cy * CELLS_X + cx) * step] = (float)sum / (float)((x1 - x0) * (y1 - y0));
    }
}

/* Even spacing in time by linear interpolation between frames. */
static void resample(float *v, const double *t, int frames, double dt, size_t n, float *work) {
  int k = 0;
  for (size_t i = 0; i < n; i++) {
    double at = t[0] + 1000 * dt * (double)i;
    while (k + 2 < frames && t[k + 1] < at) k++;
    double f = (at - t[k]) / (t[k + 1] - t[k]);
    work[i] = (float)(v[k] + (v[k + 1] - v[k]) * (f < 0 ? 0 : f > 1 ? 1 : f));
  }
  memcpy(v, work, n * sizeof *v);
}

static ogv_status clip_times(const double *t, int frames, ogv_rate *out) {
  for (int i = 0; i < frames; i++)
    if (!isfinite(t[i]) || (i && !(t[i] > t[i - 1]))) {
      refuse(out, "The clip has no usable frame times, so no rate can be given.");
      return OGV_E_CALIBRATION;
    }
  return OGV_OK;
}

ogv_status ogv_rate_from_clip(ogv_frame_source source, void *user, const double *time_ms, int frames, const int box[4],
                              ogv_rate *out, ogv_error *err) {
  *out = (ogv_rate){.bpm = NAN, .sd = NAN};
  if (frames < 24) {
    refuse(out, "The clip has only %d frames: record at least 3 beats.", frames);
    return OGV_OK;
  }
  if (clip_times(time_ms, frames, out) != OGV_OK) return OGV_OK;
  /* Ten seconds are plenty; longer clips are read from their start. */
  while (frames > 24 && time_ms[frames - 1] - time_ms[0] > 10000) frames--;
  double dt = (time_ms[frames - 1] - time_ms[0]) / 1000 / (frames - 1);
  size_t n = (size_t)frames;
  float *cells = malloc(sizeof(float) * (CELLS_X * CELLS_Y + 1) * n),
        *work = cells ? cells + CELLS_X * CELLS_Y * n : NULL;
  if (!cells) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = OGV_OK;
  for (int i = 0; s == OGV_OK && i < frames; i++) {
    ogv_image p = {0};
    s = source(user, i, &p, err);
    if (s != OGV_OK) break;
    int whole[4] = {0, 0, p.width - 1, p.height - 1};
    const int *b = box && (box[2] || box[3]) ? box : whole;
    if (b[0] < 0 || b[1] < 0 || b[2] >= p.width || b[3] >= p.height || b[2] <= b[0] || b[3] <= b[1])
      s = ogv_fail(err, OGV_E_INVALID, NULL, "the box does not lie in the clip's pictures");
    else shrink(&p, b, cells + i, n);
    ogv_image_free(&p);
  }
  if (s == OGV_OK) {
    for (size_t c = 0; c < CELLS_X * CELLS_Y; c++) resample(cells + c * n, time_ms, frames, dt, n, work);
    s = period_of_rows(cells, CELLS_X * CELLS_Y, n, dt, out, err);
  }
  free(cells);
  return s;
}

ogv_status ogv_rate_from_spectrum(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_flow_kind kind,
                                  ogv_rate *out, ogv_error *err) {
  ogv_spectrum s;
  *out = (ogv_rate){.bpm = NAN, .sd = NAN};
  OGV_TRY(ogv_spectrum_measure(picture, scale, kind, &s, err));
  out->accepted = s.accepted;
  out->confidence = s.period_confidence;
  out->beats = (double)s.n_used;
  if (s.accepted) {
    out->bpm = s.rate_bpm.value;
    out->sd = s.rate_bpm.sd;
  } else refuse(out, "%s", s.reason);
  ogv_spectrum_free(&s);
  return OGV_OK;
}

ogv_status ogv_rate_from_evidence(const json_t *evidence, double *bpm, double *sd, ogv_error *err) {
  double period = ogv_json_number_or(evidence, "period_s", NAN);
  if (!(period > 0 && isfinite(period)))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the evidence of the rate does not say how long a beat takes");
  *bpm = 60 / period;
  *sd = ogv_json_number_or(json_object_get(evidence, "sd"), "caliper", NAN);
  return OGV_OK;
}

json_t *ogv_rate_json(const ogv_rate *r) {
  json_t *o = json_object();
  json_object_set_new(o, "accepted", json_boolean(r->accepted));
  json_object_set_new(o, "reason", json_string(r->reason));
  json_object_set_new(o, "rate_bpm", ogv_json_real(r->bpm));
  json_object_set_new(o, "rate_bpm_sd", ogv_json_real(r->sd));
  json_object_set_new(o, "confidence", ogv_json_real(r->confidence));
  json_object_set_new(o, "beats", ogv_json_real(r->beats));
  return o;
}
