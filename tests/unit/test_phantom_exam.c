/* Whole exams: same bytes twice, readable, consistent with their truth and from exam to exam. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <jansson.h>

#include "charts_chart.h"
#include "core_file.h"
#include "core_json.h"
#include "dicom_file.h"
#include "measure_rate.h"
#include "measure_timing.h"
#include "phantom_exam.h"

static char root[] = "/tmp/ogive-phantom-XXXXXX";

static int group_setup(void **state) {
  (void)state;
  return mkdtemp(root) ? 0 : -1;
}
static int group_teardown(void **state) {
  (void)state;
  char cmd[128];
  snprintf(cmd, sizeof cmd, "rm -rf %s", root);
  return system(cmd);
}

static ogv_phantom_options quick(uint64_t seed, int ga_days) {
  ogv_phantom_options o;
  ogv_phantom_defaults(&o);
  o.seed = seed;
  o.ga_days = ga_days;
  o.quick = true;
  return o;
}

static json_t *make(const ogv_phantom_options *o, const char *name, char folder[256]) {
  snprintf(folder, 256, "%s/%s", root, name);
  ogv_error err = {0};
  if (ogv_phantom_exam(o, folder, &err) != OGV_OK) fail_msg("%s: %s", name, err.what);
  char path[300];
  snprintf(path, sizeof path, "%s/truth.json", folder);
  json_t *t = NULL;
  if (ogv_json_load(path, &t, &err) != OGV_OK) fail_msg("%s", err.what);
  return t;
}

static double real(const json_t *o, const char *key) { return json_number_value(json_object_get(o, key)); }
static const char *text(const json_t *o, const char *key) { return json_string_value(json_object_get(o, key)); }

typedef struct hashes {
  char sum[64][OGV_SHA256_TEXT];
  int n;
} hashes;
static ogv_status hash_file(void *user, const char *path, ogv_error *err) {
  hashes *h = user;
  uint8_t *data;
  size_t n;
  OGV_TRY(ogv_file_read(path, 1 << 28, &data, &n, err));
  assert_true(h->n < 64);
  ogv_sha256(data, n, h->sum[h->n++]);
  free(data);
  return OGV_OK;
}

/* Opens every object with our reader and compares what can be compared. */
static void check_files(const json_t *truth, const char *folder) {
  const json_t *files = json_object_get(truth, "files");
  assert_true(json_array_size(files) > 1);
  int reports = 0;
  for (size_t i = 0; i < json_array_size(files); i++) {
    const json_t *f = json_array_get(files, i);
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, text(f, "file"));
    ogv_dicom *d;
    ogv_error err = {0};
    if (ogv_dicom_open(path, &d, &err) != OGV_OK) fail_msg("%s: %s", path, err.what);
    const ogv_dicom_info *a = ogv_dicom_about(d);
    assert_string_equal(a->sop_instance, text(f, "sop_instance"));
    assert_string_equal(a->patient_id, text(json_object_get(truth, "patient"), "id"));
    assert_string_equal(a->patient_name, text(json_object_get(truth, "patient"), "name"));
    if (!strcmp(text(f, "kind"), "report")) {
      assert_int_equal(a->kind, OGV_DICOM_REPORT);
      reports++;
    } else {
      size_t n;
      const ogv_region *r = ogv_dicom_regions(d, &n);
      const json_t *regions = json_object_get(f, "regions");
      assert_int_equal(n, json_array_size(regions));
      for (size_t k = 0; k < n; k++) {
        assert_true(r[k].measurable_x && r[k].measurable_y);
        assert_true(fabs(r[k].delta_x - json_number_value(json_array_get(
                                            json_object_get(json_array_get(regions, k), "delta"), 0))) < 1e-12);
      }
      ogv_image img;
      if (ogv_dicom_frame(d, a->frames - 1, &img, &err) != OGV_OK) fail_msg("%s: %s", path, err.what);
      assert_int_equal(img.width, (int)real(f, "columns"));
      assert_int_equal(img.height, (int)real(f, "rows"));
      ogv_image_free(&img);
      if (!strcmp(text(f, "kind"), "clip")) assert_true(ogv_dicom_frame_time_ms(d, a->frames - 1) > 500);
      assert_true(a->mechanical_index > 0 && a->thermal_bone > 0);
    }
    ogv_dicom_close(d);
  }
  assert_int_equal(reports, 1);
}

