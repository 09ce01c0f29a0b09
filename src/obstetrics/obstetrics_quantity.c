#include "obstetrics_quantity.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "core_unit.h"

static struct {
  json_t *file; /* every string below is borrowed from it; kept as long as the program runs */
  ogv_quantity *rows;
  const ogv_quantity **sorted; /* by id: the table is asked several times for every row of a CSV */
  size_t n;
  ogv_vessel *vessels;
  size_t n_vessels;
  ogv_status status;
  ogv_error err;
} table;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static ogv_status read_codes(const json_t *row, const char *id, ogv_code out[OGV_QUANTITY_CODES], ogv_error *err) {
  const json_t *list = json_object_get(row, "codes");
  if (!json_is_array(list) || json_array_size(list) >= OGV_QUANTITY_CODES)
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: \"codes\" must be a list of at most %d", id,
                    OGV_QUANTITY_CODES - 1);
  for (size_t i = 0; i < json_array_size(list); i++) {
    const json_t *c = json_array_get(list, i);
    const char *part[3];
    for (size_t k = 0; k < 3; k++)
      if (!(part[k] = json_string_value(json_array_get(c, k))))
        return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: code %zu is not [value, scheme, meaning]", id,
                        i + 1);
    out[i] = (ogv_code){part[0], part[1], part[2]};
  }
  return OGV_OK;
}

static double number_or_nan(const json_t *row, const char *key) { return ogv_json_number_or(row, key, NAN); }

static ogv_status read_row(const json_t *row, ogv_quantity *q, ogv_error *err) {
  double decimals;
  OGV_TRY(ogv_json_string(row, "quantities.json", "id", &q->id, err));
  OGV_TRY(ogv_json_string(row, q->id, "symbol", &q->symbol, err));
  OGV_TRY(ogv_json_string(row, q->id, "name", &q->name, err));
  OGV_TRY(ogv_json_string(row, q->id, "kind", &q->kind, err));
  OGV_TRY(ogv_json_string(row, q->id, "unit", &q->unit, err));
  OGV_TRY(ogv_json_string(row, q->id, "technique", &q->technique, err));
  OGV_TRY(ogv_json_string(row, q->id, "sd_source", &q->sd_source, err));
  OGV_TRY(ogv_json_number(row, q->id, "decimals", &decimals, err));
  OGV_TRY(ogv_json_number(row, q->id, "low", &q->low, err));
  OGV_TRY(ogv_json_number(row, q->id, "high", &q->high, err));
  q->geometry = ogv_json_string_or(row, "geometry", "");
  q->convention = ogv_json_string_or(row, "convention", "");
  q->section = ogv_json_string_or(row, "section", "");
  q->vessel = ogv_json_string_or(row, "vessel", "");
  q->side = ogv_json_string_or(row, "side", "");
  q->shares = ogv_json_string_or(row, "shares", "");
  q->decimals = (int)decimals;
  q->sd_relative = number_or_nan(row, "sd_relative");
  q->sd_absolute = number_or_nan(row, "sd_absolute");
  return read_codes(row, q->id, q->codes, err);
}

static int by_id(const void *a, const void *b) {
  return strcmp((*(const ogv_quantity *const *)a)->id, (*(const ogv_quantity *const *)b)->id);
}

static ogv_status read_vessels(ogv_error *err) {
  const json_t *list = json_object_get(table.file, "vessels");
  table.n_vessels = json_array_size(list);
  table.vessels = calloc(table.n_vessels + 1, sizeof *table.vessels);
  if (!table.vessels) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < table.n_vessels; i++) {
    const json_t *v = json_array_get(list, i);
    OGV_TRY(ogv_json_string(v, "quantities.json, vessels", "id", &table.vessels[i].id, err));
    OGV_TRY(ogv_json_string(v, table.vessels[i].id, "name", &table.vessels[i].name, err));
    OGV_TRY(ogv_json_string(v, table.vessels[i].id, "section", &table.vessels[i].section, err));
    OGV_TRY(read_codes(v, table.vessels[i].id, table.vessels[i].codes, err));
  }
  return OGV_OK;
}

