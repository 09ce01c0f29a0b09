#include "private/phantom_beam.h"

#include <stdlib.h>
#include <string.h>

#include "private/phantom_math.h"

void ph_set_defaults(ph_set *s) {
  memset(s, 0, sizeof *s);
  s->dynamic_range_db = 58;
  s->noise_db = -46;
  s->tgc_db_cm = 1.1;
  s->pulse_mm = 0.30;
  s->beam_mm = 0.75;
  s->focus_mm = 70;
  s->looks = 2;
  s->haze = 0.5;
  s->near_db = -14;
  s->beams = 320;
  s->samples = 900;
  s->seed = 1;
}

void ph_to_pixel(const ph_view *v, double x, double z, double *px, double *py) {
  *px = v->ox + x / v->mm_per_px;
  *py = v->oy + z / v->mm_per_px;
}
void ph_to_mm(const ph_view *v, double px, double py, double *x, double *z) {
  *x = (px - v->ox) * v->mm_per_px;
  *z = (py - v->oy) * v->mm_per_px;
}

ogv_region ph_view_region(const ph_view *v) {
  ogv_region r = {
      .format = OGV_FORMAT_2D, .data_type = OGV_DATA_TISSUE, .unit_x = OGV_UNIT_CM, .unit_y = OGV_UNIT_CM, .flags = 2};
  r.x0 = v->x0;
  r.y0 = v->y0;
  r.x1 = v->x1;
  r.y1 = v->y1;
  r.has_ref_x = r.has_ref_y = true;
  r.ref_x = (int32_t)(v->ox + 0.5) - v->x0;
  r.ref_y = (int32_t)floor(v->oy + 0.5) - v->y0;
  r.delta_x = r.delta_y = v->mm_per_px / 10;
  r.transducer_khz = 4000;
  r.prf_hz = r.correction_angle_deg = r.steering_angle_deg = NAN;
  r.measurable_x = r.measurable_y = r.absolute_x = r.absolute_y = true;
  r.calibration_sd = 0.001;
  return r;
}

/* One look: three planes, samples x beams each. */
typedef struct look {
  float *re, *im, *sp;
} look;

static void convolve_depth(float *p, float *tmp, int beams, int samples, const float *k, int r) {
  for (int j = 0; j < samples; j++) {
    float *out = tmp + (size_t)j * (size_t)beams;
    memset(out, 0, (size_t)beams * sizeof *out);
    for (int t = -r; t <= r; t++) {
      int q = j + t;
      if (q < 0 || q >= samples) continue;
      const float *in = p + (size_t)q * (size_t)beams;
      float w = k[t + r];
      for (int i = 0; i < beams; i++) out[i] += w * in[i];
    }
  }
  memcpy(p, tmp, (size_t)beams * (size_t)samples * sizeof *p);
}

#define MAX_R 60
static void convolve_row(float *row, float *pad, int beams, const float *k, int r) {
  memset(pad, 0, (size_t)r * sizeof *pad);
  memcpy(pad + r, row, (size_t)beams * sizeof *pad);
  memset(pad + r + beams, 0, (size_t)r * sizeof *pad);
  memset(row, 0, (size_t)beams * sizeof *row);
  for (int t = 0; t <= 2 * r; t++) {
    float w = k[t];
    const float *in = pad + t;
    for (int i = 0; i < beams; i++) row[i] += w * in[i];
  }
}

/* A Gaussian with a weak wide skirt (side lobes). energy: normalised so that white noise keeps its power. */
static int beam_kernel(double sigma, double skirt, bool energy, float *k) {
  int r = (int)(2.6 * sigma + 1);
  if (skirt > 0) r *= 2;
  if (r > MAX_R) r = MAX_R;
  double sum = 0;
  for (int t = -r; t <= r; t++) {
    double g = ph_exp(-0.5 * t * t / (sigma * sigma)) + skirt * ph_exp(-0.5 * t * t / (9 * sigma * sigma));
    k[t + r] = (float)g;
    sum += energy ? g * g : g;
  }
  float n = (float)(1 / (energy ? sqrt(sum) : sum));
  for (int t = 0; t <= 2 * r; t++) k[t] *= n;
  return r;
}

static double beam_sigma(const ph_set *s, double depth) { /* mm: narrowest at the focus */
  double d = (depth - s->focus_mm) / (s->focus_mm * 0.8);
  return s->beam_mm * sqrt(1 + d * d) * (0.75 + 0.25 * depth / s->focus_mm);
}

