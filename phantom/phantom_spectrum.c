#include "phantom_spectrum.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/phantom_draw.h"
#include "private/phantom_math.h"
#include "private/phantom_wave.h"

void ogv_phantom_spectrum_defaults(ogv_phantom_spectrum_options *o) {
  memset(o, 0, sizeof *o);
  o->seed = 1;
  o->width = 1024;
  o->height = 768;
  o->psv_cm_s = 45;
  o->pi = 1.1;
  o->absent_fraction = 0.3;
  o->reversed_fraction = 0.2;
  o->rate_bpm = 140;
  o->rate_jitter = 0.01;
  o->amplitude_jitter = 0.02;
  o->sweep_s = 3.2;
  o->snr_db = 30;
  o->dynamic_range_db = 40;
  o->wall_filter_cm_s = 2;
  o->broadening = 0.015;
  o->angle_deg = NAN;
  o->mirror_db = NAN;
  o->transducer_khz = 3500;
  o->av_ms = 120;
  o->captions = true;
}

/* The strip's state while it is drawn. */
typedef struct strip {
  const ogv_phantom_spectrum_options *o;
  ogv_phantom_spectrum_truth *t;
  int w, h;
  double sign;  /* +1: forward flow is a positive velocity */
  double up;    /* +1: larger velocities are further up */
  double range; /* cm/s over the strip's height */
  double cm_per_row;
  double baseline;   /* row within the strip */
  const double *phi; /* table of the normal integral, -4..4 */
} strip;

#define PHI_N 1024
static double phi_at(const double *phi, double z) {
  if (z <= -4) return 0;
  if (z >= 4) return 1;
  double k = (z + 4) * (PHI_N / 8.0);
  int i = (int)k;
  return phi[i] + (phi[i + 1] - phi[i]) * (k - i);
}
static void phi_build(double *phi) {
  double s = 0;
  for (int i = 0; i <= PHI_N; i++) {
    double z = -4 + 8.0 * i / PHI_N;
    s += ph_exp(-0.5 * z * z);
    phi[i] = s;
  }
  for (int i = 0; i <= PHI_N; i++) phi[i] = (phi[i] - 0.5 * phi[0]) / (s - phi[0]);
  phi[0] = 0;
}

/* Options where NaN means "not given". */
static double or_zero(double v) { return v == v ? v : 0; }

static ogv_status check(const ogv_phantom_spectrum_options *o, ogv_error *err) {
  struct {
    const char *name;
    double v, lo, hi;
  } c[] = {{"width", o->width, 320, 4096},
           {"height", o->height, 240, 4096},
           {"psv_cm_s", o->psv_cm_s, 2, 400},
           {"pi", o->pi, 0.2, 6},
           {"rate_bpm", o->rate_bpm, 30, 300},
           {"sweep_s", o->sweep_s, 0.2, 12},
           {"snr_db", o->snr_db, 0, 80},
           {"dynamic_range_db", o->dynamic_range_db, 10, 100},
           {"baseline", o->baseline, 0, 0.98},
           {"rate_jitter", o->rate_jitter, 0, 0.3},
           {"broadening", o->broadening, 0, 0.3},
           {"amplitude_jitter", o->amplitude_jitter, 0, 0.5},
           {"gain_db", o->gain_db, -60, 60},
           {"wall_filter_cm_s", o->wall_filter_cm_s, 0, 400},
           {"range_cm_s", o->range_cm_s, 0, 4000},
           {"venous_cm_s", o->venous_cm_s, 0, 200},
           {"notch", o->notch, 0, 1},
           {"av_ms", o->av_ms, 40, 300},
           {"reversed_fraction", o->reversed_fraction, 0, 1},
           {"absent_fraction", o->absent_fraction, 0, 1},
           {"transducer_khz", o->transducer_khz, 500, 50000},
           {"angle_deg", or_zero(o->angle_deg), 0, 85},
           {"mirror_db", or_zero(o->mirror_db), -80, 0}};
  for (size_t i = 0; i < sizeof c / sizeof *c; i++)
    if (!(c[i].v >= c[i].lo && c[i].v <= c[i].hi))
      return ogv_fail(err, OGV_E_INVALID, NULL, "phantom spectrum: %s is %g, allowed is %g to %g", c[i].name, c[i].v,
                      c[i].lo, c[i].hi);
  if (o->vessel != OGV_PHANTOM_UMBILICAL && o->diastole != OGV_PHANTOM_FORWARD)
    return ogv_fail(err, OGV_E_INVALID, "Use the umbilical artery.",
                    "phantom spectrum: absent and reversed diastole are modelled for the umbilical artery only");
  if (o->sweep_s * o->rate_bpm / 60 > 60)
    return ogv_fail(err, OGV_E_INVALID, "shorten the sweep", "phantom spectrum: more than 60 beats in one strip");
  return OGV_OK;
}

