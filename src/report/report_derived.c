/* Derived values: estimated weight and ratios, from the values in use, with formula and inputs. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"
#include "obstetrics_doppler.h"
#include "obstetrics_ratio.h"
#include "obstetrics_weight.h"
#include "private/report_compose.h"

const char *const compose_quadrants[5] = {"afi-q1", "afi-q2", "afi-q3", "afi-q4", NULL};

static double value_of(const json_t *v) { return v ? compose_number(v, "value") : NAN; }

/* The part of a value's SD that is not the scale of the picture: the scale is shared by all lengths of an exam. */
static double own_sd(const json_t *v) {
  if (!v) return NAN;
  double sd = compose_number(v, "sd"), cal = compose_number(v, "calibration_sd") * compose_number(v, "value");
  if (!isfinite(sd)) return NAN;
  if (!isfinite(cal) || cal > sd) cal = 0;
  return sqrt(sd * sd - cal * cal);
}

static json_t *input_of(const json_t *v) {
  return json_pack("{s:s,s:O,s:O,s:s}", "quantity", ogv_json_string_or(v, "quantity", ""), "value",
                   json_object_get(v, "value"), "sd", json_object_get(v, "sd"), "key",
                   ogv_json_string_or(v, "key", ""));
}

static void set_formula(json_t *v, const char *id, const char *title, const char *citation, const char *status) {
  json_object_set_new(v, "formula",
                      json_pack("{s:s,s:s,s:s,s:s,s:i}", "id", id, "title", title, "citation", citation, "status",
                                status, "version", 1));
  json_object_set_new(v, "rule", json_string("formula"));
  json_object_set_new(v, "evidence_mark", json_string("F"));
  json_object_set_new(v, "convention", json_string(""));
}

#define REPORTED_APART 2.0 /* percent: more than rounding of inputs and result makes */

/* What a sender computed for the same quantity: compared, not used; said when it is apart. */
static void note_reported(compose *c, json_t *v, const char *fetus, const ogv_quantity *q) {
  size_t i;
  json_t *row;
  json_array_foreach(json_object_get(c->facts, "ledger"), i, row) {
    if (strcmp(ogv_json_string_or(row, "quantity", ""), q->id) || strcmp(ogv_json_string_or(row, "fetus", ""), fetus))
      continue;
    if (strcmp(ogv_json_string_or(row, "state", ""), "accepted")) continue;
    double theirs = compose_number(row, "value"), ours = compose_number(v, "value"), factor;
    if (!isfinite(theirs) || ours <= 0 ||
        ogv_unit_convert(1, ogv_json_string_or(row, "unit", ""), q->unit, &factor, NULL) != OGV_OK)
      continue;
    theirs *= factor;
    double apart = 100 * (theirs - ours) / ours;
    json_object_set_new(v, "reported",
                        json_pack("{s:s,s:f,s:s,s:f}", "row", ogv_json_string_or(row, "id", ""), "value", theirs,
                                  "unit", q->unit, "difference_percent", apart));
    if (fabs(apart) <= REPORTED_APART) return;
    char a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT];
    json_t *args =
        json_pack("{s:s,s:s,s:s,s:s}", "symbol", q->symbol, "theirs", ogv_message_number(c->m, theirs, q->decimals, a),
                  "ours", ogv_message_number(c->m, ours, q->decimals, b), "unit", strcmp(q->unit, "1") ? q->unit : "");
    compose_limit_message(c, "reported-differs", ogv_json_string_or(v, "key", ""), "limit.reported", args);
    json_decref(args);
    return;
  }
}

static void weight(compose *c, json_t *values, const char *fetus, bool full) {
  const char *id = json_string_value(compose_setting(c, "weight_formula"));
  const ogv_weight_formula *f = ogv_weight_formula_find(id);
  const ogv_quantity *q = ogv_quantity_find("efw");
  const json_t *bpd = compose_value(values, fetus, "bpd"), *hc = compose_value(values, fetus, "hc");
  const json_t *ac = compose_value(values, fetus, "ac"), *fl = compose_value(values, fetus, "fl");
  char about[64];
  snprintf(about, sizeof about, "%.20s/efw", fetus);
  if (!f || !q) {
    if (full) compose_limit(c, "formula", about, ogv_message_plain(c->m, "limit.no-formula"), "");
    return;
  }
  if (!ac) return; /* no weight is expected of an exam without an abdomen */
  ogv_weight_input in = {.bpd_mm = value_of(bpd),
                         .hc_mm = value_of(hc),
                         .ac_mm = value_of(ac),
                         .fl_mm = value_of(fl),
                         .bpd_sd = own_sd(bpd),
                         .hc_sd = own_sd(hc),
                         .ac_sd = own_sd(ac),
                         .fl_sd = own_sd(fl)};
  const json_t *parts[4] = {f->needs_bpd ? bpd : NULL, f->needs_hc ? hc : NULL, f->needs_ac ? ac : NULL,
                            f->needs_fl ? fl : NULL};
  json_t *inputs = json_array();
  for (int i = 0; i < 4; i++) {
    if (!parts[i]) continue;
    json_array_append_new(inputs, input_of(parts[i]));
    double cal = compose_number(parts[i], "calibration_sd");
    if (isfinite(cal)) in.calibration_sd = fmax(in.calibration_sd, cal);
  }
  ogv_weight w;
  ogv_error e = {0};
  if (ogv_weight_estimate(f->id, &in, &w, &e) != OGV_OK) {
    if (full) compose_limit(c, ogv_status_word(e.code), about, e.what, e.todo);
    json_decref(inputs);
    return;
  }
  json_t *v = compose_value_head(c, q, fetus, "derived", w.grams, w.repeat_sd_g);
  set_formula(v, f->id, f->title ? f->title : f->id, f->citation ? f->citation : "", f->status ? f->status : "");
  json_object_set_new(v, "inputs", inputs);
  json_object_set_new(v, "rule_text",
                      compose_text(c, "rule.formula", json_pack("{s:s}", "title", f->title ? f->title : f->id)));
  if (isfinite(w.error_sd_g)) {
    json_object_set_new(v, "error_sd", json_real(w.error_sd_g));
    json_object_set_new(v, "error_interval",
                        json_pack("[f,f]", w.grams - 1.96 * w.error_sd_g, w.grams + 1.96 * w.error_sd_g));
    char text[48];
    snprintf(text, sizeof text, "± %.0f %%", 196 * w.error_sd_g / w.grams);
    json_object_set_new(v, "error_text", json_string(text));
    json_object_set_new(v, "error_source", json_string(f->error_source ? f->error_source : ""));
  }
  if (full) note_reported(c, v, fetus, q);
  json_array_append_new(values, v);
}

