/* Coverage: what the protocol asks for, what was found of it, what is missing, and when to come back for it. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "core_text.h"
#include "obstetrics_dating.h"
#include "private/report_compose.h"
#include "private/report_rows.h"

#define RETURN_DAYS 14 /* common practice when the protocol does not say otherwise; local protocol decides */

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

static json_t *load_protocol(const char *id) {
  char path[96];
  ogv_resource r;
  json_t *p = NULL;
  snprintf(path, sizeof path, "protocols/%.60s.json", id);
  if (ogv_resource_get(path, &r, NULL) == OGV_OK) ogv_json_parse((const char *)r.data, r.size, path, &p, NULL);
  return p;
}

typedef struct choice {
  int ga;
  size_t fetuses;
  json_t *best;
  double span;
} choice;

/* The protocol with the narrowest range of ages that holds this one; those that need more fetuses go first for twins.
 */
static ogv_status consider(void *user, const ogv_resource *r, ogv_error *err) {
  (void)err;
  choice *c = user;
  json_t *p = NULL;
  if (ogv_json_parse((const char *)r->data, r->size, r->path, &p, NULL) != OGV_OK) return OGV_OK;
  double low = ogv_json_number_or(p, "ga_low", NAN), high = ogv_json_number_or(p, "ga_high", NAN),
         need = ogv_json_number_or(p, "fetuses_min", 1);
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

/* The exam's own protocol (its content when the record keeps an edited one), else one that suits the age. New
 * reference. */
static json_t *protocol_of(const compose *c, bool *by_age) {
  const json_t *exam = json_object_get(c->facts, "exam"), *own = json_object_get(c->facts, "protocol");
  const char *id = ogv_json_string_or(exam, "protocol", "");
  *by_age = json_is_true(json_object_get(own, "by_age"));
  if (json_is_object(own)) return json_deep_copy(own);
  if (*id) return load_protocol(id);
  if (!c->dated || c->exam_date == OGV_DATE_NONE) return NULL;
  choice k = {ogv_ga_on(c->edd, c->exam_date),
              json_array_size(json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses")), NULL, 0};
  *by_age = true;
  ogv_resource_each("protocols/", consider, &k, NULL);
  return k.best;
}

bool compose_maternal(const char *quantity) {
  const ogv_quantity *q = ogv_quantity_find(quantity);
  static const char *const kinds[] = {"cervix", "uterus", "placenta", "maternal"};
  if (!q) return false;
  for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++)
    if (!strcmp(q->kind, kinds[i])) return true;
  return !strncmp(q->id, "uta-", 4);
}

static const json_t *fetuses_of(const compose *c) {
  return json_object_get(json_object_get(c->facts, "pregnancy"), "fetuses");
}
static bool single(const compose *c) { return json_array_size(fetuses_of(c)) < 2; }

/* With one fetus a row without a label is of that one. */
static bool same_fetus(const compose *c, const char *a, const char *b) {
  return !strcmp(a, b) || (single(c) && (!*a || !*b));
}

static const json_t *finding_of(const compose *c, const char *fetus, const char *structure) {
  const json_t *found = NULL;
  json_t *f;
  size_t i;
  json_array_foreach(json_object_get(c->facts, "findings"), i, f) if (!strcmp(text(f, "structure"), structure) &&
                                                                      strcmp(text(f, "state"), "note") &&
                                                                      same_fetus(c, text(f, "fetus"), fetus)) found = f;
  return found;
}

static json_t *key_of(const char *fetus, const char *id) {
  char key[160];
  snprintf(key, sizeof key, "%.15s/%.120s", fetus, id);
  return json_string(key);
}

static void count(json_t *counts, const char *state) {
  json_object_set_new(counts, state, json_integer(json_integer_value(json_object_get(counts, state)) + 1));
}

/* --- structures -------------------------------------------------------------------------------------------------- */
static bool measured_on(const compose *c, const char *object, const json_t *quantities) {
  json_t *row, *q;
  size_t i, k;
  int frame;
  json_array_foreach(json_object_get(c->facts, "ledger"), i, row)
      json_array_foreach(quantities, k, q) if (json_is_string(q) && json_is_true(json_object_get(row, "used")) &&
                                               !strcmp(json_string_value(q), text(row, "quantity")) &&
                                               !strcmp(rows_object(row, &frame), object)) return true;
  return false;
}

/* Pictures on which a quantity of that plane was measured, or whose view says one of the structure's words: proposed as
 * its evidence, never taken by themselves. */
static json_t *suggested(const compose *c, const json_t *structure) {
  json_t *out = json_array(), *object, *word;
  size_t i, k;
  json_array_foreach(json_object_get(c->facts, "objects"), i, object) {
    const char *kind = text(object, "kind");
    if (strcmp(kind, "image") && strcmp(kind, "clip")) continue;
    if (measured_on(c, text(object, "id"), json_object_get(structure, "measures"))) {
      json_array_append_new(out, json_string(text(object, "id")));
      continue;
    }
    json_array_foreach(json_object_get(structure, "views"), k,
                       word) if (json_is_string(word) && (strcasestr(text(object, "view"), json_string_value(word)) ||
                                                          strcasestr(text(object, "group"), json_string_value(word)))) {
      json_array_append_new(out, json_string(text(object, "id")));
      break;
    }
  }
  return out;
}

static void add_structure(compose *c, json_t *coverage, const json_t *group, const json_t *structure,
                          const char *fetus) {
  const char *id = text(structure, "id"), *need = text(structure, "need");
  const json_t *f = finding_of(c, fetus, id);
  const char *state = f ? text(f, "state") : "missing";
  json_t *o = json_pack("{s:o,s:s,s:s,s:s,s:s,s:s,s:s}", "key", key_of(fetus, id), "fetus", fetus, "structure", id,
                        "name", ogv_message_term(c->m, text(structure, "name")), "group", text(group, "title"), "need",
                        *need ? need : "required", "state", state);
  json_object_set_new(o, "required", json_boolean(!*need || !strcmp(need, "required")));
  static const char *const keep[] = {"reason", "text", "objects", "data", "who", "when"};
  for (size_t i = 0; i < sizeof keep / sizeof *keep; i++) {
    json_t *v = json_object_get(f, keep[i]);
    if (v && !json_is_null(v)) json_object_set(o, keep[i], v);
  }
  if (f) json_object_set_new(o, "finding", json_string(text(f, "id")));
  else if (!strcmp(id, "chorionicity")) state = compose_chorionicity_seen(c, o);
  json_object_set_new(o, "suggested", suggested(c, structure));
  const char *about = text(structure, "about");
  if (*about) json_object_set_new(o, "about", json_string(about));
  json_t *terms = json_object_get(structure, "terms");
  if (json_is_array(terms)) json_object_set(o, "terms", terms);
  json_array_append_new(json_object_get(coverage, "structures"), o);
  count(json_object_get(coverage, "counts"), state);
}

/* --- quantities -------------------------------------------------------------------------------------------------- */
static void add_row(compose *c, json_t *coverage, const json_t *row, const char *fetus) {
  const char *id = text(row, "quantity");
  const ogv_quantity *q = ogv_quantity_find(id);
  bool required = json_is_true(json_object_get(row, "required"));
  if (!q) return;
  const json_t *v = compose_value(json_object_get(c->facts, "values"), fetus, id);
  char structure[140];
  snprintf(structure, sizeof structure, "measure:%.100s", id);
  const json_t *f = finding_of(c, fetus, structure);
  bool done = v && json_object_get(v, "value"), excused = f && !strcmp(text(f, "state"), "not-seen");
  json_t *o = json_pack("{s:o,s:s,s:s,s:s,s:s,s:b,s:s}", "key", key_of(fetus, id), "fetus", fetus, "quantity", id,
                        "symbol", q->symbol, "name", compose_quantity_name(c, q), "required", required, "state",
                        done      ? "done"
                        : excused ? "not-done"
                                  : "missing");
  if (excused && !done) json_object_set_new(o, "reason", json_string(text(f, "reason")));
  json_array_append_new(json_object_get(coverage, "rows"), o);
}

static void add_group(compose *c, json_t *coverage, const json_t *group) {
  const json_t *fetuses = fetuses_of(c);
  json_t *item, *f;
  size_t i, k;
  json_array_foreach(json_object_get(group, "structures"), i, item) {
    if (!json_is_object(item) || !*text(item, "id")) continue;
    if (!strcmp(text(item, "scope"), "pregnancy")) add_structure(c, coverage, group, item, "");
    else json_array_foreach(fetuses, k, f) add_structure(c, coverage, group, item, json_string_value(f));
  }
  json_array_foreach(json_object_get(group, "rows"), i, item) {
    if (!json_is_object(item)) continue;
    if (compose_maternal(text(item, "quantity"))) add_row(c, coverage, item, "");
    else json_array_foreach(fetuses, k, f) add_row(c, coverage, item, json_string_value(f));
  }
}

/* --- what was not seen, and the way back to it -------------------------------------------------------------------- */
static void join(ogv_text *list, const compose *c, const json_t *o) {
  const char *fetus = text(o, "fetus");
  bool named = !single(c) && *fetus;
  ogv_text_addf(list, "%s%s%s%s%s", list->length ? ", " : "", text(o, "name"), named ? " (" : "", named ? fetus : "",
                named ? ")" : "");
}

static bool was_begun(const json_t *coverage) {
  const json_t *counts = json_object_get(coverage, "counts");
  return json_integer_value(json_object_get(counts, "normal")) +
             json_integer_value(json_object_get(counts, "abnormal")) +
             json_integer_value(json_object_get(counts, "not-seen")) >
         0;
}

static void propose_return(compose *c, json_t *coverage, const json_t *protocol) {
  ogv_text list;
  json_t *o;
  size_t i;
  ogv_date d;
  ogv_text_init(&list, 4000);
  bool begun = was_begun(coverage); /* before that everything is missing, and says nothing */
  json_array_foreach(json_object_get(coverage, "structures"), i,
                     o) if (!strcmp(text(o, "need"), "required") &&
                            (!strcmp(text(o, "state"), "not-seen") || (begun && !strcmp(text(o, "state"), "missing"))))
      join(&list, c, o);
  json_array_foreach(json_object_get(coverage, "rows"), i,
                     o) if (begun && json_is_true(json_object_get(o, "required")) && strcmp(text(o, "state"), "done"))
      join(&list, c, o);
  const json_t *edits = json_object_get(c->facts, "edits");
  bool by_hand = compose_date(edits, "return_date", &d), none = json_is_true(json_object_get(edits, "no_return"));
  if ((list.length || by_hand) && !none && (by_hand || c->exam_date != OGV_DATE_NONE)) {
    if (!by_hand) d = c->exam_date + (ogv_date)ogv_json_number_or(protocol, "return_days", RETURN_DAYS);
    char iso[OGV_DATE_TEXT];
    ogv_date_text(d, iso);
    json_t *r = json_pack("{s:s,s:s,s:b}", "date", iso, "for", list.length ? list.data : "", "by_hand", by_hand);
    json_object_set_new(r, "days", json_integer(c->exam_date == OGV_DATE_NONE ? 0 : d - c->exam_date));
    json_object_set_new(r, "basis", json_string(by_hand ? "person" : "common practice"));
    if (c->dated) {
      char ga[OGV_GA_TEXT];
      ogv_ga_text(ogv_ga_on(c->edd, d), ga);
      json_object_set_new(r, "ga", json_string(ga));
    }
    json_object_set_new(coverage, "again", r);
  }
  ogv_text_free(&list);
}

/* "spine, kidneys": names of what is in one of two states. */
static int name_missing(const json_t *list, const char *state, bool symbols, char *buf, size_t size) {
  size_t i;
  json_t *o;
  int n = 0;
  json_array_foreach(list, i, o) {
    if (strcmp(ogv_json_string_or(o, "state", ""), state) || !json_is_true(json_object_get(o, "required"))) continue;
    size_t used = strlen(buf);
    const char *name = ogv_json_string_or(o, symbols ? "symbol" : "name", "");
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
  const struct {
    int n;
    const char *message, *list;
  } parts[] = {
      {a, "limit.missing-values", values}, {b, "limit.missing-structures", missing}, {d, "limit.not-seen", unseen}};
  /* An exam without a protocol of its own is not blamed for what another kind of exam would show. */
  for (int i = 0; i < 3; i++) {
    if (!parts[i].n || (!asked && i != 2)) continue;
    json_t *args = json_pack("{s:s,s:i}", "list", parts[i].list, "n", parts[i].n);
    compose_limit_message(c, i == 2 ? "not-seen" : "incomplete", "exam", parts[i].message, args);
    json_decref(args);
  }
}

void compose_coverage(compose *c) {
  bool by_age;
  json_t *p = protocol_of(c, &by_age), *group;
  size_t i;
  json_object_del(c->facts, "coverage");
  if (!p) return;
  json_t *coverage = json_pack(
      "{s:{s:s,s:s,s:s,s:b,s:b},s:[],s:[],s:{s:i,s:i,s:i,s:i},s:b}", "protocol", "id", text(p, "id"), "title",
      ogv_message_term(c->m, text(p, "title")), "source", text(p, "source"), "by_age", by_age, "second_signature",
      json_is_true(json_object_get(p, "second_signature")), "structures", "rows", "counts", "normal", 0, "abnormal", 0,
      "not-seen", 0, "missing", 0, "asked", !by_age || json_array_size(json_object_get(c->facts, "findings")) > 0);
  json_array_foreach(json_object_get(p, "groups"), i, group) if (json_is_object(group)) add_group(c, coverage, group);
  propose_return(c, coverage, p);
  json_object_set_new(c->facts, "coverage", coverage);
  say_incomplete(c, coverage);
  json_decref(p);
}

/* --- sentences --------------------------------------------------------------------------------------------------- */
static void say(compose *c, const char *id, const char *fetus, const char *template, json_t *args) {
  json_t *s = json_pack("{s:s,s:s,s:s,s:s,s:O,s:o,s:[]}", "id", id, "part", "anatomy", "fetus", fetus, "template",
                        template, "values", args, "text", compose_text(c, template, json_incref(args)), "facts");
  json_decref(args);
  json_array_append_new(json_object_get(c->facts, "sentences"), s);
}

static json_t *who(const compose *c, const char *fetus) {
  char buf[64] = "";
  if (!single(c) && *fetus) snprintf(buf, sizeof buf, "%.40s %.10s: ", ogv_message_plain(c->m, "word.fetus"), fetus);
  return json_string(buf);
}

static void say_abnormal(compose *c, const json_t *o) {
  char id[200];
  snprintf(id, sizeof id, "finding/%.160s", text(o, "key"));
  const char *what = text(o, "text");
  say(c, id, text(o, "fetus"), "covered.abnormal",
      json_pack("{s:o,s:s,s:s}", "who", who(c, text(o, "fetus")), "name", text(o, "name"), "what",
                *what ? ogv_message_term(c->m, what) : ogv_message_plain(c->m, "finding.abnormal")));
}

/* "Not seen: profile (position), kidneys (shadow)." Structures nobody spoke of are said to be so. */
static void say_list(compose *c, const char *state, const char *id, const char *template) {
  ogv_text list;
  json_t *o;
  size_t i;
  int n = 0;
  ogv_text_init(&list, 8000);
  json_array_foreach(json_object_get(json_object_get(c->facts, "coverage"), "structures"), i, o) {
    if (strcmp(text(o, "state"), state) || (!strcmp(state, "missing") && strcmp(text(o, "need"), "required"))) continue;
    join(&list, c, o);
    if (*text(o, "reason")) ogv_text_addf(&list, " (%s)", ogv_message_term(c->m, text(o, "reason")));
    n++;
  }
  if (n) say(c, id, "", template, json_pack("{s:s,s:i}", "list", list.data, "n", n));
  ogv_text_free(&list);
}

void compose_coverage_sentences(compose *c) {
  const json_t *coverage = json_object_get(c->facts, "coverage"), *counts = json_object_get(coverage, "counts"),
               *r = json_object_get(coverage, "again");
  json_t *o;
  size_t i;
  if (!coverage || !json_array_size(json_object_get(coverage, "structures"))) return;
  json_array_foreach(json_object_get(coverage, "structures"), i, o) if (!strcmp(text(o, "state"), "abnormal"))
      say_abnormal(c, o);
  int normal = (int)json_integer_value(json_object_get(counts, "normal"));
  int others = (int)(json_integer_value(json_object_get(counts, "not-seen")) +
                     json_integer_value(json_object_get(counts, "missing")) +
                     json_integer_value(json_object_get(counts, "abnormal")));
  if (normal)
    say(c, "coverage/normal", "", others ? "covered.some" : "covered.all",
        json_pack("{s:i,s:s}", "n", normal, "protocol", text(json_object_get(coverage, "protocol"), "title")));
  say_list(c, "not-seen", "coverage/not-seen", "covered.not-seen");
  ogv_date d;
  if (r && compose_date(r, "date", &d)) {
    char date[OGV_MESSAGE_TEXT];
    say(c, "coverage/return", "", *text(r, "for") ? "covered.return" : "covered.return-only",
        json_pack("{s:s,s:s,s:s}", "date", ogv_message_date(c->m, d, date), "ga", text(r, "ga"), "list",
                  text(r, "for")));
  }
}

/* --- what stands between this report and a signature ---------------------------------------------------------------
 */
static void open_item(compose *c, const char *code, const char *about, const char *message, json_t *args) {
  char todo[64];
  snprintf(todo, sizeof todo, "%.56s.todo", message);
  json_t *what = compose_text(c, message, json_incref(args));
  json_t *o = json_pack("{s:s,s:s,s:o,s:o}", "code", code, "about", about, "what", what, "todo",
                        compose_text(c, todo, json_incref(args)));
  json_decref(args);
  json_array_append_new(json_object_get(c->facts, "open"), o);
}

static bool was_told(const compose *c, const char *finding) {
  json_t *t;
  size_t i;
  json_array_foreach(json_object_get(c->facts, "told"), i, t) if (!strcmp(text(t, "finding"), finding)) return true;
  return false;
}

static void open_coverage(compose *c, const json_t *coverage) {
  json_t *o;
  size_t i;
  json_array_foreach(json_object_get(coverage, "rows"), i,
                     o) if (!strcmp(text(o, "state"), "missing") && json_is_true(json_object_get(o, "required")))
      open_item(c, "row-missing", text(o, "key"), "open.row",
                json_pack("{s:s,s:o}", "name", text(o, "name"), "who", who(c, text(o, "fetus"))));
  json_array_foreach(json_object_get(coverage, "structures"), i, o) {
    json_t *args = json_pack("{s:s,s:o}", "name", text(o, "name"), "who", who(c, text(o, "fetus")));
    if (!strcmp(text(o, "state"), "missing") && !strcmp(text(o, "need"), "required"))
      open_item(c, "structure-missing", text(o, "key"), "open.structure", json_incref(args));
    if (!strcmp(text(o, "state"), "abnormal") && !*text(o, "text"))
      open_item(c, "no-words", text(o, "key"), "open.words", json_incref(args));
    if (json_is_true(json_object_get(json_object_get(o, "data"), "critical")) && !was_told(c, text(o, "finding")))
      open_item(c, "not-told", text(o, "key"), "open.told", json_incref(args));
    json_decref(args);
  }
}

/* Pictures that a person chose and somebody deleted afterwards. */
static void open_pictures(compose *c) {
  json_t *id, *p;
  size_t i, k;
  json_array_foreach(compose_setting(c, "pictures"), i, id) {
    bool there = false;
    json_array_foreach(json_object_get(c->facts, "pictures"), k, p) there |=
        json_is_string(id) && !strcmp(json_string_value(id), text(p, "object"));
    if (!there)
      open_item(c, "picture-gone", json_is_string(id) ? json_string_value(id) : "", "open.picture",
                json_pack("{s:i}", "place", (int)i + 1));
  }
}

void compose_open(compose *c) {
  const json_t *coverage = json_object_get(c->facts, "coverage");
  json_t *row;
  size_t i;
  json_object_set_new(c->facts, "open", json_array());
  if (!coverage) open_item(c, "no-protocol", "exam", "open.protocol", json_object());
  else open_coverage(c, coverage);
  if (c->dated && !strcmp(text(json_object_get(c->facts, "dating"), "state"), "proposed"))
    open_item(c, "dating-proposed", "dating", "open.dating", json_object());
  json_array_foreach(json_object_get(c->facts, "ledger"), i, row) if (!strcmp(text(row, "state"), "disputed")) {
    const ogv_quantity *q = ogv_quantity_find(text(row, "quantity"));
    open_item(c, "disputed", text(row, "id"), "open.disputed",
              json_pack("{s:s,s:o}", "name", q ? compose_quantity_name(c, q) : text(row, "quantity"), "who",
                        who(c, text(row, "fetus"))));
  }
  open_pictures(c);
}
