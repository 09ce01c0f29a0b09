/* Which members an object of a chart file may have, and of what kind. A member that is misspelt or of the wrong kind
 * would otherwise be passed over, and a chart would silently be another one. */
#include <string.h>

#include "private/charts_model.h"

static bool fits(const json_t *v, char kind) {
  switch (kind) {
    case 's': return json_is_string(v);
    case 'n': return json_is_number(v);
    case 'b': return json_is_boolean(v);
    case 'a': return json_is_array(v);
    case 'o': return json_is_object(v);
    default: return json_is_number(v) || json_is_object(v); /* 'e', an expression */
  }
}

static const char *kind_word(char kind) {
  switch (kind) {
    case 's': return "text";
    case 'n': return "a number";
    case 'b': return "true or false";
    case 'a': return "a list";
    case 'o': return "an object";
    default: return "a number or an expression";
  }
}

ogv_status ogv_chart_members(const json_t *obj, const char *where, const char *const *allowed, ogv_error *err) {
  const char *key;
  json_t *v;
  if (!json_is_object(obj)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: an object is missing", where);
  json_object_foreach((json_t *)obj, key, v) {
    const char *const *a = allowed;
    while (*a && strcmp(*a + 1, key)) a++;
    if (!*a)
      return ogv_fail(err, OGV_E_INVALID, "See docs/charts.md for the format.",
                      "%s: there is no member \"%.60s\" in a chart file at this place", where, key);
    if (!fits(v, **a))
      return ogv_fail(err, OGV_E_INVALID, "See docs/charts.md for the format.", "%s: \"%s\" must be %s", where, key,
                      kind_word(**a));
  }
  return OGV_OK;
}
