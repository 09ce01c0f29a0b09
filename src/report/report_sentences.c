/* Sentences proposed from the facts, and what the exam cannot say. Templates are data (data/messages); each sentence
 * keeps the values and the rule behind it. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_dating.h"
#include "obstetrics_growth.h"
#include "private/report_compose.h"

/* args is released. keys: value keys behind the sentence, NULL-terminated. */
static void say(compose *c, const char *id, const char *part, const char *fetus, const char *template, json_t *args,
                const char *const *keys, json_t *rule, json_t *changes) {
  json_t *facts = json_array();
  for (; keys && *keys; keys++) json_array_append_new(facts, json_string(*keys));
  json_t *s = json_pack("{s:s,s:s,s:s,s:s,s:O,s:o,s:o}", "id", id, "part", part, "fetus", fetus, "template", template,
                        "values", args, "text", compose_text(c, template, json_incref(args)), "facts", facts);
  json_decref(args);
  if (rule) json_object_set_new(s, "rule", rule);
  if (changes) json_object_set_new(s, "changes", changes);
  json_array_append_new(json_object_get(c->facts, "sentences"), s);
}

static bool one_fetus(const compose *c) {
  return json_array_size(json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses")) < 2;
}

/* "" for a singleton, "Fetus A: " otherwise: the start of each sentence. */
static json_t *who(const compose *c, const char *fetus) {
  char text[64] = "";
  if (!one_fetus(c) && *fetus)
    snprintf(text, sizeof text, "%.40s %.10s: ", ogv_message_plain(c->m, "word.fetus"), fetus);
  return json_string(text);
}

static void say_dating(compose *c) {
  const json_t *d = json_object_get(c->facts, "dating");
  char edd[OGV_MESSAGE_TEXT];
  if (!c->dated) return;
  const char *ga = ogv_json_string_or(json_object_get(c->facts, "pregnancy"), "ga", "");
  if (!*ga) return;
  const char *state = ogv_json_string_or(d, "state", "");
  say(c, "dating", "dating", "", !strcmp(state, "decided") ? "dating.decided" : "dating.proposed",
      json_pack("{s:s,s:s}", "ga", ga, "edd", ogv_message_date(c->m, c->edd, edd)), NULL,
      json_pack("{s:s,s:s,s:s}", "id", ogv_json_string_or(d, "rule", ""), "title", ogv_json_string_or(d, "reason", ""),
                "citation", ""),
      NULL);
}

/* The 95 % interval of the centile holds a limit: the conclusion could be the other one. */
static json_t *near_limit(const compose *c, const json_t *centile) {
  static const double limits[] = {3, 10, 90};
  double low = compose_number(centile, "low"), high = compose_number(centile, "high"),
         at = compose_number(centile, "centile");
  double best = NAN;
  for (size_t i = 0; i < 3; i++)
    if (low < limits[i] && limits[i] < high && (!isfinite(best) || fabs(at - limits[i]) < fabs(at - best)))
      best = limits[i];
  if (!isfinite(best)) return NULL;
  return compose_text(
      c, "near-limit",
      json_pack("{s:i,s:s}", "limit", (int)best, "interval", ogv_json_string_or(centile, "interval_text", "")));
}

/* Where a value stands: the classes that the rules know. NULL when it has no centile, or one that says nothing. */
static const char *class_of(const json_t *v) {
  const json_t *centile = json_array_get(json_object_get(v, "centiles"), 0);
  if (!*ogv_json_string_or(centile, "text", "") || json_is_true(json_object_get(centile, "circular")) ||
      json_is_true(json_object_get(centile, "multiple")))
    return NULL;
  double at = compose_number(centile, "centile");
  int beyond = (int)json_integer_value(json_object_get(centile, "beyond"));
  if (beyond) return beyond < 0 ? "below-3" : "above-97";
  return at < 3 ? "below-3" : at < 10 ? "below-10" : at > 97 ? "above-97" : at > 90 ? "above-90" : "within";
}

static void say_weight(compose *c, const json_t *v, const char *fetus) {
  const char *class = class_of(v), *key = ogv_json_string_or(v, "key", "");
  const json_t *centile = json_array_get(json_object_get(v, "centiles"), 0);
  char template[48];
  if (!class) return;
  snprintf(template, sizeof template, "weight.%s", class);
  const char *keys[2] = {key, NULL};
  say(c, key, "size", fetus, template,
      json_pack("{s:o,s:s,s:s,s:s,s:s,s:s}", "who", who(c, fetus), "value", ogv_json_string_or(v, "text", ""),
                "plus_minus", ogv_json_string_or(v, "interval_text", ""), "centile",
                ogv_json_string_or(centile, "text", ""), "interval", ogv_json_string_or(centile, "interval_text", "–"),
                "chart", ogv_json_string_or(centile, "title", "")),
      keys, NULL, near_limit(c, centile));
}

/* "HC, AC and FL lie between the 10th and 90th centile": the measurements of one class in one sentence. */
static void say_class(compose *c, const char *fetus, const char *class) {
  const json_t *values = json_object_get(c->facts, "values"), *v;
  char list[256] = "", id[64], template[48], keys_text[24][64];
  const char *keys[25] = {NULL};
  int n = 0;
  size_t i;
  json_array_foreach(values, i, v) {
    const char *kind = ogv_json_string_or(v, "kind", ""), *own = class_of(v);
    if (strcmp(ogv_json_string_or(v, "fetus", ""), fetus) || !own || strcmp(own, class) || n == 24) continue;
    bool core = !strcmp(kind, "biometry");
    if (!core && (!strcmp(class, "within") || (strcmp(kind, "long-bone") && strcmp(kind, "cranium")))) continue;
    size_t used = strlen(list);
    snprintf(list + used, sizeof list - used, "%s%s %s", n ? ", " : "", ogv_json_string_or(v, "symbol", ""),
             !strcmp(class, "within")
                 ? ""
                 : ogv_json_string_or(json_array_get(json_object_get(v, "centiles"), 0), "text", ""));
    for (size_t k = strlen(list); k && list[k - 1] == ' '; k--) list[k - 1] = 0;
    snprintf(keys_text[n], sizeof keys_text[n], "%.60s", ogv_json_string_or(v, "key", ""));
    keys[n] = keys_text[n];
    n++;
  }
  if (!n) return;
  snprintf(id, sizeof id, "size/%.20s/%s", fetus, class);
  snprintf(template, sizeof template, "size.%s", class);
  say(c, id, "size", fetus, template, json_pack("{s:o,s:s,s:i}", "who", who(c, fetus), "list", list, "n", n), keys,
      NULL, NULL);
}

static void say_growth(compose *c, const json_t *v, const char *fetus) {
  const json_t *g = json_object_get(v, "growth");
  double dz = compose_number(g, "delta_z"), u = compose_number(g, "u_change"), p = compose_number(g, "p_measurement");
  int days = (int)json_integer_value(json_object_get(g, "days"));
  ogv_date from;
  char date[OGV_MESSAGE_TEXT], z[OGV_MESSAGE_TEXT] = "", number[OGV_MESSAGE_TEXT], half[OGV_MESSAGE_TEXT], id[80];
  bool soon = days > 0 && days < OGV_GROWTH_LEAST_DAYS;
  if (!compose_date(g, "from", &from) || (!soon && (!isfinite(dz) || !isfinite(u)))) return;
  const char *t = soon ? "growth.too-soon" : p > 0.05 ? "growth.same" : dz < 0 ? "growth.slower" : "growth.faster";
  if (!soon) snprintf(z, sizeof z, "%s%.20s", dz < 0 ? "−" : "+", ogv_message_number(c->m, fabs(dz), 2, number));
  snprintf(id, sizeof id, "growth/%.60s", ogv_json_string_or(v, "key", ""));
  const char *keys[2] = {ogv_json_string_or(v, "key", ""), NULL};
  say(c, id, "growth", fetus, t,
      json_pack("{s:o,s:s,s:s,s:i,s:s,s:s}", "who", who(c, fetus), "name", ogv_json_string_or(v, "name", ""), "date",
                ogv_message_date(c->m, from, date), "days", days, "delta", z, "plus_minus",
                ogv_message_number(c->m, isfinite(u) ? 1.96 * u : NAN, 2, half)),
      keys, NULL,
      json_is_true(json_object_get(g, "crosses")) ? json_string(ogv_message_plain(c->m, "growth.crosses")) : NULL);
}

/* What the rules say: those that are met, each with its citation; the others stand in the assessment. */
static void say_rules(compose *c) {
  size_t i;
  json_t *a;
  json_array_foreach(json_object_get(c->facts, "assessment"), i, a) {
    if (strcmp(ogv_json_string_or(a, "answer", ""), "met")) continue;
    const char *fetus = ogv_json_string_or(a, "fetus", ""), *text = ogv_json_string_or(a, "text", ""),
               *title = ogv_json_string_or(a, "title", "");
    bool bare = !*text || !strcasecmp(text, title);
    char id[96];
    snprintf(id, sizeof id, "rule/%.20s/%.60s", fetus, ogv_json_string_or(a, "rule", ""));
    bool near = json_is_true(json_object_get(a, "near_limit"));
    say(c, id, "assessment", fetus, bare ? "assess.met-bare" : "assess.met",
        json_pack("{s:o,s:s,s:s}", "who", who(c, fetus), "title", title, "text", text), NULL,
        json_pack("{s:s,s:s,s:s}", "id", ogv_json_string_or(a, "rule", ""), "title", "", "citation",
                  ogv_json_string_or(a, "citation", "")),
        near ? json_string(ogv_message_plain(c->m, "assess.near")) : NULL);
  }
}

/* Of several fetuses: how many chorions and amnions, by which signs; or that it cannot be told, and why. */
static void say_chorionicity(compose *c) {
  json_t *words = one_fetus(c) ? NULL : compose_chorionicity(c);
  if (!words) return;
  bool unknown = json_is_true(json_object_get(words, "unknown"));
  json_object_del(words, "unknown");
  say(c, "chorionicity", "dating", "", unknown ? "chorionicity.unknown" : "chorionicity.stated", words, NULL, NULL,
      NULL);
}

void compose_sentences(compose *c) {
  json_object_set_new(c->facts, "sentences", json_array());
  say_dating(c);
  say_chorionicity(c);
  static const char *const classes[] = {"below-3", "below-10", "within", "above-90", "above-97"};
  json_t *fetuses = json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses"), *f;
  size_t i;
  json_array_foreach(fetuses, i, f) {
    const char *fetus = json_string_value(f);
    const json_t *values = json_object_get(c->facts, "values"), *efw = compose_value(values, fetus, "efw");
    for (int k = 0; k < 5; k++) say_class(c, fetus, classes[k]);
    if (efw) say_weight(c, efw, fetus);
    const char *best = compose_value(values, fetus, "efw") ? "efw" : "ac";
    const json_t *g = compose_value(values, fetus, best);
    if (g) say_growth(c, g, fetus);
  }
  say_rules(c);
}

static void limit_objects(compose *c) {
  size_t i;
  json_t *o;
  int uncalibrated = 0;
  json_array_foreach(json_object_get(c->facts, "objects"), i, o) {
    const char *kind = ogv_json_string_or(o, "kind", "");
    if ((!strcmp(kind, "image") || !strcmp(kind, "clip")) && json_is_false(json_object_get(o, "calibrated")))
      uncalibrated++;
  }
  json_t *args = json_pack("{s:i}", "n", uncalibrated);
  if (uncalibrated) compose_limit_message(c, "no-calibration", "exam", "limit.uncalibrated", args);
  json_decref(args);
}

static void limit_value(compose *c, const json_t *v) {
  const char *key = ogv_json_string_or(v, "key", "");
  const json_t *centile = json_array_get(json_object_get(v, "centiles"), 0),
               *refused = json_object_get(centile, "refused");
  const char *fetus = ogv_json_string_or(v, "fetus", "");
  char symbol[80];
  snprintf(symbol, sizeof symbol, "%.50s%s%.10s", ogv_json_string_or(v, "symbol", ""),
           !one_fetus(c) && *fetus ? " " : "", one_fetus(c) ? "" : fetus);
  json_t *args = json_pack("{s:s,s:s,s:s}", "symbol", symbol, "why", ogv_json_string_or(refused, "what", ""), "what",
                           ogv_json_string_or(json_object_get(v, "conflict"), "what", ""));
  if (refused && (c->dated || strcmp(ogv_json_string_or(refused, "code", ""), "not-found")))
    compose_limit_message(c, ogv_json_string_or(refused, "code", ""), key, "limit.no-centile", args);
  if (json_object_get(v, "conflict")) compose_limit_message(c, "conflict", key, "limit.conflict", args);
  json_decref(args);
}

/* One limit for all values whose sender does not say where the calipers stood. */
static void limit_conventions(compose *c) {
  char list[400] = "";
  size_t i, k;
  json_t *v, *centile;
  json_array_foreach(json_object_get(c->facts, "values"), i, v) {
    bool assumed = false;
    json_array_foreach(json_object_get(v, "centiles"), k, centile) assumed |=
        !strcmp(ogv_json_string_or(centile, "convention", ""), "assumed");
    const char *symbol = ogv_json_string_or(v, "symbol", "");
    if (!assumed || strstr(list, symbol)) continue;
    size_t n = strlen(list);
    snprintf(list + n, sizeof list - n, "%s%s", n ? ", " : "", symbol);
  }
  json_t *args = json_pack("{s:s}", "list", list);
  if (*list) compose_limit_message(c, "convention-assumed", "exam", "limit.convention", args);
  json_decref(args);
}

void compose_limits(compose *c) {
  if (c->circular) compose_limit_message(c, "circular-dating", "dating", "limit.circular", NULL);
  if (!c->dated) compose_limit_message(c, "no-dating", "dating", "limit.no-dating", NULL);
  else if (!strcmp(ogv_json_string_or(json_object_get(c->facts, "dating"), "state", ""), "proposed"))
    compose_limit_message(c, "dating-proposed", "dating", "limit.dating-proposed", NULL);
  if (!one_fetus(c) && !*ogv_json_string_or(json_object_get(c->facts, "pregnancy"), "chorionicity", ""))
    compose_limit_message(c, "no-chorionicity", "pregnancy", "limit.no-chorionicity", NULL);
  if (c->exam_date == OGV_DATE_NONE) compose_limit_message(c, "no-date", "exam", "limit.no-exam-date", NULL);
  const json_t *proposal = json_object_get(json_object_get(c->facts, "dating"), "proposal");
  if (proposal) compose_limit(c, "dating-differs", "dating", ogv_json_string_or(proposal, "reason", ""), "");
  limit_objects(c);
  limit_conventions(c);
  size_t i;
  json_t *v;
  json_array_foreach(json_object_get(c->facts, "values"), i, v) limit_value(c, v);
}
