/* Geometry to quantity: values by closed forms, uncertainty by simulation, recomputation from the evidence alone. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core_json.h"
#include "measure_quantity.h"

static ogv_region region(void) {
  ogv_region r = {.format = OGV_FORMAT_2D,
                  .data_type = OGV_DATA_TISSUE,
                  .unit_x = OGV_UNIT_CM,
                  .unit_y = OGV_UNIT_CM,
                  .flags = 2,
                  .x1 = 999,
                  .y1 = 799,
                  .delta_x = 0.03,
                  .delta_y = 0.02,
                  .transducer_khz = NAN,
                  .prf_hz = NAN,
                  .correction_angle_deg = NAN,
                  .steering_angle_deg = NAN};
  ogv_regions_judge(&r, 1, 800, 1000);
  return r;
}

static const ogv_quantity *quantity(const char *id) {
  const ogv_quantity *q = ogv_quantity_find(id);
  if (!q) fail_msg("no quantity %s", id);
  return q;
}

static void near(double a, double b, double tolerance) {
  if (!(fabs(a - b) <= tolerance)) fail_msg("%.15g is not %.15g within %g", a, b, tolerance);
}

static double head[] = {100, 400, 300, 400, 200, 287.5, 200, 512.5}; /* 60 x 45 mm */

static void test_values(void **state) {
  (void)state;
  ogv_region r = region();
  ogv_geometry e = {OGV_GEOMETRY_ELLIPSE, 4, head}, d = {OGV_GEOMETRY_DISTANCE, 2, head};
  ogv_measurement m;
  assert_int_equal(ogv_measure_quantity(quantity("hc"), &e, &r, 1, &m, NULL), OGV_OK);
  /* Ramanujan's second approximation, good to 1e-9 here: another route than the program's */
  double a = 30, b = 22.5, h = (a - b) * (a - b) / ((a + b) * (a + b));
  near(m.value, M_PI * (a + b) * (1 + 3 * h / (10 + sqrt(4 - 3 * h))), 1e-6);
  assert_string_equal(m.method, "ellipse perimeter");
  near(m.sd_observer, ogv_quantity_sd(quantity("hc"), m.value), 1e-12);
  near(m.sd_calibration, 0.005 * m.value, 1e-12);
  near(m.sd, sqrt(m.sd_observer * m.sd_observer + m.sd_caliper * m.sd_caliper + m.sd_calibration * m.sd_calibration),
       1e-12);
  assert_int_equal(ogv_measure_quantity(quantity("bpd"), &e, &r, 1, &m, NULL), OGV_OK);
  near(m.value, 45, 1e-9);
  assert_int_equal(ogv_measure_quantity(quantity("ofd"), &e, &r, 1, &m, NULL), OGV_OK);
  near(m.value, 60, 1e-9);
  assert_int_equal(ogv_measure_quantity(quantity("fl"), &d, &r, 1, &m, NULL), OGV_OK);
  near(m.value, 60, 1e-9);
  near(m.sd_caliper, M_SQRT2 * 0.5 * hypot(0.3, 0.2), 1e-6);
}

/* SD of the ellipse's perimeter when its four ends scatter, by simulation with a fixed generator. */
static void test_caliper_by_simulation(void **state) {
  (void)state;
  ogv_region r = region();
  ogv_geometry e = {OGV_GEOMETRY_ELLIPSE, 4, head};
  ogv_measurement m;
  assert_int_equal(ogv_measure_quantity(quantity("hc"), &e, &r, 1, &m, NULL), OGV_OK);
  double sd = m.extent.sd_point_mm, sum = 0, sum2 = 0;
  unsigned short seed[3] = {1, 2, 3};
  enum { N = 20000 };
  for (int i = 0; i < N; i++) {
    double p[8];
    for (int k = 0; k < 8; k++) {
      double g = sqrt(-2 * log(1 - erand48(seed))) * cos(2 * M_PI * erand48(seed));
      p[k] = head[k] + g * sd / (k % 2 ? 0.2 : 0.3);
    }
    ogv_geometry x = {OGV_GEOMETRY_ELLIPSE, 4, p};
    ogv_extent ex;
    assert_int_equal(ogv_geometry_measure(&x, &r, &ex, NULL), OGV_OK);
    sum += ex.perimeter_mm;
    sum2 += ex.perimeter_mm * ex.perimeter_mm;
  }
  double found = sqrt(sum2 / N - sum / N * (sum / N));
  near(m.sd_caliper / found, 1, 0.03);
  /* and an outline of the same head, whose many points average out */
  double o[2 * 60];
  for (int i = 0; i < 60; i++) {
    o[2 * i] = 200 + 100 * cos(2 * M_PI * i / 60);
    o[2 * i + 1] = 400 + 112.5 * sin(2 * M_PI * i / 60);
  }
  ogv_geometry og = {OGV_GEOMETRY_OUTLINE, 60, o};
  assert_int_equal(ogv_measure_quantity(quantity("hc"), &og, &r, 1, &m, NULL), OGV_OK);
  assert_true(m.sd_caliper > 0 && m.sd_caliper < found);
}

