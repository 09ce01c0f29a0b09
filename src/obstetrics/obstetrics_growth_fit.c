/* Estimates the correlation of z over time from a department's own exams. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include "obstetrics_growth.h"

#define RESAMPLES 200

typedef struct {
  double a, b, weeks; /* standardised z of a pair, and the interval */
} pair;

typedef struct {
  size_t from, n; /* pairs of one fetus */
} block;

typedef struct {
  pair *pairs;
  size_t n_pairs, cap_pairs;
  block *blocks;
  size_t n_blocks, cap_blocks;
  double ga_low, ga_high, interval_low, interval_high;
} sample;

static ogv_status room(void **p, size_t *cap, size_t n, size_t size, ogv_error *err) {
  if (n < *cap) return OGV_OK;
  size_t c = *cap ? *cap * 2 : 256;
  void *q = realloc(*p, c * size);
  if (!q) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  *p = q;
  *cap = c;
  return OGV_OK;
}

static ogv_status add_fetus(sample *s, const ogv_growth_record *r, size_t n, double mean, double sd, ogv_error *err) {
  size_t from = s->n_pairs;
  for (size_t i = 0; i < n; i++)
    for (size_t k = i + 1; k < n; k++) {
      double apart = fabs(r[k].ga_days - r[i].ga_days);
      if (apart < OGV_GROWTH_LEAST_DAYS) continue;
      OGV_TRY(room((void **)&s->pairs, &s->cap_pairs, s->n_pairs, sizeof *s->pairs, err));
      s->pairs[s->n_pairs++] = (pair){(r[i].z - mean) / sd, (r[k].z - mean) / sd, apart / 7};
      s->ga_low = fmin(s->ga_low, fmin(r[i].ga_days, r[k].ga_days));
      s->ga_high = fmax(s->ga_high, fmax(r[i].ga_days, r[k].ga_days));
      s->interval_low = fmin(s->interval_low, apart);
      s->interval_high = fmax(s->interval_high, apart);
    }
  if (s->n_pairs == from) return OGV_OK;
  OGV_TRY(room((void **)&s->blocks, &s->cap_blocks, s->n_blocks, sizeof *s->blocks, err));
  s->blocks[s->n_blocks++] = (block){from, s->n_pairs - from};
  return OGV_OK;
}

/* Pairwise log-likelihood of standard bivariate normals with correlation r0 exp(-weeks/tau); weight[i] counts block i.
 */
static double likelihood(const sample *s, const unsigned *weight, double r0, double tau) {
  double sum = 0;
  for (size_t b = 0; b < s->n_blocks; b++) {
    if (weight && !weight[b]) continue;
    double one = 0;
    for (size_t i = s->blocks[b].from; i < s->blocks[b].from + s->blocks[b].n; i++) {
      const pair *p = &s->pairs[i];
      double r = r0 * exp(-p->weeks / tau), q = 1 - r * r;
      one -= 0.5 * (log(q) + (p->a * p->a - 2 * r * p->a * p->b + p->b * p->b) / q);
    }
    sum += weight ? weight[b] * one : one;
  }
  return sum;
}

/* Parameters on the whole line: r0 = logistic(x), tau = exp(y). */
static double at(const sample *s, const unsigned *w, const double v[2]) {
  double r0 = 1 / (1 + exp(-v[0])), tau = exp(v[1]);
  return -likelihood(s, w, fmin(r0, 0.9999), fmin(tau, 1e4));
}

/* Downhill simplex of Nelder and Mead in two dimensions; deterministic. */
static void maximise(const sample *s, const unsigned *w, double v[2]) {
  double x[3][2] = {{v[0], v[1]}, {v[0] + 0.5, v[1]}, {v[0], v[1] + 0.5}}, f[3];
  for (int i = 0; i < 3; i++) f[i] = at(s, w, x[i]);
  for (int step = 0; step < 120; step++) {
    int lo = 0, hi = 0;
    for (int i = 1; i < 3; i++) {
      if (f[i] < f[lo]) lo = i;
      if (f[i] > f[hi]) hi = i;
    }
    if (hi == lo || f[hi] - f[lo] < 1e-10 * (fabs(f[lo]) + 1)) break;
    int mid = 3 - lo - hi;
    double c[2], t[2], e[2];
    for (int d = 0; d < 2; d++) {
      c[d] = (x[lo][d] + x[mid][d]) / 2;
      t[d] = 2 * c[d] - x[hi][d];
    }
    double ft = at(s, w, t);
    if (ft < f[lo]) {
      for (int d = 0; d < 2; d++) e[d] = 3 * c[d] - 2 * x[hi][d];
      double fe = at(s, w, e);
      const double *best = fe < ft ? e : t;
      for (int d = 0; d < 2; d++) x[hi][d] = best[d];
      f[hi] = fmin(fe, ft);
    } else if (ft < f[mid]) {
      for (int d = 0; d < 2; d++) x[hi][d] = t[d];
      f[hi] = ft;
    } else {
      for (int d = 0; d < 2; d++) e[d] = (c[d] + x[hi][d]) / 2;
      double fe = at(s, w, e);
      if (fe < f[hi]) {
        for (int d = 0; d < 2; d++) x[hi][d] = e[d];
        f[hi] = fe;
      } else {
        for (int i = 0; i < 3; i++)
          for (int d = 0; i != lo && d < 2; d++) x[i][d] = (x[i][d] + x[lo][d]) / 2;
        for (int i = 0; i < 3; i++) f[i] = at(s, w, x[i]);
      }
    }
  }
  int lo = f[1] < f[0] ? 1 : 0;
  if (f[2] < f[lo]) lo = 2;
  v[0] = x[lo][0];
  v[1] = x[lo][1];
}