static void place_strip(strip *s) {
  const ogv_phantom_spectrum_options *o = s->o;
  ogv_phantom_spectrum_truth *t = s->t;
  t->x0 = o->width * 52 / 1024;
  t->x1 = o->width * 948 / 1024;
  t->y0 = o->height * 330 / 768;
  t->y1 = o->height * 732 / 768;
  s->w = t->x1 - t->x0 + 1;
  s->h = t->y1 - t->y0 + 1;
  t->n = s->w;
  t->s_per_px = o->sweep_s / s->w;
  s->sign = o->away ? -1 : 1;
  s->up = o->inverted ? -1 : 1;
  t->drawn_up = s->sign * s->up > 0;
  bool two_ways = o->vessel == OGV_PHANTOM_IN_OUT;
  double base = o->baseline > 0 ? o->baseline : two_ways ? 0.5 : t->drawn_up ? 0.78 : 0.22;
  double room = t->drawn_up ? base : 1 - base, other = 1 - room;
  double reverse = o->diastole == OGV_PHANTOM_REVERSED ? 1.3 * o->reversed_fraction * o->psv_cm_s : 0;
  if (two_ways) reverse = 1.6 * o->psv_cm_s;
  if (o->venous_cm_s > 0 && 1.3 * o->venous_cm_s > reverse) reverse = 1.3 * o->venous_cm_s;
  s->range = o->range_cm_s;
  if (s->range <= 0) {
    s->range = 1.28 * o->psv_cm_s * (1 + o->amplitude_jitter) / room;
    if (other > 0 && reverse / other > s->range) s->range = reverse / other;
  }
  s->range = ph_round(s->range, 2);
  s->cm_per_row = s->range / s->h;
  /* Baseline on a whole row: scanners draw it on one, and the reference pixel is an integer. */
  s->baseline = (double)(int)(base * s->h + 0.5);
  t->cm_s_per_px = s->cm_per_row;
  t->baseline_row = t->y0 + s->baseline;
}

/* Velocity shown at a row of the strip (physical sign: towards the probe is positive). */
static double row_velocity(const strip *s, int row) { return (s->baseline - row) * s->cm_per_row * s->up; }

/* Mean spectral power at velocity f (forward positive) when the envelope is at vm. Plateau rises a little towards the
 * envelope, as for a blunt profile; the edge is a normal integral whose half lies exactly at vm. */
static double power_at(const strip *s, double f, double vm, double edge) {
  double low = 0.6 * s->cm_per_row + 0.3 * edge, p;
  if (vm >= 0) {
    if (f < -5 * low || f > vm + 5 * edge) return 0;
    p = phi_at(s->phi, (vm - f) / edge) * phi_at(s->phi, (f + low) / low);
    double q = vm > 0 ? ph_clamp(f / vm, 0, 1) : 1;
    p *= 0.35 + 0.65 * q * q;
  } else {
    if (f > 5 * low || f < vm - 5 * edge) return 0;
    p = phi_at(s->phi, (f - vm) / edge) * phi_at(s->phi, (low - f) / low);
    double q = ph_clamp(f / vm, 0, 1);
    p *= 0.35 + 0.65 * q * q;
  }
  return p;
}

static double edge_of(const strip *s, double v) {
  double a = s->o->angle_deg, broad = s->o->broadening;
  if (a == a) broad *= 1 + 0.5 * (ph_sin(a * PH_PI / 180) / ph_cos(a * PH_PI / 180));
  double e = broad * (v < 0 ? -v : v);
  double floor_e = 0.8 * s->cm_per_row;
  return sqrt(e * e + floor_e * floor_e);
}

