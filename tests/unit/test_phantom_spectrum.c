/* Spectral pictures: what the truth says is what the picture shows. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "core_file.h"
#include "phantom_spectrum.h"
#include "private/phantom_math.h"

static ogv_phantom_spectrum_options small(uint64_t seed) {
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_defaults(&o);
  o.seed = seed;
  o.width = 640;
  o.height = 480;
  return o;
}

/* The elementary functions against the C library's. */
static void test_mathematics(void **state) {
  (void)state;
  for (double x = -20; x < 20; x += 0.0371) {
    assert_true(fabs(ph_exp(x) / exp(x) - 1) < 1e-13);
    assert_true(fabs(ph_sin(x) - sin(x)) < 1e-14);
    assert_true(fabs(ph_cos(x) - cos(x)) < 1e-14);
    assert_true(fabs(ph_atan2(x, 1.3) - atan2(x, 1.3)) < 1e-14);
    if (x > 0) assert_true(fabs(ph_log(x) - log(x)) < 1e-13);
  }
  assert_true(fabs(ph_normal_quantile(0.975) - 1.959963984540054) < 1e-9); /* any statistical table */
  assert_true(fabs(ph_normal_quantile(0.001) + 3.090232306167813) < 1e-9);
  /* Perimeter of the ellipse with half axes 2 and 1: 9.688448220547675 (complete elliptic integral, Abramowitz and
   * Stegun 17.1). */
  assert_true(fabs(ph_ellipse_perimeter(4, 2) - 9.688448220547675) < 1e-12);
}

static void test_indices(void **state) {
  (void)state;
  for (int v = 0; v < 4; v++)
    for (double pi = 0.5; pi < 3.01; pi += 0.5) {
      if (v == OGV_PHANTOM_DUCTUS && pi > 1) continue; /* its waves do not become arterial */
      ogv_phantom_spectrum_options o = small((uint64_t)(v * 100 + (int)(pi * 10)));
      o.vessel = (ogv_phantom_vessel)v;
      o.pi = pi;
      o.notch = 0.4;
      ogv_image img;
      ogv_phantom_spectrum_truth t;
      assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
      assert_true(fabs(t.pi / pi - 1) < 0.01);
      assert_true(fabs(t.psv_cm_s / o.psv_cm_s - 1) < 0.03);
      assert_true(fabs(t.rate_bpm / o.rate_bpm - 1) < 0.03);
      /* Recomputed from the envelope, column by column, for each complete cycle. */
      for (int i = 0; i < t.n_cycles; i++) {
        const ogv_phantom_cycle *c = &t.cycles[i];
        if (!c->complete) continue;
        double psv = 0, sum = 0;
        int n = 0;
        for (int x = (int)ceil(c->start_s / t.s_per_px); x * t.s_per_px < c->end_s; x++, n++) {
          sum += t.envelope_cm_s[x];
          if (t.envelope_cm_s[x] > psv) psv = t.envelope_cm_s[x];
        }
        assert_true(fabs(psv / c->psv_cm_s - 1) < 0.01);
        assert_true(fabs(sum / n / c->tamax_cm_s - 1) < 0.015);
        assert_true(fabs((c->psv_cm_s - c->edv_cm_s) / c->tamax_cm_s - c->pi) < 1e-9);
      }
      ogv_image_free(&img);
      ogv_phantom_spectrum_free(&t);
    }
}

/* Mean grey at a distance from the true edge, over all columns; up is outwards. */
static double grey_at(const ogv_image *img, const ogv_phantom_spectrum_truth *t, double outwards) {
  double s = 0;
  int n = 0;
  for (int x = 0; x < t->n; x++) {
    if (t->envelope_cm_s[x] < 0.3 * t->psv_cm_s) continue;
    int row = (int)floor(t->envelope_row[x] + (t->drawn_up ? -outwards : outwards) + 0.5);
    if (row <= t->y0 || row >= t->y1) continue;
    s += img->pixels[(size_t)row * img->stride + (size_t)(t->x0 + x) * 3];
    n++;
  }
  return s / n;
}