static double r_after(double r0, double tau, double weeks) { return r0 * exp(-weeks / tau); }

static uint64_t next(uint64_t *state) { /* xorshift64*: the same stream on every machine */
  *state ^= *state >> 12;
  *state ^= *state << 25;
  *state ^= *state >> 27;
  return *state * 2685821657736338717u;
}

static ogv_status spread(const sample *s, const double best[2], ogv_correlation_fit *out, ogv_error *err) {
  unsigned *w = calloc(s->n_blocks, sizeof *w);
  if (!w) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  double sum[3] = {0}, square[3] = {0};
  uint64_t state = 0x9e3779b97f4a7c15u;
  for (int k = 0; k < RESAMPLES; k++) {
    for (size_t b = 0; b < s->n_blocks; b++) w[b] = 0;
    for (size_t b = 0; b < s->n_blocks; b++) w[next(&state) % s->n_blocks]++;
    double v[2] = {best[0], best[1]};
    maximise(s, w, v);
    double r0 = 1 / (1 + exp(-v[0])), tau = fmin(exp(v[1]), 1e4), x[3] = {r0, tau, r_after(r0, tau, 4)};
    for (int i = 0; i < 3; i++) {
      sum[i] += x[i];
      square[i] += x[i] * x[i];
    }
  }
  free(w);
  double se[3];
  for (int i = 0; i < 3; i++) se[i] = sqrt(fmax(0, square[i] / RESAMPLES - sum[i] / RESAMPLES * sum[i] / RESAMPLES));
  out->r0_se = se[0];
  out->tau_se_weeks = se[1];
  out->r_at_4_weeks_se = se[2];
  return OGV_OK;
}

static ogv_status fit(sample *s, const ogv_growth_record *r, size_t n, double mean, double sd, ogv_correlation_fit *out,
                      ogv_error *err) {
  for (size_t i = 0, k; i < n; i = k) {
    for (k = i; k < n && r[k].fetus == r[i].fetus; k++) continue;
    OGV_TRY(add_fetus(s, r + i, k - i, mean, sd, err));
  }
  if (s->n_blocks < OGV_CORRELATION_FETUSES)
    return ogv_fail(err, OGV_E_RANGE,
                    "Collect more exams first; until then change is shown with its measurement part only.",
                    "%zu fetuses have two scans %d days apart; %d are needed", s->n_blocks, OGV_GROWTH_LEAST_DAYS,
                    OGV_CORRELATION_FETUSES);
  double v[2] = {2, 3}; /* r0 0.88, tau 20 weeks */
  maximise(s, NULL, v);
  ogv_correlation *c = &out->correlation;
  c->r0 = fmin(1 / (1 + exp(-v[0])), 0.9999);
  c->tau_weeks = fmin(exp(v[1]), 1e4);
  out->r_at_4_weeks = r_after(c->r0, c->tau_weeks, 4);
  c->mean = mean;
  c->sd = sd;
  c->ga_low = s->ga_low;
  c->ga_high = s->ga_high;
  c->interval_low = s->interval_low;
  c->interval_high = s->interval_high;
  c->fetuses = s->n_blocks;
  c->pairs = s->n_pairs;
  return spread(s, v, out, err);
}

ogv_status ogv_correlation_estimate(const char *chart, const ogv_growth_record *r, size_t n, ogv_correlation_fit *out,
                                    ogv_error *err) {
  *out = (ogv_correlation_fit){0};
  snprintf(out->correlation.chart, sizeof out->correlation.chart, "%s", chart);
  snprintf(out->correlation.source, sizeof out->correlation.source, "the department's own exams");
  double sum = 0, square = 0;
  for (size_t i = 0; i < n; i++) {
    if (!isfinite(r[i].z) || !isfinite(r[i].ga_days))
      return ogv_fail(err, OGV_E_INVALID, NULL, "record %zu has no z", i + 1);
    sum += r[i].z;
  }
  double mean = n ? sum / (double)n : 0;
  for (size_t i = 0; i < n; i++) square += (r[i].z - mean) * (r[i].z - mean);
  double sd = n > 1 ? sqrt(square / (double)(n - 1)) : 0;
  if (!(sd > 0)) return ogv_fail(err, OGV_E_RANGE, NULL, "%zu records do not show any spread", n);
  sample s = {.ga_low = INFINITY, .ga_high = -INFINITY, .interval_low = INFINITY, .interval_high = -INFINITY};
  ogv_status code = fit(&s, r, n, mean, sd, out, err);
  free(s.pairs);
  free(s.blocks);
  return code;
}
