/* Burned-in text: everything that is not dark outside the scanned area is found, lines in colour inside; the scanned
 * structure, caliper ends and dotted lines are left alone. Truth: where this test put the pixels. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "imaging_cover.h"

#define W 400
#define H 300

static const ogv_region plane = {
    .format = OGV_FORMAT_2D, .data_type = OGV_DATA_TISSUE, .x0 = 61, .y0 = 45, .x1 = 333, .y1 = 270};

static ogv_image picture(int channels) {
  ogv_image im;
  assert_int_equal(ogv_image_new(W, H, channels, &im, NULL), OGV_OK);
  for (int y = plane.y0; y <= plane.y1; y++) /* speckle */
    for (int x = plane.x0; x <= plane.x1; x++)
      memset(im.pixels + (size_t)y * im.stride + (size_t)(x * channels), (x * 31 + y * 17 + x * y) % 200,
             (size_t)channels);
  return im;
}

static void dot(ogv_image *im, int x, int y, const uint8_t *rgb) {
  memcpy(im->pixels + (size_t)y * im->stride + (size_t)(x * im->channels), rgb, (size_t)im->channels);
}

/* Letters as scanners draw them, near enough: uprights and bars of 5 x 9 pixels, 8 pixels apart. */
static void letters(ogv_image *im, int x, int y, int n, const uint8_t *rgb) {
  for (int k = 0; k < n; k++)
    for (int j = 0; j < 9; j++)
      for (int i = 0; i < 5; i++)
        if (i == 0 || j == 0 || j == 8 || (k % 2 && i == 4)) dot(im, x + 8 * k + i, y + j, rgb);
}

static bool covered(const ogv_covers *c, int x, int y) {
  for (size_t i = 0; i < c->n; i++)
    if (x >= c->list[i].x0 && x <= c->list[i].x1 && y >= c->list[i].y0 && y <= c->list[i].y1) return true;
  return false;
}

static ogv_covers find(const ogv_image *im, const ogv_region *r, size_t n) {
  ogv_covers c;
  const ogv_image *list[1] = {im};
  assert_int_equal(ogv_covers_find(list, 1, r, n, &c, NULL), OGV_OK);
  return c;
}

static const uint8_t white[3] = {250, 250, 250}, orange[3] = {250, 160, 30}, faint[3] = {60, 60, 60};

static void all_that_is_lit_outside(void **state) {
  (void)state;
  for (int channels = 1; channels <= 3; channels += 2) {
    ogv_image im = picture(channels);
    letters(&im, 3, 2, 9, white);
    letters(&im, 340, 280, 6, faint); /* to the very edge */
    dot(&im, 60, 100, white);         /* one pixel beside the region */
    dot(&im, 399, 299, white);
    ogv_covers c = find(&im, &plane, 1);
    assert_true(c.scanned);
    for (int y = 0; y < H; y++)
      for (int x = 0; x < W; x++) {
        bool in = x >= plane.x0 && x <= plane.x1 && y >= plane.y0 && y <= plane.y1;
        if (in) assert_false(covered(&c, x, y)); /* not a pixel of the scanned area */
        else if (im.pixels[(size_t)y * im.stride + (size_t)(x * channels)] > 40) assert_true(covered(&c, x, y));
      }
    assert_false(covered(&c, 200, 20)); /* dark stays as it is */
    ogv_covers_free(&c);
    ogv_image_free(&im);
  }
}

/* The box of a sector has black corners: a line that begins beside the box and runs on into one is covered whole, the
 * picture itself is not, nor what stands in the corner by itself. */
static void a_line_runs_on_into_a_black_corner(void **state) {
  (void)state;
  ogv_image im = picture(3);
  for (int y = 60; y < 110; y++) memset(im.pixels + (size_t)y * im.stride + (size_t)(plane.x0 * 3), 0, 90 * 3);
  letters(&im, 20, 70, 12, white); /* to column 113; the picture begins at 151 */
  letters(&im, 120, 90, 3, white);
  ogv_covers c = find(&im, &plane, 1);
  for (int y = 70; y < 79; y++)
    for (int x = 20; x < 114; x++) assert_true(covered(&c, x, y));
  for (int y = plane.y0; y <= plane.y1; y++)
    for (int x = 151; x <= plane.x1; x++) assert_false(covered(&c, x, y));
  assert_false(covered(&c, 122, 94));
  ogv_covers_free(&c);
  ogv_image_free(&im);
}

/* "C 4.0 MHz": the gap after the figure is wide above and short below, where the point stands; the line is covered in
 * its whole height all the same, from either side. */
