/* Rhythm of a spectrum: too little of it, and a rhythm that wanders. Refused or said, never a plain number. The limits
 * (two cycles at least, three advised, 20 % and 12 %) are common practice. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "measure_spectrum.h"
#include "phantom_spectrum.h"

static void read_phantom(const ogv_phantom_spectrum_options *o, ogv_phantom_spectrum_truth *truth, ogv_spectrum *s) {
  ogv_image p;
  ogv_spectrum_scale scale;
  ogv_error err = {0};
  assert_int_equal(ogv_phantom_spectrum(o, &p, truth, &err), OGV_OK);
  assert_int_equal(ogv_spectrum_scale_from_region(&truth->region, &scale, &err), OGV_OK);
  assert_int_equal(ogv_spectrum_measure(&p, &scale, OGV_FLOW_ARTERIAL_FETAL, s, &err), OGV_OK);
  ogv_image_free(&p);
}

/* A strip that holds three quarters of a cycle, and one that holds one cycle and a bit: neither gives indices. */
static void less_than_two_cycles_are_refused(void **state) {
  (void)state;
  for (uint64_t seed = 1; seed <= 6; seed++)
    for (int k = 0; k < 2; k++) {
      ogv_phantom_spectrum_options o;
      ogv_phantom_spectrum_truth truth;
      ogv_spectrum s;
      ogv_phantom_spectrum_defaults(&o);
      o.seed = seed;
      o.rate_bpm = 140;
      o.sweep_s = (k ? 1.3 : 0.75) * 60 / o.rate_bpm;
      read_phantom(&o, &truth, &s);
      assert_false(s.accepted);
      assert_non_null(strstr(s.reason, "cycle"));
      ogv_spectrum_free(&s);
      ogv_phantom_spectrum_free(&truth);
    }
}

/* From even to chaotic: an even rhythm is read without a word; a wandering one (cycle lengths vary by a quarter) is
 * refused or spoken of; what is accepted keeps a rate that the truth's cycles cover. */
static void an_irregular_rhythm_is_refused_or_said(void **state) {
  (void)state;
  int refused = 0, said = 0;
  for (uint64_t seed = 1; seed <= 12; seed++) {
    ogv_phantom_spectrum_options o;
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    ogv_phantom_spectrum_defaults(&o);
    o.seed = seed;
    o.rate_bpm = 140;
    o.sweep_s = 4;
    read_phantom(&o, &truth, &s);
    assert_true(s.accepted);
    assert_null(strstr(s.note, "vary"));
    assert_null(strstr(s.note, "left out"));
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);

    o.rate_jitter = 0.25;
    read_phantom(&o, &truth, &s);
    double low = INFINITY, high = 0;
    for (int i = 0; i < truth.n_cycles; i++)
      if (truth.cycles[i].complete)
        low = fmin(low, truth.cycles[i].rate_bpm), high = fmax(high, truth.cycles[i].rate_bpm);
    printf("seed %d: true cycles %.0f to %.0f /min; %s%s %s\n", (int)seed, low, high,
           s.accepted ? "accepted" : "refused: ", s.accepted ? "" : s.reason, s.note);
    if (!s.accepted) refused++;
    else {
      assert_true(s.rate_bpm.value >= low - 2 && s.rate_bpm.value <= high + 2);
      bool told = strstr(s.note, "vary") || strstr(s.note, "left out");
      said += told;
      assert_true(told || (high - low) / low < 0.35);
    }
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
  }
  assert_true(refused + said >= 9);
  assert_true(refused >= 1);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(less_than_two_cycles_are_refused),
                                     cmocka_unit_test(an_irregular_rhythm_is_refused_or_said)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
