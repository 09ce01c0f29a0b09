/* The record's small SQL interface: parameters go by their numbers, wherever and however often they appear; a statement
 * that does not fit its parameters is refused before it runs. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../src/record/private/record_sql.h"

static char folder[] = "/tmp/ogive-sql-XXXXXX";
static ogv_sql *db;

static int open_base(void **state) {
  (void)state;
  char path[64];
  ogv_error err = {0};
  if (!mkdtemp(folder)) return 1;
  snprintf(path, sizeof path, "%s/base", folder);
  if (ogv_sql_open(path, true, &db, &err) != OGV_OK) return 1;
  return ogv_sql_script(db, "CREATE TABLE t(a TEXT, b INTEGER, c REAL);", &err) != OGV_OK;
}

static int close_base(void **state) {
  (void)state;
  ogv_sql_close(db);
  static const char *const ends[] = {"", "-wal", "-shm"};
  char path[64];
  for (size_t i = 0; i < sizeof ends / sizeof *ends; i++) {
    snprintf(path, sizeof path, "%s/base%s", folder, ends[i]);
    unlink(path);
  }
  return rmdir(folder);
}

static void numbers_say_which_value(void **state) {
  (void)state;
  ogv_error err = {0};
  char text[40];
  int64_t n;
  /* $3 stands before $1, $2 stands twice: SQLite itself would number them by first appearance. */
  assert_int_equal(
      ogv_sql_run(db, &err, "INSERT INTO t(c, a, b) SELECT $3, $1, $2 WHERE $2 > 0", "tir", "seven", (int64_t)7, 0.5),
      OGV_OK);
  assert_int_equal(
      ogv_sql_one_text(db, text, sizeof text, &err, "SELECT a FROM t WHERE c=$2 AND b=$1", "ir", (int64_t)7, 0.5),
      OGV_OK);
  assert_string_equal(text, "seven");
  assert_int_equal(ogv_sql_one_int(db, &n, &err, "SELECT b FROM t WHERE a=$1", "t", "seven"), OGV_OK);
  assert_int_equal(n, 7);
}

static void what_does_not_fit_is_refused(void **state) {
  (void)state;
  ogv_error err = {0};
  int64_t n;
  assert_int_equal(ogv_sql_one_int(db, &n, &err, "SELECT b FROM t WHERE a=$1", "ti", "seven", (int64_t)1),
                   OGV_E_INTERNAL);
  assert_non_null(strstr(err.what, "2 parameters for 1 places"));
  assert_int_equal(ogv_sql_one_int(db, &n, &err, "SELECT b FROM t WHERE a=$2", "t", "seven"), OGV_E_INTERNAL);
  assert_non_null(strstr(err.what, "no place $1"));
  assert_int_equal(ogv_sql_one_int(db, &n, &err, "SELECT b FROM t WHERE a=?", "t", "seven"), OGV_E_INTERNAL);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(numbers_say_which_value),
                                     cmocka_unit_test(what_does_not_fit_is_refused)};
  return cmocka_run_group_tests(tests, open_base, close_base);
}