static void test_same_bytes_and_readable(void **state) {
  (void)state;
  ogv_phantom_options o = quick(5, 143);
  char a[256], b[256];
  json_t *t = make(&o, "a", a), *u = make(&o, "b", b);
  hashes x = {0}, y = {0};
  assert_int_equal(ogv_folder_walk(a, hash_file, &x, NULL), OGV_OK);
  assert_int_equal(ogv_folder_walk(b, hash_file, &y, NULL), OGV_OK);
  assert_int_equal(x.n, y.n);
  for (int i = 0; i < x.n; i++) assert_string_equal(x.sum[i], y.sum[i]);
  check_files(t, a);
  json_decref(t);
  json_decref(u);
}

/* Sizes lie on the chosen centile of the published charts; operators stay near the truth. */
static void test_sizes(void **state) {
  (void)state;
  ogv_phantom_options o = quick(8, 196);
  o.centile = 20;
  o.objects = 8;
  char folder[256];
  json_t *t = make(&o, "sizes", folder);
  const json_t *f = json_array_get(json_object_get(t, "fetuses"), 0);
  const char *charts[][2] = {{"intergrowth-hc", "hc_mm"}, {"intergrowth-ac", "ac_mm"}, {"intergrowth-fl", "fl_mm"}};
  for (int i = 0; i < 3; i++) {
    const ogv_chart *c;
    ogv_chart_value v;
    assert_int_equal(ogv_chart_find(charts[i][0], &c, NULL), OGV_OK);
    assert_int_equal(ogv_chart_eval(c, 196, real(f, charts[i][1]), &v, NULL), OGV_OK);
    assert_true(fabs(v.centile - 20) < 0.2);
  }
  const json_t *files = json_object_get(t, "files");
  assert_int_equal(json_array_size(files), 8);
  int seen = 0;
  for (size_t i = 0; i < json_array_size(files); i++) {
    const json_t *truth = json_object_get(json_array_get(files, i), "truth"), *op = json_object_get(truth, "operator");
    if (!op) continue;
    static const char *const keys[] = {"hc_mm", "bpd_mm", "ac_mm", "fl_mm"};
    for (int k = 0; k < 4; k++)
      if (json_object_get(op, keys[k])) {
        double want = real(truth, keys[k]), got = real(op, keys[k]);
        assert_true(fabs(got - want) < 5 * (0.6 + 0.008 * want));
        seen++;
      }
  }
  assert_true(seen >= 6);
  json_decref(t);
}

static void test_serial(void **state) {
  (void)state;
  double last = 0;
  char id[64] = "", lmp[16] = "";
  for (int k = 1; k <= 3; k++) {
    ogv_phantom_options o = quick(21, 80 + 50 * k);
    o.serial = k;
    o.objects = 2;
    char name[16], folder[256];
    snprintf(name, sizeof name, "serial%d", k);
    json_t *t = make(&o, name, folder);
    const json_t *p = json_object_get(t, "patient"), *g = json_object_get(t, "pregnancy");
    if (k > 1) {
      assert_string_equal(id, text(p, "id"));
      assert_string_equal(lmp, text(g, "lmp"));
    }
    snprintf(id, sizeof id, "%s", text(p, "id"));
    snprintf(lmp, sizeof lmp, "%s", text(g, "lmp"));
    double hc = real(json_array_get(json_object_get(t, "fetuses"), 0), "hc_mm");
    assert_true(hc > last + 20);
    last = hc;
    json_decref(t);
  }
}

static void test_early_and_twins(void **state) {
  (void)state;
  ogv_phantom_options o = quick(31, 88);
  char folder[256];
  json_t *t = make(&o, "early", folder);
  check_files(t, folder);
  const json_t *f = json_array_get(json_object_get(t, "fetuses"), 0);
  /* INTERGROWTH-21st CRL size equation (Papageorghiou 2014), median at 88 days. */
  assert_true(fabs(real(f, "crl_mm") - (-50.6562 + 0.815118 * 88 + 0.00535302 * 88 * 88)) < 0.06);
  json_decref(t);
  o = quick(32, 160);
  o.fetuses = 2;
  o.objects = 4;
  t = make(&o, "twins", folder);
  assert_int_equal(json_array_size(json_object_get(t, "fetuses")), 2);
  assert_string_equal(text(json_array_get(json_object_get(t, "files"), 0), "fetus"), "A");
  json_decref(t);
}

