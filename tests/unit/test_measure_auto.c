/* The second reader. Outside checks: the open head images with published circumferences (van den Heuvel 2018, Zenodo
 * 1327317) where they are at hand; geometry worked by hand otherwise. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "../../src/measure/private/auto_shape.h"
#include "imaging_png.h"
#include "measure_auto_clip.h"
#include "measure_plane.h"

static ogv_reader *reader;

static int setup(void **state) {
  ogv_error err = {0};
  (void)state;
  return ogv_reader_open(NULL, OGV_NET_FAST, &reader, &err) != OGV_OK;
}
static int teardown(void **state) {
  (void)state;
  ogv_reader_free(reader);
  return 0;
}

static uint32_t seed = 7;
static double noise(void) {
  seed = seed * 1664525u + 1013904223u;
  return (double)(seed >> 8) / 16777216.0;
}

/* Points of a known ellipse come back, whole or in part, and strays do not pull it away. */
static void test_ellipse_fit(void **state) {
  (void)state;
  const auto_ellipse truth = {120.3, 88.7, 70.5, 52.25, 0.4};
  double xy[400], rms;
  for (int part = 0; part < 2; part++) {
    int n = 0;
    for (int k = 0; k < 120; k++) {
      double t = 2 * M_PI * k / 120, x = truth.a * cos(t), y = truth.b * sin(t);
      if (part && k > 80) continue;
      xy[2 * n] = truth.cx + cos(truth.theta) * x - sin(truth.theta) * y;
      xy[2 * n + 1] = truth.cy + sin(truth.theta) * x + cos(truth.theta) * y;
      n++;
    }
    auto_ellipse e;
    assert_true(auto_ellipse_fit(xy, NULL, (size_t)n, &e));
    assert_float_equal(e.cx, truth.cx, 1e-6);
    assert_float_equal(e.cy, truth.cy, 1e-6);
    assert_float_equal(e.a, truth.a, 1e-6);
    assert_float_equal(e.b, truth.b, 1e-6);
    assert_float_equal(e.theta, truth.theta, 1e-6);
    for (int k = 0; k < n; k += 9) { /* one point in nine far off */
      xy[2 * k] += 25;
      xy[2 * k + 1] -= 14;
    }
    assert_true(auto_ellipse_fit_robust(xy, NULL, (size_t)n, &e, &rms));
    assert_true(fabs(e.a - truth.a) < 0.02 * truth.a && fabs(e.b - truth.b) < 0.02 * truth.b);
  }
  auto_ellipse e;
  for (int k = 0; k < 20; k++) xy[2 * k] = k, xy[2 * k + 1] = 2 * k; /* a line is no ellipse */
  assert_false(auto_ellipse_fit(xy, NULL, 20, &e));
  assert_false(auto_ellipse_fit(xy, NULL, 5, &e));
  xy[0] = NAN;
  assert_false(auto_ellipse_fit(xy, NULL, 20, &e));
}

static void test_ellipse_distance_and_mean(void **state) {
  (void)state;
  const auto_ellipse c = {0, 0, 10, 10, 0}, d = {4, 0, 20, 10, 0};
  assert_float_equal(auto_ellipse_distance(&c, 13, 0), 3, 1e-9);
  assert_float_equal(auto_ellipse_distance(&c, 0, -8), -2, 1e-9);
  auto_ellipse m = auto_ellipse_mean(&c, &d, 0.5);
  assert_float_equal(m.cx, 2, 1e-9);
  assert_float_equal(m.a, 15, 1e-9);
  assert_float_equal(m.b, 10, 1e-9);
}

/* The length of an egg-shaped outline is found through an ellipse that is not quite its own: against the polygon
 * through its points. */
