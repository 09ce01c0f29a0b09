/* Completing the facts that rules read: ages, units, weight, ratios, centiles, falls, discordance. Nothing given is
 * replaced. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "core_date.h"
#include "core_json.h"
#include "core_unit.h"
#include "obstetrics_doppler.h"
#include "obstetrics_growth.h"
#include "obstetrics_quantity.h"
#include "obstetrics_ratio.h"
#include "obstetrics_rules.h"
#include "obstetrics_weight.h"

static bool has(const json_t *o, const char *key) {
  const json_t *v = json_object_get(o, key);
  return v && !json_is_null(v);
}

static void set_real(json_t *o, const char *key, double v) {
  if (isfinite(v) && !has(o, key)) json_object_set_new(o, key, json_real(v));
}

static ogv_status age(json_t *facts, ogv_error *err) {
  const char *text = ogv_json_string_or(facts, "ga", NULL);
  if (text && !has(facts, "ga_days")) {
    int days;
    OGV_TRY(ogv_ga_parse(text, &days, err));
    json_object_set_new(facts, "ga_days", json_integer(days));
  }
  double d = ogv_json_number_or(facts, "ga_days", NAN);
  if (has(facts, "ga_days") && !(d >= 0 && d <= 315))
    return ogv_fail(err, OGV_E_RANGE, "Give whole days or 30w0d.",
                    "facts: a gestational age of %.6g days is not possible", d);
  return OGV_OK;
}

/* A bare number becomes {"value"}; the value is brought to the table's unit and must be plausible. */
static ogv_status shape(json_t *group, const char *label, const char *key, json_t *v, ogv_error *err) {
  const ogv_quantity *q = ogv_quantity_find(key);
  if (!q) return OGV_OK;
  if (json_is_number(v)) {
    v = json_pack("{s:f}", "value", json_number_value(v));
    json_object_set_new(group, key, v);
  }
  if (!json_is_object(v))
    return ogv_fail(err, OGV_E_INVALID, "Give a number or {\"value\":...}.", "facts, %s: %s is not a number", label,
                    key);
  double value = ogv_json_number_or(v, "value", NAN);
  if (isnan(value)) return OGV_OK; /* only a centile or a z was given */
  const char *unit = ogv_json_string_or(v, "unit", q->unit);
  double sd = ogv_json_number_or(v, "sd", NAN);
  if (strcmp(unit, q->unit)) {
    OGV_TRY(ogv_unit_convert(value, unit, q->unit, &value, err));
    if (!isnan(sd)) OGV_TRY(ogv_unit_convert(sd, unit, q->unit, &sd, err));
    json_object_set_new(v, "value", json_real(value));
    if (!isnan(sd)) json_object_set_new(v, "sd", json_real(sd));
    json_object_set_new(v, "unit", json_string(q->unit));
  }
  ogv_status s = ogv_quantity_plausible(q, value, err);
  if (s != OGV_OK) return ogv_error_at(err, s, "facts, %s", label);
  if (isnan(sd)) set_real(v, "sd", ogv_quantity_sd(q, value));
  return OGV_OK;
}

static double part(const json_t *group, const char *key, double *sd) {
  const json_t *v = json_object_get(group, key);
  *sd = ogv_json_number_or(v, "sd", NAN);
  return ogv_json_number_or(v, "value", NAN);
}

static ogv_status weight(json_t *group, const char *label, double ga_days, ogv_error *err) {
  ogv_weight_input in = {.bpd_mm = NAN, .ga_days = ga_days};
  ogv_weight w;
  if (has(group, "efw")) return OGV_OK;
  in.hc_mm = part(group, "hc", &in.hc_sd);
  in.ac_mm = part(group, "ac", &in.ac_sd);
  in.fl_mm = part(group, "fl", &in.fl_sd);
  if (isnan(in.hc_mm) || isnan(in.ac_mm) || isnan(in.fl_mm)) return OGV_OK;
  ogv_status s = ogv_weight_estimate(NULL, &in, &w, err);
  if (s != OGV_OK) return ogv_error_at(err, s, "facts, %s", label);
  json_t *o = json_pack("{s:f,s:s,s:b}", "value", w.grams, "formula", w.formula->id, "derived", true);
  set_real(o, "sd", w.repeat_sd_g);
  json_object_set_new(group, "efw", o);
  return OGV_OK;
}

