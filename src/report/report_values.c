/* The value in use of each quantity and fetus: which ledger rows count, and by which rule they become one number. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"
#include "obstetrics_dating.h"
#include "private/report_compose.h"

#define ROWS_MAX 64
#define TWO_OBSERVERS 2.7718 /* 1.96 * sqrt(2): 95 % limits of the difference between two readings, in SDs of one */

typedef struct reading {
  json_t *row;
  double value, sd, observer, caliper, calibration; /* in the quantity's unit; parts NaN when the row has none */
  int rank;                                         /* 0 geometry, 1 imported, 2 typed */
  bool mean, chosen;
} reading;

static int rank_of(const json_t *row) {
  const char *type = ogv_json_string_or(json_object_get(row, "evidence"), "type", "");
  const char *source = ogv_json_string_or(row, "source", "");
  if (!strcmp(type, "geometry") || !strcmp(type, "spectrum") || !strcmp(type, "rate")) return 0;
  if (!strcmp(type, "report-item") || !strcmp(source, "imported")) return 1;
  return 2;
}

static bool superseded(const json_t *rows, const json_t *row) {
  const char *id = ogv_json_string_or(row, "id", "?");
  size_t i;
  json_t *other;
  if (!strcmp(ogv_json_string_or(row, "state", ""), "superseded") || *ogv_json_string_or(row, "superseded_by", ""))
    return true;
  json_array_foreach(rows, i, other) if (!strcmp(ogv_json_string_or(other, "supersedes", ""), id) &&
                                         !strcmp(ogv_json_string_or(other, "state", ""), "accepted")) return true;
  return false;
}

/* A row's value in the quantity's unit. A unit that does not fit is named, never guessed. */
static bool read_row(compose *c, const ogv_quantity *q, json_t *row, reading *r) {
  ogv_error e = {0};
  const char *unit = ogv_json_string_or(row, "unit", "");
  double factor;
  memset(r, 0, sizeof *r);
  r->row = row;
  if (ogv_unit_convert(1, unit, q->unit, &factor, &e) != OGV_OK) {
    char about[64];
    snprintf(about, sizeof about, "%.20s/%.30s", ogv_json_string_or(row, "fetus", ""), q->id);
    compose_limit(c, "unit", about, e.what, e.todo);
    return false;
  }
  const json_t *parts = json_object_get(json_object_get(row, "evidence"), "sd");
  r->value = compose_number(row, "value") * factor;
  r->sd = compose_number(row, "sd") * factor;
  if (!isfinite(r->sd)) r->sd = ogv_quantity_sd(q, r->value);
  r->observer = compose_number(parts, "observer") * factor;
  r->caliper = compose_number(parts, "caliper") * factor;
  r->calibration = compose_number(parts, "calibration") * factor;
  r->rank = rank_of(row);
  r->mean = !strcmp(ogv_json_string_or(row, "derivation", ""), "mean");
  r->chosen = !strcmp(ogv_json_string_or(row, "derivation", ""), "chosen");
  return isfinite(r->value);
}

static size_t collect(compose *c, json_t *rows, const ogv_quantity *q, const char *fetus, reading *list) {
  size_t i, n = 0;
  json_t *row;
  json_array_foreach(rows, i, row) {
    if (strcmp(ogv_json_string_or(row, "quantity", ""), q->id) || strcmp(ogv_json_string_or(row, "fetus", ""), fetus))
      continue;
    if (strcmp(ogv_json_string_or(row, "state", ""), "accepted") || superseded(rows, row)) continue;
    if (n < ROWS_MAX && read_row(c, q, row, &list[n])) n++;
  }
  return n;
}

/* SD of the mean: only the caliper part shrinks with repeats (docs/facts.md, Values). */
static double sd_of_mean(const reading *const *use, size_t n) {
  double sum = 0;
  for (size_t i = 0; i < n; i++) {
    const reading *r = use[i];
    double v = r->sd * r->sd;
    if (n > 1 && isfinite(r->caliper) && isfinite(r->observer) && isfinite(r->calibration))
      v = r->observer * r->observer + r->calibration * r->calibration + r->caliper * r->caliper / (double)n;
    sum += v;
  }
  return sqrt(sum / (double)n);
}

/* Where the calipers stood: as the evidence says; by the table for a measurement made here; else unknown. */
static const char *convention_of(const ogv_quantity *q, const json_t *row, int rank) {
  static const char *const known[] = {"outer-outer", "outer-inner",   "inner-inner", "skin-ellipse",
                                      "skin-trace",  "two-diameters", "bone-ends"};
  const json_t *e = json_object_get(row, "evidence");
  const char *said = ogv_json_string_or(e, "convention", ""), *method = ogv_json_string_or(e, "method", "");
  if (*said) return said;
  for (size_t i = 0; rank && i < sizeof known / sizeof *known; i++)
    if (!strcmp(method, known[i])) return known[i];
  return rank == 0 ? q->convention : *q->convention ? "unknown" : "";
}

