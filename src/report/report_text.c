/* Message catalogues: see report_text.h. */
#include "report_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "core_text.h"

struct ogv_messages {
  json_t *own, *english; /* whole catalogues; english is also own for English */
  const char *language;
};

static ogv_status load_one(const char *language, bool built_in, json_t **out, ogv_error *err) {
  char path[64];
  ogv_resource r;
  snprintf(path, sizeof path, "messages/%s.json", language);
  OGV_TRY(built_in ? ogv_resource_built_in(path, &r, err) : ogv_resource_get(path, &r, err));
  OGV_TRY(ogv_json_parse((const char *)r.data, r.size, path, out, err));
  if (json_is_object(json_object_get(*out, "messages")) && json_is_array(json_object_get(*out, "months")))
    return OGV_OK;
  json_decref(*out);
  *out = NULL;
  return ogv_fail(err, OGV_E_INVALID, "Compare it with messages/en.json.", "%s: \"messages\" or \"months\" is missing",
                  path);
}

static bool in_list(const char *field, size_t n, const char *text) {
  for (const char *p = text ? strchr(text, '{') : NULL; p; p = strchr(p + 1, '{'))
    if (strcspn(p + 1, "}") == n && !strncmp(p + 1, field, n)) return true;
  return false;
}

/* A field is known when the built-in English message, in any of its plural forms, has it. */
static bool field_known(const json_t *english, const char *field, size_t n) {
  const char *key;
  json_t *form;
  if (json_is_string(english)) return in_list(field, n, json_string_value(english));
  const char *count = ogv_json_string_or(english, "count", "n");
  if (strlen(count) == n && !strncmp(count, field, n)) return true;
  json_object_foreach((json_t *)english, key, form) if (in_list(field, n, json_string_value(form))) return true;
  return false;
}

static void list_fields(const json_t *english, ogv_text *t) {
  if (json_is_object(english)) english = json_object_get(english, "other");
  for (const char *p = json_is_string(english) ? strchr(json_string_value(english), '{') : NULL; p;
       p = strchr(p + 1, '{'))
    ogv_text_addf(t, "%s%.*s", t->length ? " " : "", (int)strcspn(p, "}") + 1, p);
}

/* Fields that the report fills although the English text does not use them: "also" of the built-in English, by prefix.
 */
static bool field_also(const json_t *catalogue, const char *id, const char *field, size_t n) {
  const char *prefix;
  json_t *fields;
  json_object_foreach(
      json_object_get(catalogue, "also"), prefix,
      fields) if (!strncmp(id, prefix, strlen(prefix)) && in_list(field, n, json_string_value(fields))) return true;
  return false;
}

static ogv_status check_text(const char *path, const char *id, const char *text, const json_t *catalogue,
                             ogv_error *err) {
  const json_t *english = json_object_get(json_object_get(catalogue, "messages"), id);
  for (const char *p = strchr(text, '{'); p; p = strchr(p + 1, '{')) {
    size_t n = strcspn(p + 1, "}");
    if (p[1 + n] != '}')
      return ogv_fail(err, OGV_E_INVALID, "Fields are written {name}.",
                      "%s: message \"%s\" has a brace that does not close", path, id);
    if (field_known(english, p + 1, n) || field_also(catalogue, id, p + 1, n)) continue;
    ogv_text t;
    ogv_text_init(&t, 400);
    list_fields(english, &t);
    ogv_fail(err, OGV_E_INVALID, "Correct the template in that file; without the file the built-in text is used.",
             "%s: message \"%s\" asks for {%.*s}, which is not known there; known: %s", path, id, n > 40 ? 40 : (int)n,
             p + 1, t.length ? t.data : "no field");
    ogv_text_free(&t);
    return OGV_E_INVALID;
  }
  return OGV_OK;
}

