/* What growth allows. Outside check: printed centiles of INTERGROWTH-21st (Papageorghiou 2014, Lancet 384:869-879; the
 * study's own table): HC 20+0 weeks 3rd 158.5, 50th 172.5, 97th 186.5 mm. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "obstetrics_plausible.h"

static void test_published(void **state) {
  (void)state;
  double z, days;
  const char *chart = "";
  ogv_error err = {0};
  assert_int_equal(ogv_plausible_z("hc", 172.5, 140, &z, &chart, &err), OGV_OK);
  assert_float_equal(z, 0, 0.02);
  assert_string_equal(chart, "intergrowth-hc");
  assert_int_equal(ogv_plausible_z("hc", 158.5, 140, &z, NULL, &err), OGV_OK);
  assert_float_equal(z, -1.881, 0.02);
  assert_int_equal(ogv_plausible_age("hc", 172.5, &days, &err), OGV_OK);
  assert_float_equal(days, 140, 0.3);
}

static void test_no_answer(void **state) {
  (void)state;
  double v;
  ogv_error err = {0};
  ogv_plausibility p;
  assert_int_equal(ogv_plausible_z("hc", 60, 80, &v, NULL, &err), OGV_E_RANGE); /* before the chart begins */
  assert_int_equal(ogv_plausible_age("hc", 20, &v, &err), OGV_E_RANGE);
  assert_int_equal(ogv_plausible_age("hc", NAN, &v, &err), OGV_E_RANGE);
  assert_int_equal(ogv_plausible_z("no-such", 20, 140, &v, NULL, &err), OGV_E_NOT_FOUND);
  ogv_plausibility_of("hc", 60, 80, NULL, 0, &p);
  assert_true(isnan(p.z) && !*p.chart_id && !*p.against);
}

/* A fetus small in all its sizes, or misdated: HC fits its other sizes, so it is not what is doubted. */
static void test_either(void **state) {
  (void)state;
  ogv_plausibility p;
  const ogv_known_size small[] = {{"ac", 100}, {"fl", 18}, {"hc", 250}, {"fl", NAN}};
  ogv_plausibility_of("hc", 122.9, 140, NULL, 0, &p); /* the median at 16 weeks */
  assert_true(p.z < -5 && p.z == p.z_age && isnan(p.z_others));
  ogv_plausibility_of("hc", 122.9, 140, small, 4, &p);
  assert_true(fabs(p.z) < 2 && p.z == p.z_others);
  assert_string_equal(p.against, "the other measurements");
  ogv_plausibility_of("hc", 122.9, -1, small, 4, &p); /* no dates: the age that the others show */
  assert_true(isnan(p.z_age) && fabs(p.z) < 2.5);
  ogv_plausibility_of("hc", 172.5, -1, small, 4, &p);
  assert_true(p.z > 4);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_published), cmocka_unit_test(test_no_answer),
                                     cmocka_unit_test(test_either)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
