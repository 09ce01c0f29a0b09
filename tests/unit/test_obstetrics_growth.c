/* Growth over time: change, conditional centile, projection, estimating the correlation. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "obstetrics_growth.h"

static const ogv_chart *chart(const char *id) {
  const ogv_chart *c;
  ogv_error err = {0};
  if (ogv_chart_find(id, &c, &err) != OGV_OK) fail_msg("%s", err.what);
  return c;
}

static ogv_growth_point at_z(const ogv_chart *c, double ga, double z, double sd) {
  ogv_growth_point p = {ga, 0, sd};
  assert_int_equal(ogv_chart_at_z(c, ga, z, &p.value, NULL), OGV_OK);
  return p;
}

static ogv_correlation with_r(const char *id, double r, double weeks) {
  ogv_correlation k = {.r0 = 1,
                       .tau_weeks = -weeks / log(r),
                       .mean = 0,
                       .sd = 1,
                       .ga_low = 98,
                       .ga_high = 280,
                       .interval_low = 14,
                       .interval_high = 180,
                       .fetuses = 400};
  snprintf(k.chart, sizeof k.chart, "%s", id);
  return k;
}

/* Royston 1995, worked: z1 -0.5, z2 -1.5, r 0.75: conditional z -1.70, the 4.5th centile. */
static void conditional_centile(void **state) {
  (void)state;
  const ogv_chart *c = chart("intergrowth-hc");
  ogv_growth_point a = at_z(c, 168, -0.5, NAN), b = at_z(c, 196, -1.5, NAN);
  ogv_correlation k = with_r("intergrowth-hc", 0.75, 4);
  ogv_growth_change g;
  assert_int_equal(ogv_growth_between(c, &a, &b, 0, &k, &g, NULL), OGV_OK);
  assert_true(g.conditional && fabs(g.r - 0.75) < 1e-12);
  assert_true(fabs(g.z_conditional + 1.70) < 0.005 && fabs(g.centile_conditional - 4.5) < 0.06);
  assert_true(fabs(g.dz + 1) < 1e-9 && isnan(g.p_measurement));
  assert_int_equal(ogv_growth_between(c, &a, &b, 0, NULL, &g, NULL), OGV_OK);
  assert_true(!g.conditional && isnan(g.z_conditional));
  assert_int_equal(ogv_growth_between(chart("intergrowth-ac"), &a, &b, 0, &k, &g, NULL), OGV_E_CONFLICT);
}

static void measurement_part_and_velocity(void **state) {
  (void)state;
  const ogv_chart *c = chart("intergrowth-hc");
  ogv_growth_point a = at_z(c, 168, 1, 3.0), b = at_z(c, 196, -1, 4.0);
  ogv_growth_change g;
  ogv_chart_value v1, v2;
  ogv_chart_eval(c, 168, a.value, &v1, NULL);
  ogv_chart_eval(c, 196, b.value, &v2, NULL);
  assert_int_equal(ogv_growth_between(c, &a, &b, 0, NULL, &g, NULL), OGV_OK);
  /* the chart is normal, so u(z) = u(x)/SD */
  assert_true(fabs(g.dz_sd_measurement - hypot(3 / v1.sd, 4 / v2.sd)) < 1e-6);
  assert_true(fabs(g.p_measurement - erfc(2 / g.dz_sd_measurement / sqrt(2))) < 1e-9);
  assert_true(fabs(g.velocity - (b.value - a.value) / 4) < 1e-12 && fabs(g.velocity_sd - 5 / 4.0) < 1e-12);
  assert_true(fabs(g.velocity_expected - (v2.median - v1.median) / 4) < 1e-12);
  assert_true(g.dz_sd_dating == 0);
  assert_int_equal(ogv_growth_between(c, &a, &b, 5, NULL, &g, NULL), OGV_OK);
  assert_true(g.dz_sd_dating > 0 && g.dz_sd_dating < 1);
}

/* A fetus from the 85th to the 30th centile: each is normal alone, the fall is not. */
static void crossing_is_caught(void **state) {
  (void)state;
  const ogv_chart *c = chart("intergrowth-efw-hadlock");
  double w[3];
  const double ga[3] = {196, 217, 238}, centile[3] = {60, 85, 30};
  ogv_growth_point p[3];
  for (int i = 0; i < 3; i++) {
    assert_int_equal(ogv_chart_at_centile(c, ga[i], centile[i], &w[i], NULL), OGV_OK);
    p[i] = (ogv_growth_point){ga[i], w[i], 0.02 * w[i]};
  }
  ogv_growth_change g;
  size_t from;
  assert_int_equal(ogv_growth_largest_fall(c, p, 3, 0, NULL, &from, &g, NULL), OGV_OK);
  assert_int_equal(from, 1);
  assert_true(g.crosses && fabs(g.centile_fall - 55) < 1e-6 && g.bands_crossed == 2 && g.p_measurement < 0.01);
  assert_int_equal(ogv_growth_between(c, &p[0], &p[2], 0, NULL, &g, NULL), OGV_OK);
  assert_false(g.crosses);
}

static void short_intervals_are_refused_or_flagged(void **state) {
  (void)state;
  const ogv_chart *c = chart("intergrowth-ac");
  ogv_growth_point a = at_z(c, 200, 0, 5);
  ogv_growth_change g;
  ogv_error err = {0};
  const int days[] = {0, 13, 14, 20, 21};
  for (size_t i = 0; i < 5; i++) {
    ogv_growth_point b = at_z(c, 200 + days[i], -0.3, 5);
    ogv_status s = ogv_growth_between(c, &a, &b, 0, NULL, &g, &err);
    assert_int_equal(s, days[i] < 14 ? OGV_E_RANGE : OGV_OK);
    if (s == OGV_OK) assert_int_equal(g.short_interval, days[i] < 21);
  }
  ogv_growth_point late = {290, 350, 5};
  assert_int_equal(ogv_growth_between(c, &a, &late, 0, NULL, &g, &err), OGV_E_RANGE);
  assert_int_equal(ogv_growth_between(chart("wright2008-nt"), &a, &late, 0, NULL, &g, &err), OGV_E_INVALID);
}

