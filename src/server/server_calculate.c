/* One-off calculations: the same engine as the reports, with nothing stored. One value against a chart with its curve;
 * a weight by every formula that the lengths allow; a due date from pieces of evidence; the indices of an artery. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "charts_answer.h"
#include "core_json.h"
#include "obstetrics_dating_json.h"
#include "obstetrics_doppler.h"
#include "obstetrics_quantity.h"
#include "obstetrics_weight.h"
#include "server_internal.h"

static ogv_status number(const json_t *in, const char *key, bool needed, double *out, ogv_error *err) {
  const json_t *v = json_object_get(in, key);
  *out = NAN;
  if (!v || json_is_null(v)) {
    if (!needed) return OGV_OK;
    return ogv_fail(err, OGV_E_INVALID, "Fill it in.", "\"%s\" is missing", key);
  }
  if (!json_is_number(v)) return ogv_fail(err, OGV_E_INVALID, NULL, "\"%s\" is not a number", key);
  *out = json_number_value(v);
  return OGV_OK;
}

/* The curves of a chart, with the value marked when it lies in the chart's range. Empty text when it cannot be drawn.
 */
static json_t *curve(const ogv_chart *c, double x, double value) {
  double z[OGV_CHART_CURVES];
  int n = ogv_chart_usual_curves(c, z);
  const ogv_chart_info *a = ogv_chart_about(c);
  ogv_chart_mark mark = {x, value};
  bool inside = x >= a->x_low && x <= a->x_high && isfinite(value);
  char *svg = NULL;
  ogv_error e;
  if (ogv_chart_svg(c, z, n, inside ? &mark : NULL, inside, &svg, &e) != OGV_OK) return json_string("");
  json_t *text = json_string(svg);
  free(svg);
  return text;
}

/* {chart, x, value, x_sd?, value_sd?, convention?, weights_by?} -> {chart, curve, answer | refused} */
OGV_HANDLER(calculate_value) {
  json_t *in;
  OGV_TRY(ogv_request_json(q, &in, err));
  const char *id;
  const ogv_chart *c = NULL;
  ogv_chart_input given = {0};
  ogv_status s = ogv_json_string(in, "calculation", "chart", &id, err);
  if (s == OGV_OK) s = ogv_chart_find(id, &c, err);
  if (s == OGV_OK) s = number(in, "x", true, &given.x, err);
  if (s == OGV_OK) s = number(in, "value", true, &given.value, err);
  if (s == OGV_OK) s = number(in, "x_sd", false, &given.x_sd, err);
  if (s == OGV_OK) s = number(in, "value_sd", false, &given.value_sd, err);
  given.convention = ogv_json_string_or(in, "convention", "");
  given.weights_by = ogv_json_string_or(in, "weights_by", "");
  json_t *out = NULL;
  if (s == OGV_OK) {
    /* Without an SD of its own a reading has the two-observer SD of the table of quantities. */
    const ogv_quantity *quantity = ogv_quantity_find(ogv_chart_about(c)->quantity);
    bool own = isfinite(given.value_sd);
    if (!own && quantity) given.value_sd = ogv_quantity_sd(quantity, given.value);
    ogv_chart_answer a;
    ogv_error e = {0};
    out =
        json_pack("{s:o,s:o,s:o,s:b}", "chart", ogv_chart_info_json(c), "curve", curve(c, given.x, given.value),
                  "value_sd", ogv_json_real(given.value_sd), "sd_from_table", (int)(!own && isfinite(given.value_sd)));
    if (ogv_chart_answer_make(c, &given, &a, &e) == OGV_OK)
      json_object_set_new(out, "answer", ogv_chart_answer_json(&a));
    else json_object_set_new(out, "refused", ogv_error_json(&e));
  }
  json_decref(in);
  return s == OGV_OK ? ogv_reply_json(r, out, err) : s;
}

static json_t *interval(double value, double sd) {
  if (!isfinite(sd)) return json_null();
  return json_pack("[f,f]", fmax(0, value - 1.96 * sd), value + 1.96 * sd);
}

static json_t *weight_json(const ogv_weight *w, double ga_days) {
  const ogv_weight_formula *f = w->formula;
  json_t *o = json_pack("{s:s,s:s,s:s,s:s,s:f,s:o,s:o,s:o,s:o,s:s,s:b}", "formula", f->id, "title", f->title,
                        "citation", f->citation, "status", f->status, "grams", w->grams, "repeat_sd_g",
                        ogv_json_real(w->repeat_sd_g), "repeat_interval95_g", interval(w->grams, w->repeat_sd_g),
                        "error_sd_g", ogv_json_real(w->error_sd_g), "error_interval95_g",
                        interval(w->grams, w->error_sd_g), "note", f->note, "default", (int)f->is_default);
  const ogv_chart *c;
  ogv_error e = {0};
  ogv_chart_answer a;
  if (!isfinite(ga_days)) return o;
  ogv_chart_input in = {
      .x = ga_days, .value = w->grams, .value_sd = w->repeat_sd_g, .convention = "", .weights_by = f->id};
  if (ogv_chart_for_formula(f->id, &c, &e) == OGV_OK && ogv_chart_answer_make(c, &in, &a, &e) == OGV_OK) {
    json_t *answer = ogv_chart_answer_json(&a);
    json_object_set_new(answer, "title", json_string(ogv_chart_about(c)->title));
    json_object_set_new(o, "centile", answer);
  } else {
    json_object_update_new(o, json_pack("{s:s}", "no_centile", e.what));
  }
  return o;
}

