/* What must hold for every chart file, whatever its source: round trips, order, refusals, no NaN inside the range. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "charts_answer.h"
#include "obstetrics_quantity.h"

#define EACH_CHART(c, f)   \
  const ogv_chart *c;      \
  const ogv_chart_info *f; \
  for (size_t i_ = 0; (c = ogv_chart_at(i_)) && (f = ogv_chart_about(c)); i_++)

enum { AGES = 36 };
static double age(const ogv_chart_info *f, int i) { return f->x_low + (f->x_high - f->x_low) * i / AGES; }

static void round_trip_and_order(void **state) {
  (void)state;
  unsigned trips = 0, charts = 0;
  EACH_CHART(c, f) {
    unsigned before = trips;
    for (int i = 0; i <= AGES; i++) {
      double x = age(f, i), last_value = -INFINITY, last_centile = -1;
      for (int k = -24; k <= 24; k++) {
        double z = k / 4.0, value;
        ogv_chart_value v;
        if (ogv_chart_at_z(c, x, z, &value, NULL) != OGV_OK) continue; /* beyond what the model resolves */
        /* The 97.5 and 99 % quantiles of who-efw-male run through the same point at 40 weeks: no way back there. */
        bool touching = z >= 2 && x == 280 && !strcmp(f->id, "who-efw-male");
        if (!(value > last_value * (touching ? 1 - 1e-12 : 1)))
          fail_msg("%s at x %g: not increasing at z %g", f->id, x, z);
        last_value = value;
        ogv_error e;
        if (ogv_chart_eval(c, x, value, &v, &e) != OGV_OK) {
          /* Far below the median a model on a plain scale can pass 0 or, for an L-M-S on a logarithm, 1 g. */
          assert_true(z < -3);
          assert_int_equal(e.code, OGV_E_RANGE);
          continue;
        }
        assert_true(isfinite(v.median) && isfinite(v.mom) && v.median > 0);
        if (!strcmp(f->model, "median")) continue;
        if (touching) continue;
        if (!(fabs(v.z - z) <= 1e-9 * fmax(1, fabs(z))))
          fail_msg("%s at x %g: z %g came back as %.12g", f->id, x, z, v.z);
        if (!(v.centile > last_centile)) fail_msg("%s at x %g: centile not increasing at z %g", f->id, x, z);
        last_centile = v.centile;
        trips++;
      }
    }
    if (strcmp(f->model, "median") && trips - before < 3 * AGES) fail_msg("%s: hardly anything was tried", f->id);
    charts++;
  }
  print_message("%u round trips over %u charts\n", trips, charts);
  assert_true(charts > 150);
}

static void value_comes_back(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    if (!strcmp(f->model, "median")) continue;
    for (int i = 0; i <= AGES; i++) {
      double x = age(f, i), middle, back;
      assert_int_equal(ogv_chart_at_z(c, x, 0, &middle, NULL), OGV_OK);
      for (double k = 0.6; k < 1.6; k += 0.02) {
        ogv_chart_value v;
        if (ogv_chart_eval(c, x, middle * k, &v, NULL) != OGV_OK || v.beyond) continue;
        if (fabs(v.z) > 36) continue; /* the centile is 0 or 1 to the last bit: a mixture has no way back */
        assert_int_equal(ogv_chart_at_z(c, x, v.z, &back, NULL), OGV_OK);
        if (!(fabs(back - middle * k) <= 1e-9 * middle * k))
          fail_msg("%s at x %g: value %.12g came back as %.12g", f->id, x, middle * k, back);
      }
    }
  }
}

/* Whatever the value, inside the range the answer is a number, or it is said that there is none. */
static void no_silent_nan(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    for (int i = 0; i <= AGES; i++)
      for (double value = 1e-6; value < 1e6; value *= 3.7) {
        ogv_chart_value v;
        ogv_error e;
        ogv_status s = ogv_chart_eval(c, age(f, i), value, &v, &e);
        if (s != OGV_OK) {
          assert_int_equal(s, OGV_E_RANGE);
          continue;
        }
        bool median = !strcmp(f->model, "median");
        if (isnan(v.z) != (median || v.beyond))
          fail_msg("%s: z %g, beyond %d at value %g", f->id, v.z, v.beyond, value);
        assert_true(v.beyond >= -1 && v.beyond <= 1 && isfinite(v.median));
        if (!isnan(v.z)) assert_true(v.centile >= 0 && v.centile <= 100);
      }
  }
}

