/* One value read against one chart, with all that must be said beside it: what `ogive chart` and the calculator page
 * show. */
#include "charts_answer.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"

static void centile_text(double p, char *buf, size_t n) {
  if (p < 0.1) snprintf(buf, n, "below centile 0.1");
  else if (p > 99.9) snprintf(buf, n, "above centile 99.9");
  else snprintf(buf, n, "centile %.1f", p);
}

/* The centile at the edge of what the chart resolves, on one side. */
static double edge_centile(const ogv_chart *c, int side) {
  const ogv_chart_info *f = ogv_chart_about(c);
  if (isfinite(f->z_limit)) return 100 * ogv_normal_cdf(side * f->z_limit);
  const json_t *d = ogv_chart_definition(c), *list = json_object_get(d, "quantiles");
  const json_t *centiles = json_object_get(json_object_get(d, "table"), "centiles");
  size_t n = json_array_size(list ? list : centiles), i = side < 0 ? 0 : n - 1;
  if (list) return 100 * ogv_json_number_or(json_array_get(list, i), "q", NAN);
  return json_number_value(json_array_get(centiles, i));
}

static void state(ogv_chart_answer *a) {
  const ogv_chart_info *f = ogv_chart_about(a->chart);
  size_t n = sizeof a->statement;
  if (fabs(a->v.z) > f->z_limit + 1e-9) {
    a->v.beyond = a->v.z < 0 ? -1 : 1;
    a->v.z = a->v.centile = NAN;
  }
  if (a->v.beyond) {
    double p = round(edge_centile(a->chart, a->v.beyond) * 1e6) / 1e6;
    snprintf(a->statement, n, "%s centile %g", a->v.beyond < 0 ? "below" : "above", p);
  } else if (isnan(a->v.z)) {
    snprintf(a->statement, n, "%.2f times the median", a->v.mom);
  } else {
    centile_text(a->v.centile, a->statement, n);
  }
}

/* A chart for weights by one formula is not valid for weights by another. */
static ogv_status check_formula(const ogv_chart *c, const char *weights_by, ogv_chart_answer *a, ogv_error *err) {
  const ogv_chart_info *f = ogv_chart_about(c);
  if (!*f->formula || !strcmp(f->formula, weights_by)) return OGV_OK;
  if (*weights_by)
    return ogv_fail(err, OGV_E_CONFLICT, "Choose a chart made with the same formula.",
                    "the weight is by %.60s and the chart %s is for weights by %s", weights_by, f->id, f->formula);
  snprintf(a->weight_note, sizeof a->weight_note, "only for weights by %s", f->formula);
  return OGV_OK;
}

ogv_status ogv_chart_answer_make(const ogv_chart *c, const ogv_chart_input *in, ogv_chart_answer *a, ogv_error *err) {
  double value_sd = in->value_sd > 0 ? in->value_sd : 0, x_sd = in->x_sd > 0 ? in->x_sd : 0;
  *a = (ogv_chart_answer){.chart = c, .x = in->x, .given = in->value};
  OGV_TRY(check_formula(c, in->weights_by, a, err));
  OGV_TRY(ogv_chart_convention(c, in->convention, in->value, &a->convention, err));
  a->value = a->convention.value;
  value_sd *= a->convention.slope;
  OGV_TRY(ogv_chart_eval(c, in->x, a->value, &a->v, err));
  double slip = ogv_chart_slip(c, in->x, a->value);
  state(a);
  if (slip != 0)
    snprintf(a->warning, sizeof a->warning,
             "far outside the chart, but %g times the value would fit it: check the unit", slip);
  if ((value_sd > 0 || x_sd > 0) && !isnan(a->v.z)) {
    OGV_TRY(ogv_chart_uncertainty(c, in->x, x_sd, a->value, value_sd, &a->interval, err));
    a->has_interval = true;
  }
  return OGV_OK;
}

json_t *ogv_chart_answer_json(const ogv_chart_answer *a) {
  const ogv_chart_info *f = ogv_chart_about(a->chart);
  char x[OGV_CHART_X_TEXT];
  json_t *o = json_pack("{s:s,s:s,s:{s:s,s:f,s:s,s:s},s:f,s:s}", "chart", f->id, "quantity", f->quantity, "x", "name",
                        f->x_name, "value", a->x, "unit", f->x_unit, "text", ogv_chart_x_text(a->chart, a->x, x),
                        "value", a->value, "unit", f->unit);
  json_object_set_new(o, "z", ogv_json_real(a->v.z));
  json_object_set_new(o, "centile", ogv_json_real(a->v.centile));
  json_object_set_new(o, "median", ogv_json_real(a->v.median));
  json_object_set_new(o, "sd", ogv_json_real(a->v.sd));
  json_object_set_new(o, "mom", ogv_json_real(a->v.mom));
  json_object_set_new(o, "beyond", json_integer(a->v.beyond));
  json_object_set_new(o, "statement", json_string(a->statement));
  if (a->has_interval)
    json_object_set_new(o, "interval95",
                        json_pack("{s:f,s:f,s:f,s:f,s:f}", "z_sd", a->interval.z_sd, "z_low", a->interval.z_low,
                                  "z_high", a->interval.z_high, "centile_low", a->interval.centile_low, "centile_high",
                                  a->interval.centile_high));
  static const char *const fits[] = {"", "same", "unstated", "converted"};
  if (a->convention.fit)
    json_object_set_new(o, "calipers",
                        json_pack("{s:s,s:s,s:f,s:s}", "chart", f->convention, "fit", fits[a->convention.fit], "given",
                                  a->given, "note", a->convention.note));
  if (*f->formula) json_object_set_new(o, "weights_by", json_string(f->formula));
  if (*a->weight_note) json_object_set_new(o, "weight_note", json_string(a->weight_note));
  if (*a->warning) json_object_set_new(o, "warning", json_string(a->warning));
  json_object_set_new(o, "status", json_string(f->status));
  return o;
}

json_t *ogv_chart_info_json(const ogv_chart *c) {
  const ogv_chart_info *f = ogv_chart_about(c);
  json_t *o =
      json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:{s:s,s:s,s:f,s:f},s:s,s:s,s:s,s:b,s:b,s:s}", "id", f->id,
                "quantity", f->quantity, "title", f->title, "citation", f->citation, "doi", f->doi, "population",
                f->population, "convention", f->convention, "weight_formula", f->formula, "x", "name", f->x_name,
                "unit", f->x_unit, "low", f->x_low, "high", f->x_high, "unit", f->unit, "model", f->model, "status",
                f->status, "enabled", (int)f->enabled, "default", (int)f->default_for_quantity, "note", f->note);
  json_object_set_new(o, "z_limit", ogv_json_real(f->z_limit));
  return o;
}
