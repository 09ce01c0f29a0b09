/* Reading rule files and answering them in three-valued (Kleene) logic. */
#include "obstetrics_rules.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_quantity.h"

typedef struct {
  ogv_rule about; /* first member */
  const char *file;
  const json_t *body;
} row;

#define FILES 32
static struct {
  json_t *files[FILES]; /* strings are borrowed from them */
  size_t n_files;
  row *rows;
  size_t n, cap;
  ogv_status status;
  ogv_error err;
} table;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static ogv_status add_rule(const json_t *v, const char *area, const char *file, ogv_error *err) {
  if (table.n == table.cap) {
    size_t cap = table.cap ? table.cap * 2 : 64;
    row *p = realloc(table.rows, cap * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    table.rows = p;
    table.cap = cap;
  }
  row *r = &table.rows[table.n];
  *r = (row){.body = v, .file = file};
  OGV_TRY(ogv_json_string(v, file, "id", &r->about.id, err));
  OGV_TRY(ogv_json_string(v, r->about.id, "title", &r->about.title, err));
  OGV_TRY(ogv_json_string(v, r->about.id, "citation", &r->about.citation, err));
  OGV_TRY(ogv_json_string(v, r->about.id, "status", &r->about.status, err));
  r->about.note = ogv_json_string_or(v, "note", "");
  r->about.area = area;
  r->about.per_fetus = strcmp(ogv_json_string_or(v, "scope", "fetus"), "pregnancy") != 0;
  bool memory = !strcmp(r->about.status, "from-memory");
  const json_t *enabled = json_object_get(v, "enabled");
  r->about.enabled = enabled ? json_is_true(enabled) : !memory;
  table.n++;
  return OGV_OK;
}

static ogv_status load_file(void *user, const ogv_resource *r, ogv_error *err) {
  (void)user;
  const char *area;
  size_t i;
  json_t *v;
  if (table.n_files == FILES) return ogv_fail(err, OGV_E_RANGE, NULL, "more than %d rule files", FILES);
  OGV_TRY(ogv_json_parse((const char *)r->data, r->size, r->path, &table.files[table.n_files], err));
  const json_t *file = table.files[table.n_files++];
  OGV_TRY(ogv_json_string(file, r->path, "area", &area, err));
  json_array_foreach(json_object_get(file, "rules"), i, v)
      OGV_TRY(ogv_error_in(err, add_rule(v, area, r->path, err), r->path));
  return OGV_OK;
}

static void load_once(void) {
  table.status = ogv_resource_each("rules/", load_file, NULL, &table.err);
  if (table.status != OGV_OK) table.n = 0;
}

const ogv_rule *ogv_rule_at(size_t i) {
  pthread_once(&once, load_once);
  return i < table.n ? &table.rows[i].about : NULL;
}

const ogv_rule *ogv_rule_find(const char *id) {
  for (size_t i = 0; ogv_rule_at(i); i++)
    if (!strcmp(ogv_rule_at(i)->id, id)) return ogv_rule_at(i);
  return NULL;
}

/* --- facts ---------------------------------------------------------------------------------------------------------
 */
typedef enum { NOT_MET = 0, MET = 1, UNKNOWN = -1 } answer;
static const char *const answers[] = {"cannot-tell", "not-met", "met"};

typedef struct {
  const json_t *facts, *fetus;
  json_t *conditions, *used, *missing;
  bool near_limit;
} work;

/* "efw.centile" is member "centile" of "efw"; a bare name is a plain fact, or "value". Fetus first, then the pregnancy.
 */
static const json_t *lookup(const work *w, const char *path, const json_t **holder) {
  char name[64];
  size_t n = strcspn(path, ".");
  snprintf(name, sizeof name, "%.*s", (int)(n < 63 ? n : 63), path);
  const json_t *places[3] = {w->fetus, json_object_get(w->facts, "pregnancy"), w->facts};
  *holder = NULL;
  for (int i = 0; i < 3; i++) {
    const json_t *v = json_object_get(places[i], name);
    if (!v || json_is_null(v)) continue;
    if (!json_is_object(v)) return path[n] && strcmp(path + n, ".value") ? NULL : v;
    *holder = v;
    v = json_object_get(v, path[n] ? path + n + 1 : "value");
    return v && !json_is_null(v) ? v : NULL;
  }
  return NULL;
}

typedef struct {
  const char *word;
  bool below, or_equal;
} comparison;
static const comparison comparisons[] = {
    {"below", true, false}, {"at_most", true, true}, {"above", false, false}, {"at_least", false, true}};

/* A value known only as "under 1" or "over 99" (the outermost line of a chart) still answers some comparisons. */
static answer compare_bound(const json_t *bound, const comparison *c, double limit) {
  const json_t *under = json_object_get(bound, "below"), *over = json_object_get(bound, "above");
  double b = json_number_value(under ? under : over);
  if (!under && !over) return UNKNOWN;
  if (under && b <= limit) return c->below ? MET : NOT_MET;
  if (over && b >= limit) return c->below ? NOT_MET : MET;
  return UNKNOWN;
}

static answer compare_number(double v, const comparison *c, double limit) {
  if (c->or_equal && v == limit) return MET;
  return (c->below ? v < limit : v > limit) ? MET : NOT_MET;
}

static bool near_limit(const json_t *holder, const char *path, double v, double limit) {
  const char *member = strchr(path, '.');
  member = member ? member + 1 : "value";
  const json_t *z = json_object_get(holder, "z"), *z_sd = json_object_get(holder, "z_sd"),
               *sd = json_object_get(holder, "sd");
  if (!strcmp(member, "centile") && json_is_number(z) && json_is_number(z_sd) && limit > 0 && limit < 100)
    return fabs(json_number_value(z) - ogv_normal_quantile(limit / 100)) < 1.96 * json_number_value(z_sd);
  if (!strcmp(member, "z") && json_is_number(z_sd)) return fabs(v - limit) < 1.96 * json_number_value(z_sd);
  if (!strcmp(member, "mom")) sd = json_object_get(holder, "mom_sd");
  else if (strcmp(member, "value")) return false;
  return json_is_number(sd) && fabs(v - limit) < 1.96 * json_number_value(sd);
}

static answer test_leaf(const json_t *leaf, const json_t *v, const json_t *holder, const char *path, bool *near) {
  const json_t *is = json_object_get(leaf, "is"), *in = json_object_get(leaf, "in");
  if (is) return json_equal(v, is) ? MET : NOT_MET;
  if (in) {
    size_t i;
    json_t *one;
    json_array_foreach(in, i, one) if (json_equal(v, one)) return MET;
    return NOT_MET;
  }
  for (size_t i = 0; i < sizeof comparisons / sizeof *comparisons; i++) {
    const json_t *limit = json_object_get(leaf, comparisons[i].word);
    if (!limit) continue;
    if (json_is_object(v)) return compare_bound(v, &comparisons[i], json_number_value(limit));
    if (!json_is_number(v)) return UNKNOWN;
    *near = holder && near_limit(holder, path, json_number_value(v), json_number_value(limit));
    return compare_number(json_number_value(v), &comparisons[i], json_number_value(limit));
  }
  return UNKNOWN;
}

static void add_once(json_t *list, const char *text) {
  size_t i;
  json_t *v;
  json_array_foreach(list, i, v) if (!strcmp(json_string_value(v), text)) return;
  json_array_append_new(list, json_string(text));
}

static json_t *limit_of(const json_t *leaf) {
  static const char *const words[] = {"below", "at_most", "above", "at_least", "is", "in"};
  json_t *o = json_object();
  for (size_t i = 0; i < sizeof words / sizeof *words; i++)
    if (json_object_get(leaf, words[i])) json_object_set(o, words[i], json_object_get(leaf, words[i]));
  return o;
}

static answer answer_leaf(work *w, const json_t *leaf) {
  const char *path = ogv_json_string_or(leaf, "fact", ""), *otherwise = ogv_json_string_or(leaf, "missing", "");
  const json_t *holder, *v = lookup(w, path, &holder);
  bool near = false;
  answer a;
  if (v) {
    a = test_leaf(leaf, v, holder, path, &near);
    json_object_set(w->used, path, (json_t *)v);
  } else {
    a = !strcmp(otherwise, "met") ? MET : !strcmp(otherwise, "not-met") ? NOT_MET : UNKNOWN;
    if (!*otherwise) add_once(w->missing, path);
  }
  w->near_limit |= near;
  json_t *c = json_pack("{s:s,s:s,s:o,s:s,s:b}", "text", ogv_json_string_or(leaf, "text", path), "fact", path, "limit",
                        limit_of(leaf), "answer", answers[a + 1], "near_limit", near);
  json_object_set_new(c, "value", v ? json_deep_copy(v) : json_null());
  if (holder && json_object_get(holder, "chart")) json_object_set(c, "chart", json_object_get(holder, "chart"));
  json_array_append_new(w->conditions, c);
  return a;
}

static answer answer_of(work *w, const json_t *e);

/* At least k of a list: any is 1 of n, all is n of n. Every part is asked, so that every fact is listed. */
static answer count(work *w, const json_t *list, size_t k) {
  size_t met = 0, unknown = 0, i;
  json_t *v;
  json_array_foreach(list, i, v) {
    answer a = answer_of(w, v);
    met += a == MET;
    unknown += a == UNKNOWN;
  }
  return met >= k ? MET : met + unknown >= k ? UNKNOWN : NOT_MET;
}

static answer answer_of(work *w, const json_t *e) {
  const json_t *v;
  if ((v = json_object_get(e, "any"))) return count(w, v, 1);
  if ((v = json_object_get(e, "all"))) return count(w, v, json_array_size(v));
  if ((v = json_object_get(e, "at_least_of")))
    return count(w, v, (size_t)json_integer_value(json_object_get(e, "count")));
  if ((v = json_object_get(e, "not"))) {
    answer a = answer_of(w, v);
    return a == UNKNOWN ? UNKNOWN : a == MET ? NOT_MET : MET;
  }
  return answer_leaf(w, e);
}

static answer answer_classes(work *w, const json_t *body, const json_t **found) {
  size_t i;
  json_t *c;
  answer a = NOT_MET;
  json_array_foreach(json_object_get(body, "classes"), i, c) {
    answer one = answer_of(w, json_object_get(c, "when"));
    if (a == UNKNOWN || *found) continue; /* asked all the same, for the list of facts */
    if (one == UNKNOWN) a = UNKNOWN;
    if (one == MET) *found = c;
  }
  if (a == UNKNOWN) return UNKNOWN;
  if (!*found) *found = json_object_get(body, "otherwise");
  return *found && json_is_true(json_object_get(*found, "flag")) ? MET : NOT_MET;
}

static answer answer_body(work *w, const json_t *body, const json_t **found) {
  const json_t *met = json_object_get(body, "met");
  return met ? answer_of(w, met) : answer_classes(w, body, found);
}

static json_t *result(const row *r, const char *fetus, work *w, answer guard, answer a, const json_t *found) {
  json_t *o = json_pack("{s:s,s:s,s:s,s:s,s:s,s:b,s:s,s:b}", "rule", r->about.id, "title", r->about.title, "citation",
                        r->about.citation, "status", r->about.status, "area", r->about.area, "applies",
                        guard != NOT_MET, "answer", answers[a + 1], "near_limit", w->near_limit && a != UNKNOWN);
  if (fetus) json_object_set_new(o, "fetus", json_string(fetus));
  if (found) {
    json_object_set(o, "class", json_object_get(found, "class"));
    json_object_set(o, "text", json_object_get(found, "text"));
  } else if (a == MET && json_object_get(r->body, "text")) {
    json_object_set(o, "text", json_object_get(r->body, "text"));
  }
  if (*r->about.note) json_object_set_new(o, "note", json_string(r->about.note));
  json_object_set(o, "conditions", w->conditions);
  json_object_set(o, "used", w->used);
  json_object_set(o, "missing", w->missing);
  return o;
}

static json_t *apply(const row *r, const json_t *facts, const json_t *fetus, const char *label, size_t *own_facts) {
  work w = {facts, fetus, json_array(), json_object(), json_array(), false};
  const json_t *when = json_object_get(r->body, "when"), *found = NULL;
  answer guard = when ? answer_of(&w, when) : MET, a = NOT_MET;
  size_t of_guard = json_object_size(w.used), i;
  json_t *c;
  json_array_foreach(w.conditions, i, c) json_object_set_new(c, "guard", json_true());
  w.near_limit = false; /* the guard's limits are ages, not measurements */
  /* Whether the rule applies may hang on a fact that is missing; what is not met is then not met either way. */
  if (guard != NOT_MET) a = answer_body(&w, r->body, &found);
  if (guard == UNKNOWN && a == MET) a = UNKNOWN;
  *own_facts = json_object_size(w.used) - of_guard;
  json_t *o = result(r, label, &w, guard, a, a == UNKNOWN ? NULL : found);
  json_decref(w.conditions);
  json_decref(w.used);
  json_decref(w.missing);
  return o;
}

static ogv_status loaded(ogv_error *err) {
  pthread_once(&once, load_once);
  if (table.status != OGV_OK && err) *err = table.err;
  return table.status;
}

ogv_status ogv_rule_apply(const ogv_rule *r, const json_t *facts, const char *fetus, json_t **out, ogv_error *err) {
  size_t own;
  *out = NULL;
  OGV_TRY(loaded(err));
  const json_t *one = fetus ? json_object_get(json_object_get(facts, "fetuses"), fetus) : NULL;
  if (r->per_fetus && !one)
    return ogv_fail(err, OGV_E_NOT_FOUND, "Fetuses are labelled A, B, C under \"fetuses\".",
                    "there is no fetus \"%.20s\"", fetus ? fetus : "");
  *out = apply((const row *)r, facts, r->per_fetus ? one : NULL, r->per_fetus ? fetus : NULL, &own);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

static void keep(json_t *list, const row *r, const json_t *facts, const json_t *fetus, const char *label,
                 bool everything) {
  size_t own;
  json_t *o = apply(r, facts, fetus, label, &own);
  if (everything || (own > 0 && json_is_true(json_object_get(o, "applies")))) json_array_append_new(list, o);
  else json_decref(o);
}

ogv_status ogv_rules_apply(const json_t *facts, bool unconfirmed, bool everything, json_t **out, ogv_error *err) {
  *out = NULL;
  OGV_TRY(loaded(err));
  const json_t *fetuses = json_object_get(facts, "fetuses");
  if (!json_is_object(fetuses) || !json_object_size(fetuses))
    return ogv_fail(err, OGV_E_INVALID, "Give {\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":1400}}}.",
                    "facts: \"fetuses\" is missing or empty");
  *out = json_array();
  for (size_t i = 0; i < table.n; i++) {
    const row *r = &table.rows[i];
    const char *label;
    json_t *one;
    if (!r->about.enabled && !unconfirmed) continue;
    if (!r->about.per_fetus) keep(*out, r, facts, NULL, NULL, everything);
    else json_object_foreach((json_t *)fetuses, label, one) keep(*out, r, facts, one, label, everything);
  }
  return OGV_OK;
}