/* Hadlock 1991, SD proportional to the median, so the same z keeps the ratio: 1500 g at 32w0d is 2780 g at 40w0d
 * (worked). */
static void projection_to_term(void **state) {
  (void)state;
  const ogv_chart *c = chart("hadlock1991-sd127");
  ogv_growth_point p = {224, 1500, 90};
  ogv_growth_projection g;
  assert_int_equal(ogv_growth_project(c, &p, 280, NULL, &g, NULL), OGV_OK);
  assert_true(fabs(g.value - 2780) < 1 && !g.conditional && strstr(g.note, "measurement alone"));
  assert_true(fabs((g.high - g.low) / (2 * 1.96) - 90.0 * 2780 / 1500) < 1);
  ogv_correlation k = with_r("hadlock1991-sd127", 0.5, 8);
  k.ga_low = 70;
  assert_int_equal(ogv_growth_project(c, &p, 280, &k, &g, NULL), OGV_OK);
  assert_true(g.conditional && g.value > 2780 && fabs(g.z_sd - sqrt(0.75)) < 1e-9);
  p.sd = NAN;
  assert_int_equal(ogv_growth_project(c, &p, 280, NULL, &g, NULL), OGV_OK);
  assert_true(isnan(g.low) && strstr(g.note, "no interval"));
  assert_int_equal(ogv_growth_project(c, &p, 224, NULL, &g, NULL), OGV_E_INVALID);
  assert_int_equal(ogv_growth_project(c, &p, 300, NULL, &g, NULL), OGV_E_RANGE);
}

static double normal(void) { /* Box-Muller on a fixed stream */
  double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = (rand() + 1.0) / (RAND_MAX + 2.0);
  return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* Fetuses simulated from the model itself (nugget and exponential decay): the estimate finds the truth within 3 SE. */
static void correlation_is_recovered(void **state) {
  (void)state;
  enum { FETUSES = 600, SCANS = 3 };
  const double r0 = 0.9, tau = 15;
  static ogv_growth_record r[FETUSES * SCANS];
  srand(7);
  for (int f = 0; f < FETUSES; f++) {
    double latent = normal(), weeks = 20 + 4 * (rand() / (double)RAND_MAX);
    for (int s = 0; s < SCANS; s++) {
      double gap = 3 + 5 * (rand() / (double)RAND_MAX), rho = exp(-gap / tau);
      if (s) latent = rho * latent + sqrt(1 - rho * rho) * normal(), weeks += gap;
      r[f * SCANS + s] =
          (ogv_growth_record){(size_t)f, weeks * 7, 0.2 + 1.1 * (sqrt(r0) * latent + sqrt(1 - r0) * normal())};
    }
  }
  ogv_correlation_fit fit, again;
  assert_int_equal(ogv_correlation_estimate("intergrowth-ac", r, FETUSES * SCANS, &fit, NULL), OGV_OK);
  assert_true(fabs(fit.correlation.mean - 0.2) < 0.12 && fabs(fit.correlation.sd - 1.1) < 0.08);
  double want = r0 * exp(-4 / tau);
  if (fabs(fit.r_at_4_weeks - want) > 3 * fit.r_at_4_weeks_se)
    fail_msg("r(4 weeks) %.3f +- %.3f, truth %.3f", fit.r_at_4_weeks, fit.r_at_4_weeks_se, want);
  assert_true(fit.r_at_4_weeks_se > 0.005 && fit.r_at_4_weeks_se < 0.06);
  assert_true(fit.correlation.fetuses == FETUSES && fit.correlation.pairs == FETUSES * 3);
  assert_int_equal(ogv_correlation_estimate("intergrowth-ac", r, FETUSES * SCANS, &again, NULL), OGV_OK);
  assert_memory_equal(&fit.correlation.r0, &again.correlation.r0, sizeof(double)); /* same input, same answer */
  json_t *v = ogv_correlation_to_json(&fit.correlation);
  ogv_correlation back;
  assert_int_equal(ogv_correlation_from_json(v, "test", &back, NULL), OGV_OK);
  assert_true(back.r0 == fit.correlation.r0 && back.tau_weeks == fit.correlation.tau_weeks &&
              !strcmp(back.chart, "intergrowth-ac"));
  json_decref(v);
  ogv_error err = {0};
  assert_int_equal(ogv_correlation_estimate("intergrowth-ac", r, 99 * SCANS, &fit, &err), OGV_E_RANGE);
  assert_non_null(strstr(err.what, "99 fetuses"));
}

static void no_correlation_is_built_in(void **state) {
  (void)state;
  ogv_correlation k;
  for (size_t i = 0; ogv_chart_at(i); i++)
    assert_int_equal(ogv_correlation_find(ogv_chart_about(ogv_chart_at(i))->id, &k, NULL), OGV_E_NOT_FOUND);
  assert_int_equal(ogv_correlation_find("../secret", &k, NULL), OGV_E_INVALID);
}

int main(void) {
  unsetenv("OGIVE_DATA");
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(conditional_centile),        cmocka_unit_test(measurement_part_and_velocity),
      cmocka_unit_test(crossing_is_caught),         cmocka_unit_test(short_intervals_are_refused_or_flagged),
      cmocka_unit_test(projection_to_term),         cmocka_unit_test(correlation_is_recovered),
      cmocka_unit_test(no_correlation_is_built_in),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
