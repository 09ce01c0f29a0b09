/* Geometry in physical units, checked by closed forms and by numerical integration, with pixels that are not square. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "imaging_geometry.h"
#include "imaging_image.h"

static ogv_region region(double dx, double dy) {
  ogv_region r = {.format = OGV_FORMAT_2D,
                  .data_type = OGV_DATA_TISSUE,
                  .unit_x = OGV_UNIT_CM,
                  .unit_y = OGV_UNIT_CM,
                  .flags = 2,
                  .x1 = 999,
                  .y1 = 799,
                  .delta_x = dx,
                  .delta_y = dy,
                  .transducer_khz = NAN,
                  .prf_hz = NAN,
                  .correction_angle_deg = NAN,
                  .steering_angle_deg = NAN};
  ogv_regions_judge(&r, 1, 800, 1000);
  return r;
}

static ogv_region timed(int unit_y, double dy) {
  ogv_region r = region(0.004, dy);
  r.format = unit_y == OGV_UNIT_CM ? OGV_FORMAT_MMODE : OGV_FORMAT_SPECTRAL;
  r.unit_x = OGV_UNIT_S;
  r.unit_y = unit_y;
  r.has_ref_x = r.has_ref_y = true;
  r.ref_y = 400;
  ogv_regions_judge(&r, 1, 800, 1000);
  return r;
}

static void near(double a, double b, double tolerance) {
  if (!(fabs(a - b) <= tolerance)) fail_msg("%.15g is not %.15g within %g", a, b, tolerance);
}

/* Arc length of an ellipse by Simpson's rule over one quarter: independent of the closed series under test. */
static double by_quadrature(double a, double b) {
  a /= 2;
  b /= 2;
  int n = 20000;
  double h = M_PI / 2 / n, sum = 0;
  for (int i = 0; i <= n; i++) {
    double t = i * h, f = sqrt(a * a * sin(t) * sin(t) + b * b * cos(t) * cos(t));
    sum += f * (i == 0 || i == n ? 1 : i % 2 ? 4 : 2);
  }
  return 4 * sum * h / 3;
}

static void test_perimeter(void **state) {
  (void)state;
  near(ogv_ellipse_perimeter(2, 2), 2 * M_PI, 1e-14);
  /* E(m = 0.5) = 1.350643881 (Abramowitz & Stegun, table 17.1, from memory): axes 2 and sqrt(2) */
  near(ogv_ellipse_perimeter(2, M_SQRT2), 4 * 1.350643881, 4e-9);
  near(ogv_ellipse_perimeter(10, 0), 20, 1e-12);
  static const double ratios[] = {0.999, 0.9, 0.78, 0.5, 0.2, 0.02};
  for (size_t i = 0; i < sizeof ratios / sizeof ratios[0]; i++) {
    near(ogv_ellipse_perimeter(100, 100 * ratios[i]), by_quadrature(100, 100 * ratios[i]), 1e-7);
    near(ogv_ellipse_perimeter(100 * ratios[i], 100), by_quadrature(100, 100 * ratios[i]), 1e-7);
  }
}

static ogv_extent measure(ogv_geometry_kind kind, size_t n, double *points, const ogv_region *r) {
  ogv_geometry g = {kind, n, points};
  ogv_extent e;
  ogv_error err = {0};
  if (ogv_geometry_measure(&g, r, &e, &err) != OGV_OK) fail_msg("%s", err.what);
  return e;
}

static void refused(ogv_geometry_kind kind, size_t n, double *points, const ogv_region *r, ogv_status code,
                    const char *word) {
  ogv_geometry g = {kind, n, points};
  ogv_extent e;
  ogv_error err = {0};
  assert_int_equal(ogv_geometry_measure(&g, r, &e, &err), code);
  if (!strstr(err.what, word)) fail_msg("\"%s\" does not say \"%s\"", err.what, word);
}

