/* The value in use of each quantity and fetus: which ledger rows count, and by which rule they become one number. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_dating.h"
#include "obstetrics_protocol.h"
#include "obstetrics_readings.h"
#include "private/report_compose.h"

#define TWO_OBSERVERS 2.7718 /* 1.96 * sqrt(2): 95 % limits of the difference between two readings, in SDs of one */

static json_t *rule_text(const compose *c, const char *rule, const ogv_ledger_reading *const *use, size_t n,
                         int decimals) {
  char lo[OGV_MESSAGE_TEXT], hi[OGV_MESSAGE_TEXT], id[64];
  double a = INFINITY, b = -INFINITY;
  for (size_t i = 0; i < n; i++) {
    a = fmin(a, use[i]->value);
    b = fmax(b, use[i]->value);
  }
  snprintf(id, sizeof id, "rule.%.40s", rule);
  return compose_text(c, id,
                      json_pack("{s:i,s:s,s:s}", "n", (int)n, "low", ogv_message_number(c->m, a, decimals, lo), "high",
                                ogv_message_number(c->m, b, decimals, hi)));
}

static double mean_of(const ogv_ledger_reading *list, size_t n, int rank) {
  double sum = 0;
  size_t k = 0;
  for (size_t i = 0; i < n; i++)
    if (list[i].rank == rank) {
      if (list[i].mean) return list[i].value;
      sum += list[i].value;
      k++;
    }
  return k ? sum / (double)k : NAN;
}

/* Sources, or repeats, that differ by more than two observers would: shown, not hidden. Where it is not known how two
 * observers differ, they are compared with the uncertainty of the reading itself, and that is said. */
static void note_conflict(compose *c, json_t *value, const ogv_quantity *q, const ogv_readings *r,
                          const ogv_ledger_reading *const *repeats, size_t n) {
  char a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT];
  const char *id = NULL;
  bool known = isfinite(ogv_quantity_sd(q, r->value)), bare = !strcmp(q->unit, "1");
  double x = 0, y = 0, lo = INFINITY, hi = -INFINITY;
  if (!(r->sd > 0)) return;
  for (int rank = 0; rank < 3; rank++) {
    double other = mean_of(r->list, r->n, rank);
    if (rank != r->use[0]->rank && isfinite(other) && fabs(other - r->value) > TWO_OBSERVERS * r->sd)
      id = known ? "conflict.sources" : "conflict.sources-own", x = r->value, y = other;
  }
  for (size_t i = 0; i < n; i++) {
    lo = fmin(lo, repeats[i]->value);
    hi = fmax(hi, repeats[i]->value);
  }
  if (!id && hi - lo > TWO_OBSERVERS * r->sd) id = known ? "conflict.repeats" : "conflict.repeats-own", x = lo, y = hi;
  if (!id) return;
  char both[OGV_MESSAGE_TEXT + 24];
  snprintf(both, sizeof both, "%s%s%.20s", ogv_message_number(c->m, y, q->decimals, b), bare ? "" : " ",
           bare ? "" : q->unit);
  json_object_set_new(
      value, "conflict",
      json_pack(
          "{s:o}", "what",
          compose_text(c, id, json_pack("{s:s,s:s}", "a", ogv_message_number(c->m, x, q->decimals, a), "b", both))));
}

/* The language's own name, else that of the table. */
const char *compose_quantity_name(const compose *c, const ogv_quantity *q) {
  char id[80];
  snprintf(id, sizeof id, "quantity.%.60s", q->id);
  return ogv_message_known(c->m, id) ? ogv_message_plain(c->m, id) : ogv_message_term(c->m, q->name);
}

json_t *compose_value_head(const compose *c, const ogv_quantity *q, const char *fetus, const char *origin, double value,
                           double sd) {
  char key[96], text[OGV_MESSAGE_TEXT];
  snprintf(key, sizeof key, "%.20s/%.60s", fetus, q->id);
  const char *name = compose_quantity_name(c, q);
  /* Ratios of blood flow stand with the flow. */
  const char *group = !strcmp(q->kind, "ratio") && !strncmp(q->section, "vascular", 8) ? "doppler" : q->kind;
  json_t *v = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:f,s:o,s:s,s:i,s:s}", "group", group, "key", key, "fetus",
                        fetus, "quantity", q->id, "symbol", q->symbol, "name", name, "kind", q->kind, "origin", origin,
                        "value", value, "sd", ogv_json_real(sd), "unit", q->unit, "decimals", q->decimals, "text",
                        ogv_message_number(c->m, value, q->decimals, text));
  if (isfinite(sd) && sd > 0) {
    json_object_set_new(v, "interval", json_pack("[f,f]", value - 1.96 * sd, value + 1.96 * sd));
    json_object_set_new(v, "interval_text", compose_plus_minus(c, 1.96 * sd, q->decimals));
  }
  return v;
}

/* The rows behind a value, and the largest relative calibration error of their pictures. */
static void add_rows(json_t *v, const ogv_readings *r, bool mark) {
  json_t *ids = json_array();
  double calibration = 0;
  for (size_t i = 0; i < r->n_use; i++) {
    const ogv_ledger_reading *one = r->use[i];
    json_array_append_new(ids, json_string(ogv_json_string_or(one->row, "id", "")));
    if (mark) json_object_set_new(one->row, "used", json_true());
    if (isfinite(one->calibration) && one->value > 0) calibration = fmax(calibration, one->calibration / one->value);
  }
  json_object_set_new(v, "rows", ids);
  json_object_set_new(v, "n", json_integer((json_int_t)r->n_use));
  json_object_set_new(v, "calibration_sd", json_real(calibration));
}

