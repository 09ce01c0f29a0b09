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

/* "7.4", or "<1" where the chart gives only a bound; "" for anything else. */
static const char *shown(const compose *w, const json_t *condition, char buf[OGV_MESSAGE_TEXT]) {
  const json_t *value = json_object_get(condition, "value");
  const char *member = strchr(ogv_json_string_or(condition, "fact", ""), '.');
  char number[OGV_MESSAGE_TEXT];
  double below = compose_number(value, "below"), above = compose_number(value, "above");
  buf[0] = 0;
  if (json_is_number(value)) {
    double v = json_number_value(value);
    if (member && !strcmp(member, ".centile") && (v < 1 || v > 99)) {
      snprintf(buf, OGV_MESSAGE_TEXT, "%s", v < 1 ? "<1" : ">99");
      return buf;
    }
    /* Limits of multiples and ratios have two decimals: 1.48 must not read as 1.5 beside a limit of 1.50. */
    bool fine = fabs(v) < 10 && member && (!strcmp(member, ".mom") || !strcmp(member, ".value"));
    return ogv_message_number(w->m, v, fine ? 2 : fabs(v) < 10 ? 1 : 0, buf);
  }
  if (isfinite(below) || isfinite(above))
    snprintf(buf, OGV_MESSAGE_TEXT, "%s%.40s", isfinite(below) ? "<" : ">",
             ogv_message_number(w->m, isfinite(below) ? below : above, 0, number));
  return buf;
}

/* What a rule asks before it applies says nothing of why it answers so. */
static bool decides(const json_t *condition) {
  const char *fact = ogv_json_string_or(condition, "fact", "");
  return strcmp(fact, "ga_days") && strcmp(fact, "fetus_count") && strcmp(fact, "smaller") && strcmp(fact, "anomaly") &&
         strcmp(fact, "chorionicity");
}

/* "EFW centile" for efw.centile; the words of its condition for a fact that is no quantity. */
static void fact_name(const compose *w, const json_t *conditions, const char *fact, char *buf, size_t size) {
  char id[64];
  size_t i;
  json_t *c;
  size_t n = strcspn(fact, ".");
  if (n >= sizeof id) n = sizeof id - 1;
  memcpy(id, fact, n);
  id[n] = 0;
  const ogv_quantity *q = ogv_quantity_find(id);
  const char *member = strchr(fact, '.');
  if (q && member && strcmp(member, ".centile_fall")) {
    const char *what = !strcmp(member, ".centile") ? ogv_message_plain(w->m, "word.centile-short")
                       : !strcmp(member, ".mom")   ? "MoM"
                                                   : "";
    snprintf(buf, size, "%s%s%.40s", q->symbol, *what ? " " : "", what);
    return;
  }
  snprintf(buf, size, "%.90s", fact);
  json_array_foreach(conditions, i, c) if (!strcmp(ogv_json_string_or(c, "fact", ""), fact))
      snprintf(buf, size, "%s", ogv_json_string_or(c, "text", ""));
}

/* "EFW centile ≥ 10": the other side of a limit. False for a condition without a number as its limit. */
static bool other_side(const compose *w, const json_t *answer, const json_t *c, char *buf, size_t size) {
  static const struct {
    const char *key, *sign;
  } sides[] = {{"below", "≥"}, {"at_most", ">"}, {"above", "≤"}, {"at_least", "<"}};
  const json_t *limit = json_object_get(c, "limit");
  char name[160], number[OGV_MESSAGE_TEXT];
  for (size_t i = 0; i < 4; i++) {
    double v = compose_number(limit, sides[i].key);
    if (!isfinite(v)) continue;
    fact_name(w, json_object_get(answer, "conditions"), ogv_json_string_or(c, "fact", ""), name, sizeof name);
    snprintf(buf, size, "%.150s %s %.30s", name, sides[i].sign,
             ogv_message_number(w->m, v, v == floor(v) ? 0 : 2, number));
    return true;
  }
  return false;
}

static void append(char *buf, size_t size, const char *separator, const char *text) {
  size_t n = strlen(buf);
  if (n + strlen(text) + strlen(separator) + 1 < size) snprintf(buf + n, size - n, "%s%s", n ? separator : "", text);
}

static void set_list(const compose *w, json_t *answer, const char *key, const char *message, const char *list) {
  if (*list) json_object_set_new(answer, key, compose_text(w, message, json_pack("{s:s}", "list", list)));
}

/* because: "EFW below the 10th centile: 7.4", the conditions that decide, each with its value. changes: what would
 * change a rule that is met. lacks: what is missing for one that cannot tell. */
static void explain(const compose *w, json_t *answer) {
  const json_t *list = json_object_get(answer, "conditions"), *names = json_object_get(answer, "missing");
  bool met = !strcmp(ogv_json_string_or(answer, "answer", ""), "met");
  size_t i;
  json_t *c, *m;
  char value[OGV_MESSAGE_TEXT], text[400], because[1400] = "", missing[700] = "", changes[700] = "";
  json_array_foreach(list, i, c) {
    bool holds = !strcmp(ogv_json_string_or(c, "answer", ""), "met");
    if (!decides(c) || (met && !holds)) continue;
    if (*shown(w, c, value)) {
      snprintf(text, sizeof text, "%.280s: %s", ogv_json_string_or(c, "text", ""), value);
      append(because, sizeof because, "; ", text);
    }
    if (met && other_side(w, answer, c, text, sizeof text)) append(changes, sizeof changes, ", ", text);
  }
  json_array_foreach(names, i, m) {
    fact_name(w, list, json_string_value(m) ? json_string_value(m) : "", text, sizeof text);
    append(missing, sizeof missing, ", ", text);
  }
  if (*because) json_object_set_new(answer, "because", json_string(because));
  set_list(w, answer, "changes", "assess.changes", changes);
  if (!met) set_list(w, answer, "lacks", "assess.missing", missing);
}

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
    explain(c, a);
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
