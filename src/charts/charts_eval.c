/* z, centile and their inverses. Nothing here allocates; a chart is read-only, so threads may share it. */
#include <math.h>
#include <stdio.h>

#include "core_date.h"
#include "private/charts_model.h"

double ogv_chart_scale_forward(chart_scale s, double y) {
  switch (s) {
    case SCALE_IDENTITY: return y;
    case SCALE_LN: return log(y);
    case SCALE_LOG10: return log10(y);
    case SCALE_SQRT: return sqrt(y);
  }
  return NAN;
}

double ogv_chart_scale_back(chart_scale s, double u) {
  switch (s) {
    case SCALE_IDENTITY: return u;
    case SCALE_LN: return exp(u);
    case SCALE_LOG10: return exp10(u);
    case SCALE_SQRT: return u * u;
  }
  return NAN;
}

static inline double expr(const ogv_chart *c, unsigned i, const chart_point *at) {
  return ogv_chart_expr_eval(&c->exprs[i], at);
}

const char *ogv_chart_x_text(const ogv_chart *c, double x, char buf[OGV_CHART_X_TEXT]) {
  if (c->info.x_unit[0] == 'd' && !c->info.x_unit[1] && x == floor(x) && fabs(x) < 400) {
    char ga[OGV_GA_TEXT];
    snprintf(buf, OGV_CHART_X_TEXT, "%s", ogv_ga_text((int)x, ga));
  } else {
    snprintf(buf, OGV_CHART_X_TEXT, "%.6g %s", x, c->info.x_unit);
  }
  return buf;
}

