/* Planes: image formation has the statistics of ultrasound, and the truth lies where calipers should be put. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core_file.h"
#include "imaging_geometry.h"
#include "phantom_plane.h"
#include "private/phantom_anatomy.h"

/* In uniform tissue the envelope of one look is Rayleigh distributed: mean over SD is sqrt(pi / (4 - pi)) = 1.913
 * (Burckhardt CB, Speckle in ultrasound B-mode scans, IEEE Trans Sonics Ultrason 1978;25:1-6). The grey map is undone.
 */
static void test_rayleigh(void **state) {
  (void)state;
  ph_scene *s = ph_scene_new(4);
  assert_non_null(s);
  s->base_mod_db = 0;
  s->warp_mm = 0;
  s->base_echo = 1;
  ph_view v;
  ph_make_view(&v, &ph_usual_probe, 512, 384, 0.25, true, 50);
  ph_set set;
  ph_set_defaults(&set);
  set.looks = 1;
  set.near_db = -80;
  set.noise_db = -80;
  set.beams = 200;
  set.samples = 500;
  ph_polar p;
  assert_int_equal(ph_form(s, &v, &set, &p, NULL), OGV_OK);
  double sum = 0, sum2 = 0;
  int n = 0;
  for (int j = 150; j < 450; j++)
    for (int i = 20; i < 180; i++) {
      double q = p.grey[j * 200 + i];
      assert_true(q < 1); /* nothing saturated */
      double g = (-0.35 + sqrt(0.35 * 0.35 + 4 * 0.65 * q)) / 1.3, db = (g - 1) * set.dynamic_range_db,
             e = pow(10, db / 20);
      sum += e;
      sum2 += e * e;
      n++;
    }
  double mean = sum / n, sd = sqrt(sum2 / n - mean * mean);
  assert_true(fabs(mean / sd - 1.913) < 0.06);
  free(p.grey);
  ph_scene_free(s);
}

static ogv_phantom_plane_options small(ogv_phantom_plane_kind kind, uint64_t seed) {
  ogv_phantom_plane_options o;
  ogv_phantom_plane_defaults(&o, kind);
  o.seed = seed;
  o.width = 512;
  o.height = 384;
  o.quick = true;
  return o;
}

/* The points and the region of the truth measure the true size. */
static void test_geometry(void **state) {
  (void)state;
  for (int kind = 0; kind < 3; kind++)
    for (uint64_t seed = 1; seed < 5; seed++) {
      ogv_phantom_plane_options o = small((ogv_phantom_plane_kind)kind, seed);
      o.whole_sector = seed & 1;
      o.captions = true;
      ogv_image img;
      ogv_phantom_plane_truth t;
      ogv_error err;
      if (ogv_phantom_plane(&o, &img, &t, &err) != OGV_OK) fail_msg("%s", err.what);
      ogv_geometry g = {.kind = kind == OGV_PHANTOM_FEMUR ? OGV_GEOMETRY_DISTANCE : OGV_GEOMETRY_ELLIPSE,
                        .n = (size_t)t.n_points,
                        .points = t.points};
      ogv_extent e;
      ogv_regions_judge(&t.region, 1, img.height, img.width);
      assert_true(t.region.measurable_x && t.region.measurable_y && t.region.absolute_y);
      assert_int_equal(ogv_geometry_measure(&g, &t.region, &e, &err), OGV_OK);
      if (kind == OGV_PHANTOM_FEMUR) assert_true(fabs(e.length_mm - o.length_mm) < 1e-6);
      else assert_true(fabs(e.perimeter_mm - t.perimeter_mm) < 1e-6);
      assert_true(t.outside < 0.02);
      ogv_image_free(&img);
    }
}

/* Bilinear grey. */
static double grey(const ogv_image *img, double x, double y) {
  int i = (int)floor(x), j = (int)floor(y);
  if (i < 0 || j < 0 || i + 1 >= img->width || j + 1 >= img->height) return 0;
  const uint8_t *p = img->pixels + (size_t)j * img->stride + (size_t)(i * img->channels);
  double fx = x - i, fy = y - j;
  size_t c = (size_t)img->channels, s = img->stride;
  return (p[0] * (1 - fx) + p[c] * fx) * (1 - fy) + (p[s] * (1 - fx) + p[s + c] * fx) * fy;
}

