/* Message catalogues: fields, plurals, dates, and that no catalogue or source asks for a message that is not there. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
  static const struct { long n; const char *form; } ar[] = {{0, "zero"}, {1, "one"}, {2, "two"}, {3, "few"}, {10, "few"},
                                                            {11, "many"}, {99, "many"}, {100, "other"}, {103, "few"}, {102, "other"}};
  for (size_t i = 0; i < sizeof ar / sizeof *ar; i++) assert_string_equal(ogv_message_plural("ar", ar[i].n), ar[i].form);
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
  static const char *const families[] = {"word.", "plot.", "line.", "rule.", "conflict.", "safety.", "dating.", "limit.", "report.", "head.",
                                         "part.", "conclusion.", "table.", "growth.legend", "evidence.", "sign.", "alt.", "picture.", "finding."};
  static const char *const sources[] = {"report_centile.c", "report_compose.c", "report_derived.c", "report_head.c", "report_line.c", "report_parts.c",
                                        "report_picture.c", "report_plot.c", "report_safety.c", "report_sentences.c", "report_sheet.c", "report_table.c"};
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

/* Fields {a}{b} of a message in any plural form must be fields that English has: anything else fails at run time. */
static void fields_within(const json_t *text, const json_t *english, const char *id) {
  const char *key;
  json_t *form;
  if (json_is_object(text)) {
    json_object_foreach((json_t *)text, key, form)
      if (strcmp(key, "count")) fields_within(form, english, id);
    return;
  }
  if (json_is_object(english)) english = json_object_get(english, "other");
  for (const char *p = strchr(json_string_value(text), '{'); p; p = strchr(p + 1, '{')) {
    char field[48];
    size_t n = strcspn(p, "}") + 1;
    assert_true(n < sizeof field);
    memcpy(field, p, n);
    field[n] = 0;
    if (!strstr(json_string_value(english), field)) fail_msg("%s: English has no %s", id, field);
  }
}

static void languages_match_english(void **state) {
  (void)state;
  static const char *const languages[] = {"es", "ar"};
  ogv_resource r;
  json_t *en, *other, *v;
  const char *id;
  assert_int_equal(ogv_resource_get("messages/en.json", &r, NULL), OGV_OK);
  assert_int_equal(ogv_json_parse((const char *)r.data, r.size, "en", &en, NULL), OGV_OK);
  for (int i = 0; i < 2; i++) {
    char path[64];
    snprintf(path, sizeof path, "messages/%s.json", languages[i]);
    assert_int_equal(ogv_resource_get(path, &r, NULL), OGV_OK);
    assert_int_equal(ogv_json_parse((const char *)r.data, r.size, path, &other, NULL), OGV_OK);
    assert_int_equal(json_array_size(json_object_get(other, "months")), 12);
    json_object_foreach(json_object_get(other, "messages"), id, v) {
      const json_t *english = json_object_get(json_object_get(en, "messages"), id);
      if (!english && strncmp(id, "quantity.", 9)) fail_msg("%s: %s is no message of English", languages[i], id);
      if (english) fields_within(v, english, id);
    }
    json_object_foreach(json_object_get(en, "messages"), id, v)
      if (!json_object_get(json_object_get(other, "messages"), id) && !strncmp(id, "sign.", 5)) fail_msg("%s lacks %s", languages[i], id);
    json_decref(other);
  }
  json_decref(en);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(fields_are_filled), cmocka_unit_test(plurals_follow_the_language), cmocka_unit_test(dates_and_numbers),
                                     cmocka_unit_test(languages_are_refused_by_name), cmocka_unit_test(sources_ask_only_for_what_is_there),
                                     cmocka_unit_test(languages_match_english)};
  return cmocka_run_group_tests(tests, load, unload);
}
