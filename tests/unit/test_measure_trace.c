/* Hand-drawn traces and volumes against closed forms worked out here, on pixels that are not square. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "measure_quantity.h"
#include "measure_trace.h"

static ogv_region spectrum(void) {
  ogv_region r = {.format = OGV_FORMAT_SPECTRAL,
                  .data_type = OGV_DATA_PW,
                  .unit_x = OGV_UNIT_S,
                  .unit_y = OGV_UNIT_CM_S,
                  .x0 = 0,
                  .y0 = 0,
                  .x1 = 799,
                  .y1 = 399,
                  .has_ref_x = true,
                  .has_ref_y = true,
                  .ref_x = 0,
                  .ref_y = 300,
                  .delta_x = 0.005,
                  .delta_y = -0.2,
                  .correction_angle_deg = NAN,
                  .steering_angle_deg = NAN,
                  .transducer_khz = NAN,
                  .prf_hz = NAN};
  ogv_regions_judge(&r, 1, 400, 800);
  return r;
}

static double row_of(double v) { return 300 - v / 0.2; }

/* A sudden rise to 40 cm/s and an even fall to 10 over 100 columns (0.5 s): mean 25, PI 1.2, RI 0.75, S/D 4. */
static void a_saw_tooth_gives_its_indices(void **state) {
  (void)state;
  double p[2 * 101];
  for (int i = 0; i <= 100; i++) {
    p[2 * i] = 50 + i;
    p[2 * i + 1] = row_of(40 - 0.3 * i);
  }
  ogv_geometry g = {OGV_GEOMETRY_TRACE, 101, p};
  ogv_region r = spectrum();
  ogv_trace t;
  assert_int_equal(ogv_trace_read(&g, &r, &t, NULL), OGV_OK);
  assert_float_equal(t.psv, 40, 1e-9);
  assert_float_equal(t.edv, 10, 1e-9);
  assert_float_equal(t.tamax, 25, 1e-9);
  assert_float_equal(t.pi, 1.2, 1e-9);
  assert_float_equal(t.ri, 0.75, 1e-9);
  assert_float_equal(t.sd_ratio, 4, 1e-9);
  assert_float_equal(t.time_s, 0.5, 1e-12);
  /* Half a pixel is 0.1 cm/s: two ends over the mean of 25. */
  assert_float_equal(t.sd_pi, hypot(sqrt(2) * 0.1 / 25, 1.2 * 0.1 / sqrt(101) / 25), 1e-12);

  const struct {
    const char *id;
    double value;
  } expected[] = {{"ua-pi", 1.2}, {"ua-ri", 0.75},      {"ua-sd", 4},     {"ua-psv", 40},
                  {"ua-edv", 10}, {"uta-pi-left", 1.2}, {"mca-tamax", 25}};
  for (size_t i = 0; i < sizeof expected / sizeof *expected; i++) {
    ogv_measurement m;
    const ogv_quantity *q = ogv_quantity_find(expected[i].id);
    assert_int_equal(ogv_measure_quantity(q, &g, &r, 1, &m, NULL), OGV_OK);
    assert_float_equal(m.value, expected[i].value, 1e-9);
    assert_true(m.sd > 0);
    json_t *evidence = ogv_measurement_evidence(q, &g, &r, &m); /* and back from its evidence alone */
    double value, sd;
    assert_int_equal(ogv_measure_from_evidence(q, evidence, &value, &sd, NULL), OGV_OK);
    assert_float_equal(value, m.value, 1e-12);
    assert_float_equal(sd, m.sd, 1e-12);
    json_decref(evidence);
  }
}

