/* Regions: the rules of docs/regions.md, one by one, with the values met in real files. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "imaging_region.h"

static ogv_region plain(int x0, int y0, int x1, int y1, double d) {
  return (ogv_region){.format = OGV_FORMAT_2D,
                      .data_type = OGV_DATA_TISSUE,
                      .unit_x = OGV_UNIT_CM,
                      .unit_y = OGV_UNIT_CM,
                      .flags = 2,
                      .x0 = x0,
                      .y0 = y0,
                      .x1 = x1,
                      .y1 = y1,
                      .delta_x = d,
                      .delta_y = d,
                      .transducer_khz = NAN,
                      .prf_hz = NAN,
                      .correction_angle_deg = NAN,
                      .steering_angle_deg = NAN};
}

static void judge(ogv_region *r) { ogv_regions_judge(r, 1, 600, 800); }

static void test_trusted(void **state) {
  (void)state;
  ogv_region r = plain(10, 20, 700, 500, 0.03);
  judge(&r);
  assert_true(r.measurable_x && r.measurable_y);
  assert_false(r.absolute_x || r.absolute_y); /* no reference pixel: differences only */
  assert_string_equal(r.note, "");
  double protected_sd = r.calibration_sd;
  r.flags = 0;
  judge(&r);
  assert_true(r.measurable_x);
  assert_true(r.calibration_sd > protected_sd);
  assert_non_null(strstr(r.note, "not protected"));
  double mx, my;
  assert_int_equal(ogv_region_mm(&r, &mx, &my, NULL), OGV_OK);
  assert_true(fabs(mx - 0.3) < 1e-12 && fabs(my - 0.3) < 1e-12);
}

static void test_box(void **state) {
  (void)state;
  ogv_region r = plain(120, 60, 800, 518, 0.026); /* one over: real file with x1 = Columns */
  judge(&r);
  assert_true(r.measurable_x && r.measurable_y);
  assert_non_null(strstr(r.note, "one pixel"));
  ogv_region big = plain(84, 31, 595, 414, 0.051); /* a clip scaled to 320x240 that kept its region */
  ogv_regions_judge(&big, 1, 240, 320);
  assert_false(big.measurable_x || big.measurable_y);
  assert_non_null(strstr(big.note, "scaled or cropped"));
  ogv_region none = plain(10, 10, 10, 10, 0.03);
  judge(&none);
  assert_false(none.measurable_x);
  ogv_region wrapped = plain(-6, 10, 100, 100, 0.03);
  judge(&wrapped);
  assert_false(wrapped.measurable_x);
}

static void test_deltas(void **state) {
  (void)state;
  static const double bad[] = {0, NAN, INFINITY};
  for (size_t i = 0; i < 3; i++) {
    ogv_region r = plain(0, 0, 700, 500, 0.03);
    r.delta_x = bad[i];
    judge(&r);
    assert_false(r.measurable_x);
    assert_true(r.measurable_y);
    double a, b;
    assert_int_equal(ogv_region_mm(&r, &a, &b, NULL), OGV_E_CALIBRATION);
  }
  ogv_region r = plain(0, 0, 383, 287, 0.036);
  r.delta_x = -0.036; /* echocardiograms met in the field */
  r.has_ref_x = r.has_ref_y = true;
  judge(&r);
  assert_true(r.measurable_x && r.measurable_y);
  assert_false(r.absolute_x);
  assert_true(r.absolute_y);
  assert_non_null(strstr(r.note, "negative"));
  double mx, my;
  assert_int_equal(ogv_region_mm(&r, &mx, &my, NULL), OGV_OK);
  assert_true(mx > 0 && my > 0);
  ogv_region skew = plain(42, 4, 438, 353, 0.0228571);
  skew.delta_x = 0.0285714;
  judge(&skew);
  assert_true(skew.measurable_x && skew.measurable_y);
  assert_non_null(strstr(skew.note, "1.250"));
  ogv_region deep = plain(0, 16, 319, 217, 0.229375); /* claims 46 cm */
  ogv_regions_judge(&deep, 1, 240, 320);
  assert_false(deep.measurable_x || deep.measurable_y);
}

static void test_units_and_bars(void **state) {
  (void)state;
  ogv_region r = plain(0, 0, 100, 100, 1);
  r.unit_x = r.unit_y = OGV_UNIT_NONE;
  judge(&r);
  assert_false(r.measurable_x || r.measurable_y);
  ogv_region bar = plain(0, 0, 30, 200, 0.03);
  bar.data_type = OGV_DATA_COLOUR_BAR;
  judge(&bar);
  assert_false(bar.measurable_x || bar.measurable_y);
  assert_string_equal(ogv_region_word(&bar), "bar");
  ogv_region ecg = plain(40, 374, 257, 406, 0);
  ecg.format = OGV_FORMAT_WAVEFORM;
  ecg.unit_x = OGV_UNIT_S;
  ecg.unit_y = OGV_UNIT_NONE;
  ecg.delta_x = 0.005;
  judge(&ecg);
  assert_true(ecg.measurable_x);
  assert_false(ecg.measurable_y);
}

