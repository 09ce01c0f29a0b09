/* What an amendment changes: the printed things of one report against those of another. */
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "server_internal.h"

#define MOST 80

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

static const json_t *find(const json_t *list, const char *key, const char *id) {
  json_t *o;
  size_t i;
  json_array_foreach(list, i, o) if (!strcmp(text(o, key), id)) return o;
  return NULL;
}

static void note(json_t *out, const char *what, const char *before, const char *after) {
  char name[200];
  snprintf(name, sizeof name, "%s", what);
  if (*name >= 'a' && *name <= 'z') *name = (char)(*name - 'a' + 'A'); /* a part of the report, by its id */
  if (strcmp(before, after) && json_array_size(out) < MOST)
    json_array_append_new(
        out, json_pack("{s:s,s:s,s:s}", "what", name, "before", *before ? before : "–", "after", *after ? after : "–"));
}

/* How one entry of a list reads on the page. */
typedef void (*printed)(const json_t *o, char *buf, size_t size);

static void value_text(const json_t *o, char *buf, size_t size) {
  const json_t *c = json_array_get(json_object_get(o, "centiles"), 0);
  const char *unit = text(o, "unit");
  snprintf(buf, size, "%s%s%s%s%s", text(o, "text"), strcmp(unit, "1") ? " " : "", strcmp(unit, "1") ? unit : "",
           *text(c, "text") ? ", centile " : "", text(c, "text"));
  if (!*text(o, "text")) *buf = 0;
}

static void sentence_text(const json_t *o, char *buf, size_t size) { snprintf(buf, size, "%s", text(o, "text")); }

static const char *state_word(const char *state) {
  return !strcmp(state, "not-seen") ? "not seen" : !strcmp(state, "not-done") ? "not measured" : state;
}

static void structure_text(const json_t *o, char *buf, size_t size) {
  const char *remark = *text(o, "text") ? text(o, "text") : text(o, "reason");
  snprintf(buf, size, "%s%s%s", state_word(text(o, "state")), *remark ? ": " : "", remark);
}

static void row_text(const json_t *o, char *buf, size_t size) {
  snprintf(buf, size, "%s%s%s", state_word(text(o, "state")), *text(o, "reason") ? ": " : "", text(o, "reason"));
}

/* What an entry is called: its name, or for a sentence the structure it speaks of, else its part of the report. */
static const char *called(const json_t *o, const char *key, const char *name) {
  const char *structure = text(json_object_get(o, "values"), "name");
  if (!strcmp(name, "part") && !strcmp(text(o, "part"), "anatomy")) return *structure ? structure : "Structures";
  return *text(o, name) ? text(o, name) : text(o, key);
}

static void compare(json_t *out, const json_t *before, const json_t *after, const char *key, const char *name,
                    printed p) {
  json_t *o;
  size_t i;
  char a[600], b[600];
  json_array_foreach(after, i, o) {
    const json_t *old = find(before, key, text(o, key));
    *a = 0;
    if (old) p(old, a, sizeof a);
    p(o, b, sizeof b);
    note(out, called(o, key, name), a, b);
  }
  json_array_foreach(before, i, o) {
    if (find(after, key, text(o, key))) continue;
    p(o, a, sizeof a);
    note(out, called(o, key, name), a, "");
  }
}

static void picture_list(const json_t *facts, ogv_text *t) {
  json_t *p;
  size_t i;
  json_array_foreach(json_object_get(facts, "pictures"), i, p) if (json_is_true(json_object_get(p, "chosen")))
      ogv_text_addf(t, "%s%s", t->length ? "; " : "", text(p, "caption"));
}

json_t *ogv_report_difference(const json_t *before, const json_t *after) {
  json_t *out = json_array();
  const json_t *c0 = json_object_get(before, "coverage"), *c1 = json_object_get(after, "coverage");
  note(out, "Due date", text(json_object_get(before, "pregnancy"), "edd"),
       text(json_object_get(after, "pregnancy"), "edd"));
  note(out, "Protocol", text(json_object_get(c0, "protocol"), "title"), text(json_object_get(c1, "protocol"), "title"));
  compare(out, json_object_get(before, "values"), json_object_get(after, "values"), "key", "name", value_text);
  compare(out, json_object_get(c0, "structures"), json_object_get(c1, "structures"), "key", "name", structure_text);
  compare(out, json_object_get(c0, "rows"), json_object_get(c1, "rows"), "key", "name", row_text);
  compare(out, json_object_get(before, "sentences"), json_object_get(after, "sentences"), "id", "part", sentence_text);
  ogv_text a, b;
  ogv_text_init(&a, 20000);
  ogv_text_init(&b, 20000);
  picture_list(before, &a);
  picture_list(after, &b);
  note(out, "Pictures", a.data ? a.data : "", b.data ? b.data : "");
  ogv_text_free(&a);
  ogv_text_free(&b);
  return out;
}
