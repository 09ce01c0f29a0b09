/* The redating rules, the combined estimate and bad input. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "obstetrics_dating.h"

static ogv_date day(const char *text) {
  ogv_date d;
  assert_int_equal(ogv_date_parse(text, &d, NULL), OGV_OK);
  return d;
}

#define START "2024-01-01"
static ogv_dating_evidence period(void) {
  return (ogv_dating_evidence){.basis = OGV_DATING_LMP, .date = day(START), .cycle_days = 28, .certain = true};
}

/* A scan whose estimate is made up, so that the rule is tested apart from the formulas. */
static void scan(ogv_dating_basis basis, int lmp_age, int scan_age, ogv_dating_evidence *e, ogv_dating_estimate *s) {
  *e = (ogv_dating_evidence){.basis = basis, .date = day(START) + lmp_age, .value_mm = 30};
  *s = (ogv_dating_estimate){
      .edd = e->date + 280 - scan_age, .ga_days_at_date = scan_age, .sd_days = 3, .formula = "test"};
}

static ogv_dating_choice choose(const char *rule, const ogv_dating_evidence *e, const ogv_dating_estimate *s,
                                size_t n) {
  ogv_dating_choice c;
  ogv_error err = {0};
  if (ogv_dating_choose(rule, e, s, n, &c, &err) != OGV_OK) fail_msg("%s", err.what);
  return c;
}

/* ACOG Committee Opinion 700 (doi 10.1097/AOG.0000000000002046): at both ends of every band, a difference of exactly
 * the limit keeps the period, one day more redates, on either side. */
static void acog_bands_to_the_day(void **state) {
  (void)state;
  char path[1024], line[256];
  snprintf(path, sizeof path, "%s/tests/published/tables/dating-redating-thresholds.csv", getenv("SOURCE_ROOT"));
  FILE *f = fopen(path, "r");
  assert_non_null(f);
  int bands = 0;
  while (fgets(line, sizeof line, f)) {
    int from, to, limit;
    char basis[40];
    if (sscanf(line, "%d,%d,%*[^,],,%39[^,],%d", &from, &to, basis, &limit) != 4 &&
        sscanf(line, "%d,%d,%*[^,],%*[^,],%39[^,],%d", &from, &to, basis, &limit) != 4)
      continue;
    bands++;
    for (int k = 0; k < 4; k++) {
      int age = k & 1 ? (to > 290 ? 290 : to) : (from < 42 ? 42 : from), sign = k & 2 ? 1 : -1;
      for (int more = 0; more <= 1; more++) {
        ogv_dating_evidence e[2] = {period()};
        ogv_dating_estimate s[2];
        assert_int_equal(ogv_dating_estimate_from(&e[0], &s[0], NULL), OGV_OK);
        scan(!strcmp(basis, "CRL") ? OGV_DATING_CRL : OGV_DATING_BIOMETRY, age, age + sign * (limit + more), &e[1],
             &s[1]);
        ogv_dating_choice c = choose("acog700", e, s, 2);
        if (c.chosen != (size_t)more) fail_msg("%s -> %s", line, c.reason);
        assert_int_equal(c.limit_days, limit);
        assert_int_equal(abs(c.difference_days), limit + more);
        assert_non_null(strstr(c.reason, "acog700"));
      }
    }
  }
  fclose(f);
  assert_int_equal(bands, 6);
}

/* Worked: by period 8w6d, scan 8w1d keep, 8w0d redate; by period 16w0d, scan 14w5d keep, 14w3d redate. */
static void acog_worked_examples(void **state) {
  (void)state;
  static const int rows[][3] = {{62, 57, 0}, {62, 56, 1}, {112, 103, 0}, {112, 101, 1}};
  for (size_t i = 0; i < 4; i++) {
    ogv_dating_evidence e[2] = {period()};
    ogv_dating_estimate s[2];
    ogv_dating_estimate_from(&e[0], &s[0], NULL);
    scan(rows[i][0] < 98 ? OGV_DATING_CRL : OGV_DATING_BIOMETRY, rows[i][0], rows[i][1], &e[1], &s[1]);
    assert_int_equal(choose(NULL, e, s, 2).chosen, rows[i][2]);
  }
}

