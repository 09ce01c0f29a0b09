/* Message catalogues: fields, plurals, dates, and that no catalogue or source asks for a message that is not there. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "core_file.h"
#include "core_json.h"
#include "core_resource.h"
#include "report_text.h"

static ogv_messages *m;

static int load(void **state) {
  (void)state;
  return ogv_messages_load("en", &m, NULL) == OGV_OK ? 0 : 1;
}
static int unload(void **state) {
  (void)state;
  ogv_messages_free(m);
  return 0;
}

static void fields_are_filled(void **state) {
  (void)state;
  char *text;
  json_t *args = json_pack("{s:i,s:i}", "page", 2, "pages", 5);
  assert_int_equal(ogv_message(m, "report.page", args, &text, NULL), OGV_OK);
  assert_string_equal(text, "Page 2 of 5");
  free(text);
  json_object_del(args, "pages");
  ogv_error e = {0};
  assert_int_equal(ogv_message(m, "report.page", args, &text, &e), OGV_E_INVALID);
  assert_non_null(strstr(e.what, "{pages}"));
  assert_null(text);
  assert_int_equal(ogv_message(m, "no.such", args, &text, &e), OGV_E_NOT_FOUND);
  json_decref(args);
}

static void plurals_follow_the_language(void **state) {
  (void)state;
  char *text;
  for (int n = 1; n <= 2; n++) {
    json_t *args = json_pack("{s:i}", "n", n);
    assert_int_equal(ogv_message(m, "limit.uncalibrated", args, &text, NULL), OGV_OK);
    assert_non_null(strstr(text, n == 1 ? "1 picture has" : "2 pictures have"));
    free(text);
    json_decref(args);
  }
  /* Unicode CLDR 44, cardinal rules of Arabic */
  static const struct {
    long n;
    const char *form;
  } ar[] = {{0, "zero"},  {1, "one"},   {2, "two"},     {3, "few"},   {10, "few"},
            {11, "many"}, {99, "many"}, {100, "other"}, {103, "few"}, {102, "other"}};
  for (size_t i = 0; i < sizeof ar / sizeof *ar; i++)
    assert_string_equal(ogv_message_plural("ar", ar[i].n), ar[i].form);
}

static void dates_and_numbers(void **state) {
  (void)state;
  char buf[OGV_MESSAGE_TEXT];
  ogv_date d;
  assert_int_equal(ogv_date_parse("2026-11-05", &d, NULL), OGV_OK);
  assert_string_equal(ogv_message_date(m, d, buf), "5 Nov 2026");
  assert_string_equal(ogv_message_date(m, OGV_DATE_NONE, buf), "");
  assert_string_equal(ogv_message_number(m, -0.04, 1, buf), "0.0");
  assert_string_equal(ogv_message_number(m, 176.449, 1, buf), "176.4");
}

static void languages_are_refused_by_name(void **state) {
  (void)state;
  ogv_messages *other;
  ogv_error e = {0};
  assert_int_equal(ogv_messages_load("xx", &other, &e), OGV_E_NOT_FOUND);
  assert_non_null(strstr(e.what, "en"));
  assert_int_equal(ogv_messages_load("../../etc", &other, &e), OGV_E_INVALID);
}

/* Every id in quotes of the known families that the sources name is in the catalogue. */
static void sources_ask_only_for_what_is_there(void **state) {
  (void)state;
  static const char *const families[] = {"word.",   "plot.",       "line.",    "rule.",         "conflict.",
                                         "safety.", "dating.",     "limit.",   "report.",       "head.",
                                         "part.",   "conclusion.", "table.",   "growth.legend", "evidence.",
                                         "sign.",   "alt.",        "picture.", "finding."};
  static const char *const sources[] = {"report_centile.c", "report_compose.c",   "report_derived.c", "report_head.c",
                                        "report_line.c",    "report_parts.c",     "report_picture.c", "report_plot.c",
                                        "report_safety.c",  "report_sentences.c", "report_sheet.c",   "report_table.c"};
  int found = 0;
  for (size_t i = 0; i < sizeof sources / sizeof *sources; i++) {
    char path[512], id[80];
    uint8_t *text;
    size_t n;
    snprintf(path, sizeof path, "%s/src/report/%s", getenv("SOURCE_ROOT"), sources[i]);
    assert_int_equal(ogv_file_read(path, 1 << 20, &text, &n, NULL), OGV_OK);
    for (char *p = strchr((char *)text, '"'); p; p = strchr(p + 1, '"'))
      for (size_t k = 0; k < sizeof families / sizeof *families; k++) {
        if (strncmp(p + 1, families[k], strlen(families[k]))) continue;
        size_t len = strcspn(p + 1, "\"%");
        if (p[1 + len] == '%' || len >= sizeof id) break; /* made up at run time */
        if (memchr(p + 1, ' ', len) || memchr(p + 1, '/', len)) break;
        memcpy(id, p + 1, len);
        id[len] = 0;
        if (id[len - 1] == '.' || !strcmp(id, "safety/thermal.json")) break;
        if (!ogv_message_known(m, id)) fail_msg("%s names the message \"%s\", which is not in en.json", sources[i], id);
        found++;
        break;
      }
    free(text);
  }
  assert_true(found > 80);
}