static void test_curve(void **state) {
  (void)state;
  const auto_ellipse e = {200, 130, 120, 95, 0.3};
  enum { N = 256 };
  double xy[2 * N], w[N], polygon = 0;
  for (int egg = 0; egg < 2; egg++) {
    for (int i = 0; i < N; i++) {
      const double t = 2 * M_PI * i / N, r = 1 + egg * (0.01 + 0.03 * cos(t) - 0.02 * cos(3 * t));
      const double x = e.a * r * cos(t), y = e.b * r * sin(t);
      xy[2 * i] = e.cx + cos(e.theta) * x - sin(e.theta) * y;
      xy[2 * i + 1] = e.cy + sin(e.theta) * x + cos(e.theta) * y;
      w[i] = 0.5 + 0.4 * sin(5 * t);
    }
    polygon = 0;
    for (int i = 0; i < N; i++)
      polygon += hypot(xy[2 * i] - xy[2 * ((i + 1) % N)], xy[2 * i + 1] - xy[2 * ((i + 1) % N) + 1]);
    assert_float_equal(auto_curve_stretch(&e, xy, w, N), polygon / auto_ellipse_perimeter(&e), 3e-4);
  }
  memset(w, 0, sizeof w);
  assert_true(isfinite(auto_curve_stretch(&e, xy, w, N)));
}

/* The canvas keeps the place: a bright spot is found again where it was, also with pixels that are not square. */
static void test_canvas(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(800, 540, 1, &img, &err), OGV_OK);
  for (int y = 300; y < 310; y++)
    for (int x = 500; x < 510; x++) img.pixels[(size_t)y * img.stride + (size_t)x] = 255;
  for (int k = 0; k < 2; k++) {
    ogv_still s = ogv_still_of(&img);
    s.mm_x = 0.2;
    s.mm_y = k ? 0.15 : 0.2;
    auto_canvas c;
    assert_int_equal(auto_canvas_make(&s, &c, &err), OGV_OK);
    double sx = 0, sy = 0, w = 0, px, py;
    for (int y = 0; y < c.h; y++)
      for (int x = 0; x < c.w; x++) {
        double v = (double)c.v[y * c.w + x];
        sx += v * (x + 0.5);
        sy += v * (y + 0.5);
        w += v;
      }
    auto_canvas_to_picture(&c, sx / w, sy / w, &px, &py);
    assert_float_equal(px, 504.5, 0.05);
    assert_float_equal(py, 304.5, 0.05);
    assert_float_equal(c.mm * c.sx, 0.2, 0.002);
    auto_canvas_free(&c);
  }
  ogv_image_free(&img);
}

/* What is no head, abdomen or femur is refused with a reason, whatever was asked for. */
static void test_nothing_there(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(640, 480, 3, &img, &err), OGV_OK);
  int accepted = 0, tried = 0;
  for (int kind = 0; kind < 9; kind++) {
    for (int y = 0; y < 480; y++)
      for (int x = 0; x < 640; x++)
        for (int ch = 0; ch < 3; ch++) {
          int v = 0;
          if (kind == 1) v = 255;
          if (kind == 2) v = (int)(256 * noise());
          if (kind == 3) v = x * 255 / 640;
          if (kind == 4) v = (x / 20 + y / 20) % 2 ? 255 : 0;
          if (kind == 5) v = (int)(128 + 127 * sin(x * 0.05) * cos(y * 0.03));
          if (kind == 6) v = ch == 0 ? (int)(256 * noise()) : ch == 1 ? 0 : 200 * (y > 240);
          if (kind == 7) v = hypot(x - 320, y - 240) < 150 ? 255 : 0;
          if (kind == 8) { /* a drawn ring, the shape of a skull */
            const double from = fabs(hypot((x - 320) / 180.0, (y - 240) / 140.0) - 1) * 160;
            v = (int)(220 * exp(-from * from / 18));
          }
          img.pixels[(size_t)y * img.stride + (size_t)(3 * x + ch)] = (uint8_t)v;
        }
    for (int k = 0; k <= OGV_PLANE_FEMUR; k++) {
      ogv_still s = ogv_still_of(&img);
      ogv_reading g;
      s.mm_x = s.mm_y = 0.3;
      assert_int_equal(ogv_reader_measure(reader, (ogv_plane)k, &s, &g, &err), OGV_OK);
      tried++;
      if (g.accepted) accepted++;
      else assert_true(strlen(g.reason) > 10);
    }
  }
  assert_int_equal(tried, 27);
  assert_int_equal(accepted, 0);
  ogv_image_free(&img);
}

