/* Colour Doppler on made pictures whose every pixel is known: bars of all kinds, flow through them, compression, flow
 * faster than the bar, clips with a flash, and what follows from counts. The pictures are drawn here and nowhere else;
 * their truth is counted while they are drawn. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>
#include <jpeglib.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core_json.h"
#include "measure_colour_reading.h"

#define W 400
#define H 300
#define BAR_X 370
#define BAR_Y 20
#define BAR_N 201 /* rows */

/* --- pictures ----------------------------------------------------------------------------------------------------- */

static uint32_t seed = 1;
static double chance(void) { /* 0..1; Numerical Recipes' ranqd1 */
  seed = seed * 1664525u + 1013904223u;
  return seed / 4294967296.0;
}

typedef struct scale {
  bool power, upside_down, inverted; /* upside_down: the whole bar; inverted: cold colours on top */
  double low;                        /* value at the lower end of a velocity bar, -1 usual */
  bool gap;                          /* a black stretch round the baseline */
  bool twice;                        /* a power bar that is dark in the middle and bright at both ends */
} scale;

static void put(ogv_image *p, int x, int y, const uint8_t q[3]) {
  memcpy(p->pixels + (size_t)y * p->stride + (size_t)x * 3, q, 3);
}

static void ink(const scale *s, double v, uint8_t q[3]) {
  double a = fmin(1, fabs(v));
  if (s->power) {
    q[0] = (uint8_t)(60 + 195 * a);
    q[1] = (uint8_t)(200 * a * a);
    q[2] = 0;
    return;
  }
  bool warm = (v > 0) != s->inverted;
  q[warm ? 0 : 2] = (uint8_t)(80 + 175 * a);
  q[warm ? 2 : 0] = 0;
  q[1] = (uint8_t)(a > 0.5 ? 220 * (a - 0.5) * 2 : 0);
}

static void draw_bar(ogv_image *p, const scale *s) {
  for (int i = 0; i < BAR_N; i++) {
    double t = (double)i / (BAR_N - 1), top = s->power ? 0 : s->low;
    double v = s->twice ? fabs(1 - 2 * t) : s->upside_down ? top + (1 - top) * t : 1 - (1 - top) * t;
    uint8_t q[3];
    if (s->gap && fabs(v) < 0.03) memset(q, 0, 3);
    else ink(s, v, q);
    for (int x = BAR_X; x < BAR_X + 12; x++) put(p, x, BAR_Y + i, q);
  }
}

/* Speckled grey, nothing else. */
static ogv_image tissue(void) {
  ogv_image p;
  assert_int_equal(ogv_image_new(W, H, 3, &p, NULL), OGV_OK);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      uint8_t g = x < 350 ? (uint8_t)(20 + 120 * chance() * chance()) : 0, q[3] = {g, g, g};
      put(&p, x, y, q);
    }
  return p;
}

typedef struct truth {
  size_t coloured, towards, wrapped;
  double sum;
} truth;

static double wrapped(const scale *s, double v) {
  double range = 1 - s->low;
  while (v > 1) v -= range;
  while (v < s->low) v += range;
  return v;
}

/* A vessel along the columns: parabolic flow, noise of the estimate, no colour below the wall filter. */
static void vessel(ogv_image *p, const scale *s, double y0, double radius, double peak, double noise, truth *t) {
  for (int y = (int)(y0 - radius); y <= (int)(y0 + radius); y++)
    for (int x = 30; x < 330; x++) {
      double r = (y - y0) / radius, v = peak * (1 - r * r) + noise * (chance() + chance() - 1);
      if (r * r > 1 || fabs(v) < 0.06 || (v > 0) != (peak > 0)) continue;
      double w = s->power ? fmin(1, fabs(v)) : wrapped(s, v);
      uint8_t q[3];
      ink(s, w, q);
      put(p, x, y, q);
      t->coloured++;
      t->towards += w > 0;
      t->wrapped += !s->power && w != v;
      t->sum += fabs(w);
    }
}

static const double box[] = {19.5, 19.5, 339.5, 19.5, 339.5, 279.5, 19.5, 279.5};
#define BOX_PIXELS (320 * 260)

