/* Assessment: the rules of data/rules asked about the values of this exam; each answer keeps its facts, citation and
 * what is missing. References are compared, and a conclusion that hangs on the choice of one is said. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_rules.h"
#include "private/report_compose.h"
#include "report_rules.h"

static void translate(const compose *w, json_t *o, const char *key) {
  const char *english = json_string_value(json_object_get(o, key));
  if (english) json_object_set_new(o, key, json_string(ogv_message_term(w->m, english)));
}

/* The rules are written in English; the facts have them in the language of the report, so that every output does. */
static void in_language(const compose *w, json_t *answer) {
  size_t i;
  json_t *c;
  const char *text = ogv_json_string_or(answer, "text", "");
  if (!strcasecmp(text, ogv_json_string_or(answer, "title", "")))
    json_object_set(answer, "text", json_object_get(answer, "title"));
  translate(w, answer, "title");
  translate(w, answer, "text");
  translate(w, answer, "note");
  json_array_foreach(json_object_get(answer, "conditions"), i, c) translate(w, c, "text");
}

void compose_assessment(compose *c) {
  json_t *facts = NULL, *answers = NULL, *a;
  size_t i;
  ogv_error e = {0};
  ogv_status s = ogv_report_rule_facts(c->facts, &facts, &e); /* the same that `ogive rules EXAM` asks about */
  if (s == OGV_OK) s = ogv_rule_facts_complete(facts, &e);
  if (s == OGV_OK) s = ogv_rules_apply(facts, false, false, &answers, &e);
  if (s != OGV_OK) {
    compose_limit(c, ogv_status_word(s), "assessment", e.what, e.todo);
    answers = json_array();
  }
  json_array_foreach(answers, i, a) {
    in_language(c, a);
    compose_reasons(c, a);
  }
  json_object_set_new(c->facts, "assessment", answers);
  json_decref(facts);
}

/* --- references side by side ----------------------------------------------------------------------------------------
 */
/* Other charts for a value, as ids: from the settings, else from data/report/compare.json. New reference. */
json_t *compose_compared(const compose *c, const char *quantity) {
  const json_t *own = json_object_get(compose_setting(c, "compare"), quantity);
  json_t *table = NULL, *list = NULL;
  ogv_resource r;
  if (json_is_array(own)) return json_deep_copy(own);
  if (ogv_resource_get("report/compare.json", &r, NULL) == OGV_OK &&
      ogv_json_parse((const char *)r.data, r.size, r.path, &table, NULL) == OGV_OK)
    list = json_deep_copy(json_object_get(table, quantity));
  json_decref(table);
  return list ? list : json_array();
}

static int side(const json_t *centile, double limit) {
  int beyond = (int)json_integer_value(json_object_get(centile, "beyond"));
  double at = compose_number(centile, "centile");
  if (beyond) return beyond;
  return at < limit ? -1 : 1;
}

/* A limit that some references put the value below and others above; 0 when all agree. */
static int disagreement(const json_t *list) {
  static const int limits[] = {10, 90, 3};
  for (size_t k = 0; k < 3; k++) {
    int seen = 0;
    size_t i;
    json_t *centile;
    json_array_foreach(list, i, centile) {
      if (!*ogv_json_string_or(centile, "text", "") || json_is_true(json_object_get(centile, "multiple"))) continue;
      seen |= side(centile, limits[k]) < 0 ? 1 : 2;
    }
    if (seen == 3) return limits[k];
  }
  return 0;
}

void compose_references(compose *c) {
  size_t i, k;
  json_t *v, *centile;
  json_array_foreach(json_object_get(c->facts, "values"), i, v) {
    const json_t *list = json_object_get(v, "centiles");
    int limit = c->circular ? 0 : disagreement(list);
    if (!limit) continue;
    char text[400] = "";
    json_array_foreach(list, k, centile) {
      size_t n = strlen(text);
      const char *word = ogv_json_string_or(centile, "text", "");
      if (*word)
        snprintf(text + n, sizeof text - n, "%s%s (%.80s)", n ? ", " : "", word,
                 ogv_json_string_or(centile, "title", ""));
    }
    json_object_set_new(v, "references_differ", json_integer(limit));
    json_t *args =
        json_pack("{s:s,s:i,s:s}", "symbol", ogv_json_string_or(v, "symbol", ""), "limit", limit, "list", text);
    compose_limit_message(c, "references-differ", ogv_json_string_or(v, "key", ""), "limit.references", args);
    json_decref(args);
  }
}