/* --- catalogues -----------------------------------------------------------------------------------------------------
 */
static bool has_field(const json_t *text, const char *field) {
  const char *key;
  json_t *form;
  if (json_is_string(text)) return strstr(json_string_value(text), field) != NULL;
  json_object_foreach((json_t *)text, key, form) if (json_is_string(form) && strcmp(key, "count") &&
                                                     strstr(json_string_value(form), field)) return true;
  return false;
}

/* Every field of `text` is in `other`: what one language says, the other must say too. A form for one or two may leave
 * out the number, so the fields of all forms together count. */
static void fields_within(const json_t *text, const json_t *other, const char *id, const char *language) {
  const char *key;
  json_t *form;
  if (json_is_object(text)) {
    json_object_foreach((json_t *)text, key, form) if (strcmp(key, "count")) fields_within(form, other, id, language);
    return;
  }
  for (const char *p = strchr(json_string_value(text), '{'); p; p = strchr(p + 1, '{')) {
    char field[48];
    size_t n = strcspn(p, "}") + 1;
    assert_true(n < sizeof field);
    memcpy(field, p, n);
    field[n] = 0;
    if (!has_field(other, field)) fail_msg("%s: %s: %s is not in both texts", language, id, field);
  }
}

/* The forms that Unicode CLDR gives the language are all there. */
static void forms_are_there(const json_t *text, const char *id, const char *language) {
  if (!json_is_object(text)) return;
  for (long n = 0; n < 200; n++) {
    const char *form = ogv_message_plural(language, n);
    if (!json_object_get(text, form) && strcmp(form, "zero"))
      fail_msg("%s: %s has no form \"%s\" (%ld)", language, id, form, n);
  }
}

static ogv_status one_language(void *user, const ogv_resource *r, ogv_error *err) {
  const json_t *english = json_object_get(user, "messages");
  json_t *c, *v;
  const char *id;
  assert_int_equal(ogv_json_parse((const char *)r->data, r->size, r->path, &c, err), OGV_OK);
  const char *language = ogv_json_string_or(c, "language", "");
  assert_int_equal(json_array_size(json_object_get(c, "months")), 12);
  const char *date = ogv_json_string_or(c, "date", "");
  assert_true(strstr(date, "{day}") && strstr(date, "{month}") && strstr(date, "{year}"));
  const json_t *own = json_object_get(c, "messages");
  json_object_foreach((json_t *)own, id, v) {
    const json_t *e = json_object_get(english, id);
    forms_are_there(v, id, language);
    if (!e && !strncmp(id, "quantity.", 9)) continue;
    if (!e) fail_msg("%s: %s is no message of English", language, id);
    fields_within(v, e, id, language);
  }
  json_object_foreach((json_t *)english, id, v) {
    if (!json_object_get(own, id)) fail_msg("%s lacks %s", language, id);
    fields_within(v, json_object_get(own, id), id, language);
  }
  ogv_messages *loaded;
  assert_int_equal(ogv_messages_load(language, &loaded, err), OGV_OK); /* the program's own check agrees */
  ogv_messages_free(loaded);
  json_decref(c);
  return OGV_OK;
}

static int seen;
static ogv_status count_language(void *user, const ogv_resource *r, ogv_error *err) {
  seen++;
  return one_language(user, r, err);
}