static void a_gap_in_half_the_height_ends_no_line(void **state) {
  (void)state;
  for (int side = 0; side < 2; side++) {
    ogv_image im = picture(3);
    for (int y = 60; y < 110; y++) {
      memset(im.pixels + (size_t)y * im.stride + (size_t)(plane.x0 * 3), 0, 90 * 3);
      memset(im.pixels + (size_t)y * im.stride + (size_t)((plane.x1 - 89) * 3), 0, 90 * 3);
    }
    int first = side ? 290 : 20, point = side ? 322 : 62, rest = side ? 345 : 78;
    letters(&im, first, 70, side ? 3 : 5, white);
    for (int k = 0; k < 2; k++) dot(&im, point + k, 77, white), dot(&im, point + k, 78, white);
    letters(&im, rest, 70, 4, white);
    ogv_covers c = find(&im, &plane, 1);
    for (int y = 70; y < 79; y++) {
      for (int x = first; x < first + (side ? 24 : 40); x++) assert_true(covered(&c, x, y));
      for (int x = rest; x < rest + 29; x++) assert_true(covered(&c, x, y));
    }
    assert_false(covered(&c, 200, 74));
    ogv_covers_free(&c);
    ogv_image_free(&im);
  }
}

static void lines_in_colour_inside(void **state) {
  (void)state;
  ogv_image im = picture(3);
  letters(&im, 70, 250, 12, orange);
  for (int k = -6; k <= 6; k++) dot(&im, 200 + k, 100, orange), dot(&im, 200, 100 + k, orange); /* caliper end */
  for (int x = 120; x < 300; x += 6) dot(&im, x, 180, orange);                                  /* dotted line */
  letters(&im, 180, 250, 1, orange); /* "mm" beside a number */
  letters(&im, 70, 60, 12, white);   /* over echoes: not found, documented */
  ogv_covers c = find(&im, &plane, 1);
  assert_true(c.searched);
  for (int x = 70; x < 70 + 8 * 11 + 1; x++) assert_true(covered(&c, x, 254));
  assert_false(covered(&c, 200, 100));
  assert_false(covered(&c, 150, 180));
  assert_false(covered(&c, 90, 64));
  assert_true(covered(&c, 182, 250));
  for (size_t i = 0; i < c.n; i++) assert_true(c.list[i].inside);
  ogv_covers_free(&c);
  ogv_image_free(&im);
}

static void says_what_it_cannot_find(void **state) {
  (void)state;
  ogv_image im = picture(1), rgb = picture(3);
  ogv_covers c = find(&im, &plane, 1);
  assert_false(c.searched);
  assert_non_null(strstr(c.unsure, "no colour"));
  ogv_covers_free(&c);
  ogv_region flow = plane, bar = plane;
  flow.data_type = OGV_DATA_COLOUR_FLOW;
  c = find(&rgb, &flow, 1);
  assert_false(c.searched);
  assert_non_null(strstr(c.unsure, "colour flow"));
  ogv_covers_free(&c);
  /* a tinted picture is no text */
  for (int y = plane.y0; y <= plane.y1; y++)
    for (int x = plane.x0; x <= plane.x1; x++) rgb.pixels[(size_t)y * rgb.stride + (size_t)(3 * x) + 2] /= 4;
  c = find(&rgb, &plane, 1);
  assert_false(c.searched);
  assert_int_equal(c.n, 0);
  ogv_covers_free(&c);
  /* no scanned area: nothing is known, and that is said */
  bar.data_type = OGV_DATA_GREY_BAR;
  letters(&im, 3, 2, 9, white);
  c = find(&im, &bar, 1);
  assert_false(c.scanned);
  assert_int_equal(c.n, 0);
  assert_non_null(strstr(c.unsure, "scanned area"));
  ogv_covers_free(&c);
  ogv_image_free(&im);
  ogv_image_free(&rgb);
}

/* Two regions that overlap, one past the edge, one of no size; a text that only a later frame shows. */
static void odd_regions_and_clips(void **state) {
  (void)state;
  ogv_image a = picture(1), b = picture(1), small;
  letters(&b, 3, 2, 9, white);
  ogv_region r[3] = {plane, plane, plane};
  r[1].x0 = 300, r[1].x1 = 900, r[1].y0 = -20, r[1].y1 = 100;
  r[2].x1 = r[2].x0;
  const ogv_image *frames[2] = {&a, &b};
  ogv_covers c;
  assert_int_equal(ogv_covers_find(frames, 2, r, 3, &c, NULL), OGV_OK);
  assert_true(covered(&c, 4, 2));
  for (size_t i = 0; i < c.n; i++) {
    assert_true(c.list[i].x0 >= 0 && c.list[i].y0 >= 0 && c.list[i].x1 < W && c.list[i].y1 < H);
    assert_true(c.list[i].x0 <= c.list[i].x1 && c.list[i].y0 <= c.list[i].y1);
  }
  ogv_covers_free(&c);
  assert_int_equal(ogv_image_new(10, 10, 1, &small, NULL), OGV_OK);
  frames[1] = &small;
  assert_int_equal(ogv_covers_find(frames, 2, r, 3, &c, NULL), OGV_E_INVALID);
  ogv_image_free(&a);
  ogv_image_free(&b);
  ogv_image_free(&small);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(all_that_is_lit_outside),
                                     cmocka_unit_test(a_line_runs_on_into_a_black_corner),
                                     cmocka_unit_test(a_gap_in_half_the_height_ends_no_line),
                                     cmocka_unit_test(lines_in_colour_inside),
                                     cmocka_unit_test(says_what_it_cannot_find),
                                     cmocka_unit_test(odd_regions_and_clips)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