static void outside_the_range(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    ogv_chart_value v;
    ogv_error e;
    double value;
    const double outside[] = {f->x_low - 1e-6, f->x_high + 1e-6, 0, 1e9};
    for (int i = 0; i < 4; i++) {
      assert_int_equal(ogv_chart_eval(c, outside[i], 50, &v, &e), OGV_E_RANGE);
      assert_non_null(strstr(e.what, f->id)); /* named */
      assert_int_equal(ogv_chart_at_z(c, outside[i], 0, &value, &e), OGV_E_RANGE);
    }
    assert_int_equal(ogv_chart_eval(c, NAN, 50, &v, &e), OGV_E_INVALID);
    assert_int_equal(ogv_chart_eval(c, f->x_low, NAN, &v, &e), OGV_E_INVALID);
    assert_int_equal(ogv_chart_eval(c, f->x_low, INFINITY, &v, &e), OGV_E_INVALID);
    assert_int_equal(ogv_chart_at_z(c, f->x_low, NAN, &value, &e), OGV_E_INVALID);
    assert_int_equal(ogv_chart_at_centile(c, f->x_low, 0, &value, &e), OGV_E_INVALID);
    assert_int_equal(ogv_chart_at_centile(c, f->x_low, 100, &value, &e), OGV_E_INVALID);
  }
}

/* Lengths, weights and heart sizes grow with age and with each other. */
static void medians_grow(void **state) {
  (void)state;
  static const char *const growing[] = {"bpd",  "ofd",     "hc",       "ac",           "fl",   "hl",    "crl",
                                        "tcd",  "efw",     "sfh",      "radius",       "ulna", "tibia", "fibula",
                                        "foot", "mca-psv", "fetal-hb", "cardiac-circ", "pof",  "sf"};
  /* Published that way: Jeanty's medians repeat over some weeks, some NICHD and WHO curves lose up to 0.1 % in the last
   * weeks, and Krishnan's cubics bend down by under 3 % at an end. */
  unsigned charts = 0;
  EACH_CHART(c, f) {
    bool grows = !strncmp(f->quantity, "heart-", 6);
    for (size_t k = 0; k < sizeof growing / sizeof *growing; k++) grows |= !strcmp(f->quantity, growing[k]);
    if (!grows) continue;
    double slack = !strncmp(f->id, "jeanty", 6)                               ? 0
                   : !strncmp(f->id, "krishnan", 8)                           ? -0.03
                   : !strncmp(f->id, "nichd", 5) || !strncmp(f->id, "who", 3) ? -0.001
                                                                              : 1e-9;
    double last = 0, highest = 0;
    for (int i = 0; i <= 4 * AGES; i++) {
      double m;
      assert_int_equal(ogv_chart_at_z(c, f->x_low + (f->x_high - f->x_low) * i / (4 * AGES), 0, &m, NULL), OGV_OK);
      highest = fmax(highest, last);
      if (i && !(m >= highest * (slack < 0 ? 1 + slack : 1) && (slack <= 0 || m > last)))
        fail_msg("%s: the median falls from %g to %g at step %d", f->id, highest, m, i);
      last = m;
    }
    charts++;
  }
  print_message("medians of %u charts grow\n", charts);
  assert_true(charts > 120);
}

static void status_and_defaults(void **state) {
  (void)state;
  unsigned memory = 0, defaults = 0;
  EACH_CHART(c, f) {
    if (!strcmp(f->status, "from-memory")) {
      memory++;
      assert_false(f->enabled);
      assert_false(f->default_for_quantity);
    }
    if (f->default_for_quantity) {
      const ogv_chart *d = NULL;
      defaults++;
      assert_string_equal(f->status, "verified");
      assert_int_equal(ogv_chart_default(f->quantity, &d, NULL), OGV_OK);
      assert_ptr_equal(c, d);
    }
    assert_true(*f->title && strlen(f->citation) > 20 && *f->population && *f->unit);
  }
  assert_true(memory >= 15 && defaults >= 15);
}

