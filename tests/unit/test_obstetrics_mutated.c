/* Random and damaged input: nothing crashes, and whatever is answered is finite and in range. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_dating_json.h"
#include "obstetrics_doppler.h"
#include "obstetrics_growth.h"
#include "obstetrics_ratio.h"
#include "obstetrics_rules.h"
#include "obstetrics_weight.h"

static uint64_t state_ = 0x2545f4914f6cdd1du;
static uint64_t bits(void) {
  state_ ^= state_ >> 12;
  state_ ^= state_ << 25;
  state_ ^= state_ >> 27;
  return state_ * 2685821657736338717u;
}
static double uniform(double a, double b) { return a + (b - a) * (double)(bits() >> 11) / 9007199254740992.0; }

/* Mostly sensible, sometimes anything at all. */
static double some(double low, double high) {
  static const double odd[] = {NAN, INFINITY, -INFINITY, 0, -0.0, -1, 1e-300, 1e300, 1e18, 0.1, 47, 5e-324};
  return bits() % 8 ? uniform(low, high) : odd[bits() % (sizeof odd / sizeof *odd)];
}

static void weights_are_finite_or_refused(void **state) {
  (void)state;
  size_t answered = 0;
  for (int k = 0; k < 60000; k++) {
    const ogv_weight_formula *f = ogv_weight_formula_at(bits() % 19);
    ogv_weight_input in = {
        some(20, 110), some(100, 360), some(90, 380), some(15, 80),  some(0, 5),
        some(0, 5),    some(0, 5),     some(0, 5),    some(0, 0.02), bits() % 2 ? "outer-inner" : NULL,
        bits() % 2};
    ogv_weight w;
    ogv_error err = {0};
    if (ogv_weight_estimate(f->id, &in, &w, &err) != OGV_OK) {
      assert_true(err.what[0] && isnan(w.grams));
      continue;
    }
    answered++;
    assert_true(w.grams >= f->low_g && w.grams <= f->high_g && !(w.repeat_sd_g < 0) && !(w.error_sd_g < 0));
  }
  assert_true(answered > 5000);
}

static void dating_is_in_range_or_refused(void **state) {
  (void)state;
  static const char *const formulas[] = {NULL,
                                         NULL,
                                         "crl-hadlock1992",
                                         "crl-robinson-1037",
                                         "hc-fl-intergrowth",
                                         "bpd-hc-ac-fl-hadlock1984",
                                         "ac-fl-hadlock1984",
                                         "tcd-intergrowth",
                                         "msd-hellman1969",
                                         "none"};
  size_t answered = 0;
  for (int k = 0; k < 60000; k++) {
    ogv_dating_evidence e[4];
    ogv_dating_estimate s[4];
    for (int i = 0; i < 4; i++) {
      e[i] = (ogv_dating_evidence){.basis = (ogv_dating_basis)(bits() % 9),
                                   .date = 20000 + (int)(bits() % 400) - 200,
                                   .cycle_days = (int)(bits() % 60),
                                   .certain = bits() % 2,
                                   .embryo_age_days = (int)(bits() % 9),
                                   .value_mm = some(1, 120),
                                   .bpd_mm = some(20, 110),
                                   .hc_mm = some(70, 360),
                                   .ac_mm = some(60, 380),
                                   .fl_mm = some(8, 80),
                                   .formula = formulas[bits() % 10],
                                   .tcd_mm = some(10, 60),
                                   .allow_unconfirmed = bits() % 2};
      ogv_error err = {0};
      if (ogv_dating_estimate_from(&e[i], &s[i], &err) != OGV_OK) {
        assert_true(err.what[0]);
        s[i].sd_days = -1;
        continue;
      }
      answered++;
      assert_true(isfinite(s[i].ga_days_at_date) && s[i].ga_days_at_date > -30 && s[i].ga_days_at_date < 320);
      assert_true(s[i].sd_days > 0 && s[i].sd_days < 20 && abs(s[i].edd - e[i].date) < 320);
    }
    ogv_dating_choice c;
    ogv_dating_combined b;
    if (ogv_dating_choose(bits() % 2 ? "scan-always" : NULL, e, s, 4, &c, NULL) == OGV_OK) {
      assert_true(c.chosen < 4 && c.edd == s[c.chosen].edd && c.sd_days > 0 && c.reason[0]);
      assert_true(strlen(c.reason) < sizeof c.reason - 1); /* a sentence, not one cut short */
    }
    if (ogv_dating_combine(e, s, 4, &b, NULL) == OGV_OK)
      assert_true(isfinite(b.edd) && b.sd_days > 0 && b.p >= 0.01 && b.p <= 1);
  }
  assert_true(answered > 20000);
}