static void flow_below_the_baseline_counts_downwards(void **state) {
  (void)state;
  double p[] = {10, row_of(-5), 20, row_of(-30), 30, row_of(-15), 40, row_of(-5)};
  ogv_geometry g = {OGV_GEOMETRY_TRACE, 4, p};
  ogv_region r = spectrum();
  ogv_trace t;
  assert_int_equal(ogv_trace_read(&g, &r, &t, NULL), OGV_OK);
  assert_float_equal(t.psv, 30, 1e-9);
  assert_float_equal(t.edv, 5, 1e-9);
  assert_float_equal(t.tamax, (17.5 + 22.5 + 10) / 3, 1e-9);
}

static void traces_that_say_nothing_are_refused(void **state) {
  (void)state;
  ogv_region r = spectrum();
  double back[] = {10, 200, 20, 180, 15, 190, 30, 200}, flat[] = {10, 300, 20, 300, 30, 300, 40, 300};
  double reversed[] = {10, row_of(1), 20, row_of(40), 30, row_of(10), 40, row_of(-6)};
  ogv_trace t;
  ogv_geometry g = {OGV_GEOMETRY_TRACE, 4, back};
  ogv_error err = {0};
  assert_int_equal(ogv_trace_read(&g, &r, &t, &err), OGV_E_INVALID);
  assert_true(err.todo[0]);
  g.points = flat;
  assert_int_equal(ogv_trace_read(&g, &r, &t, NULL), OGV_E_INVALID);
  g.points = reversed; /* no S/D with reversed flow, but a PI */
  ogv_measurement m;
  assert_int_equal(ogv_measure_quantity(ogv_quantity_find("ua-sd"), &g, &r, 1, &m, &err), OGV_E_RANGE);
  assert_int_equal(ogv_measure_quantity(ogv_quantity_find("ua-pi"), &g, &r, 1, &m, NULL), OGV_OK);
  r.unit_y = OGV_UNIT_CM;
  assert_int_equal(ogv_trace_read(&g, &r, &t, NULL), OGV_E_CALIBRATION);
}

/* A spheroid of 60 by 40 mm, its axis askew, seen with pixels of 0.2 by 0.3 mm: pi/6 * 60 * 40 * 40. */
static void discs_rebuild_a_spheroid(void **state) {
  (void)state;
  ogv_region r = {.format = OGV_FORMAT_2D,
                  .data_type = OGV_DATA_TISSUE,
                  .unit_x = OGV_UNIT_CM,
                  .unit_y = OGV_UNIT_CM,
                  .x1 = 799,
                  .y1 = 599,
                  .delta_x = 0.02,
                  .delta_y = 0.03};
  ogv_regions_judge(&r, 1, 600, 800);
  enum { N = 720 };
  double p[2 * N], c = cos(0.4), s = sin(0.4);
  for (int i = 0; i < N; i++) {
    double a = 30 * cos(2 * M_PI * i / N), b = 20 * sin(2 * M_PI * i / N);
    p[2 * i] = 400 + (a * c - b * s) / 0.2;
    p[2 * i + 1] = 300 + (a * s + b * c) / 0.3;
  }
  double ends[] = {400 - 30 * c / 0.2, 300 - 30 * s / 0.3, 400 + 30 * c / 0.2, 300 + 30 * s / 0.3};
  ogv_geometry outline = {OGV_GEOMETRY_OUTLINE, N, p}, axis = {OGV_GEOMETRY_DISTANCE, 2, ends};
  double discs, truth = M_PI / 6 * 60 * 40 * 40 / 1000;
  assert_int_equal(ogv_outline_volume(&outline, &axis, &r, 100, &discs, NULL), OGV_OK);
  assert_float_equal(discs, truth, truth * 2e-4);
  double off[] = {10, 10, 60, 10};
  axis.points = off;
  assert_int_equal(ogv_outline_volume(&outline, &axis, &r, 20, &discs, NULL), OGV_E_INVALID);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_saw_tooth_gives_its_indices),
      cmocka_unit_test(flow_below_the_baseline_counts_downwards),
      cmocka_unit_test(traces_that_say_nothing_are_refused),
      cmocka_unit_test(discs_rebuild_a_spheroid),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