/* The skull's brightest line lies edge_peak_mm inside the true outline: radial profiles where bone is hit squarely. */
static void test_skull_edge(void **state) {
  (void)state;
  for (uint64_t seed = 11; seed < 14; seed++) {
    ogv_phantom_plane_options o;
    ogv_phantom_plane_defaults(&o, OGV_PHANTOM_HEAD);
    o.seed = seed;
    o.angle_deg = 0;
    o.dropout = 0;
    o.channels = 1;
    ogv_image img;
    ogv_phantom_plane_truth t;
    assert_int_equal(ogv_phantom_plane(&o, &img, &t, NULL), OGV_OK);
    double sum = 0;
    int n = 0;
    for (double deg = 60; deg <= 120; deg += 2) { /* far wall */
      double q = deg * M_PI / 180, u = t.length_mm / 2 * cos(q), v = t.breadth_mm / 2 * sin(q);
      double nu = cos(q) / t.length_mm, nv = sin(q) / t.breadth_mm, l = hypot(nu, nv), best = -1, at = 0;
      for (double d = -4; d < 4; d += 0.05) {
        double g = grey(&img, t.centre_x + (u + d * nu / l) / t.mm_per_px, t.centre_y + (v + d * nv / l) / t.mm_per_px);
        if (g > best) best = g, at = d;
      }
      sum += at;
      n++;
    }
    assert_true(fabs(-sum / n - t.edge_peak_mm) < 0.35);
    ogv_image_free(&img);
  }
}

static void test_same_bytes(void **state) {
  (void)state;
  static const char *const pinned[] = {"1e62453739bc18c11087f62c404e3188d83a479102070dcf4fa7a30cda219d90",
                                       "355bd38da7eca9f09907bb79abf59865ee9c9003da95b08cfae05b7785e1acb1",
                                       "8803a4e804a05ba87becff4bf57ee3480588b83d02a60ac6a5e08987c84775b5"};
  for (int kind = 0; kind < 3; kind++) {
    ogv_phantom_plane_options o = small((ogv_phantom_plane_kind)kind, 9);
    o.captions = o.calipers = true;
    ogv_image img;
    ogv_phantom_plane_truth t;
    char a[OGV_SHA256_TEXT];
    assert_int_equal(ogv_phantom_plane(&o, &img, &t, NULL), OGV_OK);
    ogv_sha256(img.pixels, img.stride * (size_t)img.height, a);
    ogv_image_free(&img);
    assert_string_equal(a, pinned[kind]);
  }
}

static void test_refusals(void **state) {
  (void)state;
  ogv_phantom_plane_options o = small(OGV_PHANTOM_HEAD, 1);
  ogv_image img;
  ogv_phantom_plane_truth t;
  ogv_error err;
  o.breadth_mm = NAN;
  assert_int_equal(ogv_phantom_plane(&o, &img, &t, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "breadth_mm"));
  o = small(OGV_PHANTOM_HEAD, 1);
  o.channels = 2;
  assert_int_equal(ogv_phantom_plane(&o, &img, &t, &err), OGV_E_INVALID);
  o = small(OGV_PHANTOM_FEMUR, 1);
  o.length_mm = 900;
  assert_int_equal(ogv_phantom_plane(&o, &img, &t, &err), OGV_E_INVALID);
  o = small(OGV_PHANTOM_HEAD, 1);
  o.angle_deg = 1e300;
  assert_int_equal(ogv_phantom_plane(&o, &img, &t, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "angle_deg"));
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_rayleigh), cmocka_unit_test(test_geometry),
                                     cmocka_unit_test(test_skull_edge), cmocka_unit_test(test_same_bytes),
                                     cmocka_unit_test(test_refusals)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
