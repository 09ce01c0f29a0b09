/* What a person changed of the proposed sentences. A changed sentence keeps its fields ({value}, {A/hc.centile}), so
 * that its numbers go on following the ledger. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/report_compose.h"

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

/* "A/efw", "A/efw.centile", "A/efw.interval": the printed forms of a value in use; false when there is none. */
static bool add_value(const compose *c, ogv_text *out, const char *field) {
  char key[160];
  snprintf(key, sizeof key, "%.150s", field);
  char *dot = strchr(key, '.');
  if (dot) *dot++ = 0;
  json_t *v;
  size_t i;
  json_array_foreach(json_object_get(c->facts, "values"), i, v) {
    if (strcmp(text(v, "key"), key)) continue;
    const char *s = !dot                       ? text(v, "text")
                    : !strcmp(dot, "centile")  ? text(json_array_get(json_object_get(v, "centiles"), 0), "text")
                    : !strcmp(dot, "interval") ? text(v, "interval_text")
                                               : "";
    const char *unit = text(v, "unit");
    if (!*s) return false;
    ogv_text_addf(out, "%s%s%s", s, !dot && *unit && strcmp(unit, "1") ? " " : "",
                  !dot && strcmp(unit, "1") ? unit : "");
    return true;
  }
  return false;
}

static bool add_field(const compose *c, ogv_text *out, const char *field, const json_t *values) {
  const json_t *v = json_object_get(values, field);
  if (json_is_string(v)) ogv_text_add(out, json_string_value(v));
  else if (json_is_integer(v)) ogv_text_addf(out, "%lld", (long long)json_integer_value(v));
  else if (json_is_real(v)) ogv_text_addf(out, "%g", json_real_value(v));
  else if (!strcmp(field, "ga") && *text(json_object_get(c->facts, "pregnancy"), "ga"))
    ogv_text_add(out, text(json_object_get(c->facts, "pregnancy"), "ga"));
  else if (!strcmp(field, "edd") && c->dated) {
    char date[OGV_MESSAGE_TEXT];
    ogv_text_add(out, ogv_message_date(c->m, c->edd, date));
  } else return add_value(c, out, field);
  return true;
}

static void unknown_field(compose *c, const char *about, const char *field) {
  json_t *args = json_pack("{s:s}", "field", field), *what = compose_text(c, "open.field", json_incref(args));
  json_array_append_new(json_object_get(c->facts, "open"),
                        json_pack("{s:s,s:s,s:o,s:o}", "code", "unknown-field", "about", about, "what", what, "todo",
                                  compose_text(c, "open.field.todo", json_incref(args))));
  json_decref(args);
}

/* Fills {fields}; one that is not known stays as it was written and is listed under `open`. */
static json_t *fill(compose *c, const char *about, const char *template, const json_t *values) {
  ogv_text out;
  ogv_text_init(&out, 8000);
  for (const char *p = template; *p;) {
    const char *end = *p == '{' ? strchr(p, '}') : NULL;
    size_t n = end ? (size_t)(end - p - 1) : 0;
    char field[160];
    if (!end || n == 0 || n >= sizeof field) {
      ogv_text_add_bytes(&out, p++, 1);
      continue;
    }
    memcpy(field, p + 1, n);
    field[n] = 0;
    if (!add_field(c, &out, field, values)) {
      unknown_field(c, about, field);
      ogv_text_add_bytes(&out, p, n + 2);
    }
    p = end + 1;
  }
  json_t *v = json_string(out.data ? out.data : "");
  ogv_text_free(&out);
  return v ? v : json_string(template);
}

/* The sentence with its fields in braces: what a person edits. Whole numbers stay numbers where the plural needs them.
 */
static json_t *editable(const compose *c, const json_t *sentence) {
  json_t *fields = json_object(), *v;
  const char *key;
  char *out = NULL;
  json_object_foreach(json_object_get(sentence, "values"), key, v) {
    char name[80];
    snprintf(name, sizeof name, "{%.70s}", key);
    json_object_set_new(fields, key, json_string(name));
  }
  if (ogv_message(c->m, text(sentence, "template"), fields, &out, NULL) != OGV_OK) {
    free(out);
    out = NULL;
    json_object_foreach(json_object_get(sentence, "values"), key, v) if (json_is_integer(v))
        json_object_set(fields, key, v);
    if (ogv_message(c->m, text(sentence, "template"), fields, &out, NULL) != OGV_OK) {
      free(out);
      out = NULL;
    }
  }
  json_t *r = json_string(out ? out : text(sentence, "text"));
  free(out);
  json_decref(fields);
  return r;
}

static void apply(compose *c, json_t *sentence, const json_t *edit) {
  const char *template = text(edit, "text");
  json_object_set(sentence, "proposed", json_object_get(sentence, "text"));
  json_object_set_new(sentence, "edited", json_string(text(edit, "who")));
  if (!*template) return;
  json_object_set_new(sentence, "editable", json_string(template));
  json_object_set_new(sentence, "text", fill(c, text(sentence, "id"), template, json_object_get(sentence, "values")));
}

static void add_own(compose *c, json_t *list, const json_t *own) {
  if (!*text(own, "id") || !*text(own, "text")) return;
  json_array_append_new(
      list, json_pack("{s:s,s:s,s:s,s:s,s:{},s:s,s:o,s:[],s:s}", "id", text(own, "id"), "part", "added", "fetus", "",
                      "template", "", "values", "editable", text(own, "text"), "text",
                      fill(c, text(own, "id"), text(own, "text"), NULL), "facts", "edited", text(own, "who")));
}

void compose_edits(compose *c) {
  const json_t *edits = json_object_get(c->facts, "edits"), *changed = json_object_get(edits, "sentences");
  json_t *kept = json_array(), *left_out = json_array(), *s;
  size_t i;
  json_array_foreach(json_object_get(c->facts, "sentences"), i, s) {
    const json_t *edit = json_object_get(changed, text(s, "id"));
    json_object_set_new(s, "editable", editable(c, s));
    if (json_is_object(edit)) apply(c, s, edit);
    json_array_append(json_is_true(json_object_get(edit, "hidden")) ? left_out : kept, s);
  }
  json_array_foreach(json_object_get(edits, "added"), i, s) if (json_is_object(s)) add_own(c, kept, s);
  json_object_set_new(c->facts, "sentences", kept);
  json_object_set_new(c->facts, "sentences_left_out", left_out);
}