static ogv_colour_count counted(const ogv_image *p, ogv_colour_bar *bar) {
  ogv_colour_count c;
  ogv_error err = {0};
  if (ogv_colour_bar_find(p, NULL, 0, bar, &err) != OGV_OK) fail_msg("%s", err.what);
  float *flow = malloc(sizeof *flow * W * H);
  assert_int_equal(ogv_colour_flow(p, bar, flow, &err), OGV_OK);
  assert_int_equal(ogv_colour_in_outline(flow, W, H, bar, box, 4, &c, &err), OGV_OK);
  free(flow);
  return c;
}

/* Through JPEG with halved chroma (4:2:0), as archives keep colour pictures. */
static void through_jpeg(ogv_image *p, int quality) {
  struct jpeg_error_mgr e;
  struct jpeg_compress_struct out = {.err = jpeg_std_error(&e)};
  struct jpeg_decompress_struct in = {.err = jpeg_std_error(&e)};
  unsigned char *bytes = NULL;
  unsigned long n = 0;
  jpeg_create_compress(&out);
  jpeg_mem_dest(&out, &bytes, &n);
  out.image_width = W;
  out.image_height = H;
  out.input_components = 3;
  out.in_color_space = JCS_RGB;
  jpeg_set_defaults(&out); /* 4:2:0 */
  jpeg_set_quality(&out, quality, TRUE);
  jpeg_start_compress(&out, TRUE);
  for (JSAMPROW row; out.next_scanline < H; jpeg_write_scanlines(&out, &row, 1))
    row = p->pixels + (size_t)out.next_scanline * p->stride;
  jpeg_finish_compress(&out);
  jpeg_destroy_compress(&out);
  jpeg_create_decompress(&in);
  jpeg_mem_src(&in, bytes, n);
  jpeg_read_header(&in, TRUE);
  in.out_color_space = JCS_RGB;
  jpeg_start_decompress(&in);
  for (JSAMPROW row; in.output_scanline < H; jpeg_read_scanlines(&in, &row, 1))
    row = p->pixels + (size_t)in.output_scanline * p->stride;
  jpeg_finish_decompress(&in);
  jpeg_destroy_decompress(&in);
  free(bytes);
}

/* --- bars --------------------------------------------------------------------------------------------------------- */

/* Every kind of bar, 70 pictures with fresh seeds: share, direction and magnitude against what was drawn. */
static void share_direction_and_magnitude_are_those_drawn(void **state) {
  (void)state;
  const scale kinds[] = {{.low = -1},
                         {.low = -1, .gap = true},
                         {.low = -1, .inverted = true},
                         {.low = -0.4},
                         {.power = true},
                         {.power = true, .upside_down = true},
                         {.power = true, .twice = true}};
  const char *fixed = getenv("COLOUR_SEED");
  uint32_t first = fixed ? (uint32_t)strtoul(fixed, NULL, 10) : (uint32_t)time(NULL);
  printf("seed %u (COLOUR_SEED sets it)\n", first);
  double worst_share = 0, worst_magnitude = 0;
  for (int k = 0; k < 70; k++) {
    seed = first + (uint32_t)k * 7919u;
    const scale *s = &kinds[k % 7];
    ogv_image p = tissue();
    truth t = {0};
    draw_bar(&p, s);
    vessel(&p, s, 80, 12 + 20 * chance(), 0.4 + 0.55 * chance(), 0.1, &t);
    if (!s->power) vessel(&p, s, 200, 8 + 20 * chance(), 0.9 * s->low * (0.5 + 0.5 * chance()), 0.1, &t);
    ogv_colour_bar bar;
    ogv_colour_count c = counted(&p, &bar);
    assert_int_equal(bar.power, s->power);
    assert_int_equal(c.pixels, BOX_PIXELS);
    double share = c.fraction / ((double)t.coloured / BOX_PIXELS) - 1,
           magnitude = c.mean_magnitude - t.sum / (double)t.coloured;
    worst_share = fmax(worst_share, fabs(share));
    worst_magnitude = fmax(worst_magnitude, fabs(magnitude));
    if (fabs(share) > 0.005 || fabs(magnitude) > 0.02)
      fail_msg("picture %d, kind %d: share %+.2f %%, magnitude %+.3f", k, k % 7, 100 * share, magnitude);
    /* The upper half of the bar is flow towards the probe, whatever its colours. */
    double towards = fabs((double)c.positive - (double)t.towards);
    if (!s->power && towards > 0.002 * (double)t.coloured) fail_msg("picture %d: direction of %.0f pixels", k, towards);
    double aliased = fabs((double)c.aliased - (double)t.wrapped);
    if (aliased > 0.01 * (double)t.coloured) fail_msg("picture %d: aliasing of %.0f pixels", k, aliased);
    ogv_image_free(&p);
  }
  printf("worst: share %.2f %% of itself, magnitude %.3f\n", 100 * worst_share, worst_magnitude);
}