static void blur(const look *l, const ph_view *v, const ph_set *s, float *tmp) {
  float k[2 * MAX_R + 1], ks[2 * MAX_R + 1], pad[4096 + 2 * MAX_R];
  double step = v->depth_mm / s->samples, turn = 2 * v->half_angle / (s->beams - 1);
  int r = beam_kernel(s->pulse_mm / step, 0, true, k);
  convolve_depth(l->re, tmp, s->beams, s->samples, k, r);
  convolve_depth(l->im, tmp, s->beams, s->samples, k, r);
  r = beam_kernel(s->pulse_mm / step, 0, false, k);
  convolve_depth(l->sp, tmp, s->beams, s->samples, k, r);
  for (int j = 0; j < s->samples; j++) {
    double depth = (j + 0.5) * step, sigma = beam_sigma(s, depth) / ((v->radius_mm + depth) * turn);
    if (sigma < 0.4) sigma = 0.4;
    if (sigma > 20) sigma = 20;
    r = beam_kernel(sigma, 0.02, true, k);
    beam_kernel(sigma, 0.02, false, ks);
    size_t at = (size_t)j * (size_t)s->beams;
    convolve_row(l->re + at, pad, s->beams, k, r);
    convolve_row(l->im + at, pad, s->beams, k, r);
    convolve_row(l->sp + at, pad, s->beams, ks, r);
  }
}

/* Scatterers fixed to a lattice of the material, so that they move with it from frame to frame. */
#define CELL 0.14
static uint64_t scatter_bits(double u, double v, uint64_t seed) {
  int64_t i = (int64_t)floor(u * (1 / CELL)), j = (int64_t)floor(v * (1 / CELL));
  return ph_mix(seed ^ ((uint64_t)i * 0x9e3779b97f4a7c15ull) ^ ((uint64_t)j * 0xc2b2ae3d27d4eb4full));
}

/* Two independent normal values for a cell. Between planes a beam's thickness apart the old value gives way to the next
 * one, so that the statistics stay and neighbouring planes are alike. */
static void scatter(const ph_set *s, uint64_t bits, double *re, double *im) {
  const float *table = ph_gauss_table();
  double step = floor(s->elevation), f = s->elevation - step;
  uint64_t here = step != 0 ? ph_mix(bits ^ (uint64_t)(int64_t)step) : bits;
  *re = table[here & (PH_GAUSS_N - 1)];
  *im = table[(here >> 16) & (PH_GAUSS_N - 1)];
  if (f == 0) return;
  uint64_t next = step + 1 != 0 ? ph_mix(bits ^ (uint64_t)(int64_t)(step + 1)) : bits;
  double c = sqrt(1 - f), q = sqrt(f);
  *re = c * *re + q * table[next & (PH_GAUSS_N - 1)];
  *im = c * *im + q * table[(next >> 16) & (PH_GAUSS_N - 1)];
}

static void fill_beam(const ph_scene *scene, const ph_view *v, const ph_set *s, int i, const look *looks) {
  double theta = -v->half_angle + 2 * v->half_angle * i / (s->beams - 1), dx = ph_sin(theta), dz = ph_cos(theta);
  double step = v->depth_mm / s->samples, loss = 0, haze = 0, att = 1, keep = ph_exp(-step / 7.0);
  double near = ph_db(s->near_db);
  for (int j = 0; j < s->samples; j++) {
    double depth = (j + 0.5) * step, r = v->radius_mm + depth;
    ph_tissue t;
    ph_scene_at(scene, r * dx, r * dz - v->radius_mm, dx, dz, &t);
    if (t.loss != 0) {
      loss += t.loss * step;
      if (loss > 60) loss = 60;
      att = ph_db(-loss);
    }
    double spec = t.specular * att;
    haze = haze * keep + spec * s->haze * step * 0.012;
    double d = t.diffuse * att + haze;
    if (depth < 26) d += near * ph_exp(-depth / 5.5); /* reverberation under the probe */
    size_t at = (size_t)j * (size_t)s->beams + (size_t)i;
    uint64_t bits = scatter_bits(t.u, t.v, s->seed);
    for (int l = 0; l < s->looks; l++) {
      double re, im;
      if (l) bits = ph_mix(bits);
      scatter(s, bits, &re, &im);
      looks[l].re[at] = (float)(d * 0.70710678 * re);
      looks[l].im[at] = (float)(d * 0.70710678 * im);
      looks[l].sp[at] = (float)spec;
    }
  }
}