static ogv_status check_x(const ogv_chart *c, double x, ogv_error *err) {
  if (__builtin_expect(x >= c->info.x_low && x <= c->info.x_high, 1)) return OGV_OK;
  char a[OGV_CHART_X_TEXT], b[OGV_CHART_X_TEXT], v[OGV_CHART_X_TEXT];
  if (!isfinite(x)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: the %s is not a number", c->info.id, c->info.x_name);
  return ogv_fail(err, OGV_E_RANGE, "No centile is given outside the published range; choose a chart that covers it.",
                  "%s of %s is outside %s to %s, the range of the chart %s", c->info.x_name, ogv_chart_x_text(c, x, v),
                  ogv_chart_x_text(c, c->info.x_low, a), ogv_chart_x_text(c, c->info.x_high, b), c->info.id);
}

/* The value on the model's scale. */
static ogv_status check_value(const ogv_chart *c, double value, double *u, ogv_error *err) {
  if (!isfinite(value)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: the value is not a number", c->info.id);
  if (value <= 0 && c->scale != SCALE_IDENTITY && !(value == 0 && c->scale == SCALE_SQRT))
    return ogv_fail(err, OGV_E_RANGE, "Check the measurement.", "%s: a value of %g %s cannot be: it must be above 0",
                    c->info.id, value, c->info.unit);
  *u = ogv_chart_scale_forward(c->scale, value / c->value_per);
  if (c->model == MODEL_LMS && !(*u > 0))
    return ogv_fail(err, OGV_E_RANGE, "Check the measurement and its unit.",
                    "%s: a value of %g %s is too small for this chart", c->info.id, value, c->info.unit);
  return OGV_OK;
}

static inline double lms_back(double l, double m, double s, double z) {
  return fabs(l) < 1e-8 ? m * exp(s * z) : m * exp(log1p(l * s * z) / l);
}

static inline double lms_z(double l, double m, double s, double u) {
  double r = log(u / m);
  return fabs(l) < 1e-8 ? r / s : expm1(l * r) / (l * s);
}

static inline double between(double z1, double z2, double u1, double u2, double u) {
  return u2 > u1 ? z1 + (u - u1) / (u2 - u1) * (z2 - z1) : z1;
}

/* z of u among the quantiles: linear in u between them, looked for from the middle outwards. beyond is set outside the
 * outer ones; the slack lets an outer quantile itself, once rounded, still belong. */
static double quantiles_z(const ogv_chart *c, const chart_point *at, double u, int *beyond) {
  const double *q = c->quantile_z;
  unsigned n = c->n_exprs, i = c->quantile_middle;
  double slack = 1e-12 * fmax(1, fabs(u)), here = expr(c, i, at);
  *beyond = 0;
  if (u >= here) {
    for (; i + 1 < n; i++) {
      double next = expr(c, i + 1, at);
      if (u <= next) return between(q[i], q[i + 1], here, next, u);
      here = next;
    }
    if (u <= here + slack) return q[n - 1];
    *beyond = 1;
    return NAN;
  }
  for (; i > 0; i--) {
    double next = expr(c, i - 1, at);
    if (u >= next) return between(q[i - 1], q[i], next, here, u);
    here = next;
  }
  if (u >= here - slack) return q[0];
  *beyond = -1;
  return NAN;
}

/* The median on the model's scale. */
static double quantiles_middle(const ogv_chart *c, const chart_point *at) {
  unsigned i = c->quantile_middle;
  const double *q = c->quantile_z;
  double here = expr(c, i, at);
  if (q[i] == 0 || i + 1 == c->n_exprs) return here;
  return here + -q[i] / (q[i + 1] - q[i]) * (expr(c, i + 1, at) - here);
}

static ogv_status no_such_z(const ogv_chart *c, double z, ogv_error *err) {
  return ogv_fail(err, OGV_E_RANGE, NULL, "the chart %s has no value at z = %g (centile %.4g)", c->info.id, z,
                  100 * ogv_normal_cdf(z));
}

static ogv_status quantiles_back(const ogv_chart *c, const chart_point *at, double z, double *u, ogv_error *err) {
  unsigned n = c->n_exprs;
  const double *q = c->quantile_z;
  if (z < q[0] - 1e-12 || z > q[n - 1] + 1e-12)
    return ogv_fail(err, OGV_E_RANGE, "Ask for a centile between them.",
                    "the chart %s resolves only the centiles %g to %g", c->info.id, 100 * c->quantile_p[0],
                    100 * c->quantile_p[n - 1]);
  unsigned i = 1;
  while (i + 1 < n && z > q[i]) i++;
  double below = expr(c, i - 1, at), above = expr(c, i, at);
  *u = below + (z - q[i - 1]) / (q[i] - q[i - 1]) * (above - below);
  return OGV_OK;
}

static ogv_status scaled_at_z(const ogv_chart *c, const chart_point *at, double z, double *u, ogv_error *err) {
  switch (c->model) {
    case MODEL_NORMAL: *u = expr(c, 0, at) + z * expr(c, 1, at); break;
    case MODEL_LMS: {
      double l = expr(c, 0, at), s = expr(c, 2, at);
      if (!(1 + l * s * z > 0)) return no_such_z(c, z, err);
      *u = lms_back(l, expr(c, 1, at), s, z);
      break;
    }
    case MODEL_EXPONENTIAL_NORMAL: {
      double l = expr(c, 0, at);
      if (!(1 + l * z > 0)) return no_such_z(c, z, err);
      *u = expr(c, 1, at) + expr(c, 2, at) * (l == 0 ? z : log1p(l * z) / l);
      break;
    }
    case MODEL_QUANTILES: return quantiles_back(c, at, z, u, err);
    case MODEL_MIXTURE: *u = ogv_chart_mixture_back(c, at, z); break;
    case MODEL_MEDIAN:
      if (z != 0)
        return ogv_fail(err, OGV_E_RANGE, "Use multiples of the median.",
                        "the chart %s gives a median only: no spread was published for it", c->info.id);
      *u = expr(c, 0, at);
      break;
  }
  if (c->scale == SCALE_SQRT && *u < 0) return no_such_z(c, z, err);
  return OGV_OK;
}

ogv_status ogv_chart_eval(const ogv_chart *c, double x, double value, ogv_chart_value *out, ogv_error *err) {
  double u = NAN;
  OGV_TRY(check_x(c, x, err));
  OGV_TRY(check_value(c, value, &u, err));
  chart_point at[CHART_VARIABLES];
  ogv_chart_points_at(c, x, at);
  *out = (ogv_chart_value){.z = NAN, .centile = NAN, .sd = NAN};
  double middle; /* median on the model's scale */
  switch (c->model) {
    case MODEL_NORMAL: {
      double sd = expr(c, 1, at);
      middle = expr(c, 0, at);
      out->z = (u - middle) / sd;
      if (c->scale == SCALE_IDENTITY) out->sd = sd * c->value_per;
      break;
    }
    case MODEL_LMS:
      middle = expr(c, 1, at);
      out->z = lms_z(expr(c, 0, at), middle, expr(c, 2, at), u);
      break;
    case MODEL_EXPONENTIAL_NORMAL: {
      double l = expr(c, 0, at), s = expr(c, 2, at);
      middle = expr(c, 1, at);
      out->z = l == 0 ? (u - middle) / s : expm1((u - middle) * l / s) / l;
      break;
    }
    case MODEL_QUANTILES:
      out->z = quantiles_z(c, at, u, &out->beyond);
      middle = quantiles_middle(c, at);
      break;
    case MODEL_MIXTURE: out->z = ogv_chart_mixture_z(c, at, x, u, &middle, &out->centile); break;
    default: middle = expr(c, 0, at); break;
  }
  out->median = ogv_chart_scale_back(c->scale, middle) * c->value_per;
  out->mom = value / out->median;
  if (!isnan(out->z) && isnan(out->centile)) out->centile = 100 * ogv_normal_cdf(out->z);
  return OGV_OK;
}

ogv_status ogv_chart_at_z(const ogv_chart *c, double x, double z, double *value, ogv_error *err) {
  OGV_TRY(check_x(c, x, err));
  if (!isfinite(z)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: z is not a number", c->info.id);
  chart_point at[CHART_VARIABLES];
  ogv_chart_points_at(c, x, at);
  double u = NAN;
  OGV_TRY(scaled_at_z(c, at, z, &u, err));
  *value = ogv_chart_scale_back(c->scale, u) * c->value_per;
  return OGV_OK;
}

ogv_status ogv_chart_at_centile(const ogv_chart *c, double x, double centile, double *value, ogv_error *err) {
  if (!(centile > 0 && centile < 100))
    return ogv_fail(err, OGV_E_INVALID, "Give a centile between 0 and 100.", "a centile of %g cannot be", centile);
  return ogv_chart_at_z(c, x, ogv_normal_quantile(centile / 100), value, err);
}
