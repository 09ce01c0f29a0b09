/* From the SD of a measurement and of an age to an interval of the centile, and the look for a slip of the unit. */
#include <math.h>

#include "private/charts_model.h"

/* dz/dv by central difference, one-sided at an edge of the range. f gives z at a point, NaN where there is none. */
typedef struct {
  const ogv_chart *c;
  double x, value;
  bool along_x;
} line;

static double z_at(const line *l, double step) {
  ogv_chart_value v;
  double x = l->x + (l->along_x ? step : 0), value = l->value + (l->along_x ? 0 : step);
  return ogv_chart_eval(l->c, x, value, &v, NULL) == OGV_OK ? v.z : NAN;
}

static double slope(const line *l, double step) {
  double a = z_at(l, -step), z = z_at(l, 0), b = z_at(l, step);
  if (isfinite(a) && isfinite(b)) return (b - a) / (2 * step);
  if (isfinite(b)) return (b - z) / step;
  return (z - a) / step;
}

/* A step along x small against the chart's curvature; but a whole row where rows hold until the next, so that the slope
 * is that of the table and not of its stairs. */
static double step_along_x(const ogv_chart *c) {
  double step = fmin(0.1, (c->info.x_high - c->info.x_low) / 1000);
  for (unsigned i = 0; i < c->n_exprs; i++) {
    const chart_expr *e = &c->exprs[i];
    if (e->kind == EXPR_STEP && e->inverse_step > 0) step = fmax(step, c->variables[e->variable].per / e->inverse_step);
  }
  return step;
}

ogv_status ogv_chart_uncertainty(const ogv_chart *c, double x, double x_sd, double value, double value_sd,
                                 ogv_chart_interval *out, ogv_error *err) {
  ogv_chart_value v;
  if (!(x_sd >= 0) || !(value_sd >= 0))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: an SD must be 0 or above", c->info.id);
  OGV_TRY(ogv_chart_eval(c, x, value, &v, err));
  if (isnan(v.z))
    return ogv_fail(err, OGV_E_RANGE, NULL, "the chart %s gives no z here, so no interval of it", c->info.id);
  /* Steps small against any chart's curvature and large against rounding. */
  double dv = slope(&(line){c, x, value, false}, 1e-4 * fabs(value) + 1e-12);
  double dx = x_sd > 0 ? slope(&(line){c, x, value, true}, step_along_x(c)) : 0;
  double sd = hypot(dv * value_sd, dx * x_sd);
  if (!isfinite(sd))
    return ogv_fail(err, OGV_E_RANGE, NULL, "the chart %s has no slope here, so no interval is given", c->info.id);
  const double k = 1.959963984540054; /* 97.5 % of the normal distribution */
  *out = (ogv_chart_interval){.z_sd = sd, .z_low = v.z - k * sd, .z_high = v.z + k * sd};
  out->centile_low = 100 * ogv_normal_cdf(out->z_low);
  out->centile_high = 100 * ogv_normal_cdf(out->z_high);
  return OGV_OK;
}

static bool far_off(const ogv_chart_value *v) {
  return v->beyond || (isnan(v->z) ? v->mom < 0.25 || v->mom > 4 : fabs(v->z) > 6);
}

double ogv_chart_slip(const ogv_chart *c, double x, double value) {
  ogv_chart_value v;
  if (ogv_chart_eval(c, x, value, &v, NULL) != OGV_OK || !far_off(&v)) return 0;
  static const double factors[] = {10, 0.1, 1000, 0.001};
  for (unsigned i = 0; i < sizeof factors / sizeof *factors; i++) {
    if (ogv_chart_eval(c, x, value * factors[i], &v, NULL) != OGV_OK || far_off(&v)) continue;
    if (v.mom > 0.5 && v.mom < 2) return factors[i];
  }
  return 0;
}
