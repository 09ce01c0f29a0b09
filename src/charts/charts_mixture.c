/* Mixtures of normal distributions: each part has a weight, a mean and an SD that may go with age. Neither the median
 * nor a centile of such a sum has a closed form. */
#include <math.h>
#include <stdlib.h>

#include "private/charts_model.h"

enum { PARTS = CHART_EXPRS / 3, MEDIAN_STEPS = 2048 };

/* The parts at one age. */
typedef struct {
  unsigned n;
  double weight[PARTS], mean[PARTS], sd[PARTS];
} mixture;

static void mixture_at(const ogv_chart *c, const chart_point *at, mixture *m) {
  double left = 1;
  m->n = c->n_exprs / 3;
  for (unsigned i = 0; i < m->n; i++) {
    const chart_expr *e = &c->exprs[3 * i];
    m->weight[i] = i + 1 < m->n ? ogv_chart_expr_eval(e, at) : left;
    m->mean[i] = ogv_chart_expr_eval(e + 1, at);
    m->sd[i] = ogv_chart_expr_eval(e + 2, at);
    left -= m->weight[i];
  }
}

static double tail(const mixture *m, double u, int side) {
  double p = 0;
  for (unsigned i = 0; i < m->n; i++) p += m->weight[i] * ogv_normal_cdf(side * (u - m->mean[i]) / m->sd[i]);
  return p;
}

/* z of u, from whichever tail is the smaller, so that the upper one keeps its relative accuracy too. */
static double z_of(const mixture *m, double u, double *lower) {
  *lower = tail(m, u, 1);
  return *lower <= 0.5 ? ogv_normal_quantile(*lower) : -ogv_normal_quantile(tail(m, u, -1));
}

/* dz/du: the mixture's density over the standard normal one at z. */
static double slope(const mixture *m, double u, double z) {
  double density = 0;
  for (unsigned i = 0; i < m->n; i++) {
    double d = (u - m->mean[i]) / m->sd[i];
    density += m->weight[i] / m->sd[i] * exp(0.5 * (z * z - d * d));
  }
  return density;
}

/* A mixture's quantile lies between those of its parts: Newton's steps, halving where they would leave that. */
static double back(const mixture *m, double z) {
  double lo = INFINITY, hi = -INFINITY, u = 0;
  for (unsigned i = 0; i < m->n; i++) {
    double q = m->mean[i] + z * m->sd[i];
    lo = fmin(lo, q);
    hi = fmax(hi, q);
    u += m->weight[i] * q;
  }
  for (int i = 0; i < 200 && hi > lo; i++) {
    double lower, here = z_of(m, u, &lower), f = here - z;
    if (f == 0) return u;
    if (f < 0) lo = u;
    else hi = u;
    double next = u - f / slope(m, u, here);
    if (!(next > lo && next < hi)) next = lo + (hi - lo) / 2;
    if (fabs(next - u) <= 4e-16 * fmax(1, fabs(u))) return next;
    u = next;
  }
  return u;
}

/* The median from a guess: as above, but on the probability, which is well behaved there and needs no quantile. */
static double median_near(const mixture *m, double u) {
  double narrowest = m->sd[0];
  for (unsigned i = 1; i < m->n; i++) narrowest = fmin(narrowest, m->sd[i]);
  for (int i = 0; i < 20; i++) {
    double density = slope(m, u, 0) * 0.39894228040143267794; /* 1/sqrt(2 pi) */
    double step = (tail(m, u, 1) - 0.5) / density;
    u -= step;
    /* Newton's error after a step is of the order of its square, in units of the SD. */
    if (!(fabs(step) > 1e-6 * narrowest)) return isfinite(u) ? u : back(m, 0);
  }
  return back(m, 0); /* did not settle: the careful way */
}

static double guess(const ogv_chart *c, double x) {
  double f = (x - c->info.x_low) * c->median_inverse_step;
  int i = (int)f;
  if (i >= MEDIAN_STEPS) return c->median_at[MEDIAN_STEPS];
  return c->median_at[i] + (f - i) * (c->median_at[i + 1] - c->median_at[i]);
}

double ogv_chart_mixture_z(const ogv_chart *c, const chart_point *at, double x, double u, double *median,
                           double *centile) {
  mixture m;
  mixture_at(c, at, &m);
  *median = median_near(&m, guess(c, x));
  double lower, z = z_of(&m, u, &lower);
  *centile = 100 * lower;
  return z;
}

double ogv_chart_mixture_back(const ogv_chart *c, const chart_point *at, double z) {
  mixture m;
  mixture_at(c, at, &m);
  return back(&m, z);
}

ogv_status ogv_chart_mixture_prepare(ogv_chart *c, ogv_error *err) {
  double low = c->info.x_low, high = c->info.x_high, u = 0;
  c->median_at = malloc((MEDIAN_STEPS + 1) * sizeof *c->median_at);
  if (!c->median_at) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  c->median_inverse_step = MEDIAN_STEPS / (high - low);
  for (int i = 0; i <= MEDIAN_STEPS; i++) {
    chart_point at[CHART_VARIABLES];
    mixture m;
    ogv_chart_points_at(c, low + (high - low) * i / MEDIAN_STEPS, at);
    mixture_at(c, at, &m);
    c->median_at[i] = u = i ? median_near(&m, u) : back(&m, 0);
  }
  return OGV_OK;
}