/* Complex Gaussian noise with the resolution of a sliding Fourier transform, unit mean power. */
static float *make_noise(int w, int h, double sigma_x, double sigma_y, uint64_t seed) {
  size_t n = (size_t)w * (size_t)h;
  float *re = malloc(2 * n * sizeof *re), *row = malloc((size_t)(w > h ? w : h) * sizeof *row);
  if (!re || !row) {
    free(re);
    free(row);
    return NULL;
  }
  const float *table = ph_gauss_table();
  for (size_t i = 0; i < n; i++) {
    uint64_t u = ph_mix(seed + i * 0x9e3779b97f4a7c15ull);
    re[i] = table[u & (PH_GAUSS_N - 1)];
    re[n + i] = table[(u >> 20) & (PH_GAUSS_N - 1)];
  }
  for (int axis = 0; axis < 2; axis++) {
    double sigma = axis ? sigma_y : sigma_x;
    float k[41];
    int r = (int)(3 * sigma + 0.5);
    if (r > 20) r = 20;
    if (r < 1) r = 1;
    double e = 0;
    for (int j = -r; j <= r; j++) {
      k[j + r] = (float)ph_exp(-0.5 * j * j / (sigma * sigma));
      e += (double)k[j + r] * k[j + r];
    }
    float norm = (float)(1 / sqrt(axis ? 2 * e : e)); /* the second pass halves: re^2 + im^2 has mean 1 */
    for (int j = 0; j <= 2 * r; j++) k[j] *= norm;
    for (int part = 0; part < 2; part++) {
      float *base = re + (size_t)part * n;
      if (axis == 0) {
        for (int y = 0; y < h; y++) {
          float *p = base + (size_t)y * (size_t)w;
          memcpy(row, p, (size_t)w * sizeof *row);
          for (int x = 0; x < w; x++) {
            float acc = 0;
            for (int j = -r; j <= r; j++) acc += k[j + r] * row[(x + j + w) % w];
            p[x] = acc;
          }
        }
      } else {
        for (int x = 0; x < w; x++) {
          for (int y = 0; y < h; y++) row[y] = base[(size_t)y * (size_t)w + (size_t)x];
          for (int y = 0; y < h; y++) {
            float acc = 0;
            for (int j = -r; j <= r; j++) acc += k[j + r] * row[(y + j + h) % h];
            base[(size_t)y * (size_t)w + (size_t)x] = acc;
          }
        }
      }
    }
  }
  free(row);
  return re;
}

/* Power of the flow, its mirror and the venous flow at a physical velocity, wrapped as sampling does. */
static double column_power(const strip *s, double v, double vm, double edge, double mirror, double venous_edge) {
  double sum = 0;
  for (int k = -2; k <= 2; k++) {
    double u = v + k * s->range, f = u * s->sign;
    double a = u < 0 ? -u : u, wf = s->o->wall_filter_cm_s, pass = 1;
    double p = power_at(s, f, vm, edge);
    if (mirror > 0) p += mirror * power_at(s, -f, vm, edge);
    if (s->o->venous_cm_s > 0) p += 0.4 * power_at(s, -f, s->o->venous_cm_s, venous_edge);
    if (p > 0 && wf > 0) { /* the wall filter falls by 24 dB an octave */
      double q = a / wf;
      q *= q;
      q *= q;
      pass = q * q / (1 + q * q);
    }
    sum += p * pass;
  }
  return sum;
}

static ogv_status draw_strip(const strip *s, const ph_wave *wave, ogv_image *img, ogv_error *err) {
  const ogv_phantom_spectrum_options *o = s->o;
  size_t n = (size_t)s->w * (size_t)s->h;
  float *signal = make_noise(s->w, s->h, 1.8, 1.3, ph_mix(o->seed * 3 + 1));
  float *noise = make_noise(s->w, s->h, 1.3, 1.2, ph_mix(o->seed * 3 + 2));
  if (!signal || !noise) {
    free(signal);
    free(noise);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom spectrum: out of memory");
  }
  double floor_amp = ph_db(-o->snr_db),
         mirror = o->mirror_db == o->mirror_db && o->mirror_db < 0 ? ph_db(2 * o->mirror_db) : 0;
  double venous_edge = edge_of(s, o->venous_cm_s);
  /* Well set gain shows the plateau at about 70 % white, and what lies dynamic_range below white as black. */
  double to_db = 20 / 2.30258509299404568402, white_db = 6 - o->gain_db, dr = o->dynamic_range_db;
  for (int x = 0; x < s->w; x++) {
    double vm = ph_wave_at(wave, x * s->t->s_per_px), edge = edge_of(s, vm);
    for (int y = 0; y < s->h; y++) {
      size_t i = (size_t)y * (size_t)s->w + (size_t)x;
      double p = column_power(s, row_velocity(s, y), vm, edge, mirror, venous_edge), a = sqrt(p);
      double re = a * signal[i] + floor_amp * noise[i], im = a * signal[n + i] + floor_amp * noise[n + i];
      double db = 0.5 * to_db * ph_log(re * re + im * im + 1e-12), g = (db - white_db + dr) / dr;
      g = ph_clamp(g, 0, 1);
      g = g * (0.4 + 0.6 * g); /* grey map: darker low end */
      uint8_t v = (uint8_t)(255 * g + 0.5),
              *px = img->pixels + (size_t)(s->t->y0 + y) * img->stride + (size_t)(s->t->x0 + x) * 3;
      px[0] = v;
      px[1] = v;
      px[2] = v;
    }
  }
  free(signal);
  free(noise);
  return OGV_OK;
}