static void test_distance(void **state) {
  (void)state;
  ogv_region r = region(0.03, 0.02); /* 0.3 and 0.2 mm */
  double p[] = {100, 100, 400, 700};
  ogv_extent e = measure(OGV_GEOMETRY_DISTANCE, 2, p, &r);
  near(e.length_mm, hypot(90, 120), 1e-10); /* 150 mm; square pixels of either size would give 201 or 134 */
  near(e.sd_point_mm, 0.5 * hypot(0.3, 0.2), 1e-12);
  assert_true(isnan(e.perimeter_mm) && isnan(e.time_s) && isnan(e.value_y));
  double same[] = {5, 5, 5, 5};
  refused(OGV_GEOMETRY_DISTANCE, 2, same, &r, OGV_E_INVALID, "no length");
  double wild[] = {5, 5, NAN, 5};
  refused(OGV_GEOMETRY_DISTANCE, 2, wild, &r, OGV_E_INVALID, "point 2");
}

static void test_ellipse(void **state) {
  (void)state;
  ogv_region r = region(0.03, 0.02);
  /* A tilted ellipse of 90 x 70 mm made in millimetres and brought to pixels: axes at right angles in mm, not in
   * pixels. */
  double t = 0.5, cx = 150, cy = 80, a = 45, b = 35;
  double mm[] = {cx - a * cos(t), cy - a * sin(t), cx + a * cos(t), cy + a * sin(t),
                 cx + b * sin(t), cy - b * cos(t), cx - b * sin(t), cy + b * cos(t)};
  double p[8];
  for (int i = 0; i < 8; i++) p[i] = mm[i] / (i % 2 ? 0.2 : 0.3);
  ogv_extent e = measure(OGV_GEOMETRY_ELLIPSE, 4, p, &r);
  near(e.axis1_mm, 90, 1e-9);
  near(e.axis2_mm, 70, 1e-9);
  near(e.perimeter_mm, by_quadrature(90, 70), 1e-7);
  near(e.area_mm2, M_PI * 45 * 35, 1e-8);
  /* An outline of many points on the same ellipse must agree. */
  enum { N = 720 };
  double o[2 * N];
  for (int i = 0; i < N; i++) {
    double s = 2 * M_PI * i / N;
    o[2 * i] = (cx + a * cos(t) * cos(s) - b * sin(t) * sin(s)) / 0.3;
    o[2 * i + 1] = (cy + a * sin(t) * cos(s) + b * cos(t) * sin(s)) / 0.2;
  }
  ogv_extent f = measure(OGV_GEOMETRY_OUTLINE, N, o, &r);
  near(f.perimeter_mm, e.perimeter_mm, 0.002);
  near(f.area_mm2, e.area_mm2, 0.1);
  double parallel[] = {100, 100, 300, 100, 100, 200, 300, 210};
  refused(OGV_GEOMETRY_ELLIPSE, 4, parallel, &r, OGV_E_INVALID, "right angle");
  double apart[] = {100, 100, 300, 100, 500, 50, 500, 150};
  refused(OGV_GEOMETRY_ELLIPSE, 4, apart, &r, OGV_E_INVALID, "cross");
  double flat[] = {100, 100, 300, 100, 200, 100, 200, 100};
  refused(OGV_GEOMETRY_ELLIPSE, 4, flat, &r, OGV_E_INVALID, "no length");
}

static void test_outline_and_angle(void **state) {
  (void)state;
  ogv_region r = region(0.03, 0.02);
  double box[] = {100, 100, 200, 100, 200, 300, 100, 300}; /* 30 x 40 mm */
  ogv_extent e = measure(OGV_GEOMETRY_OUTLINE, 4, box, &r);
  near(e.perimeter_mm, 140, 1e-10);
  near(e.area_mm2, 1200, 1e-8);
  double bow[] = {100, 100, 200, 300, 200, 100, 100, 300};
  refused(OGV_GEOMETRY_OUTLINE, 4, bow, &r, OGV_E_INVALID, "crosses itself");
  double line[] = {100, 100, 200, 100, 300, 100};
  refused(OGV_GEOMETRY_OUTLINE, 3, line, &r, OGV_E_INVALID, "no area");
  double corner[] = {200, 100, 100, 100, 200, 250}; /* arms (30,0) and (30,30) mm: 45 degrees, 56 in pixels */
  near(measure(OGV_GEOMETRY_ANGLE, 3, corner, &r).angle_deg, 45, 1e-10);
  double straight[] = {100, 100, 200, 100, 300, 100};
  near(measure(OGV_GEOMETRY_ANGLE, 3, straight, &r).angle_deg, 180, 1e-10);
}

