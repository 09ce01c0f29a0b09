#include "obstetrics_growth.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"

#define FLAG_DAYS 21

/* --- the correlation file -------------------------------------------------------------------------------------------
 */
ogv_status ogv_correlation_from_json(const json_t *v, const char *where, ogv_correlation *out, ogv_error *err) {
  const char *chart;
  *out = (ogv_correlation){0};
  OGV_TRY(ogv_json_string(v, where, "chart", &chart, err));
  snprintf(out->chart, sizeof out->chart, "%s", chart);
  snprintf(out->source, sizeof out->source, "%s", ogv_json_string_or(v, "source", ""));
  const struct {
    const char *key;
    double *to;
  } numbers[] = {{"r0", &out->r0},
                 {"tau_weeks", &out->tau_weeks},
                 {"mean", &out->mean},
                 {"sd", &out->sd},
                 {"ga_low_days", &out->ga_low},
                 {"ga_high_days", &out->ga_high},
                 {"interval_low_days", &out->interval_low},
                 {"interval_high_days", &out->interval_high}};
  for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
    OGV_TRY(ogv_json_number(v, where, numbers[i].key, numbers[i].to, err));
  out->fetuses = (size_t)ogv_json_number_or(v, "fetuses", 0);
  out->pairs = (size_t)ogv_json_number_or(v, "pairs", 0);
  if (!(out->r0 > 0 && out->r0 <= 1) || !(out->tau_weeks > 0) || !(out->sd > 0) || !(out->ga_low < out->ga_high))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: r0 must be in (0, 1], tau_weeks and sd above zero, ages in order",
                    where);
  return OGV_OK;
}

json_t *ogv_correlation_to_json(const ogv_correlation *c) {
  return json_pack("{s:s,s:s,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:I,s:I,s:s}", "chart", c->chart, "model",
                   "r = r0 exp(-interval / tau)", "r0", c->r0, "tau_weeks", c->tau_weeks, "mean", c->mean, "sd", c->sd,
                   "ga_low_days", c->ga_low, "ga_high_days", c->ga_high, "interval_low_days", c->interval_low,
                   "interval_high_days", c->interval_high, "fetuses", (json_int_t)c->fetuses, "pairs",
                   (json_int_t)c->pairs, "source", c->source);
}

ogv_status ogv_correlation_find(const char *chart, ogv_correlation *out, ogv_error *err) {
  char path[128];
  ogv_resource r;
  json_t *v;
  if (strlen(chart) > 60 || strchr(chart, '/'))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.70s\" is no chart id", chart);
  snprintf(path, sizeof path, "growth/%s.json", chart);
  if (ogv_resource_get(path, &r, NULL) != OGV_OK)
    return ogv_fail(err, OGV_E_NOT_FOUND, "ogive growth fit estimates it from the department's own exams.",
                    "no correlation of growth is known for the chart %s", chart);
  OGV_TRY(ogv_json_parse((const char *)r.data, r.size, path, &v, err));
  ogv_status s = ogv_correlation_from_json(v, path, out, err);
  json_decref(v);
  if (s == OGV_OK && strcmp(out->chart, chart))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s is for the chart %s", path, out->chart);
  return s;
}

ogv_status ogv_correlation_at(const ogv_correlation *c, double ga1, double ga2, double *r, ogv_error *err) {
  double apart = fabs(ga2 - ga1);
  if (fmin(ga1, ga2) < c->ga_low || fmax(ga1, ga2) > c->ga_high || apart < c->interval_low || apart > c->interval_high)
    return ogv_fail(err, OGV_E_RANGE, NULL, "the correlation for %s was not estimated between %.0f and %.0f days",
                    c->chart, ga1, ga2);
  *r = c->r0 * exp(-apart / 7 / c->tau_weeks);
  return OGV_OK;
}

