/* Display filters: what they must do on made pictures, and what they must leave alone. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "imaging_filter.h"

#define W 160
#define H 120

static ogv_filters off(void) {
  ogv_filters f;
  ogv_filters_off(&f);
  return f;
}

/* Log-compressed Rayleigh speckle (mean level, about 5.6 dB of SD at 60 dB for 255 levels): left dark, right bright. */
static void speckle(ogv_image *im, int left, int right, unsigned seed) {
  assert_int_equal(ogv_image_new(W, H, 1, im, NULL), OGV_OK);
  unsigned short s[3] = {(unsigned short)seed, 7, 9};
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      double level = (x < W / 2 ? left : right) + 255.0 / 60 * 20 * log10(sqrt(-2 * log(1 - erand48(s))) / 1.2533);
      im->pixels[(size_t)y * im->stride + (size_t)x] = (uint8_t)(level < 1 ? 1 : level > 255 ? 255 : level);
    }
}

static void stats(const ogv_image *im, int x0, int x1, double *mean, double *sd) {
  double s = 0, q = 0;
  int n = 0;
  for (int y = 20; y < H - 20; y++)
    for (int x = x0; x < x1; x++, n++) {
      double v = im->pixels[(size_t)y * im->stride + (size_t)(x * im->channels)];
      s += v;
      q += v * v;
    }
  *mean = s / n;
  *sd = sqrt(q / n - *mean * *mean);
}

static ogv_image apply(const ogv_filters *f, const ogv_image *im) {
  ogv_image out;
  ogv_error err = {0};
  if (ogv_filters_apply(f, im, NULL, 0, &out, &err) != OGV_OK) fail_msg("%s", err.what);
  return out;
}

static void test_off(void **state) {
  (void)state;
  ogv_image im;
  speckle(&im, 90, 150, 1);
  ogv_filters f = off();
  assert_false(ogv_filters_any(&f));
  ogv_image out = apply(&f, &im);
  assert_memory_equal(out.pixels, im.pixels, im.stride * H);
  ogv_image_free(&out);
  ogv_image_free(&im);
}

static void test_speckle(void **state) {
  (void)state;
  ogv_image im;
  speckle(&im, 90, 170, 2);
  ogv_filters f = off();
  f.speckle = 0.7;
  ogv_image out = apply(&f, &im), again = apply(&f, &im);
  assert_memory_equal(out.pixels, again.pixels, out.stride * H); /* same input, same bytes */
  double m0, s0, m1, s1, n0, t0, n1, t1;
  stats(&im, 10, 60, &m0, &s0);
  stats(&out, 10, 60, &m1, &s1);
  assert_true(s1 < 0.55 * s0);      /* less speckle */
  assert_true(fabs(m1 - m0) < 1.5); /* same level */
  stats(&im, 77, 83, &n0, &t0);
  stats(&out, W / 2, W / 2 + 3, &n1, &t1); /* the edge keeps most of its height two pixels away */
  double l, r, sl, sr;
  stats(&out, W / 2 - 5, W / 2 - 2, &l, &sl);
  stats(&out, W / 2 + 2, W / 2 + 5, &r, &sr);
  assert_true(r - l > 0.8 * 80);
  ogv_image_free(&out);
  ogv_image_free(&again);
  ogv_image_free(&im);
}

/* The same guided filter by its definition, window by window, at a few pixels. */
static double guided_at(const ogv_image *im, int cx, int cy, int r, double eps) {
  double a_sum = 0, b_sum = 0;
  int n = 0;
  for (int ky = cy - r; ky <= cy + r; ky++)
    for (int kx = cx - r; kx <= cx + r; kx++) {
      if (kx < 0 || ky < 0 || kx >= W || ky >= H) continue;
      double s = 0, q = 0;
      int m = 0;
      for (int y = ky - r; y <= ky + r; y++)
        for (int x = kx - r; x <= kx + r; x++) {
          if (x < 0 || y < 0 || x >= W || y >= H) continue;
          double v = im->pixels[(size_t)y * im->stride + (size_t)x];
          s += v;
          q += v * v;
          m++;
        }
      double mean = s / m, var = q / m - mean * mean, a = var / (var + eps);
      a_sum += a;
      b_sum += mean * (1 - a);
      n++;
    }
  return a_sum / n * im->pixels[(size_t)cy * im->stride + (size_t)cx] + b_sum / n;
}

