/* Coverage: what the protocol asks for and what of it is there; when to look again. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_dating.h"
#include "private/report_compose.h"

#define AGAIN_DAYS 14 /* common practice; local protocol decides */

static json_t *load_protocol(const char *id) {
  char path[96];
  ogv_resource r;
  json_t *p = NULL;
  snprintf(path, sizeof path, "protocols/%.60s.json", id);
  if (ogv_resource_get(path, &r, NULL) == OGV_OK) ogv_json_parse((const char *)r.data, r.size, path, &p, NULL);
  return p;
}

typedef struct choice { int ga; size_t fetuses; json_t *best; double span; } choice;

/* The protocol with the narrowest range of ages that holds this one; those that need more fetuses go first for twins. */
static ogv_status consider(void *user, const ogv_resource *r, ogv_error *err) {
  (void)err;
  choice *c = user;
  json_t *p = NULL;
  if (ogv_json_parse((const char *)r->data, r->size, r->path, &p, NULL) != OGV_OK) return OGV_OK;
  double low = ogv_json_number_or(p, "ga_low", NAN), high = ogv_json_number_or(p, "ga_high", NAN), need = ogv_json_number_or(p, "fetuses_min", 1);
  double span = high - low - 1000 * (need - 1);
  bool fits = isfinite(low) && isfinite(high) && c->ga >= low && c->ga <= high && c->fetuses >= need;
  if (fits && (!c->best || span < c->span)) {
    json_decref(c->best);
    c->best = json_incref(p);
    c->span = span;
  }
  json_decref(p);
  return OGV_OK;
}