/* Ratios are arithmetic; the scale of the picture cancels in them, so only each part's own SD counts. */
static void ratio(compose *c, json_t *values, const char *fetus, const ogv_quantity *q, int ga_days, bool full) {
  const char *over, *under;
  if (!ogv_ratio_parts(q->id, &over, &under)) return;
  const json_t *a = compose_value(values, fetus, over), *b = compose_value(values, fetus, under);
  ogv_ratio r;
  if (!a || !b || ogv_ratio_of(q->id, value_of(a), own_sd(a), value_of(b), own_sd(b), ga_days, &r, NULL) != OGV_OK)
    return;
  json_t *v = compose_value_head(c, q, fetus, "derived", r.value, r.sd);
  char id[64], title[96];
  snprintf(id, sizeof id, "ratio-%.50s", q->id);
  snprintf(title, sizeof title, "%.40s / %.40s", ogv_json_string_or(a, "symbol", ""),
           ogv_json_string_or(b, "symbol", ""));
  set_formula(v, id, title, "", "verified");
  json_object_set_new(v, "inputs", json_pack("[o,o]", input_of(a), input_of(b)));
  json_object_set_new(v, "rule_text", json_string(title));
  if (isfinite(r.low) || isfinite(r.high))
    json_object_set_new(v, "limits",
                        json_pack("{s:o,s:o,s:s,s:s,s:s}", "low", ogv_json_real(r.low), "high", ogv_json_real(r.high),
                                  "source", r.source, "status", r.status, "note", r.note));
  if (full) note_reported(c, v, fetus, q);
  json_array_append_new(values, v);
}

/* Mean of the two uterine arteries (common practice). */
static void uterine(compose *c, json_t *values, const char *fetus) {
  const ogv_quantity *q = ogv_quantity_find("uta-pi");
  const json_t *a = compose_value(values, fetus, "uta-pi-left"), *b = compose_value(values, fetus, "uta-pi-right");
  if (!q || !a || !b || compose_value(values, fetus, "uta-pi")) return;
  double sd,
      mean = ogv_uterine_mean_pi(value_of(a), value_of(b), compose_number(a, "sd"), compose_number(b, "sd"), &sd);
  json_t *v = compose_value_head(c, q, fetus, "derived", mean, sd);
  set_formula(v, "mean-of-sides", ogv_message_plain(c->m, "rule.mean-of-sides"), "", "common practice");
  json_object_set_new(v, "inputs", json_pack("[o,o]", input_of(a), input_of(b)));
  json_object_set_new(v, "rule_text", json_string(ogv_message_plain(c->m, "rule.mean-of-sides")));
  json_array_append_new(values, v);
}

/* Index of four quadrants: the sum of their deepest vertical pockets. Fewer than four make no index. The scale of the
 * picture is shared by the four, what each pocket has of its own is not. */
static void fluid_index(compose *c, json_t *values, const char *fetus, bool full) {
  const ogv_quantity *q = ogv_quantity_find("afi");
  double sum = 0, own = 0, calibration = 0;
  json_t *inputs = json_array();
  for (int i = 0; q && compose_quadrants[i]; i++) {
    const json_t *part = compose_value(values, fetus, compose_quadrants[i]);
    if (!part) q = NULL;
    else json_array_append_new(inputs, input_of(part));
    double cal = part ? compose_number(part, "calibration_sd") : NAN, sd = own_sd(part);
    sum += value_of(part);
    own += sd * sd; /* one pocket without an SD leaves the sum without one */
    if (isfinite(cal)) calibration = fmax(calibration, cal);
  }
  if (!q || !isfinite(sum)) {
    json_decref(inputs);
    return;
  }
  json_t *v = compose_value_head(c, q, fetus, "derived", sum, sqrt(own + calibration * calibration * sum * sum));
  set_formula(v, "sum-of-quadrants", "Q1 + Q2 + Q3 + Q4",
              "Four-quadrant index: Phelan JP et al. J Reprod Med 1987;32:540-542 (citation from memory)",
              "common practice");
  json_object_set_new(v, "inputs", inputs);
  json_object_set_new(v, "rule_text", json_string("Q1 + Q2 + Q3 + Q4"));
  if (full) note_reported(c, v, fetus, q);
  json_array_append_new(values, v);
}

void compose_derived(compose *c, json_t *values, const char *fetus, int ga_days, bool full) {
  weight(c, values, fetus, full);
  uterine(c, values, fetus);
  if (!compose_value(values, fetus, "afi")) fluid_index(c, values, fetus, full);
  for (size_t i = 0; ogv_quantity_at(i); i++)
    if (!strcmp(ogv_quantity_at(i)->kind, "ratio")) ratio(c, values, fetus, ogv_quantity_at(i), ga_days, full);
}