/* SD 6 and SD 3, one day apart: combined SD sqrt(36*9/45) = 2.683, the mean lies 0.8 d from the period. */
static void a_confirmed_period_is_surer(void **state) {
  (void)state;
  ogv_dating_evidence e[2] = {period()};
  ogv_dating_estimate s[2];
  ogv_dating_estimate_from(&e[0], &s[0], NULL);
  scan(OGV_DATING_CRL, 80, 79, &e[1], &s[1]);
  ogv_dating_choice c = choose("acog700", e, s, 2);
  assert_int_equal(c.chosen, 0);
  assert_true(fabs(c.sd_days - hypot(sqrt(36 * 9 / 45.0), 0.8)) < 1e-9);
  assert_true(fabs(choose("acog700", e, s, 1).sd_days - 6) < 1e-9);
}

static void what_stands_is_never_moved_by_a_scan(void **state) {
  (void)state;
  ogv_dating_evidence e[3] = {period(), {.basis = OGV_DATING_TRANSFER, .date = day(START) + 19, .embryo_age_days = 5}};
  ogv_dating_estimate s[3];
  for (int i = 0; i < 2; i++) assert_int_equal(ogv_dating_estimate_from(&e[i], &s[i], NULL), OGV_OK);
  scan(OGV_DATING_CRL, 80, 65, &e[2], &s[2]);
  const char *rules[] = {"acog700", "scan-always"};
  for (int k = 0; k < 2; k++) {
    ogv_dating_choice c = choose(rules[k], e, s, 3);
    assert_int_equal(c.chosen, 1);
    assert_non_null(strstr(c.reason, "differs by +15 days"));
  }
  e[1] = (ogv_dating_evidence){.basis = OGV_DATING_EDD, .date = day(START) + 283};
  assert_int_equal(ogv_dating_estimate_from(&e[1], &s[1], NULL), OGV_OK);
  assert_int_equal(choose("acog700", e, s, 3).chosen, 1);
}

static void first_good_scan_decides(void **state) {
  (void)state;
  ogv_dating_evidence e[4];
  ogv_dating_estimate s[4];
  scan(OGV_DATING_BIOMETRY, 140, 150, &e[0], &s[0]);
  scan(OGV_DATING_CRL, 85, 80, &e[1], &s[1]);
  scan(OGV_DATING_CRL, 50, 45, &e[2], &s[2]);
  scan(OGV_DATING_CRL, 85, 83, &e[3], &s[3]); /* the other twin, larger */
  e[2].value_mm = 5;
  assert_int_equal(choose("scan-always", e, s, 4).chosen, 3); /* under 10 mm only if there is no better one */
  assert_int_equal(choose("acog700", e, s, 4).chosen, 2);     /* the earliest */
  s[1].sd_days = s[2].sd_days = s[3].sd_days = -1;
  assert_int_equal(choose("acog700", e, s, 4).chosen, 0);
  e[0].date += 100;
  s[0].ga_days_at_date += 100;
  ogv_dating_choice c = choose("acog700", e, s, 4);
  assert_true(c.suboptimal && strstr(c.reason, "suboptimally"));
}

static void a_long_crl_is_the_last_resort(void **state) {
  (void)state;
  ogv_dating_evidence e[2];
  ogv_dating_estimate s[2];
  scan(OGV_DATING_CRL, 100, 101, &e[0], &s[0]);
  scan(OGV_DATING_BIOMETRY, 105, 104, &e[1], &s[1]);
  e[0].value_mm = 88;
  assert_int_equal(choose("acog700", e, s, 2).chosen, 1);
  ogv_dating_choice c = choose("acog700", e, s, 1);
  assert_true(c.chosen == 0 && strstr(c.reason, "HC is better"));
}

static void uncertain_period_yields_to_a_scan(void **state) {
  (void)state;
  ogv_dating_evidence e[2] = {period()};
  ogv_dating_estimate s[2];
  e[0].certain = false;
  ogv_dating_estimate_from(&e[0], &s[0], NULL);
  scan(OGV_DATING_CRL, 80, 79, &e[1], &s[1]);
  assert_int_equal(choose("acog700", e, s, 2).chosen, 1);
  assert_int_equal(choose("acog700", e, s, 1).chosen, 0);
}