static void fill_cycle(const strip *s, const ph_wave *w, int i, ogv_phantom_cycle *c) {
  c->start_s = w->foot[i];
  c->end_s = w->foot[i + 1];
  c->complete = c->start_s >= 0 && c->end_s <= (s->w - 1) * s->t->s_per_px;
  double psv = -1e9, mdv = 1e9, sum = 0, sum_mean = 0, peak_t = 0;
  int n = 2000;
  for (int k = 0; k < n; k++) {
    double t = c->start_s + (c->end_s - c->start_s) * (k + 0.5) / n, v = ph_wave_at(w, t);
    if (v > psv) psv = v, peak_t = t;
    if (v < mdv) mdv = v;
    sum += v;
    sum_mean += v * s->phi[PHI_N + 1];
  }
  c->psv_cm_s = psv;
  c->edv_cm_s = ph_wave_at(w, c->end_s - 1e-9);
  if (s->o->diastole == OGV_PHANTOM_REVERSED) c->edv_cm_s = mdv; /* the deepest reversed flow stands for end-diastole */
  c->mdv_cm_s = mdv;
  c->tamax_cm_s = sum / n;
  c->tamean_cm_s = sum_mean / n;
  c->pi = (psv - c->edv_cm_s) / c->tamax_cm_s;
  c->ri = (psv - c->edv_cm_s) / psv;
  c->sd_ratio = c->edv_cm_s > 0 ? psv / c->edv_cm_s : NAN;
  c->acceleration_s = peak_t - c->start_s;
  c->rate_bpm = 60 / (c->end_s - c->start_s);
  if (!c->complete)
    c->psv_cm_s = c->edv_cm_s = c->mdv_cm_s = c->tamax_cm_s = c->tamean_cm_s = c->pi = c->ri = c->sd_ratio =
        c->acceleration_s = NAN;
}

static void summarise(ogv_phantom_spectrum_truth *t) {
  double sum[9] = {0};
  int n = 0;
  for (int i = 0; i < t->n_cycles; i++) {
    const ogv_phantom_cycle *c = &t->cycles[i];
    if (!c->complete) continue;
    double v[9] = {c->psv_cm_s, c->edv_cm_s, c->mdv_cm_s, c->tamax_cm_s,        c->tamean_cm_s,
                   c->pi,       c->ri,       c->sd_ratio, c->end_s - c->start_s};
    for (int k = 0; k < 9; k++) sum[k] += v[k];
    n++;
  }
  double *to[9] = {&t->psv_cm_s, &t->edv_cm_s, &t->mdv_cm_s, &t->tamax_cm_s, &t->tamean_cm_s,
                   &t->pi,       &t->ri,       &t->sd_ratio, &t->rate_bpm};
  for (int k = 0; k < 9; k++) *to[k] = n ? sum[k] / n : NAN;
  t->rate_bpm = 60 / t->rate_bpm;
}

static ogv_status fill_truth(const strip *s, const ph_wave *w, ogv_error *err) {
  ogv_phantom_spectrum_truth *t = s->t;
  double *all = calloc((size_t)t->n * 3, sizeof *all);
  if (!all) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom spectrum: out of memory");
  t->envelope_cm_s = all;
  t->envelope_row = all + t->n;
  t->mean_cm_s = all + 2 * (ptrdiff_t)t->n;
  for (int x = 0; x < t->n; x++) {
    double v = ph_wave_at(w, x * t->s_per_px);
    t->envelope_cm_s[x] = v;
    t->mean_cm_s[x] = v * s->phi[PHI_N + 1];
    t->envelope_row[x] = t->baseline_row - v * s->sign * s->up / t->cm_s_per_px;
    if (t->envelope_row[x] < t->y0 || t->envelope_row[x] > t->y1) t->aliased = true;
  }
  for (int i = 0; i < w->n && t->n_cycles < 64; i++)
    if (w->foot[i + 1] > 0 && w->foot[i] < (t->n - 1) * t->s_per_px) fill_cycle(s, w, i, &t->cycles[t->n_cycles++]);
  summarise(t);
  t->av_ms = s->o->vessel == OGV_PHANTOM_IN_OUT ? s->o->av_ms * s->o->rate_bpm / t->rate_bpm : NAN;
  t->diastole = s->o->vessel == OGV_PHANTOM_UMBILICAL ? s->o->diastole : OGV_PHANTOM_FORWARD;
  t->edge_sd_px = edge_of(s, s->o->psv_cm_s) / t->cm_s_per_px;
  return OGV_OK;
}