static ogv_status load(ogv_error *err) {
  ogv_resource r;
  OGV_TRY(ogv_resource_get("quantities.json", &r, err));
  OGV_TRY(ogv_json_parse((const char *)r.data, r.size, "quantities.json", &table.file, err));
  const json_t *list = json_object_get(table.file, "quantities");
  size_t n = json_array_size(list);
  if (!n) return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json: \"quantities\" is missing or empty");
  table.rows = calloc(n, sizeof *table.rows);
  if (!table.rows) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < n; i++) OGV_TRY(read_row(json_array_get(list, i), &table.rows[i], err));
  table.sorted = calloc(n, sizeof *table.sorted);
  if (!table.sorted) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < n; i++) table.sorted[i] = &table.rows[i];
  qsort(table.sorted, n, sizeof *table.sorted, by_id);
  OGV_TRY(read_vessels(err));
  table.n = n;
  return OGV_OK;
}

static void load_once(void) {
  table.status = ogv_error_in(&table.err, load(&table.err), "quantities.json");
  if (table.status != OGV_OK) table.n = table.n_vessels = 0;
}

static void ready(void) { pthread_once(&once, load_once); }

const ogv_quantity *ogv_quantity_find(const char *id) {
  ready();
  size_t low = 0, high = id ? table.n : 0;
  while (low < high) {
    size_t mid = (low + high) / 2;
    int c = strcmp(table.sorted[mid]->id, id);
    if (c == 0) return table.sorted[mid];
    if (c < 0) low = mid + 1;
    else high = mid;
  }
  return NULL;
}

const ogv_quantity *ogv_quantity_at(size_t i) {
  ready();
  return i < table.n ? &table.rows[i] : NULL;
}

static bool has_code(const ogv_code *codes, const char *value, const char *scheme) {
  for (const ogv_code *c = codes; c->value; c++)
    if (!strcmp(c->value, value) && !strcmp(c->scheme, scheme)) return true;
  return false;
}

const ogv_quantity *ogv_quantity_by_code(const char *value, const char *scheme) {
  ready();
  if (!value || !scheme) return NULL;
  for (size_t i = 0; i < table.n; i++)
    if (!*table.rows[i].vessel && !*table.rows[i].shares && has_code(table.rows[i].codes, value, scheme))
      return &table.rows[i];
  return NULL;
}

const ogv_quantity *ogv_quantity_by_vessel(const char *vessel, const char *side, const char *value,
                                           const char *scheme) {
  ready();
  if (!vessel || !value || !scheme) return NULL;
  for (size_t i = 0; i < table.n; i++) {
    const ogv_quantity *q = &table.rows[i];
    if (!strcmp(q->vessel, vessel) && !strcmp(q->side, side ? side : "") && has_code(q->codes, value, scheme)) return q;
  }
  return NULL;
}

const ogv_vessel *ogv_vessel_find(const char *id) {
  ready();
  for (size_t i = 0; id && i < table.n_vessels; i++)
    if (!strcmp(table.vessels[i].id, id)) return &table.vessels[i];
  return NULL;
}

const ogv_vessel *ogv_vessel_by_code(const char *value, const char *scheme) {
  ready();
  for (size_t i = 0; value && scheme && i < table.n_vessels; i++)
    if (has_code(table.vessels[i].codes, value, scheme)) return &table.vessels[i];
  return NULL;
}

const ogv_vessel *ogv_vessel_at(size_t i) {
  ready();
  return i < table.n_vessels ? &table.vessels[i] : NULL;
}

/* Two rows may carry one code only when the vessel, the side or a stated `shares` tells them apart. */
static bool codes_clash(const ogv_quantity *a, const ogv_quantity *b, const char **which) {
  if (strcmp(a->vessel, b->vessel) || (*a->vessel && strcmp(a->side, b->side))) return false;
  if (!strcmp(a->shares, b->id) || !strcmp(b->shares, a->id)) return false;
  for (const ogv_code *c = a->codes; c->value; c++)
    if (has_code(b->codes, c->value, c->scheme)) {
      *which = c->value;
      return true;
    }
  return false;
}

