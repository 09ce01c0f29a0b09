#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "obstetrics_quantity.h"

static void table_is_consistent(void **state) {
  (void)state;
  ogv_error err = {0};
  if (ogv_quantity_check(&err) != OGV_OK) fail_msg("%s", err.what);
}

/* LOINC terms of DICOM PS3.16 context groups 12005, 12006, 12009, 12019, 12121, 12140, 12141 (2021 and 2026 editions).
 */
static void codes_of_the_standard_find_their_rows(void **state) {
  (void)state;
  static const char *const pairs[][2] = {
      {"11979-2", "ac"},  {"11820-8", "bpd"}, {"11984-2", "hc"}, {"11963-6", "fl"},         {"11851-3", "ofd"},
      {"11957-8", "crl"}, {"11863-8", "tcd"}, {"33069-6", "nt"}, {"11627-7", "afi"},        {"11727-5", "efw"},
      {"11948-7", "fhr"}, {"11966-9", "hl"},  {"11961-0", "cl"}, {"11823-2", "ci"},         {"11947-9", "hc-ac"},
      {"12146-7", "nf"},  {"11850-5", "msd"}, {"33196-7", "va"}, {"11834-9", "kidney-left"}};
  for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
    const ogv_quantity *q = ogv_quantity_by_code(pairs[i][0], "LN");
    assert_non_null(q);
    assert_string_equal(q->id, pairs[i][1]);
    assert_ptr_equal(q, ogv_quantity_find(pairs[i][1]));
  }
  assert_null(ogv_quantity_by_code("12008-9", "LN")); /* an index without its vessel is nothing */
  const ogv_vessel *v = ogv_vessel_by_code("17232002", "SCT");
  assert_string_equal(v->id, "middle-cerebral-artery");
  assert_ptr_equal(v, ogv_vessel_by_code("T-45600", "SRT"));
  assert_string_equal(ogv_quantity_by_vessel(v->id, "", "12008-9", "LN")->id, "mca-pi");
  assert_string_equal(ogv_quantity_by_vessel("uterine-artery", "left", "12008-9", "LN")->id, "uta-pi-left");
  assert_null(ogv_quantity_by_vessel("uterine-artery", "", "12008-9", "LN"));
  assert_null(ogv_quantity_find("nothing"));
}

static void unit_slips_are_named(void **state) {
  (void)state;
  static const struct {
    const char *id;
    double value;
    const char *says;
  } bad[] = {{"bpd", 4.7, "cm"}, {"hc", 17.5, "cm"},       {"ac", 15.0, "cm"},    {"fl", 3.2, "cm"},
             {"efw", 3.4, "kg"}, {"ci", 0.78, "fraction"}, {"hc", NAN, "finite"}, {"crl", 450, "tenths"}};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    ogv_error err = {0};
    assert_int_not_equal(ogv_quantity_plausible(ogv_quantity_find(bad[i].id), bad[i].value, &err), OGV_OK);
    if (!strstr(err.what, bad[i].says)) fail_msg("%s %g: %s", bad[i].id, bad[i].value, err.what);
  }
  assert_int_equal(ogv_quantity_plausible(ogv_quantity_find("hc"), 175, NULL), OGV_OK);
}

/* Sarris 2012: two-observer 95 % limits +-4.9 % (HC), +-8.8 % (AC), +-11.1 % (FL); SD of one reading = limit / (1.96
 * sqrt 2). */
static void two_observer_sds_follow_the_published_limits(void **state) {
  (void)state;
  static const struct {
    const char *id;
    double limit;
  } rows[] = {{"hc", 0.049}, {"ac", 0.088}, {"fl", 0.111}};
  for (size_t i = 0; i < 3; i++)
    assert_true(fabs(ogv_quantity_sd(ogv_quantity_find(rows[i].id), 100) - 100 * rows[i].limit / (1.96 * sqrt(2))) <
                0.01);
  assert_true(fabs(ogv_quantity_sd(ogv_quantity_find("crl"), 60) - 2.35 / (1.96 * sqrt(2))) < 0.01);
  assert_true(isnan(ogv_quantity_sd(ogv_quantity_find("tcd"), 20)));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(table_is_consistent),
      cmocka_unit_test(codes_of_the_standard_find_their_rows),
      cmocka_unit_test(unit_slips_are_named),
      cmocka_unit_test(two_observer_sds_follow_the_published_limits),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