/* A bent bright shaft of known ends on speckle: as bright at the ends as in the middle. A line drawn past one end by a
 * quarter of the shaft, or a shaft whose end lies in a shadow, is told by its dim end, from either side. */
static void test_fading(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(400, 272, 1, &img, &err), OGV_OK);
  for (int shadow = 0; shadow < 2; shadow++) {
    for (int y = 0; y < 272; y++)
      for (int x = 0; x < 400; x++) {
        const double t = (x - 100) / 200.0, off = y - (130 + 8 * t * (1 - t) * 4);
        double v = 25 + 20 * noise();
        if (t >= 0 && t <= 1) v += 170 * exp(-off * off / 8) * (shadow && t > 0.8 ? 0.15 : 1);
        img.pixels[(size_t)y * img.stride + (size_t)x] = (uint8_t)v;
      }
    ogv_still s = ogv_still_of(&img);
    auto_canvas c;
    assert_int_equal(auto_canvas_make(&s, &c, &err), OGV_OK);
    double x[2], y[2], past_x[2];
    auto_canvas_from_picture(&c, 100, 130, &x[0], &y[0]);
    auto_canvas_from_picture(&c, 300, 130, &x[1], &y[1]);
    const double fading = auto_bone_fading(&c, x, y);
    assert_true(shadow ? fading < 0.5 : fading > 0.9 && fading < 1.1);
    for (int end = 0; end < 2 && !shadow; end++) {
      past_x[0] = x[0] - (end ? 0 : 0.25) * (x[1] - x[0]);
      past_x[1] = x[1] + (end ? 0.25 : 0) * (x[1] - x[0]);
      assert_true(auto_bone_fading(&c, past_x, y) < 0.5);
    }
    auto_canvas_free(&c);
  }
  ogv_image_free(&img);
}

static void test_bad_input(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  ogv_reading g;
  assert_int_equal(ogv_image_new(40, 40, 1, &img, &err), OGV_OK);
  ogv_still s = ogv_still_of(&img);
  assert_int_equal(ogv_reader_measure(reader, OGV_PLANE_HEAD, &s, &g, &err), OGV_E_INVALID);
  assert_int_equal(ogv_reader_measure(reader, OGV_PLANE_CERVIX, &s, &g, &err), OGV_E_UNSUPPORTED);
  s.image = NULL;
  assert_int_equal(ogv_reader_auto(reader, &s, &g, &err), OGV_E_INVALID);
  ogv_image_free(&img);
  ogv_reread rr;
  assert_int_equal(ogv_reader_reread(reader, "ua-pi", 1.0, NULL, &s, &rr, &err), OGV_E_UNSUPPORTED);
  ogv_reader *none;
  assert_int_equal(ogv_reader_open("/nonexistent/x-", OGV_NET_FAST, &none, &err), OGV_E_NOT_FOUND);
}

/* Weighing against growth lowers what does not fit, never raises, changes no value, and says not which way. */
static void test_plausible(void **state) {
  (void)state;
  assert_true(auto_plausible_acceptance(0.97, NAN) == 0.97);
  assert_true(auto_plausible_acceptance(0.97, 0) == 0.97);
  assert_true(auto_plausible_acceptance(0.97, 2.0) > 0.9);
  assert_true(auto_plausible_acceptance(0.99, 3.5) > 0.9); /* a small fetus read surely is not refused */
  assert_true(auto_plausible_acceptance(0.99, -6) < 0.9);
  assert_true(auto_plausible_acceptance(0.99, 40) < 0.01);
  for (double z = 0; z < 12; z += 0.5) {
    assert_true(auto_plausible_acceptance(0.95, z + 0.5) <= auto_plausible_acceptance(0.95, z));
    assert_true(auto_plausible_acceptance(0.95, z) == auto_plausible_acceptance(0.95, -z));
  }
  for (int way = 0; way < 2; way++) {
    ogv_reading r = {.kind = OGV_PLANE_HEAD, .accepted = true, .found = true, .acceptance = 0.98}, same;
    auto_reading_value(&r, "hc", way ? 260 : 100, 2); /* the median at 20w is about 175 */
    same = r;
    ogv_reading_plausible(&r, -1, NULL, 0);
    assert_true(r.accepted && r.acceptance == 0.98 && !*r.plausible.chart_id);
    ogv_reading_plausible(&r, 140, NULL, 0);
    assert_false(r.accepted);
    assert_true(r.acceptance < 0.5 && r.acceptance_before == 0.98);
    assert_true(r.value[0].value == same.value[0].value && r.value[0].sd == same.value[0].sd);
    assert_non_null(strstr(r.reason, "gestational age"));
    assert_null(strstr(r.reason, "large"));
    assert_null(strstr(r.reason, "small"));
    /* the same size as the other measurements show: then the dates are what is doubtful, and that is not for the reader
     */
    ogv_reading ok = same;
    const ogv_known_size others[] = {{"ac", way ? 240 : 80}, {"fl", way ? 52 : 11}, {"zz", 3}};
    ogv_reading_plausible(&ok, -1, others, 3);
    assert_true(ok.accepted);
  }
}