/* Every template of a catalogue, before any is used: a report must not find out in the middle of a page. */
static ogv_status check_messages(const char *path, const json_t *own, const json_t *english, ogv_error *err) {
  const char *id, *form;
  json_t *v, *text;
  json_object_foreach(json_object_get(own, "messages"), id, v) {
    if (json_is_string(v)) {
      OGV_TRY(check_text(path, id, json_string_value(v), english, err));
      continue;
    }
    if (!json_is_string(json_object_get(v, "other")))
      return ogv_fail(err, OGV_E_INVALID, "Write a text, or {\"count\":\"n\",\"one\":\"...\",\"other\":\"...\"}.",
                      "%s: message \"%s\" has no text", path, id);
    json_object_foreach(v, form, text) {
      if (!strcmp(form, "count")) continue;
      if (!json_is_string(text))
        return ogv_fail(err, OGV_E_INVALID, NULL, "%s: message \"%s\", \"%s\" is not a text", path, id, form);
      OGV_TRY(check_text(path, id, json_string_value(text), english, err));
    }
  }
  return OGV_OK;
}

static ogv_status add_language(void *user, const ogv_resource *r, ogv_error *err) {
  (void)err;
  char word[32];
  ogv_text *t = user;
  if (sscanf(r->path, "messages/%31[^./]", word) == 1) ogv_text_addf(t, "%s%s", t->length ? ", " : "", word);
  return OGV_OK;
}

static ogv_status list_language(void *user, const ogv_resource *r, ogv_error *err) {
  char word[32];
  json_t *c;
  if (sscanf(r->path, "messages/%31[^./]", word) != 1) return OGV_OK;
  OGV_TRY(ogv_json_parse((const char *)r->data, r->size, r->path, &c, err));
  json_t *one = json_pack("{s:s,s:s,s:s}", "language", word, "name", ogv_json_string_or(c, "name", word), "about",
                          ogv_json_string_or(c, "about", ""));
  json_decref(c);
  json_array_append_new(user, one);
  return OGV_OK;
}

ogv_status ogv_messages_list(json_t **out, ogv_error *err) {
  *out = json_array();
  ogv_status s = ogv_resource_each("messages/", list_language, *out, err);
  if (s == OGV_OK) return OGV_OK;
  json_decref(*out);
  *out = NULL;
  return s;
}

ogv_status ogv_messages_load(const char *language, ogv_messages **out, ogv_error *err) {
  *out = NULL;
  if (!language || !*language) language = "en";
  if (strlen(language) > 15 || strspn(language, "abcdefghijklmnopqrstuvwxyz-") != strlen(language))
    return ogv_fail(err, OGV_E_INVALID, "Use a code such as en.", "\"%.20s\" is not a language code", language);
  ogv_messages *m = calloc(1, sizeof *m);
  if (!m) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the messages");
  ogv_status s = load_one("en", true, &m->english, err);
  if (s == OGV_OK && (s = load_one(language, false, &m->own, err)) == OGV_E_NOT_FOUND) {
    ogv_text t;
    ogv_text_init(&t, 400);
    ogv_resource_each("messages/", add_language, &t, NULL);
    s = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there are no messages in \"%s\"; there are: %s", language,
                 t.data ? t.data : "");
    ogv_text_free(&t);
  }
  char path[64];
  snprintf(path, sizeof path, "messages/%s.json", language);
  if (s == OGV_OK) s = check_messages(path, m->own, m->english, err);
  if (s != OGV_OK) {
    ogv_messages_free(m);
    return s;
  }
  m->language = ogv_json_string_or(m->own, "language", "en");
  *out = m;
  return OGV_OK;
}

void ogv_messages_free(ogv_messages *m) {
  if (!m) return;
  json_decref(m->own);
  json_decref(m->english);
  free(m);
}

const char *ogv_messages_language(const ogv_messages *m) { return m->language; }
bool ogv_messages_right_to_left(const ogv_messages *m) {
  return !strcmp(ogv_json_string_or(m->own, "direction", "ltr"), "rtl");
}