static void every_language_is_whole(void **state) {
  (void)state;
  ogv_resource r;
  json_t *en;
  assert_int_equal(ogv_resource_built_in("messages/en.json", &r, NULL), OGV_OK);
  assert_int_equal(ogv_json_parse((const char *)r.data, r.size, "en", &en, NULL), OGV_OK);
  seen = 0;
  assert_int_equal(ogv_resource_each("messages/", count_language, en, NULL), OGV_OK);
  assert_true(seen >= 4); /* ar de en es */
  json_decref(en);
}

/* Titles of rules, what they say, structures and protocols: every word of the shipped data has its word in German,
 * Spanish and Arabic. */
typedef struct term_walk {
  const json_t *terms;
  const char *language, *file;
} term_walk;
static void need_term(const term_walk *w, const json_t *v) {
  const char *text = json_string_value(v);
  if (text && *text && !json_object_get(w->terms, text))
    fail_msg("%s: \"%s\" of %s has no term", w->language, text, w->file);
}
static void walk_texts(const term_walk *w, const json_t *v) {
  const char *key;
  json_t *item;
  size_t i;
  json_array_foreach(v, i, item) walk_texts(w, item);
  json_object_foreach((json_t *)v, key, item) {
    if (!strcmp(key, "text")) need_term(w, item);
    walk_texts(w, item);
  }
}
static ogv_status rule_terms(void *user, const ogv_resource *r, ogv_error *err) {
  term_walk *w = user;
  json_t *d, *rule;
  size_t i;
  assert_int_equal(ogv_json_parse((const char *)r->data, r->size, r->path, &d, err), OGV_OK);
  w->file = r->path;
  json_array_foreach(json_object_get(d, "rules"), i, rule) {
    if (!strcmp(ogv_json_string_or(rule, "status", ""), "from-memory")) continue; /* switched off */
    need_term(w, json_object_get(rule, "title"));
    walk_texts(w, rule);
  }
  json_decref(d);
  return OGV_OK;
}
static ogv_status protocol_terms(void *user, const ogv_resource *r, ogv_error *err) {
  term_walk *w = user;
  json_t *d, *group, *s, *term;
  size_t i, k, n;
  assert_int_equal(ogv_json_parse((const char *)r->data, r->size, r->path, &d, err), OGV_OK);
  w->file = r->path;
  need_term(w, json_object_get(d, "title"));
  json_array_foreach(json_object_get(d, "groups"), i, group)
      json_array_foreach(json_object_get(group, "structures"), k, s) {
    need_term(w, json_object_get(s, "name"));
    json_array_foreach(json_object_get(s, "terms"), n, term) need_term(w, term);
  }
  json_decref(d);
  return OGV_OK;
}

static void terms_cover_the_data(void **state) {
  (void)state;
  static const char *const languages[] = {"de", "es", "ar"};
  for (int i = 0; i < 3; i++) {
    char path[64];
    ogv_resource r;
    json_t *c;
    snprintf(path, sizeof path, "messages/%s.json", languages[i]);
    assert_int_equal(ogv_resource_built_in(path, &r, NULL), OGV_OK);
    assert_int_equal(ogv_json_parse((const char *)r.data, r.size, path, &c, NULL), OGV_OK);
    term_walk w = {json_object_get(c, "terms"), languages[i], ""};
    assert_int_equal(ogv_resource_each("rules/", rule_terms, &w, NULL), OGV_OK);
    assert_int_equal(ogv_resource_each("protocols/", protocol_terms, &w, NULL), OGV_OK);
    json_decref(c);
  }
  assert_string_equal(ogv_message_term(m, "Upper lip"), "Upper lip"); /* English is its own term */
}