static void detect(const ph_view *v, const ph_set *s, const look *looks, float *grey) {
  const float *table = ph_gauss_table();
  double step = v->depth_mm / s->samples, to_db = 10 / 2.30258509299404568402 / s->looks;
  for (int j = 0; j < s->samples; j++) {
    double depth = (j + 0.5) * step, noise = 0.70710678 * ph_db(s->noise_db + s->tgc_db_cm * depth / 10);
    for (int i = 0; i < s->beams; i++) {
      size_t at = (size_t)j * (size_t)s->beams + (size_t)i;
      double e = 1;
      for (int l = 0; l < s->looks; l++) {
        uint64_t b = ph_mix((s->noise_seed ? s->noise_seed : s->seed) * 31 + 7 + at * 3 + (uint64_t)l);
        double re = looks[l].re[at] + looks[l].sp[at] + noise * table[b & (PH_GAUSS_N - 1)];
        double im = looks[l].im[at] + noise * table[(b >> 16) & (PH_GAUSS_N - 1)];
        e *= re * re + im * im + 1e-10;
      }
      /* Mid tissue (0 dB) is shown at 26 dB below white. */
      double g = (to_db * ph_log(e) + s->gain_db - 26) / s->dynamic_range_db + 1;
      g = ph_clamp(g, 0, 1);
      grey[at] = (float)(g * (0.35 + 0.65 * g));
    }
  }
}

ogv_status ph_form(const ph_scene *scene, const ph_view *v, const ph_set *s, ph_polar *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  if (s->beams < 16 || s->beams > 4096 || s->samples < 16 || s->samples > 8192 || s->looks < 1 || s->looks > 3)
    return ogv_fail(err, OGV_E_INVALID, NULL, "phantom: beam space of %d x %d, %d looks", s->beams, s->samples,
                    s->looks);
  size_t n = (size_t)s->beams * (size_t)s->samples;
  float *all = malloc(n * sizeof *all * (size_t)(3 * s->looks + 1));
  out->grey = malloc(n * sizeof *all);
  if (!all || !out->grey) {
    free(all);
    free(out->grey);
    out->grey = NULL;
    return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  }
  look looks[3];
  for (int l = 0; l < s->looks; l++)
    looks[l] = (look){all + 3 * n * (size_t)l, all + 3 * n * (size_t)l + n, all + 3 * n * (size_t)l + 2 * n};
  for (int i = 0; i < s->beams; i++) fill_beam(scene, v, s, i, looks);
  for (int l = 0; l < s->looks; l++) blur(&looks[l], v, s, all + 3 * n * (size_t)s->looks);
  detect(v, s, looks, out->grey);
  out->beams = s->beams;
  out->samples = s->samples;
  free(all);
  return OGV_OK;
}

void ph_convert(const ph_polar *p, const ph_view *v, ogv_image *img) {
  double per_turn = (p->beams - 1) / (2 * v->half_angle), per_mm = p->samples / v->depth_mm;
  for (int y = v->y0 < 0 ? 0 : v->y0; y <= v->y1 && y < img->height; y++)
    for (int x = v->x0 < 0 ? 0 : v->x0; x <= v->x1 && x < img->width; x++) {
      double mx, mz;
      ph_to_mm(v, x, y, &mx, &mz);
      mz += v->radius_mm;
      double r = sqrt(mx * mx + mz * mz), d = (r - v->radius_mm) * per_mm - 0.5;
      if (d < 0 || d > p->samples - 1 || mz <= 0) continue;
      double b = (ph_atan2(mx, mz) + v->half_angle) * per_turn;
      if (b < 0 || b > p->beams - 1) continue;
      int i = (int)b, j = (int)d;
      if (i > p->beams - 2) i = p->beams - 2;
      if (j > p->samples - 2) j = p->samples - 2;
      const float *q = p->grey + (size_t)j * (size_t)p->beams + (size_t)i;
      double fb = b - i, fd = d - j;
      double g = (q[0] * (1 - fb) + q[1] * fb) * (1 - fd) + (q[p->beams] * (1 - fb) + q[p->beams + 1] * fb) * fd;
      uint8_t *px = img->pixels + (size_t)y * img->stride + (size_t)x * (size_t)img->channels;
      for (int c = 0; c < img->channels; c++) px[c] = (uint8_t)(255 * g + 0.5);
    }
}

ogv_status ph_shoot(const ph_scene *scene, const ph_view *v, const ph_set *s, ogv_image *img, ogv_error *err) {
  ph_polar p;
  OGV_TRY(ph_form(scene, v, s, &p, err));
  ph_convert(&p, v, img);
  free(p.grey);
  return OGV_OK;
}