static void fill_region(const strip *s) {
  const ogv_phantom_spectrum_options *o = s->o;
  ogv_phantom_spectrum_truth *t = s->t;
  ogv_region *r = &t->region;
  r->format = OGV_FORMAT_SPECTRAL;
  r->data_type = OGV_DATA_PW;
  r->unit_x = OGV_UNIT_S;
  r->unit_y = o->hz ? OGV_UNIT_HZ : OGV_UNIT_CM_S;
  r->flags = o->hz ? 6 : 2;
  r->x0 = t->x0;
  r->y0 = t->y0;
  r->x1 = t->x1;
  r->y1 = t->y1;
  r->has_ref_x = r->has_ref_y = true;
  r->ref_x = 0;
  r->ref_y = (int32_t)s->baseline;
  r->delta_x = t->s_per_px;
  r->transducer_khz = o->transducer_khz;
  r->correction_angle_deg = o->angle_deg;
  r->steering_angle_deg = NAN;
  double cosa = o->angle_deg == o->angle_deg ? ph_cos(o->angle_deg * PH_PI / 180) : 1;
  double hz_per_cm_s = 2 * o->transducer_khz * 1000 * cosa / 154000.0;
  r->delta_y = -s->up * t->cm_s_per_px * (o->hz ? hz_per_cm_s : 1);
  r->prf_hz = (double)(int)(s->range * hz_per_cm_s + 0.5);
  r->measurable_x = r->measurable_y = r->absolute_x = r->absolute_y = true;
  r->calibration_sd = 0.001;
}

static const ph_ink white = {235, 235, 230}, grey = {130, 134, 138}, amber = {255, 176, 40}, aqua = {60, 220, 190};

static void draw_scale(const strip *s, ogv_image *img) {
  const ogv_phantom_spectrum_truth *t = s->t;
  char text[64];
  int scale = img->height >= 700 ? 2 : 1;
  double step = 5;
  while (s->range / step > 9) step = step < 9 ? 10 : step < 15 ? 20 : step < 25 ? 50 : step * 2;
  for (int k = -40; k <= 40; k++) {
    double row = t->baseline_row - k * step * s->up / t->cm_s_per_px;
    if (row < t->y0 || row > t->y1) continue;
    ph_line(img, t->x1 + 2, row, t->x1 + 8, row, 1.2, grey);
    snprintf(text, sizeof text, "%d", (int)(k * step));
    if (k) ph_text(img, t->x1 + 12, (int)row - 3 * scale, scale, text, grey);
  }
  ph_text(img, t->x1 + 10, t->y0 - 12 * scale, scale, s->o->hz ? "kHz" : "cm/s", grey);
  for (int k = 0; k * 0.5 < s->o->sweep_s; k++) {
    double x = t->x0 + k * 0.5 / t->s_per_px;
    ph_line(img, x, t->y1 + 2, x, t->y1 + (k % 2 ? 5 : 9), 1.2, grey);
  }
  ph_line(img, t->x0, t->baseline_row, t->x1, t->baseline_row, 1.0, (ph_ink){150, 120, 60});
}

static void draw_captions(const strip *s, ogv_image *img) {
  const ogv_phantom_spectrum_options *o = s->o;
  char text[96];
  int scale = img->height >= 700 ? 2 : 1, x = img->width * 640 / 1024, y = img->height * 120 / 768, dy = 13 * scale;
  if (o->title) ph_text(img, img->width * 60 / 1024, img->height * 90 / 768, scale, o->title, white);
  snprintf(text, sizeof text, "PW %.1f MHz", o->transducer_khz / 1000);
  ph_text(img, x, y, scale, text, grey);
  snprintf(text, sizeof text, "gain %+d dB  DR %d", (int)o->gain_db, (int)o->dynamic_range_db);
  ph_text(img, x, y + dy, scale, text, grey);
  snprintf(text, sizeof text, "filter %.1f cm/s", o->wall_filter_cm_s);
  ph_text(img, x, y + 2 * dy, scale, text, grey);
  if (o->angle_deg == o->angle_deg) {
    snprintf(text, sizeof text, "angle %d deg", (int)o->angle_deg);
    ph_text(img, x, y + 3 * dy, scale, text, grey);
  }
  if (o->inverted) ph_text(img, x, y + 4 * dy, scale, "inverted", grey);
}