/* The only file of that kind and view: its strip below the small picture, the picture (free it), its truth. */
static const json_t *strip_of(const json_t *files, const char *folder, const char *kind, const char *view,
                              ogv_region *r, ogv_image *img) {
  for (size_t i = 0; i < json_array_size(files); i++) {
    const json_t *f = json_array_get(files, i);
    if (strcmp(text(f, "kind"), kind) != 0 || strcmp(text(f, "view"), view) != 0) continue;
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, text(f, "file"));
    ogv_dicom *d;
    size_t n;
    assert_int_equal(ogv_dicom_open(path, &d, NULL), OGV_OK);
    const ogv_region *all = ogv_dicom_regions(d, &n);
    assert_int_equal(n, 2);
    *r = all[1];
    assert_int_equal(ogv_dicom_frame(d, 0, img, NULL), OGV_OK);
    ogv_dicom_close(d);
    return json_object_get(f, "truth");
  }
  fail_msg("no %s of the %s", kind, view);
  return NULL;
}

/* What the pictures of the heart say, read as a user's program reads them, is what the truth says. 8 ms: the limit of
 * the tests of the interval, our own; 2 a minute: the goal for rates. */
static void test_heart_reads_as_its_truth(void **state) {
  (void)state;
  for (int i = 0; i < 3; i++) {
    ogv_phantom_options o = quick(41 + (uint64_t)i, 120 + 55 * i);
    o.clip_frames = 2;
    char name[16], folder[256];
    snprintf(name, sizeof name, "heart%d", i);
    json_t *t = make(&o, name, folder);
    const json_t *files = json_object_get(t, "files");
    ogv_region r;
    ogv_image img;
    ogv_spectrum_scale scale;
    ogv_av_timing av;
    ogv_rate rate;
    const json_t *truth = strip_of(files, folder, "spectrum", "left ventricular inflow and outflow", &r, &img);
    assert_int_equal(ogv_spectrum_scale_from_region(&r, &scale, NULL), OGV_OK);
    assert_int_equal(ogv_av_interval_from_spectrum(&img, &scale, &av, NULL), OGV_OK);
    ogv_image_free(&img);
    if (!av.interval.accepted) fail_msg("interval refused: %s", av.interval.reason);
    assert_true(fabs(av.interval.ms - real(truth, "av_ms")) < 8);
    assert_true(fabs(60 / av.beat_s - real(truth, "rate_bpm")) < 2);
    truth = strip_of(files, folder, "m-mode", "heart", &r, &img);
    assert_int_equal(ogv_rate_from_mmode(&img, &r, &rate, NULL), OGV_OK);
    ogv_image_free(&img);
    if (!rate.accepted) fail_msg("rate refused: %s", rate.reason);
    assert_true(fabs(rate.bpm - real(truth, "rate_bpm")) < 2);
    json_decref(t);
  }
}

static void test_refusals(void **state) {
  (void)state;
  char folder[256];
  snprintf(folder, sizeof folder, "%s/none", root);
  ogv_error err;
  ogv_phantom_options o = quick(1, 70);
  assert_int_equal(ogv_phantom_exam(&o, folder, &err), OGV_E_RANGE);
  o = quick(1, 143);
  o.fetuses = 4;
  assert_int_equal(ogv_phantom_exam(&o, folder, &err), OGV_E_RANGE);
  o = quick(1, 143);
  o.centile = NAN;
  assert_int_equal(ogv_phantom_exam(&o, folder, &err), OGV_E_RANGE);
  o = quick(1, 143);
  o.objects = 2;
  snprintf(folder, sizeof folder, "%s/file", root);
  assert_int_equal(ogv_file_write(folder, "x", 1, NULL), OGV_OK);
  assert_int_not_equal(ogv_phantom_exam(&o, folder, &err), OGV_OK); /* a file where the folder should be */
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_same_bytes_and_readable),
                                     cmocka_unit_test(test_sizes),
                                     cmocka_unit_test(test_serial),
                                     cmocka_unit_test(test_early_and_twins),
                                     cmocka_unit_test(test_heart_reads_as_its_truth),
                                     cmocka_unit_test(test_refusals)};
  return cmocka_run_group_tests(tests, group_setup, group_teardown);
}
