#include "obstetrics_plausible.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "core_sort.h"

static ogv_status chart_of(const char *quantity, const ogv_chart **c, ogv_error *err) {
  OGV_TRY(ogv_chart_default(quantity, c, err));
  if (strcmp(ogv_chart_about(*c)->x_unit, "d"))
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the chart of %s is not read against gestational age", quantity);
  return OGV_OK;
}

ogv_status ogv_plausible_z(const char *quantity, double value, double ga_days, double *z, const char **chart,
                           ogv_error *err) {
  const ogv_chart *c;
  ogv_chart_value v;
  OGV_TRY(chart_of(quantity, &c, err));
  OGV_TRY(ogv_chart_eval(c, ga_days, value, &v, err));
  if (!isfinite(v.z)) return ogv_fail(err, OGV_E_RANGE, NULL, "the chart of %s gives no z here", quantity);
  *z = v.z;
  if (chart) *chart = ogv_chart_about(c)->id;
  return OGV_OK;
}

ogv_status ogv_plausible_age(const char *quantity, double value, double *ga_days, ogv_error *err) {
  const ogv_chart *c;
  OGV_TRY(chart_of(quantity, &c, err));
  double lo = ogv_chart_about(c)->x_low, hi = ogv_chart_about(c)->x_high, at_lo, at_hi, at;
  OGV_TRY(ogv_chart_at_z(c, lo, 0, &at_lo, err));
  OGV_TRY(ogv_chart_at_z(c, hi, 0, &at_hi, err));
  if (!(value >= at_lo && value <= at_hi))
    return ogv_fail(err, OGV_E_RANGE, NULL, "%s of %g is no median between %.0f and %.0f days", quantity, value, lo,
                    hi);
  for (int i = 0; i < 40; i++) { /* medians of sizes grow with age */
    const double middle = (lo + hi) / 2;
    OGV_TRY(ogv_chart_at_z(c, middle, 0, &at, err));
    if (at < value) lo = middle;
    else hi = middle;
  }
  *ga_days = (lo + hi) / 2;
  return OGV_OK;
}

/* Against the other sizes: with dates, how far from their mean z; without, z at the median of the ages they show. */
static double against_others(const char *quantity, double value, double z_age, int ga_days,
                             const ogv_known_size *others, size_t n, const char **chart) {
  enum { MOST = 16 };
  double found[MOST], z = NAN, sum = 0;
  size_t m = 0;
  for (size_t i = 0; i < n && m < MOST; i++) {
    if (!strcmp(others[i].quantity, quantity) || !isfinite(others[i].value)) continue;
    const ogv_status s = ga_days >= 0
                             ? ogv_plausible_z(others[i].quantity, others[i].value, ga_days, &found[m], NULL, NULL)
                             : ogv_plausible_age(others[i].quantity, others[i].value, &found[m], NULL);
    if (s == OGV_OK) m++;
  }
  if (!m) return NAN;
  if (ga_days >= 0) {
    for (size_t i = 0; i < m; i++) sum += found[i] / (double)m;
    return z_age - sum;
  }
  const double age = ogv_median(found, m);
  return ogv_plausible_z(quantity, value, age, &z, chart, NULL) == OGV_OK ? z : NAN;
}

void ogv_plausibility_of(const char *quantity, double value, int ga_days, const ogv_known_size *others, size_t n,
                         ogv_plausibility *out) {
  *out = (ogv_plausibility){NAN, NAN, NAN, "", ""};
  if (ga_days >= 0 && ogv_plausible_z(quantity, value, ga_days, &out->z_age, &out->chart_id, NULL) != OGV_OK)
    out->z_age = NAN;
  out->z_others = against_others(quantity, value, out->z_age, ga_days, others, n, &out->chart_id);
  const bool age = isfinite(out->z_age), other = isfinite(out->z_others);
  if (!age && !other) {
    out->chart_id = "";
    return;
  }
  const bool by_age = age && (!other || fabs(out->z_age) <= fabs(out->z_others));
  out->z = by_age ? out->z_age : out->z_others;
  out->against = by_age ? "the gestational age" : "the other measurements";
}
