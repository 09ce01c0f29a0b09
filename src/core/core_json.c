#include "core_json.h"

#include <math.h>
#include <stdlib.h>

#include "core_file.h"

ogv_status ogv_json_parse(const char *text, size_t n, const char *name, json_t **out, ogv_error *err) {
  json_error_t je;
  *out = json_loadb(text, n, JSON_REJECT_DUPLICATES, &je);
  if (*out) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, "Correct the JSON at that place.", "%s, line %d column %d: %s", name, je.line,
                  je.column, je.text);
}

ogv_status ogv_json_load(const char *path, json_t **out, ogv_error *err) {
  uint8_t *data;
  size_t n;
  OGV_TRY(ogv_file_read(path, 64u << 20, &data, &n, err));
  ogv_status s = ogv_json_parse((const char *)data, n, path, out, err);
  free(data);
  return s;
}

char *ogv_json_canonical(const json_t *v) {
  return json_dumps(v, JSON_COMPACT | JSON_SORT_KEYS | JSON_REAL_PRECISION(17) | JSON_ENCODE_ANY);
}

char *ogv_json_pretty(const json_t *v) {
  return json_dumps(v, JSON_INDENT(2) | JSON_REAL_PRECISION(15) | JSON_ENCODE_ANY);
}

ogv_status ogv_json_string(const json_t *obj, const char *where, const char *key, const char **out, ogv_error *err) {
  const json_t *v = json_object_get(obj, key);
  if (!json_is_string(v)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"%s\" is missing or is not text", where, key);
  *out = json_string_value(v);
  return OGV_OK;
}

ogv_status ogv_json_number(const json_t *obj, const char *where, const char *key, double *out, ogv_error *err) {
  const json_t *v = json_object_get(obj, key);
  if (!json_is_number(v))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"%s\" is missing or is not a number", where, key);
  *out = json_number_value(v);
  return OGV_OK;
}

const char *ogv_json_string_or(const json_t *obj, const char *key, const char *otherwise) {
  const json_t *v = json_object_get(obj, key);
  return json_is_string(v) ? json_string_value(v) : otherwise;
}

double ogv_json_number_or(const json_t *obj, const char *key, double otherwise) {
  const json_t *v = json_object_get(obj, key);
  return json_is_number(v) ? json_number_value(v) : otherwise;
}

json_t *ogv_json_real(double v) { return isfinite(v) ? json_real(v) : json_null(); }

json_t *ogv_error_json(const ogv_error *err) {
  return json_pack("{s:s,s:s,s:s}", "code", ogv_status_word(err->code), "what", err->what, "todo", err->todo);
}