static void combined_is_the_precision_weighted_mean(void **state) {
  (void)state;
  ogv_dating_evidence e[3] = {period()};
  ogv_dating_estimate s[3];
  ogv_dating_estimate_from(&e[0], &s[0], NULL); /* SD 6 */
  scan(OGV_DATING_CRL, 80, 76, &e[1], &s[1]);   /* SD 3: due 4 days later */
  scan(OGV_DATING_BIOMETRY, 140, 100, &e[2], &s[2]);
  s[2].sd_days = 5; /* less precise than the CRL: the same fetus, so it does not count again */
  ogv_dating_combined c;
  assert_int_equal(ogv_dating_combine(e, s, 3, &c, NULL), OGV_OK);
  assert_int_equal(c.n_used, 2);
  assert_true(fabs(c.edd - (s[0].edd + 4 * (1 / 9.0) / (1 / 9.0 + 1 / 36.0))) < 1e-9);
  assert_true(fabs(c.sd_days - sqrt(1 / (1 / 9.0 + 1 / 36.0))) < 1e-12);
  assert_true(fabs(c.p - erfc(4 / sqrt(45) / sqrt(2))) < 1e-12);
  assert_non_null(strstr(c.label, "not standard practice"));
  scan(OGV_DATING_CRL, 80, 40, &e[1], &s[1]);
  ogv_error err;
  assert_int_equal(ogv_dating_combine(e, s, 2, &c, &err), OGV_E_CONFLICT);
  assert_int_equal(ogv_dating_combine(e, s, 0, &c, &err), OGV_E_NOT_FOUND);
}

static void bad_input_is_refused_with_reasons(void **state) {
  (void)state;
  const struct {
    ogv_dating_evidence e;
    ogv_status code;
    const char *says;
  } bad[] = {
      {{.basis = OGV_DATING_LMP, .cycle_days = 60, .certain = true}, OGV_E_INVALID, "60 days"},
      {{.basis = OGV_DATING_LMP, .cycle_days = -28}, OGV_E_INVALID, "-28"},
      {{.basis = OGV_DATING_TRANSFER, .embryo_age_days = 0}, OGV_E_INVALID, "embryo of 0"},
      {{.basis = OGV_DATING_CRL, .value_mm = 4.5}, OGV_E_RANGE, "15 to 95"},
      {{.basis = OGV_DATING_CRL, .value_mm = 0}, OGV_E_RANGE, "CRL"},
      {{.basis = OGV_DATING_CRL, .value_mm = NAN}, OGV_E_INVALID, "needs at least one"},
      {{.basis = OGV_DATING_CRL, .value_mm = 97}, OGV_E_RANGE, "15 to 95"},
      {{.basis = OGV_DATING_CRL, .value_mm = 50, .formula = "crl-none"}, OGV_E_NOT_FOUND, "crl-none"},
      {{.basis = OGV_DATING_BIOMETRY}, OGV_E_INVALID, "at least one"},
      {{.basis = OGV_DATING_BIOMETRY, .hc_mm = 17.5, .fl_mm = 3.3}, OGV_E_RANGE, "cm"},
      {{.basis = OGV_DATING_BIOMETRY, .bpd_mm = 4.7}, OGV_E_RANGE, "cm"},
      {{.basis = OGV_DATING_BIOMETRY, .hc_mm = 295, .fl_mm = 6.0}, OGV_E_RANGE, "cannot belong"},
      {{.basis = OGV_DATING_BIOMETRY, .hc_mm = 60}, OGV_E_RANGE, "outside the range"},
      {{.basis = OGV_DATING_BIOMETRY, .hc_mm = 175, .formula = "hc-altman-chitty1997"}, OGV_E_UNSUPPORTED, "memory"},
      {{.basis = (ogv_dating_basis)99}, OGV_E_INVALID, "unknown"},
      {{.basis = OGV_DATING_CRL, .value_mm = 50, .date = OGV_DATE_NONE}, OGV_E_INVALID, "no date"},
  };
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    ogv_dating_evidence e = bad[i].e;
    ogv_dating_estimate s;
    ogv_error err = {0};
    if (!e.date) e.date = day("2024-05-01");
    ogv_status code = ogv_dating_estimate_from(&e, &s, &err);
    if (code != bad[i].code || !strstr(err.what, bad[i].says)) fail_msg("%zu: %d %s", i, code, err.what);
  }
}

