/* Doppler indices, volumes and ratios against worked values. Sources are named beside each group. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "charts_chart.h"
#include "obstetrics_doppler.h"
#include "obstetrics_ratio.h"

#define NEAR(x, want, tolerance)                                                                            \
  do {                                                                                                      \
    double near_x = (x), near_w = (want);                                                                   \
    if (!(fabs(near_x - near_w) <= (tolerance))) fail_msg("%s = %.6f, should be %.6f", #x, near_x, near_w); \
  } while (0)
#define DEG (3.14159265358979323846 / 180)

/* ISUOG 2021 definitions (doi 10.1002/uog.23698), worked by hand: a wave rising and falling linearly between 20 and 50
 * cm/s has a mean of 35; and reversed diastolic flow. Identity RI = 1 - 1/(S/D). */
static void arterial_indices(void **state) {
  (void)state;
  ogv_artery a = {50, 20, 35, 1, 1, 1, NAN};
  ogv_artery_indices i;
  assert_int_equal(ogv_doppler_artery(&a, &i, NULL), OGV_OK);
  NEAR(i.pi, 0.857, 0.0005);
  NEAR(i.ri, 0.600, 1e-12);
  NEAR(i.sd_ratio, 2.5, 1e-12);
  NEAR(i.ri, 1 - 1 / i.sd_ratio, 1e-12);
  assert_int_equal(i.diastole, OGV_FLOW_FORWARD);
  NEAR(i.pi_sd, hypot(sqrt(2) / 35, i.pi / 35), 1e-12);
  a = (ogv_artery){40, -5, 15, NAN, NAN, NAN, 1.1};
  assert_int_equal(ogv_doppler_artery(&a, &i, NULL), OGV_OK);
  NEAR(i.pi, 3.0, 1e-12);
  NEAR(i.ri, 1.125, 1e-12);
  assert_true(isnan(i.sd_ratio) && isnan(i.pi_sd) && strstr(i.note, "reversed"));
  a = (ogv_artery){40, 0.5, NAN, NAN, NAN, NAN, 1.1};
  assert_int_equal(ogv_doppler_artery(&a, &i, NULL), OGV_OK);
  assert_int_equal(i.diastole, OGV_FLOW_ABSENT);
  assert_true(isnan(i.pi) && isnan(i.sd_ratio));
  a.filter_cm_s = NAN; /* the filter may hide the flow: not called absent */
  assert_int_equal(ogv_doppler_artery(&a, &i, NULL), OGV_OK);
  assert_int_equal(i.diastole, OGV_FLOW_UNKNOWN);
  const ogv_artery bad[] = {{0, 0, 1}, {-40, -50, 10}, {40, 50, 45}, {40, 10, 45}, {NAN, 10, 20}, {40, 10, -3}};
  for (size_t k = 0; k < sizeof bad / sizeof *bad; k++)
    assert_int_equal(ogv_doppler_artery(&bad[k], &i, NULL), OGV_E_INVALID);
}

/* Hecher 1994 (doi 10.1046/j.1469-0705.1994.04050381.x): S 60, D 52, a 30, mean 50. */
static void venous_indices(void **state) {
  (void)state;
  ogv_vein v = {60, 52, 30, 50, NAN};
  ogv_vein_indices i;
  assert_int_equal(ogv_doppler_vein(&v, &i, NULL), OGV_OK);
  NEAR(i.piv, 0.600, 1e-12);
  NEAR(i.pvi, 0.577, 0.0005);
  NEAR(i.preload, 0.5, 1e-12);
  NEAR(i.sa, 2.0, 1e-12);
  v.a = -6;
  assert_int_equal(ogv_doppler_vein(&v, &i, NULL), OGV_OK);
  assert_int_equal(i.a_wave, OGV_FLOW_REVERSED);
  assert_true(isnan(i.sa));
}