/* A department's own catalogue with a field that the report does not know is refused, by file, message and field. */
static void unknown_fields_are_refused(void **state) {
  (void)state;
  static const struct {
    const char *messages, *want;
  } cases[] = {
      {"{\"weight.within\":\"{who}Weight {grams} g\"}", "message \"weight.within\" asks for {grams}"},
      {"{\"weight.within\":\"{who}{value} g ± {plus_minus}\"}",
       NULL}, /* filled, though the English text does not use it */
      {"{\"size.within\":{\"count\":\"n\",\"one\":\"{list} {colour}\",\"other\":\"{list}\"}}", "asks for {colour}"},
      {"{\"report.page\":\"{page\"}", "a brace that does not close"},
      {"{\"report.page\":{\"one\":\"x\"}}", "message \"report.page\" has no text"},
      {"{\"report.page\":7}", "message \"report.page\" has no text"}};
  char folder[] = "/tmp/ogv-messages-XXXXXX", sub[64], file[96];
  assert_non_null(mkdtemp(folder));
  snprintf(sub, sizeof sub, "%s/messages", folder);
  assert_int_equal(mkdir(sub, 0700), 0);
  setenv("OGIVE_DATA", folder, 1);
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    char text[400], language[8];
    snprintf(language, sizeof language, "x%c",
             (char)('a' + i)); /* an override is read once and kept, so each has its own name */
    snprintf(file, sizeof file, "%s/%s.json", sub, language);
    snprintf(text, sizeof text, "{\"language\":\"%s\",\"months\":[],\"messages\":%s}", language, cases[i].messages);
    assert_int_equal(ogv_file_write(file, text, strlen(text), NULL), OGV_OK);
    ogv_messages *own;
    ogv_error e = {0};
    ogv_status s = ogv_messages_load(language, &own, &e);
    if (!cases[i].want) assert_int_equal(s, OGV_OK);
    else {
      assert_int_equal(s, OGV_E_INVALID);
      if (!strstr(e.what, cases[i].want) || !strstr(e.what, language)) fail_msg("%s", e.what);
    }
    ogv_messages_free(s == OGV_OK ? own : NULL);
    remove(file);
  }
  unsetenv("OGIVE_DATA");
  rmdir(sub);
  rmdir(folder);
}

/* Order, months and decimal mark of the language. German and Spanish forms: Unicode CLDR 44, medium dates; the Spanish
 * of Spain writes the month in small letters, German puts a full stop behind the day. */
static void dates_follow_the_language(void **state) {
  (void)state;
  static const struct {
    const char *language, *date, *number;
  } want[] = {{"en", "5 Nov 2026", "1.25"},
              {"de", "5. Nov. 2026", "1,25"},
              {"es", "5 nov 2026", "1,25"},
              {"ar", "5 نوفمبر 2026", "1.25"}};
  ogv_date d;
  char buf[OGV_MESSAGE_TEXT];
  assert_int_equal(ogv_date_parse("2026-11-05", &d, NULL), OGV_OK);
  for (size_t i = 0; i < 4; i++) {
    ogv_messages *l;
    assert_int_equal(ogv_messages_load(want[i].language, &l, NULL), OGV_OK);
    assert_string_equal(ogv_message_date(l, d, buf), want[i].date);
    assert_string_equal(ogv_message_number(l, 1.25, 2, buf), want[i].number);
    ogv_messages_free(l);
  }
}

/* A name in Hebrew or Arabic inside an English sentence is isolated, a Latin or Devanagari one is not touched. */
static void right_to_left_names_are_isolated(void **state) {
  (void)state;
  static const struct {
    const char *name;
    bool isolated;
  } cases[] = {{"נועה לוי", true}, {"ليلى حداد", true}, {"Ana Ruiz", false}, {"अनीता शर्मा", false},
               {"王小明", false},  {"Արամ", false},     {"Жанна", false}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    char *text, want[200];
    json_t *args = json_pack("{s:s,s:s}", "who", cases[i].name, "date", "5 Nov 2026");
    assert_int_equal(ogv_message(m, "dating.decided-by", args, &text, NULL), OGV_OK);
    snprintf(want, sizeof want, "Decided by %s%s%s, 5 Nov 2026.", cases[i].isolated ? "\u2068" : "", cases[i].name,
             cases[i].isolated ? "\u2069" : "");
    assert_string_equal(text, want);
    free(text);
    json_decref(args);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(fields_are_filled),
                                     cmocka_unit_test(plurals_follow_the_language),
                                     cmocka_unit_test(dates_and_numbers),
                                     cmocka_unit_test(languages_are_refused_by_name),
                                     cmocka_unit_test(sources_ask_only_for_what_is_there),
                                     cmocka_unit_test(every_language_is_whole),
                                     cmocka_unit_test(terms_cover_the_data),
                                     cmocka_unit_test(unknown_fields_are_refused),
                                     cmocka_unit_test(dates_follow_the_language),
                                     cmocka_unit_test(right_to_left_names_are_isolated)};
  return cmocka_run_group_tests(tests, load, unload);
}
