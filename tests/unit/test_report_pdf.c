/* The report as a file: same bytes, what verification finds, and files that are no report. */
#include "report_case.h"

#include "report_figure.h"
#include "report_pdf.h"
#include "report_prints.h"

/* A picture that depends on its name, so that two pictures differ. */
static ogv_status picture(void *user, const char *object, int frame, ogv_image *out, ogv_error *err) {
  (void)user;
  if (!strcmp(object, "o3")) return ogv_fail(err, OGV_E_CORRUPT, NULL, "the bytes of o3 are damaged");
  OGV_TRY(ogv_image_new(400, 300, object[1] & 1 ? 1 : 3, out, err));
  for (int y = 0; y < 300; y++)
    for (int x = 0; x < 400 * out->channels; x++)
      out->pixels[(size_t)y * out->stride + (size_t)x] = (uint8_t)(x * y / 97 + object[1] + frame);
  return OGV_OK;
}

static uint8_t *make(const json_t *facts, size_t *size) {
  uint8_t *pdf;
  ogv_error e = {0};
  if (ogv_report_pdf(facts, picture, NULL, &pdf, size, &e) != OGV_OK) fail_msg("%s", e.what);
  return pdf;
}

static void same_facts_same_bytes_and_it_holds(void **state) {
  (void)state;
  static const char *const names[] = {"mid", "late", "twins", "undated"};
  for (int i = 0; i < 4; i++) {
    json_t *f = case_facts(names[i]), *r;
    size_t a, b;
    uint8_t *x = make(f, &a), *y = make(f, &b);
    assert_int_equal(a, b);
    assert_memory_equal(x, y, a);
    ogv_error e = {0};
    if (ogv_report_verify(x, a, NULL, &r, &e) != OGV_OK) fail_msg("%s", e.what);
    if (!json_is_true(json_object_get(r, "holds")))
      fail_msg("%s: %s", names[i], ogv_json_pretty(json_object_get(r, "checks")));
    assert_true(json_array_size(json_object_get(r, "checks")) > 4);
    json_decref(r);
    json_decref(f);
    free(x);
    free(y);
  }
}

static void every_language_prints_and_holds(void **state) {
  (void)state;
  static const char *const names[] = {"mid", "late", "twins", "undated"}, *const languages[] = {"es", "ar"};
  for (int i = 0; i < 8; i++) {
    json_t *f = case_inputs(names[i % 4]), *r;
    size_t n;
    json_object_set_new(json_object_get(f, "settings"), "language", json_string(languages[i / 4]));
    assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
    uint8_t *pdf = make(f, &n);
    assert_int_equal(ogv_report_verify(pdf, n, NULL, &r, NULL), OGV_OK);
    assert_true(json_is_true(json_object_get(r, "holds")));
    json_decref(r);
    free(pdf);
    json_decref(f);
  }
}

/* A clip's rate is computed again from its evidence; a changed value is named, and so is a changed length of a beat. */
static bool fails(const json_t *facts, const char *name);
static void a_changed_rate_of_a_clip_is_named(void **state) {
  (void)state;
  for (int how = 0; how < 3; how++) {
    json_t *f = case_inputs("mid"), *row, *r;
    size_t i, n;
    json_array_foreach(json_object_get(f, "ledger"), i, row) if (!strcmp(str(row, "quantity"), "fhr")) {
      json_object_set_new(row, "value", json_real(how == 1 ? 148.5 : 148));
      json_object_set_new(row, "sd", json_real(0.4));
      json_object_set_new(row, "source", json_string("proposed"));
      json_object_set_new(row, "evidence",
                          json_pack("{s:s,s:s,s:[i,i],s:[i,i,i,i],s:f,s:{s:n,s:f,s:n}}", "type", "rate", "from", "clip",
                                    "frames", 0, 59, "box", 0, 0, 0, 0, "period_s", how == 2 ? 0.41 : 60.0 / 148, "sd",
                                    "observer", "caliper", 0.4, "calibration"));
    }
    assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
    if (how) {
      assert_true(fails(f, "fhr"));
    } else {
      uint8_t *pdf = make(f, &n);
      assert_int_equal(ogv_report_verify(pdf, n, NULL, &r, NULL), OGV_OK);
      assert_true(json_is_true(json_object_get(r, "holds")));
      json_decref(r);
      free(pdf);
    }
    json_decref(f);
  }
}

