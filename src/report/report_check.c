/* The shape of facts from a file, checked once so that composing and drawing can rely on it. */
#include <string.h>

#include "core_json.h"
#include "private/report_rows.h"
#include "report_facts.h"

#define LIST_MAX 20000

static ogv_status wrong(const char *member, const char *want, ogv_error *err) {
  return ogv_fail(err, OGV_E_INVALID, "docs/facts.md has the shape.", "facts: \"%s\" is not %s", member, want);
}

static ogv_status objects_in(const json_t *list, const char *member, ogv_error *err) {
  size_t i;
  const json_t *v;
  if (!json_is_array(list) || json_array_size(list) > LIST_MAX) return wrong(member, "a list", err);
  json_array_foreach(list, i, v) if (!json_is_object(v)) return wrong(member, "a list of objects", err);
  return OGV_OK;
}

ogv_status ogv_facts_check(const json_t *facts, ogv_error *err) {
  static const char *const objects[] = {"patient", "exam", "pregnancy", "dating", "settings"};
  static const char *const lists[] = {"objects", "ledger", "history", "findings"};
  if (!json_is_object(facts)) return wrong("facts", "an object", err);
  const json_t *format = json_object_get(facts, "format");
  if (format && (!json_is_string(format) || strcmp(json_string_value(format), "ogive-facts/1")))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "A newer Ogive wrote them.", "facts: format is not ogive-facts/1");
  for (size_t i = 0; i < sizeof objects / sizeof *objects; i++)
    if (!json_is_object(json_object_get(facts, objects[i]))) return wrong(objects[i], "an object", err);
  for (size_t i = 0; i < sizeof lists / sizeof *lists; i++)
    OGV_TRY(objects_in(json_object_get(facts, lists[i]), lists[i], err));
  OGV_TRY(objects_in(json_object_get(json_object_get(facts, "dating"), "evidence"), "dating.evidence", err));
  const json_t *colour = json_object_get(facts, "colour_readings");
  if (colour) OGV_TRY(objects_in(colour, "colour_readings", err));
  size_t i;
  const json_t *v, *fetuses = json_object_get(json_object_get(facts, "pregnancy"), "fetuses");
  if (!json_is_array(fetuses) || json_array_size(fetuses) > 9)
    return wrong("pregnancy.fetuses", "a list of at most 9", err);
  json_array_foreach(fetuses, i, v) if (!json_is_string(v) || json_string_length(v) > 15) return wrong(
      "pregnancy.fetuses", "a list of short texts", err);
  json_array_foreach(json_object_get(facts, "ledger"), i, v) {
    if (!json_is_string(json_object_get(v, "quantity"))) return wrong("ledger.quantity", "a text", err);
    if (!json_is_number(json_object_get(v, "value"))) return wrong("ledger.value", "a number", err);
  }
  return OGV_OK;
}

/* What an imported value says about its picture; NULL for other rows. */
static const json_t *image_of(const json_t *row) {
  const json_t *image = json_object_get(json_object_get(row, "evidence"), "image");
  return json_is_object(image) && *ogv_json_string_or(image, "object", "") ? image : NULL;
}

const char *rows_object(const json_t *row, int *frame) {
  const json_t *from = image_of(row) ? image_of(row) : row;
  json_int_t f = json_integer_value(json_object_get(from, "frame"));
  *frame = f > 0 && f < 1000000 ? (int)f : 0;
  return ogv_json_string_or(from, "object", "");
}

const json_t *rows_geometry(const json_t *row) {
  const json_t *from = image_of(row) ? image_of(row) : json_object_get(row, "evidence");
  const json_t *g = json_object_get(from, "geometry");
  return json_is_object(g) ? g : NULL;
}