/* X = refvalx + (px - (x0 + refx)) dx: PS3.3 C.8.5.5.1.13-1.17; the baseline row of a spectrum. */
static void test_absolute(void **state) {
  (void)state;
  ogv_region r = plain(23, 221, 663, 484, 0);
  r.format = OGV_FORMAT_SPECTRAL;
  r.data_type = OGV_DATA_PW;
  r.unit_x = OGV_UNIT_S;
  r.unit_y = OGV_UNIT_CM_S;
  r.delta_x = 0.00416667;
  r.delta_y = -0.5;
  r.has_ref_x = r.has_ref_y = true;
  r.ref_x = 0;
  r.ref_y = 160;
  judge(&r);
  assert_true(r.absolute_x && r.absolute_y);
  assert_string_equal(r.note, ""); /* upward velocities are the rule, not worth a note */
  double v;
  assert_int_equal(ogv_region_value_y(&r, 221 + 160, &v, NULL), OGV_OK);
  assert_true(fabs(v) < 1e-12);
  assert_int_equal(ogv_region_value_y(&r, 221 + 160 - 80, &v, NULL), OGV_OK);
  assert_true(fabs(v - 40) < 1e-12);
  r.ref_y = 65425; /* a wrapped negative of a real file */
  judge(&r);
  assert_false(r.absolute_y);
  assert_true(r.measurable_y);
  assert_int_equal(ogv_region_value_y(&r, 300, &v, NULL), OGV_E_CALIBRATION);
  r.has_ref_y = false;
  judge(&r);
  assert_false(r.absolute_y);
}

static void test_choice(void **state) {
  (void)state;
  ogv_region r[5] = {plain(32, 24, 335, 415, 0.038), plain(336, 24, 639, 415, 0.038), plain(32, 40, 63, 103, 0),
                     plain(100, 100, 200, 200, 0.038), plain(0, 430, 639, 470, 0.01)};
  r[2].data_type = OGV_DATA_GREY_BAR;
  r[3].data_type = OGV_DATA_COLOUR_FLOW;
  r[4].unit_x = OGV_UNIT_S;
  r[4].unit_y = OGV_UNIT_NONE;
  ogv_regions_judge(r, 5, 480, 640);
  size_t i;
  ogv_error err;
  double inside[] = {110, 110, 190, 190}, left[] = {40, 50, 300, 400}, across[] = {300, 200, 400, 200},
         outside[] = {5, 5, 100, 100}, edge[] = {335.4, 30, 335.4, 40};
  assert_int_equal(ogv_region_for(r, 5, inside, 2, &i, &err), OGV_OK);
  assert_int_equal(i, 3); /* the smallest that holds all points */
  assert_int_equal(ogv_region_for(r, 5, left, 2, &i, &err), OGV_OK);
  assert_int_equal(i, 0);
  assert_int_equal(ogv_region_for(r, 5, edge, 2, &i, &err), OGV_OK);
  assert_int_equal(ogv_region_for(r, 5, across, 2, &i, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "different regions"));
  assert_int_equal(ogv_region_for(r, 5, outside, 2, &i, &err), OGV_E_CALIBRATION);
  assert_int_equal(ogv_region_for(r, 0, left, 2, &i, &err), OGV_E_CALIBRATION);
  ogv_region scaled = plain(0, 0, 900, 700, 0.03);
  ogv_regions_judge(&scaled, 1, 480, 640);
  assert_int_equal(ogv_region_for(&scaled, 1, left, 2, &i, &err), OGV_E_CALIBRATION);
  assert_non_null(strstr(err.what, "scaled or cropped"));
}

static void test_overlap(void **state) {
  (void)state;
  ogv_region r[2] = {plain(0, 0, 600, 400, 0.03), plain(100, 100, 200, 200, 0.033)};
  r[1].data_type = OGV_DATA_COLOUR_FLOW;
  ogv_regions_judge(r, 2, 600, 800);
  assert_non_null(strstr(r[0].note, "differ in scale"));
  assert_non_null(strstr(r[1].note, "differ in scale"));
  assert_true(r[0].calibration_sd > 0.04);
}

static void test_spacing(void **state) {
  (void)state;
  ogv_region r = ogv_region_from_spacing(0.25, 0.2, 600, 800); /* row spacing is along y */
  double mx, my;
  assert_int_equal(ogv_region_mm(&r, &mx, &my, NULL), OGV_OK);
  assert_true(fabs(mx - 0.2) < 1e-12 && fabs(my - 0.25) < 1e-12);
  assert_non_null(strstr(r.note, "0028,0030"));
  assert_true(r.calibration_sd > 0.01);
}

static void test_json(void **state) {
  (void)state;
  ogv_region r = plain(10, 20, 700, 500, 0.03), back;
  r.has_ref_y = true;
  r.ref_y = -4;
  r.correction_angle_deg = 30;
  judge(&r);
  json_t *v = ogv_region_to_json(&r);
  ogv_error err = {0};
  if (ogv_region_from_json(v, &back, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_int_equal(back.x1, 700);
  assert_true(back.delta_x == r.delta_x && back.calibration_sd == r.calibration_sd);
  assert_false(back.has_ref_x);
  assert_int_equal(back.ref_y, -4);
  assert_true(back.absolute_y && !back.absolute_x && back.measurable_x);
  assert_true(isnan(back.prf_hz) && back.correction_angle_deg == 30);
  static const char *const keys[] = {"box", "delta", "ref", "ref_value", "flags", "unit_x", "measurable"};
  for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
    json_t *w = json_deep_copy(v);
    json_object_set_new(w, keys[i], json_string("no"));
    assert_int_equal(ogv_region_from_json(w, &back, &err), OGV_E_INVALID);
    assert_non_null(strstr(err.what, keys[i]));
    json_decref(w);
  }
  /* a forged claim that a zero scale can be measured */
  json_object_set_new(v, "delta", json_pack("[f,f]", 0.0, 0.03));
  assert_int_equal(ogv_region_from_json(v, &back, &err), OGV_E_INVALID);
  json_decref(v);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_trusted),        cmocka_unit_test(test_box),      cmocka_unit_test(test_deltas),
      cmocka_unit_test(test_units_and_bars), cmocka_unit_test(test_absolute), cmocka_unit_test(test_choice),
      cmocka_unit_test(test_overlap),        cmocka_unit_test(test_spacing),  cmocka_unit_test(test_json)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