static void test_speckle_by_definition(void **state) {
  (void)state;
  ogv_image im;
  speckle(&im, 90, 170, 3);
  ogv_filters f = off();
  f.speckle = 0.5; /* radius 4, edge 18 */
  ogv_image out = apply(&f, &im);
  static const int at[][2] = {{0, 0}, {W - 1, H - 1}, {5, 60}, {80, 60}, {79, 3}, {120, 100}};
  for (size_t i = 0; i < 6; i++) {
    double want = guided_at(&im, at[i][0], at[i][1], 4, 18 * 18);
    assert_true(fabs(want - out.pixels[(size_t)at[i][1] * out.stride + (size_t)at[i][0]]) <= 0.6);
  }
  ogv_image_free(&out);
  ogv_image_free(&im);
}

static void test_gain_and_range(void **state) {
  (void)state;
  ogv_image im;
  assert_int_equal(ogv_image_new(3, 101, 1, &im, NULL), OGV_OK);
  for (int y = 0; y < 101; y++) memcpy(im.pixels + (size_t)y * im.stride, (uint8_t[]){0, 100, 250}, 3);
  ogv_filters f = off();
  f.n_depth_gain = 2;
  f.depth_gain[1] = 50;
  ogv_image out = apply(&f, &im);
  for (int y = 0; y < 101; y++) {
    const uint8_t *row = out.pixels + (size_t)y * out.stride;
    assert_int_equal(row[0], 0); /* no echo stays no echo */
    assert_true(fabs(row[1] - (100 + 0.5 * y)) <= 0.5);
    assert_int_equal(row[2], y >= 10 ? 255 : (int)lround(250 + 0.5 * y));
  }
  ogv_image_free(&out);
  f = off();
  f.low = 50;
  f.high = 150;
  out = apply(&f, &im);
  assert_int_equal(out.pixels[0], 0);
  assert_true(abs(out.pixels[1] - 128) <= 1);
  assert_int_equal(out.pixels[2], 255);
  ogv_image_free(&out);
  f = off();
  f.gamma = 2;
  out = apply(&f, &im);
  assert_int_equal(out.pixels[1], lround(255 * sqrt(100 / 255.0)));
  ogv_image_free(&out);
  ogv_image_free(&im);
}

static void test_shading(void **state) {
  (void)state;
  ogv_image im;
  speckle(&im, 150, 150, 4);
  for (int y = 40; y < H; y++) /* a shadow below a bone */
    for (int x = 60; x < 100; x++) {
      uint8_t *p = &im.pixels[(size_t)y * im.stride + (size_t)x];
      *p = (uint8_t)(*p > 41 ? *p - 40 : 1);
    }
  ogv_filters f = off();
  f.shading = 1;
  ogv_image out = apply(&f, &im);
  double in, beside, sd;
  stats(&im, 70, 90, &in, &sd);
  stats(&im, 10, 40, &beside, &sd);
  double before = beside - in;
  stats(&out, 70, 90, &in, &sd);
  stats(&out, 10, 40, &beside, &sd);
  assert_true(before > 20 && beside - in < 0.5 * before);
  ogv_image_free(&out);
  ogv_image_free(&im);
}

static void test_contrast(void **state) {
  (void)state;
  ogv_image im;
  assert_int_equal(ogv_image_new(W, H, 1, &im, NULL), OGV_OK);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++)
      im.pixels[(size_t)y * im.stride + (size_t)x] = (uint8_t)(100 + (x * 7 + y * 13) % 20); /* narrow range */
  ogv_filters f = off();
  f.local_contrast = 1;
  ogv_image out = apply(&f, &im);
  double m, s0, s1;
  stats(&im, 10, 150, &m, &s0);
  stats(&out, 10, 150, &m, &s1);
  assert_true(s1 > 1.5 * s0);
  for (int x = 1; x < W; x++) /* order of grey levels is kept in a neighbourhood */
    for (int k = 0; k < 2; k++) {
      int a = im.pixels[(size_t)(30 + k) * im.stride + (size_t)x],
          b = im.pixels[(size_t)(30 + k) * im.stride + (size_t)x - 1];
      int c = out.pixels[(size_t)(30 + k) * out.stride + (size_t)x],
          d = out.pixels[(size_t)(30 + k) * out.stride + (size_t)x - 1];
      if (a > b + 2) assert_true(c > d);
      if (a < b - 2) assert_true(c < d);
    }
  ogv_image_free(&out);
  ogv_image_free(&im);
}

