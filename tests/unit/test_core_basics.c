#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core_arena.h"
#include "core_file.h"
#include "core_json.h"
#include "core_resource.h"
#include "core_sort.h"
#include "core_text.h"
#include "core_unit.h"

static void text_stops_at_its_maximum(void **state) {
  (void)state;
  ogv_text t;
  ogv_text_init(&t, 10);
  ogv_text_add(&t, "12345");
  ogv_text_addf(&t, "%d", 67890);
  assert_false(t.failed);
  assert_string_equal(t.data, "1234567890");
  ogv_text_add(&t, "x");
  assert_true(t.failed);
  assert_null(ogv_text_take(&t));
  ogv_text_init(&t, 10);
  char *empty = ogv_text_take(&t);
  assert_string_equal(empty, "");
  free(empty);
}

/* Unicode 15, table 3-7: well-formed UTF-8 byte sequences. */
static void utf8_is_checked(void **state) {
  (void)state;
  assert_true(ogv_utf8_valid("Zo\xc3\xab \xe5\xb1\xb1 \xf0\x9f\x91\xb6", 13));
  assert_false(ogv_utf8_valid("\xc0\xaf", 2));         /* overlong */
  assert_false(ogv_utf8_valid("\xed\xa0\x80", 3));     /* surrogate */
  assert_false(ogv_utf8_valid("\xf4\x90\x80\x80", 4)); /* beyond U+10FFFF */
  assert_false(ogv_utf8_valid("\xe5\xb1", 2));         /* cut short */
}