static void without_a_bar_nothing_is_guessed(void **state) {
  (void)state;
  ogv_image p = tissue(), grey;
  truth t = {0};
  const scale s = {.low = -1};
  ogv_colour_bar bar;
  ogv_error err = {0};
  vessel(&p, &s, 100, 25, 0.9, 0.05, &t);
  assert_int_equal(ogv_colour_bar_find(&p, NULL, 0, &bar, &err), OGV_E_NOT_FOUND);
  assert_non_null(strstr(err.what, "no colour bar"));
  /* The bar lying down: which end is which is not guessed. */
  for (int x = 0; x < BAR_N; x++)
    for (int y = 2; y < 8; y++) {
      uint8_t q[3];
      ink(&s, 1 - 2.0 * x / (BAR_N - 1), q);
      put(&p, 60 + x, y, q);
    }
  assert_int_equal(ogv_colour_bar_find(&p, NULL, 0, &bar, &err), OGV_E_NOT_FOUND);
  ogv_image_free(&p);
  assert_int_equal(ogv_image_new(W, H, 1, &grey, NULL), OGV_OK);
  assert_int_equal(ogv_colour_bar_find(&grey, NULL, 0, &bar, &err), OGV_E_NOT_FOUND);
  ogv_image_free(&grey);
}

/* A colour bar region that is no bar (all one grey) is passed over, not believed. */
static void a_region_that_holds_no_bar_is_not_one(void **state) {
  (void)state;
  ogv_image p = tissue();
  ogv_colour_bar bar;
  ogv_region r = {.data_type = OGV_DATA_COLOUR_BAR, .x0 = BAR_X, .y0 = BAR_Y, .x1 = BAR_X + 11, .y1 = BAR_Y + 200};
  assert_int_equal(ogv_colour_bar_find(&p, &r, 1, &bar, NULL), OGV_E_NOT_FOUND);
  draw_bar(&p, &(scale){.low = -1});
  assert_int_equal(ogv_colour_bar_find(&p, &r, 1, &bar, NULL), OGV_OK);
  assert_int_equal(bar.x0, BAR_X);
  assert_int_equal(bar.y1, BAR_Y + 200);
  ogv_image_free(&p);
}

/* --- compression -------------------------------------------------------------------------------------------------- */

/* Chroma bleeds over the rim of a vessel and tints tissue; the share must stay within 4 % of itself. */
static void compression_tints_no_tissue_into_flow(void **state) {
  (void)state;
  const int quality[] = {95, 85, 75};
  const scale kinds[] = {{.low = -1}, {.power = true}};
  for (int k = 0; k < 2; k++)
    for (int i = 0; i < 3; i++) {
      seed = 77;
      ogv_image p = tissue();
      truth t = {0};
      ogv_colour_bar bar;
      draw_bar(&p, &kinds[k]);
      vessel(&p, &kinds[k], 80, 25, 0.9, 0.1, &t);
      if (!k) vessel(&p, &kinds[k], 200, 18, -0.7, 0.1, &t);
      through_jpeg(&p, quality[i]);
      ogv_colour_count c = counted(&p, &bar);
      double share = (double)c.coloured / (double)t.coloured - 1,
             magnitude = c.mean_magnitude - t.sum / (double)t.coloured;
      printf("%s, quality %d: share %+.1f %% of itself, magnitude %+.3f, aliased %zu\n", k ? "power" : "velocity",
             quality[i], 100 * share, magnitude, c.aliased);
      assert_true(fabs(share) < 0.04);
      assert_true(fabs(magnitude) < 0.04);
      assert_true((double)c.aliased < 0.01 * (double)c.coloured);
      ogv_image_free(&p);
    }
  /* Tissue alone shows no flow after compression. */
  seed = 78;
  ogv_image p = tissue();
  ogv_colour_bar bar;
  draw_bar(&p, &(scale){.low = -1});
  through_jpeg(&p, 60);
  assert_true(counted(&p, &bar).coloured < BOX_PIXELS / 2000);
  ogv_image_free(&p);
}