static ogv_status check_row(const ogv_quantity *q, ogv_error *err) {
  double same;
  OGV_TRY(ogv_unit_convert(1, q->unit, q->unit, &same, err) == OGV_OK
              ? OGV_OK
              : ogv_error_at(err, OGV_E_INVALID, "quantities.json, %s", q->id));
  if (!(q->low < q->high))
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: low must be below high", q->id);
  if (q->decimals < 0 || q->decimals > 6)
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: decimals must be 0..6", q->id);
  if (isnan(q->sd_relative) != isnan(q->sd_absolute) || q->sd_relative < 0 || q->sd_absolute < 0 ||
      q->sd_relative > 0.5)
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: give both parts of the SD, or neither", q->id);
  if (*q->vessel && !ogv_vessel_find(q->vessel))
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: unknown vessel %s", q->id, q->vessel);
  if (*q->shares && !ogv_quantity_find(q->shares))
    return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json, %s: shares the code of unknown %s", q->id, q->shares);
  return OGV_OK;
}

ogv_status ogv_quantity_check(ogv_error *err) {
  ready();
  if (table.status != OGV_OK) {
    if (err) *err = table.err;
    return table.status;
  }
  for (size_t i = 0; i < table.n; i++) {
    const ogv_quantity *a = &table.rows[i];
    OGV_TRY(check_row(a, err));
    for (size_t k = i + 1; k < table.n; k++) {
      const char *which = NULL;
      if (!strcmp(a->id, table.rows[k].id))
        return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json: %s is there twice", a->id);
      if (codes_clash(a, &table.rows[k], &which))
        return ogv_fail(err, OGV_E_INVALID, NULL, "quantities.json: %s and %s have the same code %s", a->id,
                        table.rows[k].id, which);
    }
  }
  return OGV_OK;
}

/* The factor a unit slip would make, where it brings the value into range; NULL when none does. */
static const char *slip(const ogv_quantity *q, double value) {
  static const struct {
    const char *unit;
    double factor;
    const char *text;
  } slips[] = {{"mm", 10, "cm"},         {"mm", 0.1, "tenths of a millimetre"},
               {"mm", 1000, "m"},        {"g", 1000, "kg"},
               {"%", 100, "a fraction"}, {"mm2", 100, "cm2"},
               {"cm/s", 100, "m/s"},     {"cm/s", 0.1, "mm/s"},
               {"1", 0.01, "percent"},   {"ms", 1000, "s"}};
  for (size_t i = 0; i < sizeof slips / sizeof *slips; i++) {
    double v = value * slips[i].factor;
    if (!strcmp(q->unit, slips[i].unit) && v >= q->low && v <= q->high) return slips[i].text;
  }
  return NULL;
}

ogv_status ogv_quantity_plausible(const ogv_quantity *q, double value, ogv_error *err) {
  if (!q) { /* a row that is not there: most often the department's own table is broken, and its message says where */
    ready();
    if (table.status == OGV_OK) return ogv_fail(err, OGV_E_INTERNAL, NULL, "no such quantity");
    if (err) *err = table.err;
    return table.status;
  }
  if (value >= q->low && value <= q->high) return OGV_OK;
  if (!isfinite(value)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s is not a finite number", q->symbol);
  const char *unit = slip(q, value);
  if (unit)
    return ogv_fail(err, OGV_E_RANGE, "Give the value with its unit; nothing is converted by how large it looks.",
                    "%s of %.6g %s is not plausible (%.6g to %.6g); it would be if %s was meant", q->symbol, value,
                    q->unit, q->low, q->high, unit);
  return ogv_fail(err, OGV_E_RANGE, "Check the value, its unit and what was measured.",
                  "%s of %.6g %s is not plausible (%.6g to %.6g)", q->symbol, value, q->unit, q->low, q->high);
}

double ogv_quantity_sd(const ogv_quantity *q, double value) {
  if (!q || isnan(q->sd_relative) || isnan(q->sd_absolute)) return NAN;
  return hypot(q->sd_relative * value, q->sd_absolute);
}
