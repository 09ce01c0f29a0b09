/* The statement of chorionicity in words: sentence, limit and coverage say the same. */
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "private/report_compose.h"

static const char *const signs[][2] = {
    {"lambda-sign", "lambda sign"},
    {"t-sign", "T sign"},
    {"separate-placentas", "two placentas"},
    {"one-placenta", "one placenta"},
    {"different-sexes", "different sexes"},
    {"same-sex", "same sex"},
    {"thick-membrane", "thick membrane"},
    {"thin-membrane", "thin membrane"},
    {"no-membrane", "no membrane seen"},
    {"cord-tangle", "cords entangled"},
    {"separate-sacs", "separate sacs early on"},
    {"earlier-report", "earlier report"},
};

static const char *sign_word(const compose *c, const char *id) {
  for (size_t i = 0; i < sizeof signs / sizeof *signs; i++)
    if (!strcmp(signs[i][0], id)) return ogv_message_term(c->m, signs[i][1]);
  return id;
}

static const json_t *stated(const compose *c) {
  return json_object_get(json_object_get(c->facts, "pregnancy"), "chorionicity_stated");
}

json_t *compose_chorionicity(const compose *c) {
  const json_t *row = stated(c);
  const char *chorion = ogv_json_string_or(row, "chorionicity", ""),
             *amnion = ogv_json_string_or(row, "amnionicity", "unknown");
  char what[160], list[500] = "";
  size_t i, n = 0;
  json_t *sign;
  if (!row) return NULL;
  bool two = strcmp(amnion, "unknown") != 0;
  snprintf(what, sizeof what, "%.70s%s%.70s", ogv_message_term(c->m, chorion), two ? " " : "",
           two ? ogv_message_term(c->m, amnion) : "");
  json_array_foreach(json_object_get(row, "basis"), i, sign) {
    if (!json_is_string(sign) || n > sizeof list - 80) continue;
    n += (size_t)snprintf(list + n, sizeof list - n, "%s%.70s", n ? ", " : "", sign_word(c, json_string_value(sign)));
  }
  return json_pack("{s:s,s:s,s:s,s:b}", "what", what, "signs", list, "why", ogv_json_string_or(row, "text", ""),
                   "unknown", !strcmp(chorion, "unknown"));
}

const char *compose_chorionicity_seen(const compose *c, json_t *structure) {
  static const char *const keep[] = {"objects", "who", "when"};
  json_t *words = compose_chorionicity(c);
  if (!words) return "missing";
  bool unknown = json_is_true(json_object_get(words, "unknown"));
  const char *state = unknown ? "not-seen" : "normal";
  char text[700];
  snprintf(text, sizeof text, "%s (%s)", ogv_json_string_or(words, "what", ""), ogv_json_string_or(words, "signs", ""));
  for (size_t i = 0; i < sizeof keep / sizeof *keep; i++)
    if (json_object_get(stated(c), keep[i])) json_object_set(structure, keep[i], json_object_get(stated(c), keep[i]));
  json_object_set_new(structure, "state", json_string(state));
  if (unknown) json_object_set(structure, "reason", json_object_get(words, "why"));
  else json_object_set_new(structure, "text", json_string(text));
  json_decref(words);
  return state;
}