/* --- two points --------------------------------------------------------------------------------------------------- */
static ogv_status z_of(const ogv_chart *c, const ogv_growth_point *p, ogv_chart_value *v, double *z_sd,
                       ogv_error *err) {
  ogv_chart_interval i;
  OGV_TRY(ogv_chart_eval(c, p->ga_days, p->value, v, err));
  if (isnan(v->z))
    return ogv_fail(err, OGV_E_RANGE, NULL,
                    "the chart %s gives no z for %.4g at %.1f weeks: change cannot be judged on it",
                    ogv_chart_about(c)->id, p->value, p->ga_days / 7);
  *z_sd = NAN;
  if (p->sd > 0 && ogv_chart_uncertainty(c, p->ga_days, 0, p->value, p->sd, &i, NULL) == OGV_OK) *z_sd = i.z_sd;
  return OGV_OK;
}

/* dz/dGA at a point for an unchanged value, by central difference inside the chart's range. */
static double age_slope(const ogv_chart *c, const ogv_growth_point *p) {
  const ogv_chart_info *a = ogv_chart_about(c);
  ogv_chart_value low, high;
  double from = fmax(a->x_low, p->ga_days - 0.5), to = fmin(a->x_high, p->ga_days + 0.5);
  if (ogv_chart_eval(c, from, p->value, &low, NULL) != OGV_OK || ogv_chart_eval(c, to, p->value, &high, NULL) != OGV_OK)
    return NAN;
  return (high.z - low.z) / (to - from);
}

static int band(double centile) { return centile < 25 ? 0 : centile < 50 ? 1 : centile < 75 ? 2 : 3; }

static void condition(const ogv_correlation *k, const ogv_growth_point *a, const ogv_growth_point *b,
                      ogv_growth_change *out) {
  ogv_error err;
  out->r = out->z_expected = out->z_expected_sd = out->z_conditional = out->centile_conditional = NAN;
  if (!k) return;
  if (ogv_correlation_at(k, a->ga_days, b->ga_days, &out->r, &err) != OGV_OK) {
    snprintf(out->note, sizeof out->note, "%.230s", err.what);
    return;
  }
  out->conditional = true;
  out->z_expected = k->mean + out->r * (out->z1 - k->mean);
  out->z_expected_sd = k->sd * sqrt(1 - out->r * out->r);
  out->z_conditional = (out->z2 - out->z_expected) / out->z_expected_sd;
  out->centile_conditional = 100 * ogv_normal_cdf(out->z_conditional);
}

static void velocity(const ogv_growth_point *a, const ogv_growth_point *b, const ogv_chart_value *v1,
                     const ogv_chart_value *v2, ogv_growth_change *out) {
  double weeks = out->interval_days / 7;
  out->velocity = (b->value - a->value) / weeks;
  out->velocity_sd = a->sd > 0 && b->sd > 0 ? hypot(a->sd, b->sd) / weeks : NAN;
  out->velocity_expected = (v2->median - v1->median) / weeks;
}