/* {bpd?, hc?, ac?, fl? (mm), ga_days?, convention?} -> {weights: [...], refused: [{formula, what}]} */
OGV_HANDLER(calculate_weight) {
  json_t *in;
  OGV_TRY(ogv_request_json(q, &in, err));
  static const char *const names[] = {"bpd", "hc", "ac", "fl"};
  double v[4], sd[4], ga;
  ogv_status s = number(in, "ga_days", false, &ga, err);
  for (int i = 0; s == OGV_OK && i < 4; i++) {
    s = number(in, names[i], false, &v[i], err);
    const ogv_quantity *row = ogv_quantity_find(names[i]);
    sd[i] = row ? ogv_quantity_sd(row, v[i]) : NAN;
  }
  if (s == OGV_OK && isnan(v[1]) && isnan(v[2]) && isnan(v[3]) && isnan(v[0]))
    s = ogv_fail(err, OGV_E_INVALID, "Give AC and FL, and HC or BPD.", "no length was given");
  json_t *weights = json_array(), *refused = json_array();
  for (size_t i = 0; s == OGV_OK && ogv_weight_formula_at(i); i++) {
    const ogv_weight_formula *f = ogv_weight_formula_at(i);
    if ((f->needs_bpd && isnan(v[0])) || (f->needs_hc && isnan(v[1])) || (f->needs_ac && isnan(v[2])) ||
        (f->needs_fl && isnan(v[3])))
      continue;
    if (!strcmp(f->status, "from-memory")) continue; /* not confirmed against print: not for use */
    ogv_weight_input w = {
        v[0], v[1], v[2], v[3], sd[0], sd[1], sd[2], sd[3], 0.005, ogv_json_string_or(in, "convention", NULL), false};
    ogv_weight got;
    ogv_error e = {0};
    if (ogv_weight_estimate(f->id, &w, &got, &e) == OGV_OK) json_array_append_new(weights, weight_json(&got, ga));
    else
      json_array_append_new(
          refused, json_pack("{s:s,s:s,s:s,s:s}", "formula", f->id, "title", f->title, "what", e.what, "todo", e.todo));
  }
  json_t *out = json_pack("{s:o,s:o}", "weights", weights, "refused", refused);
  json_decref(in);
  if (s == OGV_OK) return ogv_reply_json(r, out, err);
  json_decref(out);
  return s;
}

/* {evidence: [...], rule?, on?} -> the decision of ogv_dating_decide */
OGV_HANDLER(calculate_dating) {
  json_t *in, *out = NULL;
  OGV_TRY(ogv_request_json(q, &in, err));
  const json_t *evidence = json_object_get(in, "evidence");
  ogv_status s =
      json_is_array(evidence) && json_array_size(evidence) > 0 && json_array_size(evidence) <= 32
          ? ogv_dating_decide(evidence, ogv_json_string_or(in, "rule", NULL), &out, err)
          : ogv_fail(err, OGV_E_INVALID, "Give a period, a transfer or a scan.", "no dating evidence was given");
  json_decref(in);
  return s == OGV_OK ? ogv_reply_json(r, out, err) : s;
}

/* {psv, edv, tamax?} cm/s -> {pi, ri, sd_ratio, diastole, note} */
OGV_HANDLER(calculate_artery) {
  json_t *in;
  OGV_TRY(ogv_request_json(q, &in, err));
  ogv_artery a = {.psv_sd = NAN, .edv_sd = NAN, .tamax_sd = NAN, .filter_cm_s = NAN};
  ogv_artery_indices x;
  ogv_status s = number(in, "psv", true, &a.psv, err);
  if (s == OGV_OK) s = number(in, "edv", true, &a.edv, err);
  if (s == OGV_OK) s = number(in, "tamax", false, &a.tamax, err);
  if (s == OGV_OK) s = ogv_doppler_artery(&a, &x, err);
  json_decref(in);
  if (s != OGV_OK) return s;
  return ogv_reply_json(
      r,
      json_pack("{s:o,s:o,s:o,s:s,s:s}", "pi", ogv_json_real(x.pi), "ri", ogv_json_real(x.ri), "sd_ratio",
                ogv_json_real(x.sd_ratio), "diastole", ogv_flow_word(x.diastole), "note", x.note),
      err);
}
