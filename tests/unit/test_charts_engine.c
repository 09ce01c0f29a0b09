/* The engine itself: the normal distribution, chart files good and bad, caliper conventions, uncertainty, unit slips.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "charts_chart.h"

static void close_to(double a, double b, double relative) {
  if (!(fabs(a - b) <= relative * fabs(b))) fail_msg("%.17g is not %.17g within %g", a, b, relative);
}

/* Reference values: mpmath 1.2.1 (40 digits) for the distribution, scipy 1.10.1 (ndtri) for its inverse. */
static void normal_distribution(void **state) {
  (void)state;
  static const double cdf[][2] = {{0, 0.5},
                                  {-0.5, 0.30853753872598689636},
                                  {1, 0.84134474606854294859},
                                  {-3, 0.0013498980316300945267},
                                  {-6, 9.865876450376981407e-10},
                                  {6, 0.99999999901341235496},
                                  {-10, 7.619853024160526066e-24},
                                  {-20, 2.7536241186062336951e-89},
                                  {-37, 5.7255712225245768227e-300}};
  for (size_t i = 0; i < sizeof cdf / sizeof *cdf; i++) close_to(ogv_normal_cdf(cdf[i][0]), cdf[i][1], 1e-12);
  static const double quantile[][2] = {
      {0.03, -1.880793608151251},  {0.1, -1.2815515655446004},    {0.975, 1.959963984540054},
      {0.92, 1.4050715603096329},  {1e-5, -4.264890793922825},    {1e-9, -5.9978070150076865},
      {1e-20, -9.262340089798409}, {1e-100, -21.273453560965322}, {1e-300, -37.0470962993612}};
  for (size_t i = 0; i < sizeof quantile / sizeof *quantile; i++)
    close_to(ogv_normal_quantile(quantile[i][0]), quantile[i][1], 1e-12);
  assert_true(ogv_normal_quantile(0.5) == 0);
  assert_true(isinf(ogv_normal_quantile(0)) && isinf(ogv_normal_quantile(1)) && isnan(ogv_normal_quantile(1.1)));
  for (double z = -36; z < 6; z += 0.37) close_to(ogv_normal_quantile(ogv_normal_cdf(z)), z, 1e-9);
}

#define HEAD                                                                                                   \
  "{\"id\":\"t\",\"quantity\":\"hc\",\"title\":\"T\",\"citation\":\"C\",\"population\":\"P\",\"unit\":\"mm\"," \
  "\"status\":\"verified\",\"x\":{\"name\":\"gestational age\",\"unit\":\"d\",\"low\":98,\"high\":280,\"per\":7},"

static ogv_status parse(const char *text, ogv_chart **c, ogv_error *e) {
  return ogv_chart_parse(text, strlen(text), "test.json", c, e);
}

static void refused(const char *text, const char *word) {
  ogv_chart *c;
  ogv_error e;
  assert_int_not_equal(parse(text, &c, &e), OGV_OK);
  assert_null(c);
  if (!strstr(e.what, word)) fail_msg("\"%s\" does not say \"%s\"", e.what, word);
}

