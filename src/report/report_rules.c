#include "report_rules.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

static void copy(json_t *to, const char *as, const json_t *from, const char *key) {
  const json_t *v = json_object_get(from, key);
  if (v && !json_is_null(v)) json_object_set(to, as, (json_t *)v);
}

static bool of_pregnancy(const char *quantity) {
  static const char *const starts[] = {"uta-", "cl", "funnel-", "placenta-"};
  for (size_t i = 0; i < sizeof starts / sizeof *starts; i++)
    if (i == 1 ? !strcmp(quantity, starts[i]) : !strncmp(quantity, starts[i], strlen(starts[i]))) return true;
  return false;
}

/* Beyond the outermost line of a chart there is a bound ("bound", or the number in "<1"), no centile. */
static json_t *bound_of(const json_t *centile) {
  int beyond = (int)ogv_json_number_or(centile, "beyond", 0);
  const char *text = ogv_json_string_or(centile, "text", "");
  char *end;
  if (!beyond) return NULL;
  double line = ogv_json_number_or(centile, "bound", NAN);
  if (isnan(line) && (text[0] == '<' || text[0] == '>')) {
    line = strtod(text + 1, &end);
    if (end == text + 1) return NULL;
  }
  return isnan(line) ? NULL : json_pack("{s:f}", beyond < 0 ? "below" : "above", line);
}

static void add_centile(json_t *v, const json_t *value) {
  const json_t *c = json_array_get(json_object_get(value, "centiles"), 0), *refused = json_object_get(c, "refused");
  if (!c) return;
  if (refused || json_is_true(json_object_get(c, "circular"))) {
    json_object_set_new(v, "no_centile",
                        json_string(refused ? ogv_json_string_or(refused, "what", "refused")
                                            : "the age comes from this exam's own measurements"));
    return;
  }
  copy(v, "chart", c, "chart");
  copy(v, "z", c, "z");
  copy(v, "z_sd", c, "u_z");
  copy(v, "mom", c, "mom");
  copy(v, "centile", c, "centile");
  json_t *bound = json_object_get(v, "centile") ? NULL : bound_of(c);
  if (bound) json_object_set_new(v, "centile", bound);
}

static void add_history(json_t *v, const json_t *value, double ga_days) {
  size_t i;
  json_t *s, *list = json_array();
  json_array_foreach(json_object_get(value, "series"), i, s) {
    double at = ogv_json_number_or(s, "ga_days", NAN);
    if (json_is_true(json_object_get(s, "current")) || !(at < ga_days)) continue;
    json_t *h = json_object();
    copy(h, "ga_days", s, "ga_days");
    copy(h, "value", s, "value");
    copy(h, "sd", s, "sd");
    json_array_append_new(list, h);
  }
  if (json_array_size(list)) json_object_set_new(v, "history", list);
  else json_decref(list);
}

static void add_value(json_t *out, const json_t *value, double ga_days) {
  const char *quantity = ogv_json_string_or(value, "quantity", ""), *fetus = ogv_json_string_or(value, "fetus", "");
  json_t *group = of_pregnancy(quantity) ? json_object_get(out, "pregnancy")
                                         : json_object_get(json_object_get(out, "fetuses"), fetus);
  if (!group || json_is_object(json_object_get(value, "refused"))) return;
  json_t *v = json_object();
  copy(v, "value", value, "value");
  copy(v, "sd", value, "sd");
  copy(v, "unit", value, "unit");
  copy(v, "formula", json_object_get(value, "formula"), "id");
  add_centile(v, value);
  add_history(v, value, ga_days);
  json_object_set_new(group, quantity, v);
}

/* Written by hand in several ways; NULL when the text does not say it, and then nothing is guessed. */
static const char *chorionicity_of(const char *text) {
  if (strcasestr(text, "trichorionic")) return "trichorionic";
  if (strcasestr(text, "dichorionic")) return "dichorionic";
  if (!strcasestr(text, "monochorionic")) return NULL;
  if (strcasestr(text, "monoamniotic")) return "monochorionic-monoamniotic";
  return strcasestr(text, "diamniotic") ? "monochorionic-diamniotic" : NULL;
}