/* Doppler equation with 1540 m/s (Evans & McDicken 2000), worked; the table of angle errors of the same text. */
static void physics(void **state) {
  (void)state;
  NEAR(ogv_doppler_velocity(1300, 5e6, 0), 20.02, 0.005);
  NEAR(ogv_doppler_velocity(1300, 5e6, 60 * DEG), 40.04, 0.005);
  NEAR(ogv_nyquist_velocity(4000, 3.5e6, 0), 44.0, 0.05);
  NEAR(ogv_recorrect_velocity(1, 30 * DEG, 45 * DEG), 1.2247, 0.00005);
  NEAR(ogv_wall_filter_velocity(50, 3.5e6, 0), 1.10, 0.005);
  static const double rows[][4] = {{10, -1.5, 2.0, -1.1},   {20, -6.0, 3.7, -2.7},    {30, -13.4, 5.7, -4.4},
                                   {45, -29.3, 10.0, -7.7}, {60, -50.0, 18.3, -12.8}, {70, -65.8, 32.1, -19.1}};
  for (size_t i = 0; i < 6; i++) {
    double a = rows[i][0] * DEG;
    NEAR(100 * (ogv_recorrect_velocity(1, a, 0) - 1), rows[i][1], 0.06);
    NEAR(100 * (ogv_recorrect_velocity(1, a, a + 5 * DEG) - 1), rows[i][2], 0.06);
    NEAR(100 * (ogv_recorrect_velocity(1, a, a - 5 * DEG) - 1), rows[i][3], 0.06);
  }
  bool flag;
  assert_int_equal(ogv_doppler_angle_check(61 * DEG, false, &flag, NULL), OGV_E_CALIBRATION);
  assert_int_equal(ogv_doppler_angle_check(25 * DEG, true, &flag, NULL), OGV_OK);
  assert_true(flag);
  assert_int_equal(ogv_doppler_angle_check(25 * DEG, false, &flag, NULL), OGV_OK);
  assert_false(flag);
}