static void bad_files(void **state) {
  (void)state;
  refused("{", "line 1");
  refused("[]", "not a JSON object");
  refused("{}", "id");
  refused(HEAD "\"model\":\"wrong\"}", "model is none of");
  refused(HEAD "\"model\":\"normal\",\"mean\":5}", "sd");
  refused(HEAD "\"model\":\"normal\",\"mean\":5,\"sd\":-1}", "not above 0");
  refused(HEAD "\"model\":\"normal\",\"on\":\"ln\",\"mean\":5,\"sd\":1}", "do not fit");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"terms\":[[1,1,3]]},\"sd\":1}", "power of ln");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"terms\":[]},\"sd\":1}", "terms");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"terms\":[[\"x\"]]},\"sd\":1}", "term");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"terms\":[[1,1]],\"outer\":\"sin\"},\"sd\":1}", "sin");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"points\":[[14,1],[14,2]]},\"sd\":1}", "ascend");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"points\":[[14]]},\"sd\":1}", "point 1");
  refused(HEAD "\"model\":\"normal\",\"mean\":{\"terms\":[[1,1]],\"outer\":\"sqrt\",\"shift\":30},\"sd\":1}", "finite");
  refused(HEAD "\"model\":\"quantiles\"}", "missing");
  refused(HEAD "\"model\":\"quantiles\",\"quantiles\":[{\"q\":0.1,\"value\":1},{\"q\":0.9,\"value\":0.5}]}", "cross");
  refused(HEAD "\"model\":\"quantiles\",\"quantiles\":[{\"q\":0.9,\"value\":1},{\"q\":0.1,\"value\":2}]}", "ascend");
  refused(HEAD "\"model\":\"quantiles\",\"quantiles\":[{\"q\":0.6,\"value\":1},{\"q\":0.9,\"value\":2}]}", "enclose");
  refused(HEAD "\"model\":\"quantiles\",\"table\":{\"centiles\":[10,90],\"rows\":[[14,1]]}}", "as many numbers");
  refused(HEAD "\"model\":\"mixture\",\"components\":[{\"mean\":1,\"sd\":1}]}", "components");
  refused(HEAD "\"model\":\"median\",\"median\":0}", "median is not above 0");
  refused(HEAD "\"model\":\"median\",\"median\":1,\"value_per\":0}", "value_per");
  refused(HEAD "\"model\":\"median\",\"median\":1,\"value_per\":\"10\"}", "\"value_per\" must be a number");
  refused(HEAD "\"model\":\"median\",\"median\":1,\"z_limits\":2}", "no member \"z_limits\"");
  refused(HEAD "\"model\":\"median\",\"median\":{\"terms\":[[1,1]],\"time\":2}}", "no member \"time\"");
  refused(HEAD "\"model\":\"median\",\"median\":{\"points\":[[15,1],[40,2]]}}", "does not cover");
  refused(HEAD "\"model\":\"median\",\"median\":{\"points\":[[14,1],[39,2]]}}", "does not cover");
  refused(HEAD "\"model\":\"median\",\"median\":\"1\"}", "a number or an expression");
}

static void status_rules(void **state) {
  (void)state;
  ogv_chart *c;
  ogv_error e;
  char text[1000];
  const char *const head = HEAD "\"model\":\"median\",\"median\":1,\"default\":%s,\"enabled\":%s}";
  snprintf(text, sizeof text, head, "true", "true");
  assert_int_equal(parse(text, &c, &e), OGV_OK);
  ogv_chart_free(c);
  snprintf(text, sizeof text, head, "true", "false");
  refused(text, "default");
  char *word = strstr(text, "verified");
  memcpy(word, "verifyed", 8);
  refused(text, "status");
}

static const char normal_chart[] = HEAD
    "\"model\":\"normal\",\"mean\":{\"terms\":[[10,1]]},\"sd\":4,\"value_per\":10,"
    "\"convention\":\"outer-outer\"}";