/* --- the check -----------------------------------------------------------------------------------------------------
 */
static const char *const plain_facts[] = {"ga_days", "fetus_count", "chorionicity", "anomaly",         "smaller",
                                          "ua-edf",  "dv-a-wave",   "discordance",  "crl-discordance", "diabetes",
                                          NULL};

static ogv_status check_fact(const char *id, const char *path, ogv_error *err) {
  char name[64];
  snprintf(name, sizeof name, "%.*s", (int)strcspn(path, "."), path);
  for (const char *const *p = plain_facts; *p; p++)
    if (!strcmp(*p, name)) return OGV_OK;
  if (ogv_quantity_find(name)) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: unknown fact \"%.60s\"", id, path);
}

static ogv_status check_expression(const char *id, const json_t *e, ogv_error *err) {
  static const char *const lists[] = {"any", "all", "at_least_of"};
  size_t i, forms = 0;
  json_t *v;
  if (!json_is_object(e)) return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: a condition is missing", id);
  for (size_t k = 0; k < 3; k++) {
    const json_t *list = json_object_get(e, lists[k]);
    if (!list) continue;
    forms++;
    if (!json_array_size(list)) return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: \"%s\" is empty", id, lists[k]);
    json_array_foreach(list, i, v) OGV_TRY(check_expression(id, v, err));
    if (k == 2 && json_integer_value(json_object_get(e, "count")) < 1)
      return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: \"at_least_of\" needs a \"count\"", id);
  }
  if (json_object_get(e, "not")) return check_expression(id, json_object_get(e, "not"), err);
  const char *fact = ogv_json_string_or(e, "fact", NULL);
  if (fact) {
    json_t *limit = limit_of(e);
    size_t n = json_object_size(limit);
    json_decref(limit);
    if (n != 1) return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: \"%.40s\" needs exactly one comparison", id, fact);
    OGV_TRY(check_fact(id, fact, err));
    forms++;
  }
  return forms == 1 ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "rule %s: a condition is not understood", id);
}

