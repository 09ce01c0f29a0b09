/* Clips in motion: the truth follows the section, speckle is carried and changes with the plane, frames repeat exactly.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "imaging_geometry.h"
#include "phantom_clip.h"

static ogv_phantom_clip_options small(ogv_phantom_plane_kind kind, uint64_t seed) {
  ogv_phantom_clip_options o;
  ogv_phantom_clip_defaults(&o, kind);
  o.plane.seed = seed;
  o.plane.width = 320;
  o.plane.height = 240;
  o.plane.channels = 1;
  o.plane.quick = true;
  o.frames = 40;
  return o;
}

static ogv_phantom_frame_truth frame(const ogv_phantom_clip_options *o, int i, ogv_image *img) {
  ogv_phantom_frame_truth t;
  ogv_error err;
  if (ogv_phantom_clip_frame(o, i, img, &t, &err) != OGV_OK) fail_msg("%s", err.what);
  return t;
}

/* Points measure the section's size, which is never above the standard plane's and falls with the distance from it. */
static void test_truth_of_sections(void **state) {
  (void)state;
  for (int kind = 0; kind < 3; kind++) {
    ogv_phantom_clip_options o = small((ogv_phantom_plane_kind)kind, 5);
    o.frames = 60;
    o.leaves = 2;
    o.plane.width = 128;
    o.plane.height = 96;
    double far = 0, last = 0, shortest = 1e9;
    for (int i = 0; i < o.frames; i += 2) {
      ogv_image img;
      ogv_phantom_frame_truth t = frame(&o, i, &img);
      ogv_image_free(&img);
      ogv_geometry g = {.kind = kind == OGV_PHANTOM_FEMUR ? OGV_GEOMETRY_DISTANCE : OGV_GEOMETRY_ELLIPSE,
                        .n = (size_t)t.plane.n_points,
                        .points = t.plane.points};
      ogv_extent e;
      ogv_regions_judge(&t.plane.region, 1, 96, 128);
      assert_int_equal(ogv_geometry_measure(&g, &t.plane.region, &e, NULL), OGV_OK);
      double length = kind == OGV_PHANTOM_FEMUR ? e.length_mm : e.axis1_mm;
      double wanted = kind == OGV_PHANTOM_FEMUR ? t.plane.length_mm : fmax(t.plane.length_mm, t.plane.breadth_mm);
      assert_true(fabs(length - wanted) < 1e-6);
      assert_true(t.plane.length_mm <= o.plane.length_mm && t.off >= 0 && t.off <= 1);
      if (t.off > far) far = t.off, last = t.plane.length_mm;
      if (t.plane.length_mm < shortest) shortest = t.plane.length_mm;
    }
    assert_true(far > 0.6); /* the plane is left once */
    assert_true(last == shortest && shortest < 0.97 * o.plane.length_mm);
  }
}

/* Grey less its surroundings' mean: what is left is speckle and noise. */
static double grain(const ogv_image *img, int x, int y) {
  double sum = 0;
  for (int dy = -4; dy <= 4; dy++)
    for (int dx = -4; dx <= 4; dx++) sum += img->pixels[(size_t)(y + dy) * img->stride + (size_t)(x + dx)];
  return img->pixels[(size_t)y * img->stride + (size_t)x] - sum / 81;
}

/* Correlation of the grain of two pictures about these centres. */
static double alike(const ogv_image *a, double ax, double ay, const ogv_image *b, double bx, double by) {
  double aa = 0, bb = 0, ab = 0;
  for (int dy = -40; dy <= 40; dy++)
    for (int dx = -40; dx <= 40; dx++) {
      double p = grain(a, (int)lround(ax) + dx, (int)lround(ay) + dy);
      double q = grain(b, (int)lround(bx) + dx, (int)lround(by) + dy);
      aa += p * p, bb += q * q, ab += p * q;
    }
  return ab / sqrt(aa * bb);
}

/* Neighbouring frames are nearly the same picture, but not the same; another plane has another speckle. */
static void test_speckle_changes_with_the_plane(void **state) {
  (void)state;
  ogv_phantom_clip_options o = small(OGV_PHANTOM_ABDOMEN, 3);
  o.turn_deg = o.move_mm = o.leaves = 0;
  o.wander = 0.25;
  ogv_image first, img;
  ogv_phantom_frame_truth t = frame(&o, 0, &first);
  double x = t.plane.centre_x, y = t.plane.centre_y, next = 0, least = 1;
  for (int i = 1; i < o.frames; i += i == 1 ? 3 : 4) {
    (void)frame(&o, i, &img);
    double q = alike(&first, x, y, &img, x, y);
    if (i == 1) next = q;
    if (q < least) least = q;
    ogv_image_free(&img);
  }
  print_message("speckle: next frame %.3f, least %.3f\n", next, least);
  assert_true(next > 0.5 && next < 0.9999);
  assert_true(least < next - 0.25);
  ogv_image_free(&first);
}

/* In one plane the speckle goes with the object: alike in its coordinates, not in the picture's. */
static void test_speckle_is_carried(void **state) {
  (void)state;
  ogv_phantom_clip_options o = small(OGV_PHANTOM_ABDOMEN, 4);
  o.turn_deg = o.wander = o.leaves = 0;
  o.move_mm = 3;
  ogv_image a, b;
  ogv_phantom_frame_truth s = frame(&o, 0, &a), t = frame(&o, 25, &b);
  double moved = hypot(s.plane.centre_x - t.plane.centre_x, s.plane.centre_y - t.plane.centre_y);
  double own = alike(&a, s.plane.centre_x, s.plane.centre_y, &b, t.plane.centre_x, t.plane.centre_y);
  double fixed = alike(&a, s.plane.centre_x, s.plane.centre_y, &b, s.plane.centre_x, s.plane.centre_y);
  print_message("moved %.1f pixels: carried %.3f, fixed %.3f\n", moved, own, fixed);
  assert_true(moved > 2);
  assert_true(own > fixed + 0.2);
  ogv_image_free(&a);
  ogv_image_free(&b);
}

static void test_same_bytes_and_refusals(void **state) {
  (void)state;
  ogv_phantom_clip_options o = small(OGV_PHANTOM_HEAD, 2);
  ogv_image a, b;
  (void)frame(&o, 7, &a);
  (void)frame(&o, 7, &b);
  assert_memory_equal(a.pixels, b.pixels, a.stride * (size_t)a.height);
  ogv_image_free(&a);
  ogv_image_free(&b);
  ogv_phantom_frame_truth t;
  ogv_error err;
  assert_int_equal(ogv_phantom_clip_frame(&o, 40, &a, &t, &err), OGV_E_INVALID);
  o.wander = 0.6;
  assert_int_equal(ogv_phantom_clip_frame(&o, 0, &a, &t, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "wander"));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_truth_of_sections), cmocka_unit_test(test_speckle_changes_with_the_plane),
      cmocka_unit_test(test_speckle_is_carried), cmocka_unit_test(test_same_bytes_and_refusals)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