static void evidence_of_two_pregnancies_is_refused(void **state) {
  (void)state;
  ogv_dating_evidence e[2] = {period()};
  ogv_dating_estimate s[2];
  ogv_dating_choice c;
  ogv_error err;
  ogv_dating_estimate_from(&e[0], &s[0], NULL);
  e[1] = (ogv_dating_evidence){.basis = OGV_DATING_EDD, .date = day("2023-12-31")};
  ogv_dating_estimate_from(&e[1], &s[1], NULL);
  assert_int_equal(ogv_dating_choose(NULL, e, s, 2, &c, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "not after the period"));
  scan(OGV_DATING_CRL, -3, 60, &e[1], &s[1]);
  assert_int_equal(ogv_dating_choose(NULL, e, s, 2, &c, &err), OGV_E_INVALID);
  scan(OGV_DATING_CRL, 400, 60, &e[1], &s[1]);
  assert_int_equal(ogv_dating_choose(NULL, e, s, 2, &c, &err), OGV_E_INVALID);
  assert_int_equal(ogv_dating_choose("no-rule", e, s, 1, &c, &err), OGV_E_NOT_FOUND);
  assert_int_equal(ogv_dating_choose(NULL, e, s, 0, &c, &err), OGV_E_NOT_FOUND);
}

/* For any length in range the age is finite, inside human gestation, and does not fall as a CRL grows. */
static void age_grows_with_the_crl(void **state) {
  (void)state;
  for (size_t i = 0; ogv_dating_formula_at(i); i++) {
    const ogv_dating_formula *f = ogv_dating_formula_at(i);
    double last = 0;
    if (f->basis != OGV_DATING_CRL) continue;
    for (double mm = f->value_low; mm <= f->value_high; mm += 0.1) {
      ogv_dating_evidence e = {.basis = f->basis, .date = day(START), .value_mm = mm, .formula = f->id};
      ogv_dating_estimate s;
      assert_int_equal(ogv_dating_estimate_from(&e, &s, NULL), OGV_OK);
      assert_true(s.ga_days_at_date > last && s.sd_days > 0 && s.sd_days < 10);
      last = s.ga_days_at_date;
    }
  }
}

/* A long table asks for the decision alone: it is the same one, over every way of dating. */
static void without_words_the_decision_is_the_same(void **state) {
  (void)state;
  static const double crl[] = {4, 20, 45, 62, 84, 95};
  for (int kind = 0; kind < 4; kind++)
    for (int cycle = 26; cycle <= 40; cycle += 7)
      for (int certain = 0; certain < 2; certain++)
        for (size_t k = 0; k < 6; k++) {
          const ogv_dating_basis others[] = {OGV_DATING_LMP, OGV_DATING_CONCEPTION, OGV_DATING_TRANSFER,
                                             OGV_DATING_EDD};
          ogv_dating_evidence e[2] = {{.basis = others[kind],
                                       .date = day(START) + (kind == 3 ? 280
                                                             : kind    ? 14 + 5 * (kind - 1)
                                                                       : 0),
                                       .cycle_days = cycle,
                                       .certain = certain,
                                       .embryo_age_days = 5},
                                      {.basis = OGV_DATING_CRL, .date = day(START) + 80, .value_mm = crl[k]}};
          ogv_dating_estimate s[2];
          ogv_dating_choice with, without;
          for (int i = 0; i < 2; i++)
            if (ogv_dating_estimate_from(&e[i], &s[i], NULL) != OGV_OK) s[i].sd_days = -1;
          assert_int_equal(ogv_dating_choose(NULL, e, s, 2, &with, NULL), OGV_OK);
          assert_int_equal(ogv_dating_choose_wordless(NULL, e, s, 2, &without, NULL), OGV_OK);
          assert_true(with.reason[0]);
          assert_string_equal(without.reason, "");
          assert_int_equal(with.chosen, without.chosen);
          assert_int_equal(with.edd, without.edd);
          assert_true(with.sd_days == without.sd_days);
          assert_string_equal(with.rule, without.rule);
          assert_int_equal(with.difference_days, without.difference_days);
          assert_int_equal(with.limit_days, without.limit_days);
          assert_int_equal(with.suboptimal, without.suboptimal);
          assert_int_equal(with.careful, without.careful);
          assert_int_equal(with.large_crl, without.large_crl);
        }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(acog_bands_to_the_day),
      cmocka_unit_test(acog_worked_examples),
      cmocka_unit_test(a_confirmed_period_is_surer),
      cmocka_unit_test(what_stands_is_never_moved_by_a_scan),
      cmocka_unit_test(first_good_scan_decides),
      cmocka_unit_test(a_long_crl_is_the_last_resort),
      cmocka_unit_test(uncertain_period_yields_to_a_scan),
      cmocka_unit_test(combined_is_the_precision_weighted_mean),
      cmocka_unit_test(bad_input_is_refused_with_reasons),
      cmocka_unit_test(evidence_of_two_pregnancies_is_refused),
      cmocka_unit_test(age_grows_with_the_crl),
      cmocka_unit_test(without_words_the_decision_is_the_same),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