/* ---- on the open head images ---- */

static const char *data_folder(void) {
  const char *d = getenv("SHARED_DATA");
  return d ? d : "../shared/data";
}

static bool head_image(const char *name, ogv_image *img) {
  char path[600];
  ogv_error err = {0};
  snprintf(path, sizeof path, "%s/hc18/%s", data_folder(), name);
  FILE *f = fopen(path, "rb");
  if (!f) return false;
  fclose(f);
  return ogv_png_read(path, img, &err) == OGV_OK;
}

static double hc_of(const ogv_image *img, double mm, ogv_reading *g) {
  ogv_error err = {0};
  ogv_still s = ogv_still_of(img);
  s.mm_x = s.mm_y = mm;
  assert_int_equal(ogv_reader_measure(reader, OGV_PLANE_HEAD, &s, g, &err), OGV_OK);
  const ogv_reading_value *v = ogv_reading_find(g, "hc");
  return v ? v->value : NAN;
}

/* Truth: hc18/index.csv. These pictures were in the training set of the shipped weights: this test guards the code, the
 * accuracy on unseen patients is in docs/second-reader.md. */
static const struct {
  const char *file;
  double mm, hc;
} heads[] = {{"half/006_HC.png", 0.1312112965, 67.84},
             {"half/178_HC.png", 0, 0},
             {"half/338_HC.png", 0, 0},
             {"half/498_HC.png", 0, 0},
             {"half/791_HC.png", 0, 0}};

static bool truth_of(const char *file, double *mm, double *hc) {
  char path[600], line[256];
  snprintf(path, sizeof path, "%s/hc18/index.csv", data_folder());
  FILE *f = fopen(path, "r");
  if (!f) return false;
  bool ok = false;
  while (!ok && fgets(line, sizeof line, f)) {
    size_t n = strlen(file);
    double native;
    char patient[16];
    int fold;
    if (!strncmp(line, file, n) && line[n] == ',')
      ok = sscanf(line + n, ",%15[^,],%d,%lf,%lf,%lf", patient, &fold, &native, mm, hc) == 5;
  }
  fclose(f);
  return ok;
}

static void test_heads(void **state) {
  (void)state;
  int seen = 0;
  for (size_t i = 0; i < sizeof heads / sizeof *heads; i++) {
    ogv_image img;
    double mm, hc;
    if (!truth_of(heads[i].file + 5, &mm, &hc) || !head_image(heads[i].file, &img)) continue;
    ogv_reading g;
    double v = hc_of(&img, mm, &g);
    if (heads[i].hc > 0) assert_float_equal(hc, heads[i].hc, 1e-6);
    assert_true(fabs(v - hc) < 0.05 * hc + 2);
    assert_int_equal(g.plane, OGV_PLANE_HEAD);
    seen++;
    ogv_image_free(&img);
  }
  if (!seen) {
    print_message("skipped: the open head images are not at ../shared/data/hc18\n");
    skip();
  }
}