static void ratios(json_t *group, int ga_days) {
  for (size_t i = 0; ogv_quantity_at(i); i++) {
    const char *id = ogv_quantity_at(i)->id, *n, *d;
    ogv_ratio r;
    double n_sd, d_sd;
    if (has(group, id) || !ogv_ratio_parts(id, &n, &d)) continue;
    double nv = part(group, n, &n_sd), dv = part(group, d, &d_sd);
    if (isnan(nv) || isnan(dv) || ogv_ratio_of(id, nv, n_sd, dv, d_sd, ga_days, &r, NULL) != OGV_OK) continue;
    json_t *o = json_pack("{s:f,s:b}", "value", r.value, "derived", true);
    set_real(o, "sd", r.sd);
    json_object_set_new(group, id, o);
  }
}

static void uterine(json_t *group) {
  double ls, rs, sd, l = part(group, "uta-pi-left", &ls), r = part(group, "uta-pi-right", &rs);
  if (has(group, "uta-pi") || isnan(l) || isnan(r)) return;
  json_t *o = json_pack("{s:f,s:b}", "value", ogv_uterine_mean_pi(l, r, ls, rs, &sd), "derived", true);
  set_real(o, "sd", sd);
  json_object_set_new(group, "uta-pi", o);
}

/* Flow that is clear of the baseline can be told from the velocity alone; near it only a strip with its wall filter
 * can. */
static void flow(json_t *group, const char *velocity, const char *name) {
  double sd, v = part(group, velocity, &sd);
  if (!has(group, name) && fabs(v) >= 2) json_object_set_new(group, name, json_string(v > 0 ? "forward" : "reversed"));
}

/* Beyond the outermost line of a chart of centiles only a bound is known. */
static json_t *bound(const ogv_chart *c, double x, int beyond) {
  static const double lines[] = {1, 2.5, 3, 5, 10};
  double v;
  for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
    if (ogv_chart_at_centile(c, x, beyond < 0 ? lines[i] : 100 - lines[i], &v, NULL) == OGV_OK)
      return json_pack("{s:f}", beyond < 0 ? "below" : "above", beyond < 0 ? lines[i] : 100 - lines[i]);
  return NULL;
}

static ogv_status chart_of(const char *key, const json_t *v, const ogv_chart **c, ogv_error *err) {
  const char *id = ogv_json_string_or(v, "chart", NULL), *formula = ogv_json_string_or(v, "formula", NULL);
  if (id) return ogv_chart_find(id, c, err);
  if (formula && !strcmp(key, "efw")) return ogv_chart_for_formula(formula, c, err);
  return ogv_chart_default(key, c, err);
}

static double x_of(const ogv_chart *c, const json_t *facts, const json_t *group) {
  const ogv_chart_info *a = ogv_chart_about(c);
  double sd;
  if (!strcmp(a->x_unit, "d")) return ogv_json_number_or(facts, "ga_days", NAN);
  if (!strcmp(a->x_name, "crl") || strstr(a->x_name, "crown")) return part(group, "crl", &sd);
  return NAN;
}