static json_t *rule_text(const compose *c, const char *rule, const reading *const *use, size_t n, int decimals) {
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

static double mean_of(const reading *list, size_t n, int rank) {
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

/* Sources, or repeats, that differ by more than two observers would: shown, not hidden. */
static void note_conflict(compose *c, json_t *value, const ogv_quantity *q, const reading *list, size_t n,
                          const reading *const *use, size_t used, double mean, double sd) {
  char a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT];
  const char *id = NULL;
  double x = 0, y = 0;
  if (!(sd > 0)) return;
  for (int rank = 0; rank < 3; rank++) {
    double other = mean_of(list, n, rank);
    if (rank != use[0]->rank && isfinite(other) && fabs(other - mean) > TWO_OBSERVERS * sd)
      id = "conflict.sources", x = mean, y = other;
  }
  double lo = INFINITY, hi = -INFINITY;
  for (size_t i = 0; i < used; i++) {
    lo = fmin(lo, use[i]->value);
    hi = fmax(hi, use[i]->value);
  }
  if (!id && hi - lo > TWO_OBSERVERS * sd) id = "conflict.repeats", x = lo, y = hi;
  if (!id) return;
  json_object_set_new(value, "conflict",
                      json_pack("{s:o}", "what",
                                compose_text(c, id,
                                             json_pack("{s:s,s:s,s:s}", "unit", q->unit, "a",
                                                       ogv_message_number(c->m, x, q->decimals, a), "b",
                                                       ogv_message_number(c->m, y, q->decimals, b)))));
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

/* To half a percent: senders round their means. */
static bool mean_agrees(const reading *const *use, size_t n, const reading *mean) {
  double sum = 0;
  for (size_t i = 0; i < n; i++) sum += use[i]->value;
  return fabs(sum / (double)n - mean->value) <= 0.005 * fabs(mean->value);
}

static json_t *measured(compose *c, json_t *rows, const ogv_quantity *q, const char *fetus, bool mark) {
  reading list[ROWS_MAX];
  const reading *use[ROWS_MAX];
  size_t n = collect(c, rows, q, fetus, list), used = 0;
  if (!n) return NULL;
  int rank = 3;
  for (size_t i = 0; i < n; i++) rank = list[i].rank < rank ? list[i].rank : rank;
  const char *rule = "single";
  const reading *sent_mean = NULL, *chosen = NULL; /* a later one takes the place of an earlier one */
  for (size_t i = 0; i < n; i++) {
    if (list[i].rank != rank) continue;
    if (list[i].chosen) chosen = &list[i];
    if (list[i].mean) sent_mean = &list[i];
    else use[used++] = &list[i];
  }
  if (used > 1) rule = "mean-of-repeats";
  /* The sender's own mean: readings that give the same are used instead, since they lead to their pictures. */
  if (sent_mean && !(used && mean_agrees(use, used, sent_mean))) {
    use[0] = sent_mean;
    used = 1;
    rule = "reported-mean";
  }
  if (chosen) { /* DICOM TID 5008: the reading that the sender's user chose goes before means and repeats */
    use[0] = chosen;
    used = 1;
    rule = "reported-choice";
  }
  double sum = 0;
  for (size_t i = 0; i < used; i++) sum += use[i]->value;
  double mean = sum / (double)used, sd = sd_of_mean(use, used);
  json_t *v = compose_value_head(c, q, fetus, "measured", mean, sd), *ids = json_array();
  double calibration = 0; /* relative, the largest of the pictures behind it */
  for (size_t i = 0; i < used; i++) {
    json_array_append_new(ids, json_string(ogv_json_string_or(use[i]->row, "id", "")));
    if (mark) json_object_set_new(use[i]->row, "used", json_true());
    if (isfinite(use[i]->calibration) && use[i]->value > 0)
      calibration = fmax(calibration, use[i]->calibration / use[i]->value);
  }
  static const char *const marks[3] = {"G", "R", "T"};
  json_object_set_new(v, "rows", ids);
  json_object_set_new(v, "rule", json_string(rule));
  json_object_set_new(v, "rule_text", rule_text(c, rule, use, used, q->decimals));
  json_object_set_new(v, "n", json_integer((json_int_t)used));
  json_object_set_new(v, "evidence_mark", json_string(marks[rank]));
  json_object_set_new(v, "convention", json_string(convention_of(q, use[0]->row, rank)));
  json_object_set_new(v, "calibration_sd", json_real(calibration));
  json_object_set_new(v, "method",
                      json_string(ogv_json_string_or(json_object_get(use[0]->row, "evidence"), "method", "")));
  note_conflict(c, v, q, list, n, use, used, mean, sd);
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