static void test_time(void **state) {
  (void)state;
  ogv_region m = timed(OGV_UNIT_CM, 0.02), s = timed(OGV_UNIT_CM_S, -0.5);
  double p[] = {100, 300, 350, 500};
  ogv_extent e = measure(OGV_GEOMETRY_INTERVAL, 2, p, &s);
  near(e.time_s, 1.0, 1e-12);
  assert_true(isnan(e.length_mm));
  e = measure(OGV_GEOMETRY_DISTANCE, 2, p, &m);
  near(e.length_mm, 40, 1e-10); /* along depth only */
  near(e.time_s, 1.0, 1e-12);
  double at[] = {100, 320};
  e = measure(OGV_GEOMETRY_POINT, 1, at, &s);
  near(e.value_y, 40, 1e-12);
  near(e.value_x, 0.4, 1e-12);
  ogv_region b = region(0.03, 0.02);
  refused(OGV_GEOMETRY_INTERVAL, 2, p, &b, OGV_E_CALIBRATION, "time axis");
  refused(OGV_GEOMETRY_ELLIPSE, 4, (double[]){1, 5, 9, 5, 5, 1, 5, 9}, &s, OGV_E_CALIBRATION, "millimetres");
  s.has_ref_x = s.has_ref_y = false;
  ogv_regions_judge(&s, 1, 800, 1000);
  refused(OGV_GEOMETRY_POINT, 1, at, &s, OGV_E_CALIBRATION, "zero");
}

static void test_json(void **state) {
  (void)state;
  json_t *v = json_pack("{s:s,s:[[f,f],[f,f]]}", "kind", "distance", "points", 1.5, 2.25, 3.0, 4.0);
  ogv_geometry g;
  ogv_error err;
  assert_int_equal(ogv_geometry_from_json(v, &g, &err), OGV_OK);
  json_t *back = ogv_geometry_to_json(&g);
  assert_true(json_equal(v, back));
  json_decref(back);
  json_decref(v);
  ogv_geometry_free(&g);
  static const char *const bad[] = {"{}",
                                    "[]",
                                    "null",
                                    "{\"kind\":\"blob\",\"points\":[[1,2],[3,4]]}",
                                    "{\"kind\":\"distance\",\"points\":[[1,2]]}",
                                    "{\"kind\":\"distance\",\"points\":[[1,2],[3]]}",
                                    "{\"kind\":\"distance\",\"points\":[[1,2],[3,\"4\"]]}",
                                    "{\"kind\":\"distance\",\"points\":[[1,2],[3,1e300]]}",
                                    "{\"kind\":\"ellipse\",\"points\":[[1,2],[3,4]]}",
                                    "{\"kind\":\"distance\",\"points\":{\"x\":1}}",
                                    "{\"kind\":3,\"points\":[[1,2],[3,4]]}"};
  for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
    v = json_loads(bad[i], JSON_DECODE_ANY, NULL);
    if (ogv_geometry_from_json(v, &g, &err) != OGV_E_INVALID) fail_msg("accepted: %s", bad[i]);
    assert_null(g.points);
    json_decref(v);
  }
}

static void test_image(void **state) {
  (void)state;
  ogv_image a, b;
  assert_int_equal(ogv_image_new(0, 5, 1, &a, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_image_new(5, 40000, 1, &a, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_image_new(5, 5, 2, &a, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_image_new(3, 1, 3, &a, NULL), OGV_OK);
  memcpy(a.pixels, (uint8_t[]){77, 77, 77, 255, 0, 0, 0, 0, 255}, 9);
  assert_int_equal(ogv_image_to_grey(&a, &b, NULL), OGV_OK);
  assert_int_equal(b.pixels[0], 77); /* grey stays what it is */
  assert_int_equal(b.pixels[1], 76); /* 0.299 x 255 */
  assert_int_equal(b.pixels[2], 29); /* 0.114 x 255 */
  ogv_image_free(&a);
  ogv_image_free(&a);
  ogv_image_free(&b);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_perimeter), cmocka_unit_test(test_distance),
                                     cmocka_unit_test(test_ellipse),   cmocka_unit_test(test_outline_and_angle),
                                     cmocka_unit_test(test_time),      cmocka_unit_test(test_json),
                                     cmocka_unit_test(test_image)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