/* A chart is of a quantity the table knows, in its unit. Fetal haemoglobin is a blood value, not an ultrasound one. */
static void quantities_are_known(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    if (!strcmp(f->quantity, "fetal-hb")) continue;
    const ogv_quantity *q = ogv_quantity_find(f->quantity);
    if (!q) fail_msg("%s: there is no quantity %s", f->id, f->quantity);
    if (strcmp(q->unit, f->unit)) fail_msg("%s is in %s, its quantity in %s", f->id, f->unit, q->unit);
    if (strcmp(f->x_unit, "d")) {
      const ogv_quantity *x = ogv_quantity_find(f->x_name);
      if (!x || strcmp(x->unit, f->x_unit)) fail_msg("%s: abscissa %s in %s", f->id, f->x_name, f->x_unit);
    }
  }
}

static void every_formula_prints(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    char *text = ogv_chart_formula(c);
    assert_non_null(text);
    assert_non_null(strstr(text, "t = "));
    free(text);
  }
}

/* Each chart can be drawn with its usual curves, and its answer made into JSON. */
static void every_chart_draws(void **state) {
  (void)state;
  EACH_CHART(c, f) {
    double z[OGV_CHART_CURVES], middle;
    ogv_error e;
    char *svg = NULL;
    int n = ogv_chart_usual_curves(c, z);
    assert_true(n >= 1);
    assert_int_equal(ogv_chart_at_z(c, f->x_low, 0, &middle, NULL), OGV_OK);
    ogv_chart_mark mark = {f->x_low, middle}, outside = {f->x_high + 1, middle};
    if (ogv_chart_svg(c, z, n, &mark, 1, &svg, &e) != OGV_OK) fail_msg("%s", e.what);
    assert_non_null(strstr(svg, "</svg>"));
    static const char *const not_numbers[] = {"Mnan", "Lnan", "'nan", "-nan", " nan", "Minf", "Linf", "'inf", " -inf"};
    for (size_t k = 0; k < sizeof not_numbers / sizeof *not_numbers; k++) assert_null(strstr(svg, not_numbers[k]));
    free(svg);
    assert_int_equal(ogv_chart_svg(c, z, n, &outside, 1, &svg, &e), OGV_E_RANGE);
    ogv_chart_answer a;
    ogv_chart_input in = {.x = f->x_low, .value = middle, .value_sd = middle / 100, .convention = "", .weights_by = ""};
    assert_int_equal(ogv_chart_answer_make(c, &in, &a, &e), OGV_OK);
    json_t *j = ogv_chart_answer_json(&a), *i = ogv_chart_info_json(c);
    assert_non_null(j);
    assert_non_null(i);
    assert_true(*a.statement != 0);
    assert_int_equal(strcmp(f->model, "median") != 0, a.has_interval);
    json_decref(j);
    json_decref(i);
  }
}

/* The median of a mixture is searched for from a table made when the chart is read: at any age, and at the kink where
 * its curve ends (81.1258 mm), it is the value at z = 0, which is found without that table. */
static void a_mixture_has_its_middle_anywhere(void **state) {
  (void)state;
  unsigned tried = 0;
  EACH_CHART(c, f) {
    if (strcmp(f->model, "mixture")) continue;
    for (int i = 0; i <= 20000; i++) {
      double x = f->x_low + (f->x_high - f->x_low) * (i / 20000.0), middle;
      ogv_chart_value v;
      assert_int_equal(ogv_chart_at_z(c, x, 0, &middle, NULL), OGV_OK);
      assert_int_equal(ogv_chart_eval(c, x, middle * (0.5 + i % 97 / 64.0), &v, NULL), OGV_OK);
      if (!(fabs(v.median - middle) <= 1e-11 * middle))
        fail_msg("%s at %g: %.15g, not %.15g", f->id, x, v.median, middle);
      assert_true(fabs(v.centile - 100 * ogv_normal_cdf(v.z)) <= 1e-11 * v.centile);
      tried++;
    }
  }
  assert_true(tried > 20000);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(round_trip_and_order), cmocka_unit_test(value_comes_back),
      cmocka_unit_test(no_silent_nan),        cmocka_unit_test(outside_the_range),
      cmocka_unit_test(medians_grow),         cmocka_unit_test(status_and_defaults),
      cmocka_unit_test(quantities_are_known), cmocka_unit_test(every_formula_prints),
      cmocka_unit_test(every_chart_draws),    cmocka_unit_test(a_mixture_has_its_middle_anywhere)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