static void test_edge(void **state) {
  (void)state;
  for (int k = 0; k < 4; k++) {
    ogv_phantom_spectrum_options o = small((uint64_t)k + 5);
    o.away = k & 1;
    o.inverted = k & 2;
    o.captions = false;
    o.broadening = 0.005;
    ogv_image img;
    ogv_phantom_spectrum_truth t;
    assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
    assert_int_equal(t.drawn_up, (k & 1) == (k >> 1));
    double in = grey_at(&img, &t, -5), edge = grey_at(&img, &t, 0), out = grey_at(&img, &t, 6);
    assert_true(in > 110 && out < 40 && edge > out + 20 && edge < in);
    /* The region reads the velocity back, sign included. */
    for (int x = 0; x < t.n; x += 37) {
      double v;
      assert_int_equal(ogv_region_value_y(&t.region, t.envelope_row[x], &v, NULL), OGV_OK);
      assert_true(fabs(v - (o.away ? -1 : 1) * t.envelope_cm_s[x]) < 1e-6);
    }
    ogv_image_free(&img);
    ogv_phantom_spectrum_free(&t);
  }
}

static void test_diastole_and_aliasing(void **state) {
  (void)state;
  ogv_image img;
  ogv_phantom_spectrum_truth t;
  ogv_phantom_spectrum_options o = small(3);
  o.diastole = OGV_PHANTOM_ABSENT;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
  assert_true(t.edv_cm_s == 0 && t.mdv_cm_s == 0 && t.diastole == OGV_PHANTOM_ABSENT);
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  o.diastole = OGV_PHANTOM_REVERSED;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
  assert_true(t.edv_cm_s < -0.1 * o.psv_cm_s && t.sd_ratio != t.sd_ratio);
  assert_false(t.aliased);
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  o.diastole = OGV_PHANTOM_FORWARD;
  o.range_cm_s = 1.1 * o.psv_cm_s;
  o.baseline = 0.6;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
  assert_true(t.aliased);
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
}

/* The bytes of one picture, pinned: the same on every machine and with every optimisation. */
static void test_same_bytes(void **state) {
  (void)state;
  ogv_phantom_spectrum_options o = small(77);
  o.overlay = true;
  o.title = "Łukaszewicz, Åse";
  ogv_image img;
  ogv_phantom_spectrum_truth t;
  char a[OGV_SHA256_TEXT], b[OGV_SHA256_TEXT];
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
  ogv_sha256(img.pixels, img.stride * (size_t)img.height, a);
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  assert_string_equal(a, "a11243f27523c2981e3d1c33d2a3ba9ac407c4a70ece02c0ebe042b8bd317cbb");
  o.seed = 78;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, NULL), OGV_OK);
  ogv_sha256(img.pixels, img.stride * (size_t)img.height, b);
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  assert_string_not_equal(a, b);
}

static void test_refusals(void **state) {
  (void)state;
  ogv_image img;
  ogv_phantom_spectrum_truth t;
  ogv_error err;
  ogv_phantom_spectrum_options o = small(1);
  o.rate_bpm = NAN;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "rate_bpm"));
  o = small(1);
  o.width = 10;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "width"));
  o = small(1);
  o.angle_deg = 1e200;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, &err), OGV_E_INVALID);
  o = small(1);
  o.vessel = OGV_PHANTOM_MCA;
  o.diastole = OGV_PHANTOM_ABSENT;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, &err), OGV_E_INVALID);
  o = small(1);
  o.gain_db = 1e6;
  assert_int_equal(ogv_phantom_spectrum(&o, &img, &t, &err), OGV_E_INVALID);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_mathematics), cmocka_unit_test(test_indices),
                                     cmocka_unit_test(test_edge),        cmocka_unit_test(test_diastole_and_aliasing),
                                     cmocka_unit_test(test_same_bytes),  cmocka_unit_test(test_refusals)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
