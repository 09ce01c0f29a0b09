/* Caliper conventions: a value and a chart must have been made the same way, or the difference is said. */
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "private/charts_model.h"

static pthread_once_t once = PTHREAD_ONCE_INIT;
static json_t *table;
static ogv_status load_status = OGV_OK;
static ogv_error load_error;

static void load(void) {
  ogv_resource r;
  load_status = ogv_resource_get("conventions.json", &r, &load_error);
  if (load_status == OGV_OK) load_status = ogv_json_parse((const char *)r.data, r.size, r.path, &table, &load_error);
}

static const json_t *conversion(const char *quantity, const char *from, const char *to) {
  size_t i;
  json_t *k;
  json_array_foreach(json_object_get(table, "conversions"), i, k) {
    if (!strcmp(ogv_json_string_or(k, "quantity", ""), quantity) && !strcmp(ogv_json_string_or(k, "from", ""), from) &&
        !strcmp(ogv_json_string_or(k, "to", ""), to))
      return k;
  }
  return NULL;
}

static ogv_status apply(const ogv_chart *c, const json_t *k, double value, ogv_convention *out, ogv_error *err) {
  double slope, intercept;
  OGV_TRY(ogv_json_number(k, "conventions.json", "slope", &slope, err));
  OGV_TRY(ogv_json_number(k, "conventions.json", "intercept", &intercept, err));
  if (strcmp(ogv_json_string_or(k, "unit", ""), c->info.unit))
    return ogv_fail(err, OGV_E_INVALID, NULL, "conventions.json: the conversion of %s is not in %s", c->info.quantity,
                    c->info.unit);
  *out = (ogv_convention){
      OGV_CONVENTION_CONVERTED,        intercept + slope * value, slope, "", ogv_json_string_or(k, "citation", ""),
      ogv_json_string_or(k, "doi", "")};
  snprintf(out->note, sizeof out->note, "taken %s, the chart is %s: converted from %.4g to %.4g %s (%s)",
           ogv_json_string_or(k, "from", ""), c->info.convention, value, out->value, c->info.unit, out->citation);
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
  pthread_once(&once, load);
  if (load_status != OGV_OK) {
    if (err) *err = load_error;
    return load_status;
  }
  const json_t *k = conversion(c->info.quantity, taken, wanted);
  if (k) return apply(c, k, value, out, err);
  return ogv_fail(err, OGV_E_CONFLICT, "Choose a chart made the same way, or measure again the chart's way.",
                  "%s was taken %s and the chart %s is for %s; no conversion between them was published",
                  c->info.quantity, taken, c->info.id, wanted);
}