static ogv_status check_rule(const row *r, ogv_error *err) {
  const char *id = r->about.id;
  size_t i;
  json_t *c;
  if (r->about.enabled && !strcmp(r->about.status, "from-memory"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s is from memory and must not be enabled", id);
  if (json_object_get(r->body, "when")) OGV_TRY(check_expression(id, json_object_get(r->body, "when"), err));
  if (json_object_get(r->body, "met")) return check_expression(id, json_object_get(r->body, "met"), err);
  if (!json_array_size(json_object_get(r->body, "classes")))
    return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s has neither \"met\" nor \"classes\"", id);
  json_array_foreach(json_object_get(r->body, "classes"), i, c)
      OGV_TRY(check_expression(id, json_object_get(c, "when"), err));
  return OGV_OK;
}

ogv_status ogv_rule_check(ogv_error *err) {
  OGV_TRY(loaded(err));
  for (size_t i = 0; i < table.n; i++) {
    OGV_TRY(ogv_error_in(err, check_rule(&table.rows[i], err), table.rows[i].file));
    for (size_t k = i + 1; k < table.n; k++)
      if (!strcmp(table.rows[i].about.id, table.rows[k].about.id))
        return ogv_fail(err, OGV_E_INVALID, NULL, "rule %s is there twice", table.rows[i].about.id);
  }
  return OGV_OK;
}