/* Plural rules: Unicode CLDR, cardinal, whole numbers. */
const char *ogv_message_plural(const char *language, long n) {
  if (n < 0) n = -n;
  if (!strncmp(language, "ar", 2)) {
    if (n == 0) return "zero";
    if (n == 1) return "one";
    if (n == 2) return "two";
    if (n % 100 >= 3 && n % 100 <= 10) return "few";
    return n % 100 >= 11 ? "many" : "other";
  }
  if (!strncmp(language, "fr", 2)) return n <= 1 ? "one" : "other";
  return n == 1 ? "one" : "other";
}

static const json_t *lookup(const ogv_messages *m, const char *id, const char **language) {
  const json_t *v = json_object_get(json_object_get(m->own, "messages"), id);
  *language = m->language;
  if (!v) {
    v = json_object_get(json_object_get(m->english, "messages"), id);
    *language = "en";
  }
  return v;
}

bool ogv_message_known(const ogv_messages *m, const char *id) {
  const char *language;
  return lookup(m, id, &language) != NULL;
}

const char *ogv_message_plain(const ogv_messages *m, const char *id) {
  const char *language, *s = json_string_value(lookup(m, id, &language));
  return s ? s : id;
}

const char *ogv_message_term(const ogv_messages *m, const char *english) {
  return ogv_json_string_or(json_object_get(m->own, "terms"), english, english);
}

/* The template's text: a string, or an object {"count":"n","one":"...","other":"..."} that chooses by args[count]. */
static ogv_status template_text(const ogv_messages *m, const char *id, const json_t *args, const char **out,
                                ogv_error *err) {
  const char *language;
  const json_t *v = lookup(m, id, &language);
  if (!v) return ogv_fail(err, OGV_E_NOT_FOUND, "Add it to data/messages.", "there is no message \"%s\"", id);
  if (json_is_object(v)) {
    const char *field = ogv_json_string_or(v, "count", "n");
    const json_t *n = json_object_get(args, field);
    if (!json_is_integer(n))
      return ogv_fail(err, OGV_E_INVALID, NULL, "message \"%s\" counts by {%s}, which is not a whole number here", id,
                      field);
    const json_t *form = json_object_get(v, ogv_message_plural(language, (long)json_integer_value(n)));
    v = form ? form : json_object_get(v, "other");
  }
  *out = json_string_value(v);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "message \"%s\" has no text", id);
}

/* Letters of scripts written from right to left stand in these blocks: Hebrew to Arabic Extended-A, the presentation
 * forms, and the two right-to-left ranges of the supplementary plane (Unicode, DerivedBidiClass). */
static bool has_right_to_left(const char *s) {
  for (const unsigned char *p = (const unsigned char *)s; *p; p++) {
    if ((p[0] == 0xd6 && p[1] >= 0x90) || (p[0] >= 0xd7 && p[0] <= 0xdf)) return true; /* U+0590..07FF */
    if (p[0] == 0xe0 && p[1] >= 0xa0 && p[1] <= 0xa3) return true;                     /* U+0800..08FF */
    if (p[0] == 0xef && ((p[1] == 0xac && p[2] >= 0x9d) || (p[1] >= 0xad && p[1] <= 0xb7) ||
                         (p[1] == 0xb9 && p[2] >= 0xb0) || p[1] == 0xba || p[1] == 0xbb))
      return true;
    if (p[0] == 0xf0 && ((p[1] == 0x90 && p[2] >= 0xa0) || p[1] == 0x9e))
      return true; /* U+10800..10FFF, 1E800..1EFFF */
  }
  return false;
}

/* A value keeps its own direction (Unicode FSI ... PDI) inside a right-to-left sentence, and one with right-to-left
 * letters inside any: a Hebrew name must not carry off the number behind it. */