/* NIST FIPS 180-4 example: SHA-256("abc"). */
static void sha256_matches_the_standard(void **state) {
  (void)state;
  char hex[OGV_SHA256_TEXT];
  ogv_sha256("abc", 3, hex);
  assert_string_equal(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

static void files_are_written_whole_or_not_at_all(void **state) {
  (void)state;
  char dir[] = "/tmp/ogive-core-XXXXXX", path[300];
  assert_non_null(mkdtemp(dir));
  snprintf(path, sizeof path, "%s/a/b", dir);
  ogv_error err;
  assert_int_equal(ogv_folder_make(path, &err), OGV_OK);
  assert_int_equal(ogv_folder_make(path, &err), OGV_OK);
  snprintf(path, sizeof path, "%s/a/b/file", dir);
  assert_int_equal(ogv_file_write(path, "hello", 5, &err), OGV_OK);
  uint8_t *data;
  size_t n;
  assert_int_equal(ogv_file_read(path, 100, &data, &n, &err), OGV_OK);
  assert_int_equal(n, 5);
  assert_memory_equal(data, "hello", 6);
  free(data);
  assert_int_equal(ogv_file_read(path, 4, &data, &n, &err), OGV_E_RANGE);
  snprintf(path, sizeof path, "%s/none", dir);
  assert_int_equal(ogv_file_read(path, 4, &data, &n, &err), OGV_E_NOT_FOUND);
  assert_non_null(strstr(err.what, path));
  snprintf(path, sizeof path, "%s/none/file", dir);
  assert_int_equal(ogv_file_write(path, "x", 1, &err), OGV_E_NOT_FOUND);
  /* A file where a folder should be is said so, not overwritten. */
  snprintf(path, sizeof path, "%s/a/b/file/sub", dir);
  assert_int_not_equal(ogv_folder_make(path, &err), OGV_OK);
  char rm[320];
  snprintf(rm, sizeof rm, "rm -rf %s", dir);
  assert_int_equal(system(rm), 0);
}

static ogv_status collect(void *user, const char *path, ogv_error *err) {
  (void)err;
  ogv_text *t = user;
  ogv_text_addf(t, "%s;", strrchr(path, '/') + 1);
  return OGV_OK;
}

static void folders_are_walked_in_order_and_links_do_not_loop(void **state) {
  (void)state;
  char dir[] = "/tmp/ogive-walk-XXXXXX", cmd[400];
  assert_non_null(mkdtemp(dir));
  snprintf(cmd, sizeof cmd, "cd %s && mkdir z a && touch z/2 a/1 m && ln -s .. a/loop && ln -s ../m a/link", dir);
  assert_int_equal(system(cmd), 0);
  ogv_text t;
  ogv_text_init(&t, 1000);
  assert_int_equal(ogv_folder_walk(dir, collect, &t, NULL), OGV_OK);
  assert_string_equal(t.data, "1;link;m;2;");
  ogv_text_free(&t);
  snprintf(cmd, sizeof cmd, "rm -rf %s", dir);
  assert_int_equal(system(cmd), 0);
}

static void json_errors_say_where(void **state) {
  (void)state;
  json_t *v;
  ogv_error err;
  assert_int_equal(ogv_json_parse("{\"a\":1,\n\"a\":2}", 14, "chart x", &v, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "chart x, line 2"));
  assert_int_equal(ogv_json_parse("{\"b\":0.1,\"a\":[1,2]}", 19, "t", &v, &err), OGV_OK);
  char *c = ogv_json_canonical(v);
  assert_string_equal(c, "{\"a\":[1,2],\"b\":0.10000000000000001}");
  free(c);
  const char *s;
  assert_int_equal(ogv_json_string(v, "row 3", "name", &s, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "row 3"));
  json_decref(v);
  json_t *null = ogv_json_real(NAN);
  assert_true(json_is_null(null));
  json_decref(null);
}

static void units_convert_by_kind_and_never_across(void **state) {
  (void)state;
  double v;
  ogv_error err;
  assert_int_equal(ogv_unit_convert(4.7, "cm", "mm", &v, &err), OGV_OK);
  assert_true(fabs(v - 47) < 1e-12);
  assert_int_equal(ogv_unit_convert(2, "wk", "d", &v, &err), OGV_OK);
  assert_true(fabs(v - 14) < 1e-12);
  assert_int_equal(ogv_unit_convert(1, "mL", "cm3", &v, &err), OGV_OK);
  assert_true(v == 1);
  assert_int_equal(ogv_unit_convert(1, "mm", "g", &v, &err), OGV_E_INVALID);
  assert_int_equal(ogv_unit_convert(1, "furlong", "mm", &v, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "furlong"));
}

static void arena_refuses_past_its_maximum(void **state) {
  (void)state;
  ogv_arena *a = ogv_arena_new(1024);
  char *p = ogv_arena_alloc(a, 10, 10);
  assert_non_null(p);
  assert_int_equal((uintptr_t)p % 64, 0);
  assert_int_equal(p[99], 0);
  assert_null(ogv_arena_alloc(a, 1, 1024));
  assert_null(ogv_arena_alloc(a, SIZE_MAX / 2, 4));
  ogv_arena_reset(a);
  assert_non_null(ogv_arena_alloc(a, 1, 1024));
  ogv_arena_reset(a);
  assert_string_equal(ogv_arena_strdup(a, "caliper"), "caliper");
  ogv_arena_free(a);
}

static void built_in_files_can_be_overridden_one_by_one(void **state) {
  (void)state;
  ogv_resource r;
  ogv_error err;
  assert_int_equal(ogv_resource_get("web/index.html", &r, &err), OGV_OK);
  assert_true(r.size > 20);
  assert_int_equal(ogv_resource_get("web/nothing", &r, &err), OGV_E_NOT_FOUND);
  char dir[] = "/tmp/ogive-data-XXXXXX", path[300];
  assert_non_null(mkdtemp(dir));
  snprintf(path, sizeof path, "%s/charts", dir);
  assert_int_equal(ogv_folder_make(path, &err), OGV_OK);
  snprintf(path, sizeof path, "%s/charts/own.json", dir);
  assert_int_equal(ogv_file_write(path, "own", 3, &err), OGV_OK);
  setenv("OGIVE_DATA", dir, 1);
  assert_int_equal(ogv_resource_get("charts/own.json", &r, &err), OGV_OK);
  assert_memory_equal(r.data, "own", 3);
  assert_int_equal(ogv_resource_get("charts/../charts/own.json", &r, &err), OGV_E_NOT_FOUND);
  unsetenv("OGIVE_DATA");
  snprintf(path, sizeof path, "rm -rf %s", dir);
  assert_int_equal(system(path), 0);
}

static void median_of_even_and_odd_counts(void **state) {
  (void)state;
  double odd[] = {3, -1, 2}, even[] = {4, 1, 3, 2};
  assert_float_equal(ogv_median(odd, 3), 2, 0);
  assert_float_equal(ogv_median(even, 4), 2.5, 0);
  assert_float_equal(even[0], 1, 0); /* sorted */
  assert_true(isnan(ogv_median(NULL, 0)));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(text_stops_at_its_maximum),
      cmocka_unit_test(utf8_is_checked),
      cmocka_unit_test(sha256_matches_the_standard),
      cmocka_unit_test(files_are_written_whole_or_not_at_all),
      cmocka_unit_test(folders_are_walked_in_order_and_links_do_not_loop),
      cmocka_unit_test(json_errors_say_where),
      cmocka_unit_test(units_convert_by_kind_and_never_across),
      cmocka_unit_test(median_of_even_and_odd_counts),
      cmocka_unit_test(arena_refuses_past_its_maximum),
      cmocka_unit_test(built_in_files_can_be_overridden_one_by_one),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