static double shown_row(const strip *s, double row) { /* wraps an aliased edge back into the strip */
  while (row < s->t->y0) row += s->h;
  while (row > s->t->y1) row -= s->h;
  return row;
}

static void draw_overlay(const strip *s, ogv_image *img) {
  const ogv_phantom_spectrum_truth *t = s->t;
  ph_rng r = ph_rng_of(s->o->seed, 12);
  double wobble = 0, last = NAN;
  for (int x = 0; x < t->n; x++) {
    wobble = 0.9 * wobble + 0.35 * ph_gauss(&r);
    double row = shown_row(s, t->envelope_row[x] - (t->drawn_up ? 1 : -1) * t->edge_sd_px + wobble);
    if (x && fabs(row - last) < s->h / 2.0) ph_line(img, t->x0 + x - 1, last, t->x0 + x, row, 1.3, aqua);
    last = row;
  }
  for (int i = 0; i < t->n_cycles; i++) {
    if (!t->cycles[i].complete) continue;
    double x = t->x0 + t->cycles[i].start_s / t->s_per_px;
    ph_dotted(img, x, t->y0 + 4, x, t->y1 - 4, 9, amber);
    double xp = x + t->cycles[i].acceleration_s / t->s_per_px;
    ph_cross(img, xp, shown_row(s, t->envelope_row[(int)(xp - t->x0 + 0.5)]), 5, 0, amber);
  }
}

static void draw_values(const strip *s, ogv_image *img) {
  const ogv_phantom_spectrum_truth *t = s->t;
  int scale = img->height >= 700 ? 2 : 1, x = img->width * 60 / 1024, y = img->height * 130 / 768, dy = 13 * scale;
  struct {
    const char *f;
    double v;
  } rows[] = {{"PSV  %.1f cm/s", t->psv_cm_s},
              {"EDV  %.1f cm/s", t->edv_cm_s},
              {"PI   %.2f", t->pi},
              {"RI   %.2f", t->ri},
              {"rate %.0f /min", t->rate_bpm}};
  for (int i = 0; i < 5; i++) {
    if (rows[i].v != rows[i].v) continue;
    char text[64];
    snprintf(text, sizeof text, rows[i].f, rows[i].v);
    ph_text(img, x, y + i * dy, scale, text, amber);
  }
}

ogv_status ogv_phantom_spectrum(const ogv_phantom_spectrum_options *o, ogv_image *picture,
                                ogv_phantom_spectrum_truth *truth, ogv_error *err) {
  memset(truth, 0, sizeof *truth);
  memset(picture, 0, sizeof *picture);
  OGV_TRY(check(o, err));
  double phi[PHI_N + 2];
  phi_build(phi);
  /* Mean of the plateau's shape 0.35 + 0.65 q^2 over q: the power-weighted mean velocity as a part of the envelope. */
  phi[PHI_N + 1] = (0.35 / 2 + 0.65 / 4) / (0.35 + 0.65 / 3);
  strip s = {.o = o, .t = truth, .phi = phi};
  place_strip(&s);
  ph_wave *wave = malloc(sizeof *wave);
  if (!wave) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom spectrum: out of memory");
  ph_wave_make(o, o->sweep_s, wave);
  ogv_status st = fill_truth(&s, wave, err);
  if (st == OGV_OK) st = ogv_image_new(o->width, o->height, 3, picture, err);
  if (st == OGV_OK) st = draw_strip(&s, wave, picture, err);
  free(wave);
  if (st != OGV_OK) {
    ogv_image_free(picture);
    ogv_phantom_spectrum_free(truth);
    return st;
  }
  fill_region(&s);
  if (o->captions) {
    draw_scale(&s, picture);
    draw_captions(&s, picture);
  }
  if (o->overlay) {
    draw_overlay(&s, picture);
    draw_values(&s, picture);
  }
  return OGV_OK;
}

void ogv_phantom_spectrum_free(ogv_phantom_spectrum_truth *t) {
  free(t->envelope_cm_s); /* one block holds all three */
  t->envelope_cm_s = t->envelope_row = t->mean_cm_s = NULL;
  t->n = 0;
}