static ogv_status add_field(ogv_text *t, const char *id, const char *name, const json_t *args, bool isolate,
                            ogv_error *err) {
  const json_t *v = json_object_get(args, name);
  if (json_is_string(v) && has_right_to_left(json_string_value(v))) isolate = true;
  isolate = isolate && v && (!json_is_string(v) || json_string_length(v));
  if (isolate) ogv_text_add(t, "\u2068");
  if (json_is_string(v)) ogv_text_add(t, json_string_value(v));
  else if (json_is_integer(v)) ogv_text_addf(t, "%lld", (long long)json_integer_value(v));
  else if (json_is_real(v)) ogv_text_addf(t, "%g", json_real_value(v));
  else
    return ogv_fail(err, OGV_E_INVALID, "Correct the template; docs/report.md lists the fields of each.",
                    "message \"%s\" asks for {%s}, which is not known there", id, name);
  if (isolate) ogv_text_add(t, "\u2069");
  return OGV_OK;
}

ogv_status ogv_message(const ogv_messages *m, const char *id, const json_t *args, char **text, ogv_error *err) {
  const char *s;
  *text = NULL;
  OGV_TRY(template_text(m, id, args, &s, err));
  ogv_text t;
  ogv_text_init(&t, 1 << 16);
  ogv_status status = OGV_OK;
  bool rtl = ogv_messages_right_to_left(m);
  while (*s && status == OGV_OK) {
    size_t plain = strcspn(s, "{");
    ogv_text_add_bytes(&t, s, plain);
    s += plain;
    if (*s != '{') break;
    size_t n = strcspn(s + 1, "}");
    char name[48];
    if (s[1 + n] != '}' || n == 0 || n >= sizeof name) {
      status = ogv_fail(err, OGV_E_INVALID, "Fields are written {name}.",
                        "message \"%s\" has a brace that does not close", id);
      break;
    }
    memcpy(name, s + 1, n);
    name[n] = 0;
    status = add_field(&t, id, name, args, rtl, err);
    s += n + 2;
  }
  if (status == OGV_OK) {
    if (!t.length) ogv_text_add(&t, "");
    *text = t.data ? ogv_text_take(&t) : strdup("");
    if (!*text) status = ogv_fail(err, OGV_E_MEMORY, NULL, "message \"%s\" is too long", id);
  }
  ogv_text_free(&t);
  return status;
}

const char *ogv_message_date(const ogv_messages *m, ogv_date d, char buf[OGV_MESSAGE_TEXT]) {
  buf[0] = 0;
  if (d == OGV_DATE_NONE) return buf;
  int year, month, day;
  ogv_date_to_ymd(d, &year, &month, &day);
  const char *name = json_string_value(json_array_get(json_object_get(m->own, "months"), (size_t)month - 1));
  const char *pattern = ogv_json_string_or(m->own, "date", "{day} {month} {year}");
  size_t n = 0;
  while (*pattern && n + 1 < OGV_MESSAGE_TEXT) {
    int k = !strncmp(pattern, "{day}", 5)     ? 5
            : !strncmp(pattern, "{month}", 7) ? 7
            : !strncmp(pattern, "{year}", 6)  ? 6
                                              : 0;
    size_t room = OGV_MESSAGE_TEXT - n;
    if (k == 5) snprintf(buf + n, room, "%d", day);
    else if (k == 7) snprintf(buf + n, room, "%s", name ? name : "?");
    else if (k == 6) snprintf(buf + n, room, "%d", year);
    else buf[n] = *pattern, buf[n + 1] = 0;
    n += strlen(buf + n);
    pattern += k ? k : 1;
  }
  return buf;
}

const char *ogv_message_number(const ogv_messages *m, double v, int decimals, char buf[OGV_MESSAGE_TEXT]) {
  if (!isfinite(v)) {
    snprintf(buf, OGV_MESSAGE_TEXT, "–");
    return buf;
  }
  if (decimals < 0) decimals = 0;
  if (fabs(v) < 0.5 * pow(10, -decimals)) v = 0; /* no "-0" */
  snprintf(buf, OGV_MESSAGE_TEXT, "%.*f", decimals > 9 ? 9 : decimals, v);
  char *dot = strchr(buf, '.');
  const char *mark = ogv_json_string_or(m->own, "decimal", ".");
  if (dot && mark[0] && !mark[1]) *dot = mark[0];
  return buf;
}
