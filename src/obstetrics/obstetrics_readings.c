#include "obstetrics_readings.h"

#include <math.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"

static const char *const words[] = {"mean", "best", "last", "smallest", "largest"};
static const char *const names[] = {"mean-of-repeats", "best-of-repeats", "last-of-repeats", "smallest-of-repeats",
                                    "largest-of-repeats"};

bool ogv_repeat_rule_of(const char *word, ogv_repeat_rule *out) {
  for (size_t i = 0; word && i < sizeof words / sizeof *words; i++)
    if (!strcmp(word, words[i])) {
      *out = (ogv_repeat_rule)i;
      return true;
    }
  return false;
}

static int rank_of(const json_t *row) {
  const char *type = ogv_json_string_or(json_object_get(row, "evidence"), "type", "");
  const char *source = ogv_json_string_or(row, "source", "");
  if (!strcmp(type, "geometry") || !strcmp(type, "spectrum") || !strcmp(type, "rate") || !strcmp(type, "clip") ||
      !strcmp(type, "av-interval") || !strcmp(source, "geometry"))
    return 0;
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
static bool read_row(const ogv_quantity *q, json_t *row, ogv_ledger_reading *r, ogv_error *unit) {
  double factor;
  *r = (ogv_ledger_reading){.row = row};
  if (ogv_unit_convert(1, ogv_json_string_or(row, "unit", ""), q->unit, &factor, unit) != OGV_OK) return false;
  const json_t *parts = json_object_get(json_object_get(row, "evidence"), "sd");
  r->value = ogv_json_number_or(row, "value", NAN) * factor;
  r->sd = ogv_json_number_or(row, "sd", NAN) * factor;
  if (!isfinite(r->sd)) r->sd = ogv_quantity_sd(q, r->value);
  r->observer = ogv_json_number_or(parts, "observer", NAN) * factor;
  r->caliper = ogv_json_number_or(parts, "caliper", NAN) * factor;
  r->calibration = ogv_json_number_or(parts, "calibration", NAN) * factor;
  r->rank = rank_of(row);
  r->mean = !strcmp(ogv_json_string_or(row, "derivation", ""), "mean");
  r->chosen = !strcmp(ogv_json_string_or(row, "derivation", ""), "chosen");
  return isfinite(r->value);
}

static void collect(const json_t *rows, const ogv_quantity *q, const char *fetus, ogv_readings *out) {
  size_t i;
  json_t *row;
  json_array_foreach(rows, i, row) {
    if (strcmp(ogv_json_string_or(row, "quantity", ""), q->id) || strcmp(ogv_json_string_or(row, "fetus", ""), fetus))
      continue;
    if (strcmp(ogv_json_string_or(row, "state", ""), "accepted") || superseded(rows, row)) continue;
    ogv_error *unit = out->unit.code == OGV_OK ? &out->unit : NULL;
    if (out->n < OGV_READINGS && read_row(q, row, &out->list[out->n], unit)) out->n++;
  }
}

/* SD of the mean: only the caliper part shrinks with repeats (docs/facts.md, Values). */
static double sd_of_mean(const ogv_ledger_reading *const *use, size_t n) {
  double sum = 0;
  for (size_t i = 0; i < n; i++) {
    const ogv_ledger_reading *r = use[i];
    double v = r->sd * r->sd;
    if (n > 1 && isfinite(r->caliper) && isfinite(r->observer) && isfinite(r->calibration))
      v = r->observer * r->observer + r->calibration * r->calibration + r->caliper * r->caliper / (double)n;
    sum += v;
  }
  return sqrt(sum / (double)n);
}

static bool before(ogv_repeat_rule rule, const ogv_ledger_reading *a, const ogv_ledger_reading *b) {
  switch (rule) {
    case OGV_REPEATS_BEST: return !isfinite(b->sd) || a->sd <= b->sd;
    case OGV_REPEATS_SMALLEST: return a->value < b->value;
    case OGV_REPEATS_LARGEST: return a->value > b->value;
    default: return true; /* the last: the ledger is in order of time */
  }
}

/* To half a percent: senders round their means. */
static bool mean_agrees(const ogv_readings *r, const ogv_ledger_reading *mean) {
  double sum = 0;
  for (size_t i = 0; i < r->n_same; i++) sum += r->same[i]->value;
  return fabs(sum / (double)r->n_same - mean->value) <= 0.005 * fabs(mean->value);
}

static void use_one(ogv_readings *r, const ogv_ledger_reading *one, const char *rule) {
  r->use[0] = one;
  r->n_use = 1;
  r->rule = rule;
}

static void choose(ogv_readings *r, ogv_repeat_rule rule) {
  const ogv_ledger_reading *sent_mean = NULL, *chosen = NULL, *one; /* a later one takes the place of an earlier one */
  int rank = 3;
  for (size_t i = 0; i < r->n; i++) rank = r->list[i].rank < rank ? r->list[i].rank : rank;
  for (size_t i = 0; i < r->n; i++) {
    if (r->list[i].rank != rank) continue;
    if (r->list[i].chosen) chosen = &r->list[i];
    if (r->list[i].mean) sent_mean = &r->list[i];
    else r->same[r->n_same++] = &r->list[i];
  }
  memcpy(r->use, r->same, r->n_same * sizeof *r->use);
  r->n_use = r->n_same;
  r->rule = r->n_same > 1 ? names[OGV_REPEATS_MEAN] : "single";
  /* The sender's own mean: readings that give the same are used instead, since they lead to their pictures. A rule that
   * takes one reading has no use for a mean, unless there is nothing else. */
  if (sent_mean && !(r->n_same && (rule != OGV_REPEATS_MEAN || mean_agrees(r, sent_mean))))
    use_one(r, sent_mean, "reported-mean");
  else if (r->n_same > 1 && rule != OGV_REPEATS_MEAN) {
    one = r->same[0];
    for (size_t i = 1; i < r->n_same; i++)
      if (before(rule, r->same[i], one)) one = r->same[i];
    use_one(r, one, names[rule]);
  }
  /* DICOM TID 5008: the reading that the sender's user chose goes before means and repeats. */
  if (chosen) use_one(r, chosen, "reported-choice");
}

bool ogv_readings_choose(const json_t *rows, const ogv_quantity *q, const char *fetus, ogv_repeat_rule rule,
                         ogv_readings *out) {
  out->n = out->n_same = out->n_use = 0;
  out->unit = (ogv_error){.code = OGV_OK};
  out->rule = "";
  out->value = out->sd = NAN;
  collect(rows, q, fetus, out);
  if (!out->n) return false;
  choose(out, rule);
  double sum = 0;
  for (size_t i = 0; i < out->n_use; i++) sum += out->use[i]->value;
  out->value = sum / (double)out->n_use;
  out->sd = sd_of_mean(out->use, out->n_use);
  return true;
}

const char *ogv_readings_convention(const ogv_quantity *q, const ogv_ledger_reading *r) {
  static const char *const known[] = {"outer-outer", "outer-inner",   "inner-inner", "skin-ellipse",
                                      "skin-trace",  "two-diameters", "bone-ends"};
  const json_t *e = json_object_get(r->row, "evidence");
  const char *said = ogv_json_string_or(e, "convention", ""), *method = ogv_json_string_or(e, "method", "");
  if (*said) return said;
  for (size_t i = 0; r->rank && i < sizeof known / sizeof *known; i++)
    if (!strcmp(method, known[i])) return known[i];
  return r->rank == 0 ? q->convention : *q->convention ? "unknown" : "";
}