static ogv_image turned(const ogv_image *src, int how) {
  ogv_image out;
  ogv_error err = {0};
  bool swap = how >= 3;
  assert_int_equal(ogv_image_new(swap ? src->height : src->width, swap ? src->width : src->height, 1, &out, &err),
                   OGV_OK);
  for (int y = 0; y < src->height; y++)
    for (int x = 0; x < src->width; x++) {
      int u = x, v = y;
      if (how == 1 || how == 2) u = src->width - 1 - x;
      if (how == 2) v = src->height - 1 - y;
      if (swap) u = src->height - 1 - y, v = x;
      out.pixels[(size_t)v * out.stride + (size_t)u] =
          src->pixels[(size_t)y * src->stride + (size_t)(x * src->channels)];
    }
  return out;
}

/* Twice the size by repetition, as an export at another scale would give. */
static ogv_image doubled(const ogv_image *src) {
  ogv_image out;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(2 * src->width, 2 * src->height, 1, &out, &err), OGV_OK);
  for (int y = 0; y < out.height; y++)
    for (int x = 0; x < out.width; x++)
      out.pixels[(size_t)y * out.stride + (size_t)x] =
          src->pixels[(size_t)(y / 2) * src->stride + (size_t)(x / 2 * src->channels)];
  return out;
}

/* Mirrored, turned by a half or a quarter, or rescaled: the circumference moves by less than 1 %. Same picture: same
 * bytes. */
static void test_invariance(void **state) {
  (void)state;
  int seen = 0;
  for (size_t i = 1; i < sizeof heads / sizeof *heads; i++) {
    ogv_image img;
    double mm, hc;
    if (!truth_of(heads[i].file + 5, &mm, &hc) || !head_image(heads[i].file, &img)) continue;
    ogv_reading g, again;
    memset(&g, 0, sizeof g);
    memset(&again, 0, sizeof again);
    const double v = hc_of(&img, mm, &g);
    assert_true(hc_of(&img, mm, &again) == v);
    assert_memory_equal(g.points, again.points, sizeof g.points);
    json_t *a = ogv_reading_json(&g), *b = ogv_reading_json(&again);
    assert_true(json_equal(a, b));
    json_decref(a);
    json_decref(b);
    for (int how = 1; how <= 4; how++) {
      ogv_image t = how == 4 ? doubled(&img) : turned(&img, how);
      ogv_reading h;
      double w = hc_of(&t, how == 4 ? mm / 2 : mm, &h);
      print_message("%s how %d: %.2f against %.2f mm (%.2f %%)\n", heads[i].file, how, w, v, 100 * (w / v - 1));
      assert_true(fabs(w / v - 1) < 0.01);
      ogv_image_free(&t);
    }
    seen++;
    ogv_image_free(&img);
  }
  if (!seen) {
    print_message("skipped: the open head images are not at ../shared/data/hc18\n");
    skip();
  }
}

/* No scale: nothing in millimetres and nothing accepted, but the geometry is offered. */
static void test_no_calibration(void **state) {
  (void)state;
  ogv_image img;
  double mm, hc;
  if (!truth_of("338_HC.png", &mm, &hc) || !head_image("half/338_HC.png", &img)) skip();
  ogv_reading g;
  assert_true(isnan(hc_of(&img, 0, &g)));
  assert_false(g.accepted);
  assert_true(g.found);
  assert_non_null(strstr(g.reason, "calibration"));
  /* ten times the scale: no head is that large */
  assert_true(hc_of(&img, mm * 10, &g) > 430);
  assert_false(g.accepted);
  ogv_image_free(&img);
}

/* The blind re-read agrees with the published value and objects to a slipped caliper and to a swapped label. */
static void test_reread(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  double mm, hc;
  if (!truth_of("498_HC.png", &mm, &hc) || !head_image("half/498_HC.png", &img)) skip();
  ogv_still s = ogv_still_of(&img);
  s.mm_x = s.mm_y = mm;
  ogv_reread r;
  assert_int_equal(ogv_reader_reread(reader, "hc", hc, NULL, &s, &r, &err), OGV_OK);
  assert_true(r.read && !r.disagrees);
  assert_int_equal(ogv_reader_reread(reader, "hc", hc * 1.12, NULL, &s, &r, &err), OGV_OK);
  assert_true(r.read && r.disagrees);
  assert_int_equal(ogv_reader_reread(reader, "bpd", hc / M_PI * 1.25, NULL, &s, &r, &err),
                   OGV_OK); /* OFD entered as BPD */
  assert_true(r.read && r.disagrees);
  assert_int_equal(ogv_reader_reread(reader, "fl", 40, NULL, &s, &r, &err), OGV_OK);
  assert_true(!r.read && strlen(r.reason) > 10);
  ogv_image_free(&img);
}