/* mean 10 t in units of 10 mm: at 20 weeks 2000 mm, SD 40 mm. */
static void plain_numbers(void **state) {
  (void)state;
  ogv_chart *c;
  ogv_error e;
  ogv_chart_value v;
  double y;
  assert_int_equal(parse(normal_chart, &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 140, 2060, &v, &e), OGV_OK);
  close_to(v.z, 1.5, 1e-14);
  close_to(v.median, 2000, 1e-14);
  close_to(v.sd, 40, 1e-14);
  close_to(v.mom, 1.03, 1e-14);
  close_to(v.centile, 93.3192798731142, 1e-12); /* Phi(1.5), any table of the normal distribution */
  assert_int_equal(ogv_chart_at_centile(c, 140, 97.5, &y, &e), OGV_OK);
  close_to(y, 2000 + 40 * 1.959963984540054, 1e-13);
  ogv_chart_interval u;
  /* z = (y - 100 x/7)/40: 20 mm of the value are 0.5 z; 1.4 d of age are 20 mm. */
  assert_int_equal(ogv_chart_uncertainty(c, 140, 1.4, 2060, 20, &u, &e), OGV_OK);
  close_to(u.z_sd, sqrt(0.5), 1e-7);
  close_to(u.z_high - u.z_low, 2 * 1.959963984540054 * sqrt(0.5), 1e-7);
  close_to(u.centile_low, 100 * ogv_normal_cdf(u.z_low), 1e-12);
  assert_int_equal(ogv_chart_uncertainty(c, 98, 1.4, 1400, 0, &u, &e), OGV_OK); /* one-sided at the edge */
  close_to(u.z_sd, 0.5, 1e-6);
  assert_int_equal(ogv_chart_uncertainty(c, 140, -1, 2060, 20, &u, &e), OGV_E_INVALID);
  ogv_chart_free(c);
}