/* Abnormal structures of a fetus count as an anomaly of that fetus; placenta, fluid, cord, lie and the mother's
 * arteries are none. */
static bool of_fetus(const char *structure) {
  static const char *const others[] = {"placenta",     "fluid",     "amniotic-fluid", "cord-vessels",
                                       "presentation", "cervix",    "uterus",         "membrane",
                                       "chorionicity", "movements", "uterine-notch"};
  for (size_t i = 0; i < sizeof others / sizeof *others; i++)
    if (!strncmp(structure, others[i], strlen(others[i]))) return false;
  return true;
}

static void add_finding(json_t *out, const json_t *finding) {
  const char *structure = ogv_json_string_or(finding, "structure", ""), *text = ogv_json_string_or(finding, "text", "");
  json_t *fetuses = json_object_get(out, "fetuses"),
         *fetus = json_object_get(fetuses, ogv_json_string_or(finding, "fetus", ""));
  const char *chorionicity = strcmp(structure, "chorionicity") ? NULL : chorionicity_of(text);
  if (chorionicity && !json_object_get(out, "chorionicity"))
    json_object_set_new(out, "chorionicity", json_string(chorionicity));
  if (fetus && !strcmp(ogv_json_string_or(finding, "state", ""), "abnormal") && of_fetus(structure))
    json_object_set_new(fetus, "anomaly", json_true());
}

/* Flow at the end of diastole (a-wave of the ductus) as it was traced, from the readings that the report uses. Of
 * several the gravest counts: our own rule. Not told ("uncertain") stays unknown. */
static void add_flow(json_t *out, const json_t *row) {
  static const char *const words[] = {"forward", "intermittent", "absent", "reversed"};
  const json_t *e = json_object_get(row, "evidence");
  const char *site = ogv_json_string_or(e, "site", ""), *flow = ogv_json_string_or(e, "end_diastolic_flow", "");
  bool vein = !strcmp(site, "ductus-venosus");
  json_t *group = json_object_get(json_object_get(out, "fetuses"), ogv_json_string_or(row, "fetus", ""));
  if (!group || !json_is_true(json_object_get(row, "used")) || (!vein && strcmp(site, "umbilical-artery"))) return;
  const char *name = vein ? "dv-a-wave" : "ua-edf", *known = ogv_json_string_or(group, name, "");
  int now = -1, before = -1;
  for (int i = 0; i < 4; i++) {
    if (!strcmp(flow, words[i])) now = i;
    if (!strcmp(known, words[i])) before = i;
  }
  if (vein && now == 1) now = 2; /* the rule for the a-wave has no word for "in some cycles" */
  if (now > before) json_object_set_new(group, name, json_string(words[now]));
}

ogv_status ogv_report_rule_facts(const json_t *facts, json_t **out, ogv_error *err) {
  const json_t *pregnancy = json_object_get(facts, "pregnancy"), *labels = json_object_get(pregnancy, "fetuses");
  size_t i;
  json_t *v;
  *out = json_pack("{s:{},s:{}}", "fetuses", "pregnancy");
  if (!*out) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_t *fetuses = json_object_get(*out, "fetuses");
  double ga = ogv_json_number_or(pregnancy, "ga_days", NAN);
  if (!isnan(ga)) json_object_set_new(*out, "ga_days", json_real(ga));
  json_array_foreach(labels, i, v) if (json_is_string(v))
      json_object_set_new(fetuses, json_string_value(v), json_object());
  if (!json_object_size(fetuses)) json_object_set_new(fetuses, "A", json_object());
  copy(*out, "chorionicity", pregnancy, "chorionicity");
  json_array_foreach(json_object_get(facts, "findings"), i, v) add_finding(*out, v);
  json_array_foreach(json_object_get(facts, "values"), i, v) add_value(*out, v, ga);
  json_array_foreach(json_object_get(facts, "ledger"), i, v) add_flow(*out, v);
  return OGV_OK;
}
