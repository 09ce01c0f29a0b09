/* Caliper conventions: a value and a chart must have been made the same way, or the difference is said. */
#include <pthread.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "private/charts_model.h"

#define CONVERSIONS 32

typedef struct {
  const char *quantity, *from, *to, *unit, *citation, *doi; /* borrowed from the file, which is kept */
  double slope, intercept;
} conversion;

static struct {
  json_t *file;
  conversion rows[CONVERSIONS];
  size_t n;
  ogv_status status;
  ogv_error err;
} table;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static ogv_status read_row(const json_t *v, conversion *k, ogv_error *err) {
  static const char where[] = "conventions.json";
  OGV_TRY(ogv_json_string(v, where, "quantity", &k->quantity, err));
  OGV_TRY(ogv_json_string(v, where, "from", &k->from, err));
  OGV_TRY(ogv_json_string(v, where, "to", &k->to, err));
  OGV_TRY(ogv_json_string(v, where, "unit", &k->unit, err));
  OGV_TRY(ogv_json_string(v, where, "citation", &k->citation, err));
  OGV_TRY(ogv_json_number(v, where, "slope", &k->slope, err));
  OGV_TRY(ogv_json_number(v, where, "intercept", &k->intercept, err));
  k->doi = ogv_json_string_or(v, "doi", "");
  if (!(k->slope > 0))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s, %s from %s to %s: \"slope\" must be above 0", where, k->quantity,
                    k->from, k->to);
  return OGV_OK;
}

static ogv_status read_table(ogv_error *err) {
  ogv_resource r;
  OGV_TRY(ogv_resource_get("conventions.json", &r, err));
  OGV_TRY(ogv_json_parse((const char *)r.data, r.size, r.path, &table.file, err));
  const json_t *list = json_object_get(table.file, "conversions");
  if (!json_is_array(list) || json_array_size(list) > CONVERSIONS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "conventions.json: \"conversions\" must be a list of at most %d",
                    CONVERSIONS);
  for (; table.n < json_array_size(list); table.n++)
    OGV_TRY(read_row(json_array_get(list, table.n), &table.rows[table.n], err));
  return OGV_OK;
}

static void load(void) { table.status = ogv_error_in(&table.err, read_table(&table.err), "conventions.json"); }

ogv_status ogv_convention_check(ogv_error *err) {
  pthread_once(&once, load);
  if (table.status != OGV_OK && err) *err = table.err;
  return table.status;
}

static ogv_status find(const char *quantity, const char *from, const char *to, const conversion **out, ogv_error *err) {
  *out = NULL;
  OGV_TRY(ogv_convention_check(err));
  for (size_t i = 0; i < table.n; i++) {
    const conversion *k = &table.rows[i];
    if (!strcmp(k->quantity, quantity) && !strcmp(k->from, from) && !strcmp(k->to, to)) *out = k;
  }
  return OGV_OK;
}

ogv_status ogv_convention_convert(const char *quantity, const char *from, const char *to, double value, double *out,
                                  ogv_error *err) {
  const conversion *k;
  *out = value;
  if (!strcmp(from, to)) return OGV_OK;
  OGV_TRY(find(quantity, from, to, &k, err));
  if (!k)
    return ogv_fail(err, OGV_E_INVALID, "Measure it by the other convention.",
                    "a %s measured %.30s cannot be converted to %.30s", quantity, from, to);
  *out = k->intercept + k->slope * value;
  return OGV_OK;
}

static ogv_status apply(const ogv_chart *c, const conversion *k, double value, ogv_convention *out, ogv_error *err) {
  if (strcmp(k->unit, c->info.unit))
    return ogv_fail(err, OGV_E_INVALID, NULL, "conventions.json: the conversion of %s is not in %s", c->info.quantity,
                    c->info.unit);
  *out = (ogv_convention){OGV_CONVENTION_CONVERTED, k->intercept + k->slope * value, k->slope, "", k->citation, k->doi};
  snprintf(out->note, sizeof out->note, "taken %s, the chart is %s: converted from %.4g to %.4g %s (%s)", k->from,
           c->info.convention, value, out->value, c->info.unit, out->citation);
  return OGV_OK;
}

ogv_status ogv_chart_convention(const ogv_chart *c, const char *taken, double value, ogv_convention *out,
                                ogv_error *err) {
  const char *wanted = c->info.convention;
  *out = (ogv_convention){OGV_CONVENTION_SAME, value, 1, "", "", ""};
  if (!*wanted || !strcmp(wanted, taken)) return OGV_OK;
  if (!*taken) {
    out->fit = OGV_CONVENTION_UNSTATED;
    snprintf(out->note, sizeof out->note, "how it was measured is not stated; the chart %s is for %s", c->info.id,
             wanted);
    return OGV_OK;
  }
  const conversion *k;
  OGV_TRY(find(c->info.quantity, taken, wanted, &k, err));
  if (k) return apply(c, k, value, out, err);
  return ogv_fail(err, OGV_E_CONFLICT, "Choose a chart made the same way, or measure again the chart's way.",
                  "%s was taken %s and the chart %s is for %s; no conversion between them was published",
                  c->info.quantity, taken, c->info.id, wanted);
}