ogv_status ogv_growth_between(const ogv_chart *c, const ogv_growth_point *a, const ogv_growth_point *b, double ga_sd,
                              const ogv_correlation *k, ogv_growth_change *out, ogv_error *err) {
  ogv_chart_value v1, v2;
  double u1, u2;
  *out = (ogv_growth_change){.interval_days = b->ga_days - a->ga_days};
  const ogv_chart_info *about = ogv_chart_about(c);
  if (strcmp(about->x_unit, "d"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s is not a chart by gestational age", about->id);
  if (k && strcmp(k->chart, about->id))
    return ogv_fail(err, OGV_E_CONFLICT, NULL, "the correlation is that of %s, not of %s", k->chart, about->id);
  if (!(out->interval_days >= OGV_GROWTH_LEAST_DAYS))
    return ogv_fail(err, OGV_E_RANGE, "Measure again two weeks or more after the first scan.",
                    "%.0f days between the scans: under %d days a change is mostly measurement", out->interval_days,
                    OGV_GROWTH_LEAST_DAYS);
  OGV_TRY(z_of(c, a, &v1, &u1, err));
  OGV_TRY(z_of(c, b, &v2, &u2, err));
  out->short_interval = out->interval_days < FLAG_DAYS;
  out->z1 = v1.z;
  out->z2 = v2.z;
  out->dz = v2.z - v1.z;
  out->centile1 = v1.centile;
  out->centile2 = v2.centile;
  out->centile_fall = v1.centile - v2.centile;
  out->bands_crossed = band(v1.centile) - band(v2.centile);
  out->crosses = out->centile_fall > 50;
  out->dz_sd_measurement = hypot(u1, u2);
  out->dz_sd_dating = ga_sd > 0 ? fabs(age_slope(c, b) - age_slope(c, a)) * ga_sd : 0;
  out->dz_sd = hypot(out->dz_sd_measurement, isnan(out->dz_sd_dating) ? 0 : out->dz_sd_dating);
  out->p_measurement = isnan(out->dz_sd) ? NAN : erfc(fabs(out->dz) / out->dz_sd / sqrt(2));
  velocity(a, b, &v1, &v2, out);
  condition(k, a, b, out);
  if (!*out->note && out->short_interval)
    snprintf(out->note, sizeof out->note, "only %.0f days apart (under %d): measurement error weighs heavily",
             out->interval_days, FLAG_DAYS);
  return OGV_OK;
}

ogv_status ogv_growth_largest_fall(const ogv_chart *c, const ogv_growth_point *p, size_t n, double ga_sd,
                                   const ogv_correlation *k, size_t *from, ogv_growth_change *out, ogv_error *err) {
  bool found = false;
  if (n < 2) return ogv_fail(err, OGV_E_RANGE, NULL, "change needs two scans or more");
  for (size_t i = 0; i + 1 < n; i++) {
    ogv_growth_change one;
    ogv_status s = ogv_growth_between(c, &p[i], &p[n - 1], ga_sd, k, &one, err);
    if (s != OGV_OK && s != OGV_E_RANGE) return s;
    if (s != OGV_OK || (found && one.centile_fall <= out->centile_fall)) continue;
    *out = one;
    *from = i;
    found = true;
  }
  return found ? OGV_OK : OGV_E_RANGE; /* err holds why the last pair could not be judged */
}

/* --- projection ------------------------------------------------------------------------------------------------------
 */
ogv_status ogv_growth_project(const ogv_chart *c, const ogv_growth_point *p, double ga_days, const ogv_correlation *k,
                              ogv_growth_projection *out, ogv_error *err) {
  ogv_chart_value v;
  double u, r = NAN;
  ogv_error why = {0};
  *out = (ogv_growth_projection){0};
  if (!(ga_days > p->ga_days))
    return ogv_fail(err, OGV_E_INVALID, NULL, "a projection goes forward: %.1f weeks is not after %.1f", ga_days / 7,
                    p->ga_days / 7);
  OGV_TRY(z_of(c, p, &v, &u, err));
  if (k && ogv_correlation_at(k, p->ga_days, ga_days, &r, &why) == OGV_OK) {
    out->conditional = true;
    out->z = k->mean + r * (v.z - k->mean);
    out->z_sd = k->sd * sqrt(1 - r * r); /* the department's r already holds its measurement error */
    snprintf(out->note, sizeof out->note, "expected from the department's own correlation (%zu fetuses)", k->fetuses);
  } else {
    out->z = v.z;
    out->z_sd = isnan(u) ? 0 : u;
    snprintf(out->note, sizeof out->note,
             "same z carried forward; the interval is that of the measurement alone and holds no "
             "change of growth%s%.60s",
             *why.what ? ": " : "", why.what);
  }
  OGV_TRY(ogv_chart_at_z(c, ga_days, out->z, &out->value, err));
  if (!(out->value > 0))
    return ogv_fail(err, OGV_E_RANGE, "Check the value and the age of the scan.",
                    "z of %.1f is too far off to be carried forward", out->z);
  if (out->z_sd > 0) {
    OGV_TRY(ogv_chart_at_z(c, ga_days, out->z - 1.96 * out->z_sd, &out->low, err));
    OGV_TRY(ogv_chart_at_z(c, ga_days, out->z + 1.96 * out->z_sd, &out->high, err));
    out->low = fmax(out->low, 0); /* a size has a floor */
  } else {
    out->low = out->high = NAN;
    snprintf(out->note, sizeof out->note,
             "same z carried forward; the SD of the measurement is not known, so no interval");
  }
  return OGV_OK;
}