static void judge(const ogv_chart *c, double x, json_t *v) {
  ogv_chart_value e;
  ogv_chart_interval i;
  ogv_error err = {0};
  double value = ogv_json_number_or(v, "value", NAN), sd = ogv_json_number_or(v, "sd", NAN);
  if (ogv_chart_eval(c, x, value, &e, &err) != OGV_OK) {
    json_object_set_new(v, "no_centile", json_string(err.what));
    return;
  }
  if (!has(v, "chart")) json_object_set_new(v, "chart", json_string(ogv_chart_about(c)->id));
  set_real(v, "mom", e.mom);
  if (sd > 0) set_real(v, "mom_sd", sd / e.median);
  set_real(v, "z", e.z);
  set_real(v, "centile", e.centile);
  json_t *b = e.beyond && !has(v, "centile") ? bound(c, x, e.beyond) : NULL;
  if (b) json_object_set_new(v, "centile", b);
  if (sd > 0 && isfinite(e.z) && ogv_chart_uncertainty(c, x, 0, value, sd, &i, NULL) == OGV_OK)
    set_real(v, "z_sd", i.z_sd);
}

static ogv_status centile(const json_t *facts, json_t *group, const char *label, const char *key, json_t *v,
                          ogv_error *err) {
  const ogv_chart *c;
  ogv_error why = {0};
  if (!ogv_quantity_find(key) || has(v, "centile") || has(v, "z") || has(v, "no_centile") || !has(v, "value"))
    return OGV_OK;
  if (chart_of(key, v, &c, &why) != OGV_OK) {
    if (!has(v, "chart")) return OGV_OK; /* no default chart: the value alone */
    if (err) *err = why;
    return ogv_error_at(err, why.code, "facts, %s, %s", label, key);
  }
  if (strcmp(ogv_chart_about(c)->quantity, key))
    return ogv_fail(err, OGV_E_CONFLICT, NULL, "facts, %s: %s is no chart of %s", label, ogv_chart_about(c)->id, key);
  double x = x_of(c, facts, group);
  if (!isnan(x)) judge(c, x, v);
  return OGV_OK;
}

/* "history": [{"ga":"28w0d","value":1100,"sd":60}] beside a value: the largest fall of centile up to now. */
static ogv_status history(const json_t *facts, const char *label, const char *key, json_t *v, ogv_error *err) {
  const json_t *list = json_object_get(v, "history");
  const char *id = ogv_json_string_or(v, "chart", NULL);
  double ga = ogv_json_number_or(facts, "ga_days", NAN), value = ogv_json_number_or(v, "value", NAN);
  const ogv_chart *c;
  size_t n = json_array_size(list), from;
  if (!n || !id || isnan(ga) || isnan(value) || has(v, "centile_fall") || ogv_chart_find(id, &c, NULL) != OGV_OK)
    return OGV_OK;
  ogv_growth_point *p = calloc(n + 1, sizeof *p);
  if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = OGV_OK;
  for (size_t i = 0; s == OGV_OK && i < n; i++) {
    const json_t *h = json_array_get(list, i);
    int days;
    double at = ogv_json_number_or(h, "ga_days", NAN);
    if (isnan(at) && (s = ogv_ga_parse(ogv_json_string_or(h, "ga", ""), &days, err)) == OGV_OK) at = days;
    p[i] = (ogv_growth_point){at, ogv_json_number_or(h, "value", NAN), ogv_json_number_or(h, "sd", NAN)};
    if (s == OGV_OK && !(at < ga))
      s = ogv_fail(err, OGV_E_INVALID, "Give earlier scans only.", "an earlier scan at %.0f days is not before %.0f",
                   at, ga);
  }
  p[n] = (ogv_growth_point){ga, value, ogv_json_number_or(v, "sd", NAN)};
  ogv_growth_change g;
  if (s == OGV_OK && ogv_growth_largest_fall(c, p, n + 1, 0, NULL, &from, &g, NULL) == OGV_OK) {
    set_real(v, "centile_fall", g.centile_fall);
    set_real(v, "dz", g.dz);
    set_real(v, "p_measurement", g.p_measurement);
    json_object_set_new(v, "fall_from", json_pack("{s:f,s:f}", "ga_days", p[from].ga_days, "centile", g.centile1));
  }
  free(p);
  return s == OGV_OK ? OGV_OK : ogv_error_at(err, s, "facts, %s, %s", label, key);
}

