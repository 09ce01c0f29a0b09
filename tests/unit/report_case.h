/* The invented cases of tests/data/report, loaded and composed. */
#ifndef REPORT_CASE_H
#define REPORT_CASE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <jansson.h>

#include "core_json.h"
#include "report_facts.h"

static inline json_t *case_inputs(const char *name) {
  char path[512];
  json_t *v;
  ogv_error e = {0};
  const char *root = getenv("SOURCE_ROOT");
  snprintf(path, sizeof path, "%s/tests/data/report/%s.json", root ? root : "..", name);
  if (ogv_json_load(path, &v, &e) != OGV_OK) fail_msg("%s", e.what);
  return v;
}

static inline json_t *case_facts(const char *name) {
  json_t *v = case_inputs(name);
  ogv_error e = {0};
  if (ogv_facts_compose(v, &e) != OGV_OK) fail_msg("%s", e.what);
  return v;
}

static inline json_t *by(const json_t *list, const char *key, const char *value) {
  size_t i;
  json_t *v;
  json_array_foreach((json_t *)list, i, v) if (!strcmp(ogv_json_string_or(v, key, ""), value)) return v;
  return NULL;
}

static inline json_t *value_of(const json_t *facts, const char *key) {
  return by(json_object_get(facts, "values"), "key", key);
}
static inline double num(const json_t *o, const char *key) { return ogv_json_number_or(o, key, -1e300); }
static inline const char *str(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }
static inline json_t *first_centile(const json_t *value) {
  return json_array_get(json_object_get(value, "centiles"), 0);
}

#endif