/* --- aliasing ----------------------------------------------------------------------------------------------------- */

static void flow_round_the_end_of_the_bar_is_counted(void **state) {
  (void)state;
  static const struct {
    double peak, low;
    bool jpeg;
  } cases[] = {{1.3, -1, false}, {1.6, -1, false},  {-1.5, -1, false}, {1.3, -1, true},
               {1.6, -1, true},  {0.95, -1, false}, {1.3, -0.5, false}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    seed = 200 + (uint32_t)i;
    ogv_image p = tissue();
    truth t = {0};
    ogv_colour_bar bar;
    const scale s = {.low = cases[i].low};
    draw_bar(&p, &s);
    vessel(&p, &s, 100, 36, cases[i].peak, 0.06, &t);
    if (cases[i].jpeg) through_jpeg(&p, 90);
    ogv_colour_count c = counted(&p, &bar);
    double is = (double)t.wrapped / (double)t.coloured, found = (double)c.aliased / (double)c.coloured;
    printf("peak %.2f of the bar%s: %.1f %% wrapped, %.1f %% found\n", cases[i].peak, cases[i].jpeg ? ", JPEG" : "",
           100 * is, 100 * found);
    assert_true(fabs(found - is) < (cases[i].jpeg ? 0.05 : 0.03));
    ogv_image_free(&p);
  }
  /* Two vessels of opposite flow, wall to wall: through zero, not round the end. */
  seed = 300;
  ogv_image p = tissue();
  truth t = {0};
  ogv_colour_bar bar;
  const scale s = {.low = -1};
  draw_bar(&p, &s);
  vessel(&p, &s, 100, 24, 0.9, 0.06, &t);
  vessel(&p, &s, 148, 24, -0.9, 0.06, &t);
  assert_true((double)counted(&p, &bar).aliased < 0.01 * (double)t.coloured);
  ogv_image_free(&p);
}

/* --- clips -------------------------------------------------------------------------------------------------------- */

typedef struct clip {
  int n, flash; /* frames; the one with a flash, -1 none */
  double still; /* part of the flow that does not pulse */
  truth t[64];
} clip;

/* A vessel whose flow pulses with 10 frames a beat; in a flash, colour fills the box. */
static ogv_status clip_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  (void)err;
  clip *c = user;
  const scale s = {.low = -1};
  seed = 500 + (uint32_t)frame;
  *out = tissue();
  c->t[frame] = (truth){0};
  draw_bar(out, &s);
  double beat = fmod(frame, 10) / 10, pulse = beat < 0.3 ? sin(M_PI * beat / 0.3) : 0;
  if (frame == c->flash) vessel(out, &s, 150, 120, 0.8, 0.2, &c->t[frame]);
  else vessel(out, &s, 100, 20, c->still + (0.9 - c->still) * pulse, 0.02, &c->t[frame]);
  return OGV_OK;
}

static json_t *read_clip(clip *c) {
  int frames[64];
  double times[64];
  json_t *reading;
  ogv_error err = {0};
  ogv_geometry g = {OGV_GEOMETRY_OUTLINE, 4, (double *)box};
  for (int i = 0; i < c->n; i++) {
    frames[i] = i;
    times[i] = 40.0 * i;
  }
  const ogv_colour_ask ask = {clip_frame, c, NULL, 0, &g, 0, frames, c->n, times};
  if (ogv_colour_read(&ask, &reading, &err) != OGV_OK) fail_msg("%s", err.what);
  return reading;
}

/* Pulsation as it would be from what was drawn in the frames that count. */
static double drawn_pulsation(const clip *c) {
  double low = INFINITY, high = 0, sum = 0;
  int n = 0;
  for (int i = 0; i < c->n; i++) {
    if (i == c->flash) continue;
    double f = c->t[i].sum / BOX_PIXELS;
    low = fmin(low, f);
    high = fmax(high, f);
    sum += f;
    n++;
  }
  return (high - low) / (sum / n);
}