static void test_refusals(void **state) {
  (void)state;
  ogv_region r = region();
  ogv_geometry e = {OGV_GEOMETRY_ELLIPSE, 4, head}, d = {OGV_GEOMETRY_DISTANCE, 2, head};
  ogv_measurement m;
  ogv_error err;
  assert_int_equal(ogv_measure_quantity(quantity("fl"), &e, &r, 1, &m, &err), OGV_E_INVALID);
  assert_int_equal(ogv_measure_quantity(quantity("hc"), &d, &r, 1, &m, &err), OGV_E_INVALID);
  assert_int_equal(ogv_measure_quantity(quantity("bpd-oi"), &e, &r, 1, &m, &err), OGV_E_INVALID);
  assert_int_equal(ogv_measure_quantity(quantity("efw"), &d, &r, 1, &m, &err), OGV_E_INVALID);
  assert_int_equal(ogv_measure_quantity(quantity("fl"), &d, NULL, 0, &m, &err), OGV_E_CALIBRATION);
  double tiny[] = {100, 400, 100.5, 400};
  ogv_geometry t = {OGV_GEOMETRY_DISTANCE, 2, tiny};
  assert_int_equal(ogv_measure_quantity(quantity("fl"), &t, &r, 1, &m, &err), OGV_E_RANGE);
  ogv_region scaled = r;
  scaled.x1 = 1500;
  ogv_regions_judge(&scaled, 1, 800, 1000);
  assert_int_equal(ogv_measure_quantity(quantity("fl"), &d, &scaled, 1, &m, &err), OGV_E_CALIBRATION);
}

static void test_rate_and_velocity(void **state) {
  (void)state;
  ogv_region s = region();
  s.format = OGV_FORMAT_SPECTRAL;
  s.unit_x = OGV_UNIT_S;
  s.unit_y = OGV_UNIT_CM_S;
  s.delta_x = 0.004;
  s.delta_y = -0.5;
  s.has_ref_x = s.has_ref_y = true;
  s.ref_y = 400;
  ogv_regions_judge(&s, 1, 800, 1000);
  double beat[] = {100, 300, 200, 300}, peak[] = {150, 345};
  ogv_geometry i = {OGV_GEOMETRY_INTERVAL, 2, beat}, p = {OGV_GEOMETRY_POINT, 1, peak};
  ogv_measurement m;
  assert_int_equal(ogv_measure_quantity(quantity("fhr"), &i, &s, 1, &m, NULL), OGV_OK);
  near(m.value, 150, 1e-9); /* 0.4 s */
  near(m.sd_caliper, 150 / 0.4 * M_SQRT2 * 0.002, 1e-9);
  assert_int_equal(ogv_measure_quantity(quantity("mca-psv"), &p, &s, 1, &m, NULL), OGV_OK);
  near(m.value, 27.5, 1e-9);
  assert_int_equal(ogv_measure_quantity(quantity("mca-tamax"), &p, &s, 1, &m, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_measure_quantity(quantity("mca-pi"), &p, &s, 1, &m, NULL), OGV_E_INVALID);
}

static void test_evidence(void **state) {
  (void)state;
  ogv_region r = region();
  ogv_geometry e = {OGV_GEOMETRY_ELLIPSE, 4, head};
  ogv_measurement m;
  const ogv_quantity *q = quantity("hc");
  assert_int_equal(ogv_measure_quantity(q, &e, &r, 1, &m, NULL), OGV_OK);
  json_t *v = ogv_measurement_evidence(q, &e, &r, &m);
  char *text = ogv_json_canonical(v); /* through text, as it is stored */
  json_t *stored = json_loads(text, 0, NULL);
  double value, sd;
  ogv_error err = {0};
  if (ogv_measure_from_evidence(q, stored, &value, &sd, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_true(value == m.value && sd == m.sd); /* to the bit */
  json_array_set_new(json_array_get(json_object_get(json_object_get(stored, "geometry"), "points"), 0), 0,
                     json_real(101));
  assert_int_equal(ogv_measure_from_evidence(q, stored, &value, &sd, &err), OGV_OK);
  assert_true(value != m.value);
  json_object_del(stored, "region");
  assert_int_equal(ogv_measure_from_evidence(q, stored, &value, &sd, &err), OGV_E_INVALID);
  assert_int_equal(ogv_measure_from_evidence(q, NULL, &value, &sd, &err), OGV_E_INVALID);
  json_decref(stored);
  json_decref(v);
  free(text);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_values), cmocka_unit_test(test_caliper_by_simulation),
                                     cmocka_unit_test(test_refusals), cmocka_unit_test(test_rate_and_velocity),
                                     cmocka_unit_test(test_evidence)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
