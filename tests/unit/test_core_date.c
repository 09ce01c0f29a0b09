#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "core_date.h"

static ogv_date day(const char *text) {
  ogv_date d = OGV_DATE_NONE;
  ogv_error err;
  assert_int_equal(ogv_date_parse(text, &d, &err), OGV_OK);
  return d;
}

/* Published anchors of the civil calendar: 1970-01-01 is day 0, 2000-03-01 is day 11017 (POSIX time / 86400). */
static void civil_days_match_posix(void **state) {
  (void)state;
  assert_int_equal(day("1970-01-01"), 0);
  assert_int_equal(day("20000301"), 11017);
  char buf[OGV_DATE_TEXT];
  for (ogv_date d = -60000; d < 84000; d += 13) {
    ogv_date back;
    assert_int_equal(ogv_date_parse(ogv_date_text(d, buf), &back, NULL), OGV_OK);
    assert_int_equal(back, d);
  }
}

static void impossible_dates_are_refused(void **state) {
  (void)state;
  const char *bad[] = {"2025-02-29", "2025-13-01", "2025-00-10", "11/12/2026", "", "2026-1-1", "20261301", "2026112"};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    ogv_date d;
    ogv_error err;
    assert_int_equal(ogv_date_parse(bad[i], &d, &err), OGV_E_INVALID);
    assert_true(err.what[0] != 0);
  }
  assert_int_equal(day("2024-02-29") + 1, day("2024-03-01"));
}

static void gestational_age_round_trips(void **state) {
  (void)state;
  int ga;
  char buf[OGV_GA_TEXT];
  assert_int_equal(ogv_ga_parse("20w3d", &ga, NULL), OGV_OK);
  assert_int_equal(ga, 143);
  assert_string_equal(ogv_ga_text(ga, buf), "20w3d");
  assert_int_equal(ogv_ga_parse("20+3", &ga, NULL), OGV_OK);
  assert_int_equal(ga, 143);
  assert_int_equal(ogv_ga_parse("143d", &ga, NULL), OGV_OK);
  assert_int_equal(ga, 143);
  assert_int_equal(ogv_ga_parse("20w7d", &ga, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_ga_parse("20.5", &ga, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_ga_parse("46w0d", &ga, NULL), OGV_E_RANGE);
  assert_int_equal(ogv_ga_parse("-1w0d", &ga, NULL), OGV_E_INVALID);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(civil_days_match_posix),
      cmocka_unit_test(impossible_dates_are_refused),
      cmocka_unit_test(gestational_age_round_trips),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