static void a_flash_is_left_out_and_pulsation_is_not(void **state) {
  (void)state;
  static const struct {
    int n, flash;
    double still;
  } cases[] = {{40, -1, 0.4}, {40, 17, 0.4}, {40, -1, 0.08}, {12, 5, 0.4}, {40, 3, 0.08}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    clip c = {.n = cases[i].n, .flash = cases[i].flash, .still = cases[i].still};
    json_t *r = read_clip(&c), *curve = json_object_get(r, "curve");
    int left = (int)ogv_json_number_or(r, "frames_left_out", -1);
    double is = drawn_pulsation(&c), found = ogv_json_number_or(r, "pulsatility", NAN);
    printf("clip of %d frames, flash at %d, still part %.2f: %d left out, pulsation %.3f (drawn %.3f)\n", c.n, c.flash,
           c.still, left, found, is);
    assert_int_equal(left, c.flash >= 0);
    if (c.flash >= 0) assert_true(json_is_true(json_object_get(json_array_get(curve, (size_t)c.flash), "left_out")));
    assert_true(fabs(found / is - 1) < 0.03);
    /* Read again from what was kept, and derived again from its counts: the same. */
    json_t *again, *derived = json_deep_copy(r);
    assert_int_equal(ogv_colour_read_again(r, clip_frame, &c, NULL, 0, &again, NULL), OGV_OK);
    assert_true(json_equal(r, again));
    assert_int_equal(ogv_colour_derive(derived, NULL), OGV_OK);
    assert_true(json_equal(r, derived));
    json_decref(derived);
    json_decref(again);
    json_decref(r);
  }
}

static void counts_that_cannot_be_are_refused(void **state) {
  (void)state;
  clip c = {.n = 2, .flash = -1, .still = 0.5};
  json_t *r = read_clip(&c), *counts = json_object_get(r, "colour"),
         *point = json_array_get(json_object_get(r, "curve"), 0);
  const struct {
    json_t *of;
    const char *key;
    double value;
  } bad[] = {{counts, "coloured_pixels", 1e9}, {counts, "pixels", 0},          {counts, "magnitude_sum", -1},
             {counts, "aliased_pixels", 1e9},  {counts, "towards_pixels", -1}, {point, "coloured_pixels", -5},
             {point, "magnitude_sum", 1e9}};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    json_t *kept = json_incref(json_object_get(bad[i].of, bad[i].key));
    ogv_error err = {0};
    json_object_set_new(bad[i].of, bad[i].key, json_real(bad[i].value));
    if (ogv_colour_derive(r, &err) != OGV_E_INVALID) fail_msg("%s of %g was believed", bad[i].key, bad[i].value);
    json_object_set_new(bad[i].of, bad[i].key, kept);
  }
  assert_int_equal(ogv_colour_derive(r, NULL), OGV_OK);
  json_object_set_new(r, "bar_end_cm_s", json_real(30));
  assert_int_equal(ogv_colour_derive(r, NULL), OGV_OK);
  assert_true(fabs(ogv_json_number_or(r, "mean_velocity_cm_s", NAN) -
                   30 * ogv_json_number_or(r, "mean_magnitude", NAN)) < 1e-9);
  /* A still has no means over frames: one that claims them is told by deriving it. */
  json_object_del(r, "curve");
  json_object_set_new(r, "mean_fraction", json_real(0.9));
  assert_int_equal(ogv_colour_derive(r, NULL), OGV_OK);
  assert_null(json_object_get(r, "mean_fraction"));
  assert_null(json_object_get(r, "pulsatility"));
  json_decref(r);
}

/* --- the velocity at the end, where the object says it -------------------------------------------------------------
 */