/* Where a row holds for a whole week, an uncertain age counts by the slope between rows, not by the stair beside it. */
static void stairs(void **state) {
  (void)state;
  ogv_chart *c;
  ogv_error e;
  ogv_chart_interval a, b;
  const char text[] = HEAD
      "\"model\":\"normal\",\"sd\":2,\"mean\":{\"between\":\"step\",\"points\":"
      "[[14,100],[15,110],[16,120],[17,130],[18,140]]}}";
  assert_int_equal(parse(text, &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_uncertainty(c, 112, 1.4, 120, 0, &a, &e), OGV_OK); /* the first day of a week */
  assert_int_equal(ogv_chart_uncertainty(c, 115, 1.4, 120, 0, &b, &e), OGV_OK); /* the middle of it */
  close_to(a.z_sd, 1, 1e-12); /* 10 a week are 2, or one SD, in 1.4 days */
  close_to(b.z_sd, 1, 1e-12);
  ogv_chart_free(c);
}

/* One is printed in its paper; the others were worked out by hand from the published equations. */
static void worked_examples(void **state) {
  (void)state;
  const ogv_chart *c;
  ogv_error e;
  ogv_chart_value v;
  assert_int_equal(ogv_chart_find("intergrowth-ua-pi", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 36 * 7 + 4, 1.00, &v, &e), OGV_OK);
  /* Worked example printed in Drukker L et al. Am J Obstet Gynecol 2020;222:602: mu 0.869660, z 0.8734, centile 80.9.
   */
  assert_true(fabs(v.median - 0.869660) < 1e-6 && fabs(v.z - 0.8734) < 5e-5 && fabs(v.centile - 80.9) < 0.05);
  assert_int_equal(ogv_chart_find("ciobanu2019-mca-pi", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 224, 1.40, &v, &e), OGV_OK);
  assert_true(fabs(v.z + 2.163) < 5e-4);
  assert_int_equal(ogv_chart_find("ciobanu2019-cpr", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 224, 1.12, &v, &e), OGV_OK);
  assert_true(fabs(v.z + 2.899) < 5e-4);
  double cpr_z = v.z;
  assert_int_equal(ogv_chart_find("ciobanu2019-ucr", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 224, 1 / 1.12, &v, &e), OGV_OK);
  close_to(v.z, -cpr_z, 1e-12);
  assert_int_equal(ogv_chart_default("mca-psv", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 196, 62, &v, &e), OGV_OK);
  assert_true(fabs(v.mom - 1.68) < 0.005 && isnan(v.z));
  assert_int_equal(ogv_chart_find("schneider2005-aortic-valve-ga", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 27 * 7 + 3, 4.8, &v, &e), OGV_OK);
  assert_true(fabs(v.z - 0.80) < 0.005);
  assert_int_equal(ogv_chart_find("krishnan2016-aortic-valve-ga", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_eval(c, 27 * 7 + 3, 4.8, &v, &e), OGV_OK);
  assert_true(fabs(v.z - 1.53) < 0.005);
}

static void finding(void **state) {
  (void)state;
  const ogv_chart *c;
  ogv_error e;
  assert_int_equal(ogv_chart_find("intergrowth-hd", &c, &e), OGV_E_NOT_FOUND);
  assert_non_null(strstr(e.todo, "intergrowth-hc"));
  assert_int_equal(ogv_chart_default("nuchal", &c, &e), OGV_E_NOT_FOUND);
  assert_int_equal(ogv_chart_for_formula("intergrowth2017-hc-ac", &c, &e), OGV_OK);
  assert_string_equal(ogv_chart_about(c)->id, "intergrowth-efw");
  assert_int_equal(ogv_chart_for_formula("hadlock1985-hc-ac-fl", &c, &e), OGV_OK);
  assert_string_equal(ogv_chart_about(c)->id, "intergrowth-efw-hadlock");
  assert_int_equal(ogv_chart_for_formula("shepard1982", &c, &e), OGV_E_NOT_FOUND);
}

static void conventions(void **state) {
  (void)state;
  const ogv_chart *c, *doppler;
  ogv_error e;
  ogv_convention k;
  assert_int_equal(ogv_chart_find("intergrowth-bpd", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_convention(c, "outer-outer", 50, &k, &e), OGV_OK);
  assert_true(k.fit == OGV_CONVENTION_SAME && k.value == 50 && !*k.note);
  assert_int_equal(ogv_chart_convention(c, "", 50, &k, &e), OGV_OK);
  assert_true(k.fit == OGV_CONVENTION_UNSTATED && k.value == 50 && *k.note);
  assert_int_equal(ogv_chart_convention(c, "outer-inner", 50, &k, &e), OGV_OK);
  /* Wong L et al. Australas J Ultrasound Med 2018;21:161-168: 50.0 outer-inner is 51.92 outer-outer. */
  assert_true(k.fit == OGV_CONVENTION_CONVERTED && fabs(k.value - 51.92) < 0.005 && k.slope == 1.027318);
  assert_non_null(strstr(k.note, "Wong"));
  assert_int_equal(ogv_chart_convention(c, "inner-inner", 50, &k, &e), OGV_E_CONFLICT);
  assert_int_equal(ogv_chart_find("intergrowth-hc", &c, &e), OGV_OK);
  assert_int_equal(ogv_chart_convention(c, "outer-inner", 170, &k, &e), OGV_E_CONFLICT);
  assert_int_equal(ogv_chart_find("ciobanu2019-cpr", &doppler, &e), OGV_OK);
  assert_int_equal(ogv_chart_convention(doppler, "outer-inner", 2, &k, &e), OGV_OK);
  assert_true(k.fit == OGV_CONVENTION_SAME);
}

static void slips(void **state) {
  (void)state;
  const ogv_chart *c;
  ogv_error e;
  assert_int_equal(ogv_chart_find("intergrowth-bpd", &c, &e), OGV_OK);
  assert_true(ogv_chart_slip(c, 140, 4.8) == 10); /* cm where mm is meant */
  assert_true(ogv_chart_slip(c, 140, 48) == 0);
  assert_true(ogv_chart_slip(c, 140, 36) == 0); /* far too small, but no factor of ten explains it */
  assert_int_equal(ogv_chart_find("who-efw", &c, &e), OGV_OK);
  assert_true(ogv_chart_slip(c, 224, 1.9) == 1000); /* kg */
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(normal_distribution),
                                     cmocka_unit_test(bad_files),
                                     cmocka_unit_test(status_rules),
                                     cmocka_unit_test(plain_numbers),
                                     cmocka_unit_test(stairs),
                                     cmocka_unit_test(worked_examples),
                                     cmocka_unit_test(finding),
                                     cmocka_unit_test(conventions),
                                     cmocka_unit_test(slips)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