/* The first failing check whose name holds `name`, from a report made of changed facts. */
static bool fails(const json_t *facts, const char *name) {
  json_t *r;
  size_t n, i;
  json_t *c;
  uint8_t *pdf = make(facts, &n);
  bool found = false;
  assert_int_equal(ogv_report_verify(pdf, n, NULL, &r, NULL), OGV_OK);
  assert_false(json_is_true(json_object_get(r, "holds")));
  json_array_foreach(json_object_get(r, "checks"), i, c) found |=
      !json_is_true(json_object_get(c, "holds")) && strstr(str(c, "what"), name) && strlen(str(c, "why"));
  if (!found) {
    char *t = ogv_json_pretty(json_object_get(r, "checks"));
    print_message("%s\n", t);
    free(t);
  }
  json_decref(r);
  free(pdf);
  return found;
}

static void a_changed_number_is_named(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *row = json_array_get(json_object_get(f, "ledger"), 5), *v;
  assert_string_equal(str(row, "quantity"), "ac");
  json_object_set_new(row, "value", json_real(152.7)); /* a reading that its geometry does not give */
  assert_true(fails(f, "A/ac, reading"));
  json_decref(f);

  f = case_facts("mid"); /* a caliper moved by one pixel */
  row = json_array_get(json_object_get(f, "ledger"), 3);
  v = json_array_get(
      json_array_get(json_object_get(json_object_get(json_object_get(row, "evidence"), "geometry"), "points"), 0), 0);
  json_real_set(v, json_number_value(v) + 1);
  assert_true(fails(f, "A/bpd, reading"));
  json_decref(f);

  f = case_facts("mid"); /* the scale of the picture */
  row = json_array_get(json_object_get(f, "ledger"), 6);
  json_array_set_new(json_object_get(json_object_get(json_object_get(row, "evidence"), "region"), "delta"), 0,
                     json_real(0.0201));
  assert_true(fails(f, "A/fl, reading"));
  json_decref(f);

  f = case_facts("mid"); /* the SD, and with it every interval */
  json_object_set_new(json_array_get(json_object_get(f, "ledger"), 5), "sd", json_real(0.5));
  assert_true(fails(f, "A/ac, reading m006, SD"));
  json_decref(f);

  f = case_facts("mid"); /* a value in use, a weight, a centile, a formula's version, the age */
  json_object_set_new(value_of(f, "A/hc"), "value", json_real(177.9));
  assert_true(fails(f, "A/hc"));
  json_decref(f);
  f = case_facts("mid");
  json_object_set_new(value_of(f, "A/efw"), "value", json_real(400));
  assert_true(fails(f, "A/efw › value"));
  json_decref(f);
  f = case_facts("mid");
  json_object_set_new(first_centile(value_of(f, "A/hc")), "centile", json_real(60));
  assert_true(fails(f, "A/hc › centiles › intergrowth-hc › centile"));
  json_decref(f);
  f = case_facts("mid");
  json_object_set_new(json_object_get(value_of(f, "A/efw"), "formula"), "version", json_integer(2));
  assert_true(fails(f, "A/efw › formula › version"));
  json_decref(f);
  f = case_facts("mid");
  json_object_set_new(json_object_get(f, "dating"), "edd", json_string("2026-04-18"));
  assert_true(fails(f, "dating › edd"));
  json_decref(f);
  f = case_facts("mid");
  json_object_set_new(json_array_get(json_object_get(f, "sentences"), 1), "text", json_string("All is well."));
  assert_true(fails(f, "sentences"));
  json_decref(f);
}

static void changed_bytes_are_found(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *r;
  size_t n;
  uint8_t *pdf = make(f, &n);
  pdf[n / 3] ^= 1; /* somewhere in a page, font or picture */
  assert_int_equal(ogv_report_verify(pdf, n, NULL, &r, NULL), OGV_OK);
  assert_false(json_is_true(json_object_get(r, "holds")));
  assert_false(json_is_true(json_object_get(by(json_object_get(r, "checks"), "what", "pages"), "holds")));
  json_decref(r);
  free(pdf);
  json_decref(f);
}

static void files_that_are_no_report(void **state) {
  (void)state;
  json_t *f = case_facts("undated"), *r;
  size_t n;
  uint8_t *pdf = make(f, &n);
  ogv_error e = {0};
  assert_int_equal(ogv_report_verify("hello", 5, NULL, &r, &e), OGV_E_INVALID);
  assert_int_equal(ogv_report_verify("%PDF-1.5\nnothing follows this line at all\n%%EOF", 47, NULL, &r, &e),
                   OGV_E_NOT_FOUND);
  for (size_t cut = 0; cut < n; cut += 1 + n / 300) { /* cut short anywhere: refused, never a crash */
    uint8_t *copy = malloc(cut ? cut : 1);
    memcpy(copy, pdf, cut);
    assert_int_not_equal(ogv_report_verify(copy, cut, NULL, &r, &e), OGV_OK);
    free(copy);
  }
  uint32_t x = 12345;
  size_t tail = n > 9000 ? n - 9000 : 0;
  for (int k = 0; k < 400; k++) { /* damage where the structure is */
    uint8_t *copy = malloc(n);
    memcpy(copy, pdf, n);
    for (int j = 0; j < 3; j++) {
      x = x * 1664525u + 1013904223u;
      copy[tail + (x >> 8) % (n - tail)] = (uint8_t)(x >> 24);
    }
    if (ogv_report_verify(copy, n, NULL, &r, &e) == OGV_OK) json_decref(r);
    free(copy);
  }
  free(pdf);
  json_decref(f);
}