static void test_left_alone(void **state) {
  (void)state;
  ogv_image im;
  assert_int_equal(ogv_image_new(W, H, 3, &im, NULL), OGV_OK);
  for (size_t i = 0; i < im.stride * H; i++) im.pixels[i] = (uint8_t)(60 + i / 3 % 90);
  for (int x = 50; x < 60; x++)
    memcpy(im.pixels + 60 * im.stride + (size_t)x * 3, (uint8_t[]){200, 40, 10}, 3); /* flow */
  ogv_image copy;
  assert_int_equal(ogv_image_new(W, H, 3, &copy, NULL), OGV_OK);
  memcpy(copy.pixels, im.pixels, im.stride * H);
  ogv_region r = {.format = OGV_FORMAT_2D, .data_type = OGV_DATA_TISSUE, .x0 = 20, .y0 = 20, .x1 = 120, .y1 = 100};
  ogv_filters f = off();
  f.speckle = 1;
  f.local_contrast = 1;
  f.gamma = 2;
  ogv_image out;
  assert_int_equal(ogv_filters_apply(&f, &im, &r, 1, &out, NULL), OGV_OK);
  assert_memory_equal(copy.pixels, im.pixels, im.stride * H); /* the source is not touched */
  int changed = 0;
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      const uint8_t *a = im.pixels + (size_t)y * im.stride + (size_t)x * 3,
                    *b = out.pixels + (size_t)y * out.stride + (size_t)x * 3;
      bool inside = x >= 20 && x <= 120 && y >= 20 && y <= 100, colour = y == 60 && x >= 50 && x < 60;
      if (!inside || colour) assert_memory_equal(a, b, 3);
      else changed += memcmp(a, b, 3) != 0;
    }
  assert_true(changed > 5000);
  ogv_image_free(&out);
  ogv_image_free(&copy);
  ogv_image_free(&im);
}

static void test_frames(void **state) {
  (void)state;
  ogv_image im[5];
  for (unsigned i = 0; i < 5; i++) speckle(&im[i], 128, 128, 10 + i);
  const ogv_image *list[5] = {&im[0], &im[1], &im[2], &im[3], &im[4]}, *same[3] = {&im[0], &im[0], &im[0]};
  ogv_image out;
  assert_int_equal(ogv_filter_frames(same, 3, &out, NULL), OGV_OK);
  assert_memory_equal(out.pixels, im[0].pixels, im[0].stride * H);
  ogv_image_free(&out);
  assert_int_equal(ogv_filter_frames(list, 5, &out, NULL), OGV_OK);
  double m, s0, s1;
  stats(&im[2], 10, 150, &m, &s0);
  stats(&out, 10, 150, &m, &s1);
  assert_true(fabs(s1 / s0 - sqrt(70.0) / 16) < 0.03); /* independent frames: root of the sum of squared weights */
  ogv_image_free(&out);
  assert_int_equal(ogv_filter_frames(list, 4, &out, NULL), OGV_E_RANGE);
  for (unsigned i = 0; i < 5; i++) ogv_image_free(&im[i]);
}

static void test_json(void **state) {
  (void)state;
  static const char *const bad[] = {"[]",
                                    "{\"speckle\":2}",
                                    "{\"speckle\":\"1\"}",
                                    "{\"depth_gain\":[500]}",
                                    "{\"depth_gain\":3}",
                                    "{\"range\":[200,100]}",
                                    "{\"range\":[1]}",
                                    "{\"gamma\":0}",
                                    "{\"smooth_frames\":4}",
                                    "{\"sparkle\":1}"};
  ogv_filters f;
  ogv_error err;
  for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
    json_t *v = json_loads(bad[i], 0, NULL);
    assert_non_null(v);
    if (ogv_filters_from_json(v, &f, &err) == OGV_OK) fail_msg("taken: %s", bad[i]);
    json_decref(v);
  }
  json_t *v = json_loads("{\"depth_gain\":[0,10,20],\"speckle\":0.5,\"range\":[10,240],\"smooth_frames\":3}", 0, NULL);
  assert_int_equal(ogv_filters_from_json(v, &f, &err), OGV_OK);
  json_t *back = ogv_filters_to_json(&f);
  ogv_filters g;
  assert_int_equal(ogv_filters_from_json(back, &g, &err), OGV_OK);
  assert_true(g.speckle == f.speckle && g.depth_gain[2] == 20 && g.high == 240 && g.smooth_frames == 3 && g.gamma == 1);
  assert_true(ogv_filters_any(&f) && f.n_depth_gain == 3 && f.low == 10);
  json_decref(v);
  json_decref(back);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_off),
                                     cmocka_unit_test(test_speckle),
                                     cmocka_unit_test(test_speckle_by_definition),
                                     cmocka_unit_test(test_gain_and_range),
                                     cmocka_unit_test(test_shading),
                                     cmocka_unit_test(test_contrast),
                                     cmocka_unit_test(test_left_alone),
                                     cmocka_unit_test(test_frames),
                                     cmocka_unit_test(test_json)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
