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

static int64_t rows_of_t(ogv_sql *by) {
  ogv_error err = {0};
  int64_t n = -1;
  if (ogv_sql_one_int(by, &n, &err, "SELECT count(*) FROM t", NULL) != OGV_OK) fail_msg("%s", err.what);
  return n;
}

/* A reader beside the writer sees what is written; one of the file as it stands says that it was overtaken, before the
 * change has left the log and after. */
static void a_reader_is_never_behind_unsaid(void **state) {
  (void)state;
  char path[64];
  ogv_error err = {0};
  ogv_sql *beside, *alone;
  ogv_rows *q;
  bool row;
  snprintf(path, sizeof path, "%s/base", folder);
  assert_int_equal(ogv_sql_open_reading(path, &beside, &err), OGV_OK);
  int64_t n = rows_of_t(beside);
  assert_int_equal(ogv_sql_run(db, &err, "INSERT INTO t(a) VALUES($1)", "t", "new"), OGV_OK);
  assert_int_equal(rows_of_t(beside), n + 1);
  assert_false(ogv_sql_stale(beside));
  assert_int_not_equal(ogv_sql_run(beside, NULL, "INSERT INTO t(a) VALUES($1)", "t", "no"), OGV_OK);
  for (int turn = 0; turn < 2; turn++) {
    assert_int_equal(ogv_sql_script(db, "PRAGMA wal_checkpoint(TRUNCATE)", &err), OGV_OK);
    assert_int_equal(ogv_sql_open_snapshot(path, &alone, &err), OGV_OK);
    assert_int_equal(rows_of_t(alone), n + 1 + turn);
    assert_int_equal(ogv_sql_query(alone, &q, &err, "SELECT a FROM t", NULL), OGV_OK);
    assert_int_equal(ogv_sql_next(q, &row, &err), OGV_OK);
    assert_true(row && !ogv_sql_stale(alone));
    assert_int_equal(ogv_sql_run(db, &err, "INSERT INTO t(a) VALUES($1)", "t", "newer"), OGV_OK);
    if (turn) assert_int_equal(ogv_sql_script(db, "PRAGMA wal_checkpoint(TRUNCATE)", &err), OGV_OK);
    assert_true(ogv_sql_stale(alone));
    assert_int_equal(ogv_sql_next(q, &row, &err), OGV_E_CONFLICT);
    assert_non_null(strstr(err.what, "another program has written"));
    ogv_sql_end(q);
    ogv_sql_close(alone);
  }
  ogv_sql_close(beside);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(numbers_say_which_value),
                                     cmocka_unit_test(what_does_not_fit_is_refused),
                                     cmocka_unit_test(a_reader_is_never_behind_unsaid)};
  return cmocka_run_group_tests(tests, open_base, close_base);
}
