/* Lines burned into a spectrum in its own grey: upright ones (whole, dotted, a grid) and a curve drawn clear of the
 * flow. They are left out, the curve is said, and nothing of them is seen where there are none. */
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

enum { PICTURES = 12 };
typedef enum { NO_LINES, WHOLE, DOTTED, GRID, CURVE } lines;

static void dot(ogv_image *p, const ogv_phantom_spectrum_truth *t, int x, int y) {
  if (x < t->x0 || y < t->y0 || x > t->x1 || y > t->y1) return;
  memset(p->pixels + (size_t)y * p->stride + (size_t)x * 3, 235, 3);
}

static void draw(ogv_image *p, const ogv_phantom_spectrum_truth *t, lines which, int seed) {
  if (which == CURVE) /* 1.3 times the flow, two pixels thick */
    for (int i = 0; i + 1 < t->n; i++) {
      int a = (int)lround(t->baseline_row + 1.3 * (t->envelope_row[i] - t->baseline_row)),
          b = (int)lround(t->baseline_row + 1.3 * (t->envelope_row[i + 1] - t->baseline_row));
      for (int y = a < b ? a : b; y <= (a < b ? b : a) + 1; y++) dot(p, t, t->x0 + i, y);
    }
  int every = which == GRID ? 60 : t->n / 3;
  for (int x = t->x0 + 17 + 5 * seed; which != NO_LINES && which != CURVE && x <= t->x1; x += every)
    for (int y = t->y0; y <= t->y1; y++)
      if (which != DOTTED || (y / 3) % 2) dot(p, t, x, y);
}

/* Reads PICTURES pictures with these lines; mean and worst deviation of PSV and PI, and in how many a curve is said. */
static void read_all(lines which, double worst[2], int *said) {
  double sum[2] = {0};
  worst[0] = worst[1] = *said = 0;
  for (int i = 0; i < PICTURES; i++) {
    ogv_phantom_spectrum_options o;
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum_scale scale;
    ogv_spectrum s;
    ogv_image p;
    ogv_phantom_spectrum_defaults(&o);
    o.seed = (uint64_t)(100 + i);
    o.psv_cm_s = 40 + 3 * i;
    o.range_cm_s = 1.6 * o.psv_cm_s;
    o.pi = 0.7 + 0.1 * i;
    o.overlay = false;
    assert_int_equal(ogv_phantom_spectrum(&o, &p, &truth, NULL), OGV_OK);
    draw(&p, &truth, which, i);
    assert_int_equal(ogv_spectrum_scale_from_region(&truth.region, &scale, NULL), OGV_OK);
    assert_int_equal(ogv_spectrum_measure(&p, &scale, OGV_FLOW_ARTERIAL_FETAL, &s, NULL), OGV_OK);
    if (!s.accepted) fail_msg("picture %d with lines %d: %s", i, (int)which, s.reason);
    double off[2] = {s.psv.value / truth.psv_cm_s - 1, s.pi.value / truth.pi - 1};
    for (int k = 0; k < 2; k++) {
      sum[k] += off[k] / PICTURES;
      worst[k] = fmax(worst[k], fabs(off[k]));
    }
    *said += strstr(s.note, "A curve drawn") != NULL;
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
    ogv_image_free(&p);
  }
  printf("lines %d: PSV %+.1f %% worst %.1f, PI %+.1f %% worst %.1f; curve said in %d of %d\n", (int)which,
         100 * sum[0], 100 * worst[0], 100 * sum[1], 100 * worst[1], *said, PICTURES);
}

static void pictures_without_lines_have_none(void **state) {
  (void)state;
  double worst[2];
  int said;
  read_all(NO_LINES, worst, &said);
  assert_int_equal(said, 0);
  assert_true(worst[0] < 0.05 && worst[1] < 0.08);
}

static void upright_lines_are_left_out(void **state) {
  (void)state;
  for (int which = WHOLE; which <= GRID; which++) {
    double worst[2];
    int said;
    read_all((lines)which, worst, &said);
    assert_int_equal(said, 0);
    assert_true(worst[0] < 0.06 && worst[1] < 0.10);
  }
}

/* Followed, it would make the PSV too large by 30 %. */
static void a_curve_clear_of_the_flow_is_left_out_and_said(void **state) {
  (void)state;
  double worst[2];
  int said;
  read_all(CURVE, worst, &said);
  assert_int_equal(said, PICTURES);
  assert_true(worst[0] < 0.06 && worst[1] < 0.10);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(pictures_without_lines_have_none),
      cmocka_unit_test(upright_lines_are_left_out),
      cmocka_unit_test(a_curve_clear_of_the_flow_is_left_out_and_said),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