/* The exam's own protocol (its content when the record keeps an edited one), else one that suits the age. New reference. */
static json_t *protocol_of(const compose *c, bool *by_age) {
  const json_t *exam = json_object_get(c->facts, "exam"), *own = json_object_get(c->facts, "protocol");
  const char *id = ogv_json_string_or(exam, "protocol", "");
  *by_age = false;
  if (json_is_object(own)) return json_deep_copy(own);
  if (*id) return load_protocol(id);
  if (!c->dated || c->exam_date == OGV_DATE_NONE) return NULL;
  choice k = {ogv_ga_on(c->edd, c->exam_date), json_array_size(json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses")), NULL, 0};
  *by_age = true;
  ogv_resource_each("protocols/", consider, &k, NULL);
  return k.best;
}

static bool measured(const compose *c, const char *fetus, const char *quantity) {
  const json_t *values = json_object_get(c->facts, "values");
  return compose_value(values, fetus, quantity) || compose_value(values, "", quantity);
}

static const json_t *finding_of(const compose *c, const char *fetus, const char *structure) {
  size_t i;
  json_t *f;
  const json_t *found = NULL;
  json_array_foreach(json_object_get(c->facts, "findings"), i, f)
    if (!strcmp(ogv_json_string_or(f, "structure", ""), structure) && !strcmp(ogv_json_string_or(f, "fetus", ""), fetus) &&
        strcmp(ogv_json_string_or(f, "state", ""), "note")) found = f;
  return found;
}

static void add_rows(const compose *c, json_t *out, const json_t *group, const char *fetus) {
  size_t i;
  json_t *row;
  json_array_foreach(json_object_get(group, "rows"), i, row) {
    const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(row, "quantity", ""));
    if (!q) continue;
    json_array_append_new(out, json_pack("{s:s,s:s,s:s,s:s,s:b,s:s}", "quantity", q->id, "symbol", q->symbol, "name", q->name, "fetus", fetus, "required",
                                         json_is_true(json_object_get(row, "required")), "state", measured(c, fetus, q->id) ? "done" : "missing"));
  }
}

static void add_structures(const compose *c, json_t *out, const json_t *group, const char *fetus) {
  size_t i;
  json_t *s;
  json_array_foreach(json_object_get(group, "structures"), i, s) {
    const char *id = ogv_json_string_or(s, "id", "");
    const json_t *f = finding_of(c, fetus, id);
    json_t *o = json_pack("{s:s,s:s,s:s,s:s}", "structure", id, "name", ogv_json_string_or(s, "name", id), "fetus", fetus, "state",
                          f ? ogv_json_string_or(f, "state", "") : "missing");
    static const char *const copied[] = {"reason", "text", "objects", "id"};
    for (size_t k = 0; f && k < 4; k++)
      if (json_object_get(f, copied[k])) json_object_set(o, copied[k], json_object_get(f, copied[k]));
    json_array_append_new(out, o);
  }
}

/* "spine, kidneys": names of what is in one of two states. */
static int name_missing(const json_t *list, const char *state, bool required, char *buf, size_t size) {
  size_t i;
  json_t *o;
  int n = 0;
  json_array_foreach(list, i, o) {
    if (strcmp(ogv_json_string_or(o, "state", ""), state) || (required && !json_is_true(json_object_get(o, "required")))) continue;
    size_t used = strlen(buf);
    const char *name = ogv_json_string_or(o, required ? "symbol" : "name", "");
    if (used + strlen(name) + 8 < size) snprintf(buf + used, size - used, "%s%s", used ? ", " : "", name);
    n++;
  }
  return n;
}

static void say_incomplete(compose *c, json_t *coverage) {
  char values[400] = "", missing[700] = "", unseen[700] = "";
  int a = name_missing(json_object_get(coverage, "rows"), "missing", true, values, sizeof values);
  int b = name_missing(json_object_get(coverage, "structures"), "missing", false, missing, sizeof missing);
  int d = name_missing(json_object_get(coverage, "structures"), "not-seen", false, unseen, sizeof unseen);
  bool asked = json_is_true(json_object_get(coverage, "asked"));
  const struct { int n; const char *message, *list; } parts[] = {{a, "limit.missing-values", values}, {b, "limit.missing-structures", missing},
                                                                 {d, "limit.not-seen", unseen}};
  /* An exam without a protocol of its own is not blamed for what another kind of exam would show. */
  for (int i = 0; i < 3; i++) {
    if (!parts[i].n || (!asked && i != 2)) continue;
    json_t *args = json_pack("{s:s,s:i}", "list", parts[i].list, "n", parts[i].n);
    compose_limit_message(c, i == 2 ? "not-seen" : "incomplete", "exam", parts[i].message, args);
    json_decref(args);
  }
  if ((!asked || !(a + b)) && !d) return;
  if (c->exam_date == OGV_DATE_NONE) return;
  char date[OGV_DATE_TEXT], ga[OGV_GA_TEXT];
  ogv_date again = c->exam_date + AGAIN_DAYS;
  json_t *o = json_pack("{s:s,s:i,s:s}", "date", ogv_date_text(again, date), "days", AGAIN_DAYS, "basis", "common practice");
  if (c->dated) json_object_set_new(o, "ga", json_string(ogv_ga_text(ogv_ga_on(c->edd, again), ga)));
  json_object_set_new(coverage, "again", o);
}

void compose_coverage(compose *c) {
  bool by_age;
  json_t *p = protocol_of(c, &by_age), *group, *f;
  size_t i, k;
  json_object_del(c->facts, "coverage");
  if (!p) return;
  json_t *rows = json_array(), *structures = json_array();
  json_array_foreach(json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses"), k, f) {
    const char *fetus = json_string_value(f);
    json_array_foreach(json_object_get(p, "groups"), i, group) {
      add_rows(c, rows, group, fetus);
      add_structures(c, structures, group, fetus);
    }
  }
  json_t *coverage = json_pack("{s:{s:s,s:s,s:s,s:b},s:o,s:o,s:b}", "protocol", "id", ogv_json_string_or(p, "id", ""), "title", ogv_json_string_or(p, "title", ""),
                               "source", ogv_json_string_or(p, "source", ""), "by_age", by_age, "rows", rows, "structures", structures, "asked",
                               !by_age || json_array_size(json_object_get(c->facts, "findings")) > 0);
  json_object_set_new(c->facts, "coverage", coverage);
  say_incomplete(c, coverage);
  json_decref(p);
}