static void end_diastole_of_a_strip(void **state) {
  (void)state;
  const double forward[] = {9, 8, 10, 9}, absent[] = {0.3, -0.5, 0.9}, mixed[] = {3, 0.2, -4, 2};
  ogv_flow f;
  size_t n[3];
  bool sure;
  assert_int_equal(ogv_doppler_strip(forward, 4, 1.1, 0.2, &f, n, &sure, NULL), OGV_OK);
  assert_true(f == OGV_FLOW_FORWARD && sure);
  assert_int_equal(ogv_doppler_strip(absent, 3, 1.1, 0.2, &f, n, &sure, NULL), OGV_OK);
  assert_int_equal(f, OGV_FLOW_ABSENT);
  assert_int_equal(ogv_doppler_strip(mixed, 4, 1.1, 0.2, &f, n, &sure, NULL), OGV_OK);
  assert_true(f == OGV_FLOW_INTERMITTENT && n[0] == 2 && n[1] == 1 && n[2] == 1);
  assert_int_equal(ogv_doppler_strip(forward, 2, 1.1, 0.2, &f, n, &sure, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_doppler_strip(mixed, 4, NAN, 0.2, &f, n, &sure, NULL), OGV_OK);
  assert_false(sure);
}

/* Mari 2000 (doi 10.1056/NEJM200001063420102): printed medians 23.2, 30.7, 40.5, 53.5, 64.4 cm/s at 18, 24, 30, 36, 40
 * weeks; 62 cm/s at 28w0d is 1.68 MoM; predicted haemoglobin at 1.5 MoM is 0.669 of the median (worked). */
static void middle_cerebral_peak(void **state) {
  (void)state;
  static const double rows[][2] = {{18, 23.2}, {24, 30.7}, {30, 40.5}, {36, 53.5}, {40, 64.4}};
  ogv_mca_psv m;
  for (size_t i = 0; i < 5; i++) {
    assert_int_equal(ogv_mca_psv_grade(rows[i][0] * 7, 50, NAN, &m, NULL), OGV_OK);
    NEAR(m.median, rows[i][1], 0.0501);
  }
  assert_int_equal(ogv_mca_psv_grade(196, 62, 3, &m, NULL), OGV_OK);
  NEAR(m.mom, 1.68, 0.005);
  assert_string_equal(m.grade, "severe");
  NEAR(m.mom_sd, 3 / m.median, 1e-12);
  assert_int_equal(ogv_mca_psv_grade(196, 1.5 * m.median, NAN, &m, NULL), OGV_OK);
  NEAR(m.hb_mom, 0.669, 0.0005);
  assert_string_equal(m.grade, "moderate");
  assert_int_equal(ogv_mca_psv_grade(100, 30, NAN, &m, NULL), OGV_E_RANGE);
}

/* Sphere of 10 mm radius in 20 slices: true 4.18879 mL; each rule by its own closed form (geometry). Ellipsoid 60 45
 * 50: 70.69. */
static void volumes(void **state) {
  (void)state;
  double mid[20], border[21], d[20], ml;
  for (int i = 0; i <= 20; i++) {
    double x = -10 + i, y = x + 0.5;
    border[i] = M_PI * (100 - x * x);
    if (i < 20) mid[i] = M_PI * (100 - y * y), d[i] = 2 * sqrt(100 - y * y);
  }
  NEAR(ogv_volume_ellipsoid(60, 45, 50), 70.69, 0.005);
  NEAR(ogv_volume_prolate(20, 20), 4.18879, 5e-6);
  assert_int_equal(ogv_volume_slices(mid, 20, 1, OGV_SLICES_MIDPOINT, &ml, NULL), OGV_OK);
  NEAR(ml, 4.19403, 5e-6);
  assert_int_equal(ogv_volume_slices(border, 21, 1, OGV_SLICES_TRAPEZOID, &ml, NULL), OGV_OK);
  NEAR(ml, 4.17832, 5e-6);
  assert_int_equal(ogv_volume_slices(border, 21, 1, OGV_SLICES_SIMPSON, &ml, NULL), OGV_OK);
  NEAR(ml, 4.18879, 5e-6);
  assert_int_equal(ogv_volume_slices(border, 21, 1, OGV_SLICES_FRUSTUM, &ml, NULL), OGV_OK);
  NEAR(ml, 4.15250, 5e-6);
  assert_int_equal(ogv_volume_discs(d, NULL, 20, 20, &ml, NULL), OGV_OK);
  NEAR(ml, 4.19403, 5e-6);
  assert_int_equal(ogv_volume_slices(border, 20, 1, OGV_SLICES_SIMPSON, &ml, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_volume_slices(border, 21, 0, OGV_SLICES_SIMPSON, &ml, NULL), OGV_E_INVALID);
  NEAR(ogv_vein_flow(6, 20, 0, 0, NULL), 170, 0.5); /* D 0.6 cm, 20 cm/s: 170 mL/min (worked) */
  NEAR(ogv_stroke_volume(10, 6) * 145, 410, 0.5);   /* VTI 10 cm, d 0.6 cm, 145/min: 410 mL/min (worked) */
}

/* Wong 2018 (doi 10.1002/ajum.12091): 50.0 oi -> 51.92 oo. Doubilet & Greenes 1984: 48, 62 -> 48.50. Hadlock 1981
 * (doi 10.2214/ajr.137.1.83): cephalic index 78.3, 74 to 83. The chart engine's conversion must be the same one. */
static void ratios_and_conversions(void **state) {
  (void)state;
  double oo, oi;
  bool converted;
  assert_int_equal(ogv_bpd_convert(50, "outer-inner", "outer-outer", &oo, &converted, NULL), OGV_OK);
  NEAR(oo, 51.92, 0.005);
  assert_true(converted);
  assert_int_equal(ogv_bpd_convert(50, "outer-outer", "outer-outer", &oo, &converted, NULL), OGV_OK);
  assert_true(oo == 50 && !converted);
  assert_int_equal(ogv_bpd_convert(50, "outer-outer", "mid-mid", &oo, NULL, NULL), OGV_E_INVALID);
  NEAR(ogv_bpd_corrected(48, 62), 48.50, 0.005);
  NEAR(ogv_circumference_from_diameters(50, 65), 180.64, 0.005);
  const ogv_chart *c;
  ogv_convention k;
  assert_int_equal(ogv_chart_find("hadlock1984-bpd", &c, NULL), OGV_OK);
  assert_int_equal(ogv_chart_convention(c, "outer-outer", 50, &k, NULL), OGV_OK);
  assert_int_equal(ogv_bpd_convert(50, "outer-outer", "outer-inner", &oi, NULL, NULL), OGV_OK);
  NEAR(k.value, oi, 1e-12);
  ogv_ratio r;
  assert_int_equal(ogv_ratio_of("ci", 48, 0.5, 62, 0.5, 140, &r, NULL), OGV_OK);
  NEAR(r.value, 77.42, 0.005);
  NEAR(r.sd, r.value * hypot(0.5 / 48, 0.5 / 62), 1e-12);
  assert_string_equal(r.note, "");
  assert_int_equal(ogv_ratio_of("ci", 43, NAN, 62, NAN, 140, &r, NULL), OGV_OK);
  assert_non_null(strstr(r.note, "misdates"));
  assert_int_equal(ogv_ratio_of("cpr", 1.4, NAN, 1.25, NAN, 224, &r, NULL), OGV_OK);
  NEAR(r.value, 1.12, 1e-12);
  assert_int_equal(ogv_ratio_of("fl-ac", 60, NAN, 0, NAN, 224, &r, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_ratio_of("nose-ear", 1, NAN, 1, NAN, 224, &r, NULL), OGV_E_NOT_FOUND);
  double sd;
  NEAR(ogv_uterine_mean_pi(1.2, 0.8, 0.1, 0.1, &sd), 1.0, 1e-12);
  NEAR(sd, 0.0707, 0.0001);
}

/* 800 grey voxels, 100 of colour 20, 100 of colour 60: VI 20, FI 40, VFI 8 (worked; VFI = VI FI / 100). Axis: a heart
 * turned by 45 degrees to the left, in a picture and in its mirror image (geometry). */
static void colour_and_heart(void **state) {
  (void)state;
  size_t colour[101] = {0};
  ogv_colour_indices c;
  colour[20] = colour[60] = 100;
  assert_int_equal(ogv_colour_indices_of(800, colour, &c, NULL), OGV_OK);
  NEAR(c.vi, 20, 1e-12);
  NEAR(c.fi, 40, 1e-12);
  NEAR(c.vfi, 8, 1e-12);
  colour[20] = colour[60] = 0;
  assert_int_equal(ogv_colour_indices_of(800, colour, &c, NULL), OGV_OK);
  assert_true(c.vi == 0 && c.vfi == 0 && isnan(c.fi));
  assert_int_equal(ogv_colour_indices_of(0, colour, &c, NULL), OGV_E_INVALID);
  double mpi, deg;
  assert_int_equal(ogv_myocardial_performance(30, 42, 200, &mpi, NULL), OGV_OK);
  NEAR(mpi, 0.36, 1e-12);
  assert_int_equal(ogv_myocardial_performance(30, 42, 0, &mpi, NULL), OGV_E_INVALID);
  const double spine[2] = {50, 90}, sternum[2] = {50, 10}, crux[2] = {50, 50}, apex[2] = {70, 30}, left[2] = {80, 60};
  assert_int_equal(ogv_cardiac_axis(spine, sternum, crux, apex, left, &deg, NULL), OGV_OK);
  NEAR(deg, 45, 1e-9);
  const double apex_m[2] = {30, 30}, left_m[2] = {20, 60}, midline[2] = {50, 30};
  assert_int_equal(ogv_cardiac_axis(spine, sternum, crux, apex_m, left_m, &deg, NULL), OGV_OK);
  NEAR(deg, 45, 1e-9);
  assert_int_equal(ogv_cardiac_axis(spine, sternum, crux, apex_m, left, &deg, NULL), OGV_OK);
  NEAR(deg, -45, 1e-9);
  assert_int_equal(ogv_cardiac_axis(spine, sternum, crux, apex, midline, &deg, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_cardiac_axis(spine, spine, crux, apex, left, &deg, NULL), OGV_E_INVALID);
  NEAR(ogv_funnelling(10, 30), 25, 1e-12);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(arterial_indices),
      cmocka_unit_test(venous_indices),
      cmocka_unit_test(physics),
      cmocka_unit_test(end_diastole_of_a_strip),
      cmocka_unit_test(middle_cerebral_peak),
      cmocka_unit_test(colour_and_heart),
      cmocka_unit_test(volumes),
      cmocka_unit_test(ratios_and_conversions),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