static void the_object_may_say_the_velocity(void **state) {
  (void)state;
  ogv_region r = {.format = OGV_FORMAT_2D, .data_type = OGV_DATA_COLOUR_FLOW, .x1 = 300, .y1 = 200};
  assert_true(isnan(ogv_colour_bar_end(&r, 1)));
  r.has_component = true;
  r.component_unit = OGV_UNIT_CM_S;
  r.component_type = 3; /* colour flow velocity, PS3.3 C.8.5.5.1.8 */
  r.component_low = -24.5;
  r.component_high = 24.3;
  assert_true(fabs(ogv_colour_bar_end(&r, 1) - 24.5) < 1e-12);
  r.component_type = 4; /* variance */
  assert_true(isnan(ogv_colour_bar_end(&r, 1)));
  r.component_type = 3;
  r.component_unit = OGV_UNIT_DB;
  assert_true(isnan(ogv_colour_bar_end(&r, 1)));
  r.component_unit = OGV_UNIT_CM_S;
  /* A bar with a scale of its own: +30 at its top row, -10 at its bottom row. */
  ogv_region bar = {.data_type = OGV_DATA_COLOUR_BAR,
                    .y0 = 20,
                    .y1 = 60,
                    .unit_y = OGV_UNIT_CM_S,
                    .has_ref_y = true,
                    .ref_y = 30,
                    .ref_value_y = 0,
                    .delta_y = -1};
  assert_true(fabs(ogv_colour_bar_end(&bar, 1) - 30) < 1e-12);
  ogv_region both[] = {r, bar}; /* 24.5 and 30: which one is right is not guessed */
  assert_true(isnan(ogv_colour_bar_end(both, 2)));
  json_t *j = ogv_region_to_json(&r);
  ogv_region back;
  assert_int_equal(ogv_region_from_json(j, &back, NULL), OGV_OK);
  assert_true(back.has_component && back.component_low == r.component_low && back.component_type == 3);
  json_object_set_new(json_object_get(j, "component"), "range", json_string("wide"));
  assert_int_equal(ogv_region_from_json(j, &back, NULL), OGV_E_INVALID);
  json_decref(j);
}

/* --- relief, volumes ---------------------------------------------------------------------------------------------- */

static void the_relief_is_lit_from_the_upper_left(void **state) {
  (void)state;
  const scale s = {.low = -1};
  ogv_image p = tissue(), lit;
  draw_bar(&p, &s);
  uint8_t q[3];
  ink(&s, 0.6, q);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < 340; x++)
      if (hypot(x - 120, y - 120) < 30) put(&p, x, y, q);
  assert_int_equal(ogv_colour_relief_on(&p, &p, NULL, 0, &lit, NULL), OGV_OK);
  const uint8_t *a = lit.pixels + (size_t)100 * lit.stride + 100 * 3,
                *b = lit.pixels + (size_t)140 * lit.stride + 140 * 3;
  assert_true(a[0] > b[0]);
  ogv_image_free(&lit);
  ogv_image_free(&p);
}

/* Levels of a map written by hand: 7 voxels in the outline, of which 4 carry flow. */
static void levels_are_hundredths_of_the_bar(void **state) {
  (void)state;
  float flow[16];
  for (int i = 0; i < 16; i++) flow[i] = NAN;
  flow[1] = 0.2f;
  flow[2] = -0.2f;
  flow[5] = 0.001f; /* coloured, so at least level 1 */
  flow[6] = 1.0f;
  flow[15] = 0.5f;                                                      /* outside */
  const double around[] = {-0.5, -0.5, 2.5, -0.5, 2.5, 1.5, -0.5, 1.5}; /* 3 x 2 */
  size_t grey = 5, level[101] = {0};
  assert_int_equal(ogv_colour_levels(flow, 4, 4, around, 4, &grey, level, NULL), OGV_OK);
  assert_int_equal(grey, 5 + 6 - 4);
  assert_int_equal(level[20], 2);
  assert_int_equal(level[1], 1);
  assert_int_equal(level[100], 1);
  assert_int_equal(level[50], 0);
  const double nowhere[] = {50, 50, 60, 50, 60, 60};
  assert_int_equal(ogv_colour_levels(flow, 4, 4, nowhere, 3, &grey, level, NULL), OGV_E_INVALID);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(share_direction_and_magnitude_are_those_drawn),
      cmocka_unit_test(without_a_bar_nothing_is_guessed),
      cmocka_unit_test(a_region_that_holds_no_bar_is_not_one),
      cmocka_unit_test(compression_tints_no_tissue_into_flow),
      cmocka_unit_test(flow_round_the_end_of_the_bar_is_counted),
      cmocka_unit_test(a_flash_is_left_out_and_pulsation_is_not),
      cmocka_unit_test(counts_that_cannot_be_are_refused),
      cmocka_unit_test(the_object_may_say_the_velocity),
      cmocka_unit_test(the_relief_is_lit_from_the_upper_left),
      cmocka_unit_test(levels_are_hundredths_of_the_bar),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