typedef struct shaky {
  ogv_image *img;
  int bad_from;
} shaky;

static ogv_status shaky_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  const shaky *c = user;
  OGV_TRY(ogv_image_new(c->img->width, c->img->height, 1, out, err));
  for (int y = 0; y < out->height; y++)
    for (int x = 0; x < out->width; x++) {
      int u = x - frame % 5,
          v = frame >= c->bad_from
                  ? 0
                  : c->img->pixels[(size_t)y * c->img->stride + (size_t)((u < 0 ? 0 : u) * c->img->channels)];
      out->pixels[(size_t)y * out->stride + (size_t)x] =
          (uint8_t)(v * (0.9 + 0.02 * (frame % 7)) > 255 ? 255 : v * (0.9 + 0.02 * (frame % 7)));
    }
  return OGV_OK;
}

/* A clip of one head that drifts, with black frames at the end: black frames are dropped, the value is the still's, and
 * frames that are copies of one another do not count as independent. */
static void test_clip(void **state) {
  (void)state;
  ogv_image img;
  ogv_error err = {0};
  double mm, hc;
  if (!truth_of("498_HC.png", &mm, &hc) || !head_image("half/498_HC.png", &img)) skip();
  shaky c = {&img, 12};
  ogv_still s = ogv_still_of(&img);
  s.mm_x = s.mm_y = mm;
  ogv_clip_reading r;
  assert_int_equal(ogv_reader_clip(reader, OGV_PLANE_OTHER, shaky_frame, &c, 15, 60, &s, &r, &err), OGV_OK);
  assert_true(r.accepted);
  assert_int_equal(r.kind, OGV_PLANE_HEAD);
  assert_int_equal(r.read, 15);
  assert_true(r.kept >= 8 && r.kept <= 12);
  assert_true(fabs(r.value / hc - 1) < 0.05);
  assert_true(r.effective >= 1 && r.effective <= r.kept);
  assert_true(r.sd > 0.3 * r.evidence.value[0].sd);
  for (int i = 0; i < r.n_best; i++) assert_true(r.best[i] < 12);
  c.bad_from = 0;
  assert_int_equal(ogv_reader_clip(reader, OGV_PLANE_HEAD, shaky_frame, &c, 5, 60, &s, &r, &err), OGV_OK);
  assert_false(r.accepted);
  assert_true(strlen(r.reason) > 10);
  ogv_image_free(&img);
}

static void test_quality(void **state) {
  (void)state;
  ogv_image img;
  double mm, hc;
  int judged, met, all;
  if (!truth_of("498_HC.png", &mm, &hc) || !head_image("half/498_HC.png", &img)) skip();
  ogv_reading g;
  hc_of(&img, mm, &g);
  ogv_plane_score(&g, &judged, &met, &all);
  assert_int_equal(all, 6);
  assert_int_equal(judged, 2); /* the rest is left to a person */
  assert_true(met >= 1);
  ogv_image_free(&img);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_ellipse_fit),    cmocka_unit_test(test_ellipse_distance_and_mean),
      cmocka_unit_test(test_curve),          cmocka_unit_test(test_canvas),
      cmocka_unit_test(test_nothing_there),  cmocka_unit_test(test_bad_input),
      cmocka_unit_test(test_heads),          cmocka_unit_test(test_invariance),
      cmocka_unit_test(test_no_calibration), cmocka_unit_test(test_reread),
      cmocka_unit_test(test_clip),           cmocka_unit_test(test_quality),
      cmocka_unit_test(test_plausible),      cmocka_unit_test(test_fading)};
  return cmocka_run_group_tests(tests, setup, teardown);
}