static ogv_status complete_group(const json_t *facts, json_t *group, const char *label, ogv_error *err) {
  const char *key;
  json_t *v, *copy;
  if (!json_is_object(group)) return ogv_fail(err, OGV_E_INVALID, NULL, "facts: \"%.20s\" is not an object", label);
  if (!(copy = json_copy(group))) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = OGV_OK;
  json_object_foreach(copy, key, v) {
    s = shape(group, label, key, v, err);
    if (s != OGV_OK) break;
  }
  json_decref(copy);
  OGV_TRY(s);
  OGV_TRY(weight(group, label, ogv_json_number_or(facts, "ga_days", NAN), err));
  ratios(group, (int)ogv_json_number_or(facts, "ga_days", -1));
  uterine(group);
  flow(group, "ua-edv", "ua-edf");
  flow(group, "dv-a", "dv-a-wave");
  json_object_foreach(group, key, v) {
    if (!json_is_object(v)) continue;
    OGV_TRY(centile(facts, group, label, key, v, err));
    OGV_TRY(history(facts, label, key, v, err));
  }
  return OGV_OK;
}

/* 100 (larger - own) / larger for every fetus against the largest; for the largest itself against the smallest. */
static void discordance(json_t *fetuses, const char *key, const char *name, bool mark) {
  const char *label, *largest = NULL;
  json_t *f;
  double high = 0, low = INFINITY, sd;
  size_t n = 0;
  json_object_foreach(fetuses, label, f) {
    double v = part(f, key, &sd);
    if (isnan(v)) continue;
    n++;
    low = fmin(low, v);
    if (v > high) high = v, largest = label;
  }
  if (n < 2 || !largest) return;
  json_object_foreach(fetuses, label, f) {
    double v = part(f, key, &sd);
    if (isnan(v)) continue;
    bool is_largest = !strcmp(label, largest);
    if (!has(f, name)) json_object_set_new(f, name, json_real(100 * (high - (is_largest ? low : v)) / high));
    if (mark && !has(f, "smaller")) json_object_set_new(f, "smaller", json_boolean(!is_largest));
  }
}

ogv_status ogv_rule_facts_complete(json_t *facts, ogv_error *err) {
  static const char *const chorions[] = {"dichorionic",
                                         "monochorionic-diamniotic",
                                         "monochorionic-monoamniotic",
                                         "monochorionic",
                                         "trichorionic",
                                         "unknown",
                                         NULL};
  if (!json_is_object(facts)) return ogv_fail(err, OGV_E_INVALID, NULL, "facts must be an object");
  OGV_TRY(age(facts, err));
  const char *chorion = ogv_json_string_or(facts, "chorionicity", NULL), *label;
  size_t i = 0;
  while (chorion && chorions[i] && strcmp(chorions[i], chorion)) i++;
  if (chorion && !chorions[i])
    return ogv_fail(
        err, OGV_E_INVALID,
        "Use dichorionic, monochorionic-diamniotic, monochorionic-monoamniotic, monochorionic, trichorionic.",
        "facts: unknown chorionicity \"%.40s\"", chorion);
  if (chorion && !strcmp(chorion, "unknown")) json_object_del(facts, "chorionicity");
  json_t *fetuses = json_object_get(facts, "fetuses"), *pregnancy = json_object_get(facts, "pregnancy"), *f;
  if (!json_is_object(fetuses) || !json_object_size(fetuses))
    return ogv_fail(err, OGV_E_INVALID, "Give {\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":1400}}}.",
                    "facts: \"fetuses\" is missing or empty");
  if (!has(facts, "fetus_count"))
    json_object_set_new(facts, "fetus_count", json_integer((json_int_t)json_object_size(fetuses)));
  json_object_foreach(fetuses, label, f) OGV_TRY(complete_group(facts, f, label, err));
  if (pregnancy) OGV_TRY(complete_group(facts, pregnancy, "pregnancy", err));
  discordance(fetuses, "efw", "discordance", true);
  discordance(fetuses, "crl", "crl-discordance", false);
  return OGV_OK;
}
