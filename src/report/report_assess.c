/* Assessment: the rules of data/rules asked about the values of this exam; each answer keeps its facts, citation and
 * what is missing. References are compared, and a conclusion that hangs on the choice of one is said. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_dating.h"
#include "obstetrics_rules.h"
#include "private/report_compose.h"

static const char *label_of(const char *fetus) { return *fetus ? fetus : "A"; }

static void put(json_t *o, const char *key, double v) {
  if (isfinite(v)) json_object_set_new(o, key, json_real(v));
}

/* Earlier scans of a value, for the fall of centile. */
static json_t *history_of(const json_t *value, double ga_days) {
  json_t *list = json_array(), *p;
  size_t i;
  json_array_foreach(json_object_get(value, "series"), i, p) {
    if (json_is_true(json_object_get(p, "current"))) break;
    if (!json_object_get(p, "ga_days") || !json_object_get(p, "z") || compose_number(p, "ga_days") >= ga_days)
      continue; /* a second exam of one day is no growth */
    json_array_append_new(list, json_pack("{s:O,s:O,s:O}", "ga_days", json_object_get(p, "ga_days"), "value",
                                          json_object_get(p, "value"), "sd", json_object_get(p, "sd")));
  }
  return list;
}

/* One value as the rules read it. NULL when its centile was refused: a rule must not get one by another way. */
static json_t *fact_of(const compose *c, const json_t *value) {
  const json_t *centile = json_array_get(json_object_get(value, "centiles"), 0),
               *refused = json_object_get(centile, "refused");
  bool range = !strcmp(ogv_json_string_or(refused, "code", ""), "out-of-range");
  if (refused && c->dated && !range) return NULL;
  json_t *o =
      json_pack("{s:O,s:s}", "value", json_object_get(value, "value"), "unit", ogv_json_string_or(value, "unit", ""));
  put(o, "sd", compose_number(value, "sd"));
  const char *formula = ogv_json_string_or(json_object_get(value, "formula"), "id", "");
  if (!strcmp(ogv_json_string_or(value, "quantity", ""), "efw"))
    json_object_set_new(o, "formula", json_string(formula));
  if (c->circular || !*ogv_json_string_or(centile, "text", "")) return o;
  json_object_set(o, "chart", json_object_get(centile, "chart"));
  put(o, "z", compose_number(centile, "z"));
  put(o, "z_sd", compose_number(centile, "u_z"));
  put(o, "centile", compose_number(centile, "centile"));
  put(o, "mom", compose_number(centile, "mom"));
  int beyond = (int)json_integer_value(json_object_get(centile, "beyond"));
  if (beyond)
    json_object_set_new(o, "centile",
                        json_pack("{s:f}", beyond < 0 ? "below" : "above", compose_number(centile, "bound")));
  json_object_set_new(
      o, "history", history_of(value, c->dated && c->exam_date != OGV_DATE_NONE ? ogv_ga_on(c->edd, c->exam_date) : 0));
  return o;
}

static json_t *rule_facts(const compose *c) {
  json_t *fetuses = json_object(), *pregnancy = json_object(), *v, *f;
  const json_t *about = json_object_get(c->facts, "pregnancy");
  size_t i;
  json_array_foreach(json_object_get(about, "fetuses"), i, f)
      json_object_set_new(fetuses, label_of(json_string_value(f)), json_object());
  json_array_foreach(json_object_get(c->facts, "values"), i, v) {
    const char *fetus = ogv_json_string_or(v, "fetus", "");
    const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(v, "quantity", ""));
    bool mother = q && (!strcmp(q->kind, "cervix") || !strcmp(q->kind, "placenta") || !strncmp(q->id, "uta-", 4));
    json_t *group = mother ? pregnancy : json_object_get(fetuses, label_of(fetus)), *fact = fact_of(c, v);
    if (group && fact) json_object_set_new(group, ogv_json_string_or(v, "quantity", ""), fact);
    else json_decref(fact);
  }
  json_t *facts = json_pack("{s:o,s:o,s:i}", "fetuses", fetuses, "pregnancy", pregnancy, "fetus_count",
                            (int)json_array_size(json_object_get(about, "fetuses")));
  if (c->dated && !c->circular && c->exam_date != OGV_DATE_NONE)
    json_object_set_new(facts, "ga_days", json_integer(ogv_ga_on(c->edd, c->exam_date)));
  const char *chorion = ogv_json_string_or(about, "chorionicity", "");
  if (*chorion) json_object_set_new(facts, "chorionicity", json_string(chorion));
  json_array_foreach(json_object_get(c->facts, "findings"), i,
                     f) if (!strcmp(ogv_json_string_or(f, "state", ""), "abnormal"))
      json_object_set_new(facts, "anomaly", json_true());
  return facts;
}

void compose_assessment(compose *c) {
  json_t *facts = rule_facts(c), *answers = NULL;
  ogv_error e = {0};
  ogv_status s = ogv_rule_facts_complete(facts, &e);
  if (s == OGV_OK) s = ogv_rules_apply(facts, false, false, &answers, &e);
  if (s != OGV_OK) {
    compose_limit(c, ogv_status_word(s), "assessment", e.what, e.todo);
    answers = json_array();
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