static void growth_and_doppler_are_finite_or_refused(void **state) {
  (void)state;
  const ogv_chart *charts[3];
  assert_int_equal(ogv_chart_find("intergrowth-ac", &charts[0], NULL), OGV_OK);
  assert_int_equal(ogv_chart_find("who-efw", &charts[1], NULL), OGV_OK);
  assert_int_equal(ogv_chart_find("intergrowth-efw", &charts[2], NULL), OGV_OK);
  for (int k = 0; k < 20000; k++) {
    ogv_growth_point a = {some(90, 290), some(50, 3500), some(0, 50)}, b = {some(90, 290), some(50, 3500), some(0, 50)};
    ogv_growth_change g;
    ogv_growth_projection p;
    ogv_artery artery = {some(5, 80), some(-20, 40), some(1, 60), some(0, 3), some(0, 3), some(0, 3), some(0, 5)};
    ogv_artery_indices i;
    ogv_vein vein = {some(5, 90), some(5, 80), some(-20, 50), some(5, 70), some(0, 5)};
    ogv_vein_indices v;
    if (ogv_growth_between(charts[k % 3], &a, &b, some(0, 10), NULL, &g, NULL) == OGV_OK)
      assert_true(isfinite(g.dz) && isfinite(g.velocity) && g.interval_days >= 14 && !g.conditional);
    if (ogv_growth_project(charts[k % 3], &a, some(90, 290), NULL, &p, NULL) == OGV_OK)
      assert_true(isfinite(p.value) && p.value > 0 && !(p.low > p.value) && !(p.high < p.value));
    if (ogv_doppler_artery(&artery, &i, NULL) == OGV_OK)
      assert_true(isfinite(i.ri) && !(i.pi < 0) && !(i.sd_ratio < 1));
    if (ogv_doppler_vein(&vein, &v, NULL) == OGV_OK) assert_true(isfinite(v.preload) && !(v.piv < 0));
  }
}

/* Good texts with bytes changed, cut and doubled: parsed or refused, completed or refused, never a crash. */
static void damaged_json_is_survived(void **state) {
  (void)state;
  static const char *const good[] = {
      "{\"ga\":\"30w0d\",\"chorionicity\":\"dichorionic\",\"fetuses\":{\"A\":{\"hc\":275,\"ac\":{\"value\":24.1,"
      "\"unit\":\"cm\",\"sd\":4},\"fl\":55,"
      "\"ua-pi\":1.4,\"ua-edf\":\"forward\",\"efw\":{\"value\":1400,\"history\":[{\"ga\":\"26w0d\",\"value\":900,"
      "\"sd\":45}]}},\"B\":{\"efw\":1100}},"
      "\"pregnancy\":{\"uta-pi-left\":1.1,\"uta-pi-right\":0.9,\"cl\":31}}",
      "[{\"basis\":\"lmp\",\"date\":\"2026-01-01\",\"cycle_days\":28,\"certain\":true},{\"basis\":\"crl\",\"date\":"
      "\"2026-03-25\",\"value_mm\":55.0},"
      "{\"basis\":\"biometry\",\"date\":\"2026-05-20\",\"hc\":17.5,\"fl\":3.3,\"unit\":\"cm\"},{\"basis\":\"edd\","
      "\"date\":\"2026-10-08\"}]"};
  size_t parsed = 0;
  for (int k = 0; k < 6000; k++) {
    char text[1024];
    size_t n = strlen(good[k % 2]);
    memcpy(text, good[k % 2], n + 1);
    for (uint64_t m = 0; m <= bits() % 3; m++) {
      static const char bytes[] = "0123456789-.e\"{}[],:abnultrfsw";
      text[bits() % n] = bytes[bits() % (sizeof bytes - 1)];
    }
    if (bits() % 20 == 0) n = bits() % n;
    json_t *v = json_loadb(text, n, JSON_DISABLE_EOF_CHECK, NULL), *out = NULL;
    if (!v) continue;
    parsed++;
    ogv_error err = {0};
    if (ogv_rule_facts_complete(v, &err) == OGV_OK && ogv_rules_apply(v, true, true, &out, &err) == OGV_OK) {
      char *printed = ogv_json_canonical(out);
      assert_non_null(printed);
      free(printed);
    }
    json_decref(out);
    out = NULL;
    if (ogv_dating_decide(v, NULL, &out, &err) != OGV_OK) assert_true(err.what[0]);
    json_decref(out);
    json_decref(v);
  }
  assert_true(parsed > 500);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(weights_are_finite_or_refused),
      cmocka_unit_test(dating_is_in_range_or_refused),
      cmocka_unit_test(growth_and_doppler_are_finite_or_refused),
      cmocka_unit_test(damaged_json_is_survived),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