/* A word that is no rule: the mean is used, and it is said. */
static void note_unknown_rule(compose *c, const ogv_quantity *q, const char *fetus, const json_t *protocol) {
  const json_t *said = json_object_get(ogv_protocol_row(protocol, q->id), "rule");
  char about[64], what[200];
  if (!said) return;
  snprintf(about, sizeof about, "%.20s/%.30s", fetus, q->id);
  snprintf(what, sizeof what,
           "the protocol %.60s names an unknown rule for repeated readings, \"%.40s\": the mean is used",
           ogv_json_string_or(protocol, "id", ""), json_string_value(said) ? json_string_value(said) : "");
  compose_limit(c, "protocol", about, what, "Correct the protocol: mean, best, last, smallest or largest.");
}

static json_t *measured(compose *c, json_t *rows, const ogv_quantity *q, const char *fetus, bool mark) {
  static const char *const marks[3] = {"G", "R", "T"};
  ogv_readings r;
  bool stated, any;
  const json_t *protocol = json_object_get(c->facts, "protocol");
  any = ogv_readings_choose(rows, q, fetus, ogv_protocol_repeats(protocol, q->id, &stated), &r);
  if (r.unit.code != OGV_OK) {
    char about[64];
    snprintf(about, sizeof about, "%.20s/%.30s", fetus, q->id);
    compose_limit(c, "unit", about, r.unit.what, r.unit.todo);
  }
  if (!any) return NULL;
  if (!stated) note_unknown_rule(c, q, fetus, protocol);
  bool one_of = r.n_use == 1 && r.n_same > 1 && strstr(r.rule, "-of-repeats");
  const ogv_ledger_reading *const *repeats = one_of ? r.same : r.use;
  size_t n = one_of ? r.n_same : r.n_use;
  json_t *v = compose_value_head(c, q, fetus, "measured", r.value, r.sd);
  add_rows(v, &r, mark);
  json_object_set_new(v, "rule", json_string(r.rule));
  json_object_set_new(v, "rule_text", rule_text(c, r.rule, repeats, n, q->decimals));
  if (stated && n > 1) {
    json_object_set_new(v, "rule_by", json_string("protocol"));
    json_object_set_new(v, "of", json_integer((json_int_t)n));
  }
  json_object_set_new(v, "evidence_mark", json_string(marks[r.use[0]->rank]));
  json_object_set_new(v, "convention", json_string(ogv_readings_convention(q, r.use[0])));
  json_object_set_new(v, "method",
                      json_string(ogv_json_string_or(json_object_get(r.use[0]->row, "evidence"), "method", "")));
  note_conflict(c, v, q, &r, repeats, n);
  return v;
}

/* What a sender computed where we compute as well: compared with ours, not used (report_derived.c). */
static bool computed_here(compose *c, json_t *rows, const ogv_quantity *q, const char *fetus) {
  if (!strcmp(q->kind, "weight") || !strcmp(q->kind, "ratio")) return true;
  if (strcmp(q->id, "afi") != 0) return false;
  for (int i = 0; compose_quadrants[i]; i++) {
    json_t *v = measured(c, rows, ogv_quantity_find(compose_quadrants[i]), fetus, false);
    if (!v) return false;
    json_decref(v);
  }
  return true;
}

/* Fetuses that the rows or the pregnancy name, in order. */
static json_t *fetuses_of(const compose *c, const json_t *rows) {
  json_t *list = json_array(), *v;
  size_t i, k;
  json_array_foreach(json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses"), i, v)
      json_array_append(list, v);
  json_array_foreach(rows, i, v) {
    const char *f = ogv_json_string_or(v, "fetus", "");
    bool known = false;
    json_t *o;
    json_array_foreach(list, k, o) known |= !strcmp(json_string_value(o) ? json_string_value(o) : "", f);
    if (!known) json_array_append_new(list, json_string(f));
  }
  return list;
}

json_t *compose_exam_values(compose *c, json_t *rows, ogv_date date, bool full, bool mark) {
  json_t *values = json_array(), *fetuses = fetuses_of(c, rows), *f, *row;
  size_t i, k;
  double ga = c->dated && date != OGV_DATE_NONE ? ogv_ga_on(c->edd, date) : NAN;
  if (mark) json_array_foreach(rows, k, row) json_object_set_new(row, "used", json_false());
  json_array_foreach(fetuses, i, f) {
    const char *fetus = json_string_value(f) ? json_string_value(f) : "";
    for (size_t j = 0;; j++) {
      const ogv_quantity *q = ogv_quantity_at(j);
      if (!q) break;
      if (computed_here(c, rows, q, fetus)) continue;
      json_t *v = measured(c, rows, q, fetus, mark);
      if (v) json_array_append_new(values, v);
    }
    compose_derived(c, values, fetus, isfinite(ga) ? (int)ga : -1, full);
  }
  json_t *v;
  json_array_foreach(values, i, v) compose_centiles(c, v, values, ga, full);
  json_decref(fetuses);
  return values;
}