static void figures_in_every_format(void **state) {
  (void)state;
  json_t *f = case_facts("late");
  static const char *const start[3] = {"<?xml", "\x89PNG", "%PDF"};
  uint8_t *a, *b;
  size_t n, k;
  ogv_error e = {0};
  ogv_figure_request r = {.figure = "growth", .quantity = "hc", .width = 480, .height = 360};
  for (int i = 0; i < 3; i++) {
    assert_int_equal(ogv_report_figure(f, &r, (ogv_figure_format)i, &a, &n, &e), OGV_OK);
    assert_memory_equal(a, start[i], 4);
    assert_int_equal(ogv_report_figure(f, &r, (ogv_figure_format)i, &b, &k, &e), OGV_OK);
    assert_int_equal(n, k);
    assert_memory_equal(a, b, n);
    free(a);
    free(b);
  }
  r.compare = "who-hc";
  r.dark = true;
  assert_int_equal(ogv_report_figure(f, &r, OGV_FIGURE_SVG, &a, &n, &e), OGV_OK);
  free(a);
  r.compare = "intergrowth-ac"; /* another quantity's chart */
  assert_int_equal(ogv_report_figure(f, &r, OGV_FIGURE_SVG, &a, &n, &e), OGV_E_INVALID);
  r.compare = NULL;
  r.quantity = "nt";
  assert_int_equal(ogv_report_figure(f, &r, OGV_FIGURE_SVG, &a, &n, &e), OGV_E_NOT_FOUND);
  r.figure = "cake";
  assert_int_equal(ogv_report_figure(f, &r, OGV_FIGURE_SVG, &a, &n, &e), OGV_E_NOT_FOUND);
  json_decref(f);
}

static void prints(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *ids = json_pack("[s]", "o2");
  uint8_t *a, *b;
  size_t n, k;
  ogv_error e = {0};
  static const int grids[][2] = {{0, 0}, {1, 1}, {4, 6}, {2, 3}};
  for (size_t i = 0; i < sizeof grids / sizeof *grids; i++)
    for (int how = 0; how < 4; how++) {
      ogv_print_request r = {
          .columns = grids[i][0], .rows = grids[i][1], .landscape = how & 1, .identity = how & 2, .marks = true};
      if (ogv_report_print(f, &r, picture, NULL, &a, &n, &e) != OGV_OK) fail_msg("%s", e.what);
      assert_int_equal(ogv_report_print(f, &r, picture, NULL, &b, &k, &e), OGV_OK);
      assert_int_equal(n, k);
      assert_memory_equal(a, b, n);
      free(a);
      free(b);
    }
  ogv_print_request r = {.columns = 5, .rows = 2};
  assert_int_equal(ogv_report_print(f, &r, picture, NULL, &a, &n, &e), OGV_E_INVALID);
  r = (ogv_print_request){.parents = true, .columns = 3, .rows = 1};
  assert_int_equal(ogv_report_print(f, &r, picture, NULL, &a, &n, &e), OGV_E_INVALID);
  r = (ogv_print_request){.parents = true, .objects = ids, .message = "Hello"};
  assert_int_equal(ogv_report_print(f, &r, picture, NULL, &a, &n, &e), OGV_OK);
  free(a);
  json_array_append_new(ids, json_string("gone")); /* a picture deleted after it was chosen */
  assert_int_equal(ogv_report_print(f, &r, picture, NULL, &a, &n, &e), OGV_E_NOT_FOUND);
  assert_non_null(strstr(e.what, "gone"));
  json_decref(ids);
  json_decref(f);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(same_facts_same_bytes_and_it_holds),
                                     cmocka_unit_test(a_changed_number_is_named),
                                     cmocka_unit_test(every_language_prints_and_holds),
                                     cmocka_unit_test(a_changed_rate_of_a_clip_is_named),
                                     cmocka_unit_test(changed_bytes_are_found),
                                     cmocka_unit_test(files_that_are_no_report),
                                     cmocka_unit_test(figures_in_every_format),
                                     cmocka_unit_test(prints)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
