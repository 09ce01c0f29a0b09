/* Writing pictures and reports: every syntax, same bytes twice, and the judgement of the DICOM validator of dicom3tools
 * (an independent program) where it is installed. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "core_file.h"
#include "dicom_write.h"
#include "imaging_geometry.h"

static char folder[] = "/tmp/ogive-write-XXXXXX";

static int group_setup(void **state) {
  (void)state;
  return mkdtemp(folder) ? 0 : -1;
}
static int group_teardown(void **state) {
  (void)state;
  char cmd[128];
  snprintf(cmd, sizeof cmd, "rm -rf %s", folder);
  return system(cmd);
}

static void paint(ogv_image *img, int seed) {
  unsigned v = (unsigned)seed * 2654435761u + 1;
  for (int y = 0; y < img->height; y++)
    for (int x = 0; x < img->width * img->channels; x++) {
      v = v * 1664525u + 1013904223u;
      img->pixels[(size_t)y * img->stride + (size_t)x] = (uint8_t)((x + y + seed * 20 + (int)(v >> 29)) & 0xFF);
    }
}

static void identity(ogv_dicom_info *a) {
  ogv_dicom_info_empty(a);
  snprintf(a->sop_instance, sizeof a->sop_instance, "%s", "2.25.11");
  snprintf(a->study, sizeof a->study, "%s", "2.25.12");
  snprintf(a->series, sizeof a->series, "%s", "2.25.13");
  snprintf(a->patient_id, sizeof a->patient_id, "%s", "T-1");
  snprintf(a->patient_name, sizeof a->patient_name, "%s", "Müller^Ådne");
  snprintf(a->study_time, sizeof a->study_time, "%s", "101500");
  snprintf(a->manufacturer, sizeof a->manufacturer, "%s", "Ogive");
  snprintf(a->image_type, sizeof a->image_type, "%s", "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0001");
  assert_int_equal(ogv_date_parse("1996-02-14", &a->birth_date, NULL), OGV_OK);
  assert_int_equal(ogv_date_parse("2026-01-05", &a->study_date, NULL), OGV_OK);
  a->mechanical_index = 1.1;
  a->thermal_bone = 0.4;
  a->depth_mm = 140;
}

static ogv_region sample_region(int w, int h) {
  return (ogv_region){.format = OGV_FORMAT_2D,
                      .data_type = OGV_DATA_TISSUE,
                      .unit_x = OGV_UNIT_CM,
                      .unit_y = OGV_UNIT_CM,
                      .flags = 2,
                      .x1 = w - 1,
                      .y1 = h - 1,
                      .has_ref_x = true,
                      .ref_x = -5,
                      .has_ref_y = true,
                      .ref_y = 3,
                      .delta_x = 0.025,
                      .delta_y = 0.03,
                      .transducer_khz = 3500,
                      .prf_hz = NAN,
                      .correction_angle_deg = NAN,
                      .steering_angle_deg = NAN};
}

/* Exit status 1 of the validator means at least one error. */
static void validate(const char *path) {
  if (system("command -v dciodvfy >/dev/null 2>&1") != 0) {
    print_message("dciodvfy (package dicom3tools) is not installed: validation skipped\n");
    return;
  }
  char cmd[512];
  snprintf(cmd, sizeof cmd,
           "ASAN_OPTIONS= dciodvfy -new %s 2>&1 | tee %s.log | grep '^Error' ; ! grep -q '^Error' %s.log", path, path,
           path);
  assert_int_equal(system(cmd), 0);
}

static void same_bytes(const char *a, const char *b) {
  uint8_t *x, *y;
  size_t n, m;
  assert_int_equal(ogv_file_read(a, 1 << 26, &x, &n, NULL), OGV_OK);
  assert_int_equal(ogv_file_read(b, 1 << 26, &y, &m, NULL), OGV_OK);
  assert_int_equal(n, m);
  assert_memory_equal(x, y, n);
  free(x);
  free(y);
}

static void write_one(int channels, int n_frames, ogv_write_syntax syntax, const char *name) {
  ogv_image frames[4];
  for (int i = 0; i < n_frames; i++) {
    assert_int_equal(ogv_image_new(161, 121, channels, &frames[i], NULL), OGV_OK); /* odd on purpose */
    paint(&frames[i], i);
  }
  ogv_region region = sample_region(161, 121);
  double times[4] = {0, 20, 21, 20};
  ogv_dicom_picture p = {.frames = frames,
                         .n_frames = n_frames,
                         .regions = &region,
                         .n_regions = 1,
                         .syntax = syntax,
                         .jpeg_quality = 90,
                         .frame_times_ms = n_frames == 3 ? times : NULL};
  identity(&p.about);
  p.about.frame_ms = 25;
  char a[128], b[128];
  snprintf(a, sizeof a, "%s/%s-a.dcm", folder, name);
  snprintf(b, sizeof b, "%s/%s-b.dcm", folder, name);
  ogv_error err = {0};
  ogv_status s = ogv_dicom_write_picture(a, &p, &err);
  if (s != OGV_OK) fail_msg("%s: %s", name, err.what);
  assert_int_equal(ogv_dicom_write_picture(b, &p, &err), OGV_OK);
  same_bytes(a, b);
  validate(a);
  for (int i = 0; i < n_frames; i++) ogv_image_free(&frames[i]);
}

static void test_pictures(void **state) {
  (void)state;
  static const struct {
    ogv_write_syntax syntax;
    const char *name;
  } all[] = {{OGV_WRITE_EXPLICIT_LE, "explicit"},
             {OGV_WRITE_IMPLICIT_LE, "implicit"},
             {OGV_WRITE_JPEG_BASELINE, "baseline"},
             {OGV_WRITE_JPEG_LOSSLESS, "lossless"},
             {OGV_WRITE_RLE, "rle"}};
  for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
    for (int channels = 1; channels <= 3; channels += 2)
      for (int n = 1; n <= 3; n++) {
        char name[64];
        snprintf(name, sizeof name, "%s-%d-%d", all[i].name, channels, n);
        write_one(channels, n, all[i].syntax, name);
      }
}

static void test_report(void **state) {
  (void)state;
  const char *cls = "1.2.840.10008.5.1.4.1.1.6.1";
  ogv_dicom_measure items[] = {
      {.quantity = "hc",
       .value = 175.2,
       .unit = "mm",
       .image_instance = "2.25.21",
       .image_class = cls,
       .image_series = "2.25.20",
       .graphic = OGV_GEOMETRY_ELLIPSE,
       .points = {10, 20, 30, 20, 20, 5, 20, 37}},
      {.quantity = "hc",
       .value = 176.0,
       .unit = "mm",
       .image_instance = "2.25.22",
       .image_class = cls,
       .image_series = "2.25.20"},
      {.quantity = "hc", .value = 175.6, .unit = "mm", .derivation = "mean"},
      {.quantity = "bpd",
       .value = 4.71,
       .unit = "cm",
       .image_instance = "2.25.21",
       .image_class = cls,
       .image_series = "2.25.20",
       .graphic = OGV_GEOMETRY_DISTANCE,
       .points = {10, 20, 30, 20}},
      {.quantity = "fl", .value = 33.1, .unit = "mm"},
      {.quantity = "hl", .value = 31.0, .unit = "mm"},
      {.quantity = "tcd", .value = 20.9, .unit = "mm"},
      {.quantity = "ua-pi",
       .value = 1.2,
       .unit = "1",
       .image_instance = "2.25.23",
       .image_class = cls,
       .image_series = "2.25.24"},
      {.quantity = "uta-pi-left", .value = 1.1, .unit = "1"},
      {.quantity = "mca-psv", .value = 27.5, .unit = "cm/s"},
      {.quantity = "dvp", .value = 45, .unit = "mm"},
      {.quantity = "cl", .value = 38, .unit = "mm"},
      {.quantity = "fhr", .value = 148, .unit = "/min"},
      {.quantity = "efw", .value = 350, .unit = "g"},
      {.quantity = "nb", .value = 6.1, .unit = "mm"},
      {.quantity = "cardiac-axis", .value = 44, .unit = "deg"},
  };
  ogv_dicom_obreport r = {
      .fetuses = 1, .items = items, .n_items = sizeof items / sizeof items[0], .lmp = 20300, .edd = 20580};
  identity(&r.about);
  char a[128], b[128];
  snprintf(a, sizeof a, "%s/report-a.dcm", folder);
  snprintf(b, sizeof b, "%s/report-b.dcm", folder);
  ogv_error err = {0};
  if (ogv_dicom_write_obreport(a, &r, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_int_equal(ogv_dicom_write_obreport(b, &r, &err), OGV_OK);
  same_bytes(a, b);
  validate(a);
  for (size_t i = 0; i < r.n_items; i++) items[i].fetus = i % 2 ? "B" : "A";
  r.fetuses = 2;
  snprintf(r.about.performer, sizeof r.about.performer, "%s", "Sono^Grapher");
  snprintf(a, sizeof a, "%s/report-twins.dcm", folder);
  if (ogv_dicom_write_obreport(a, &r, &err) != OGV_OK) fail_msg("%s", err.what);
  validate(a);
}

static void test_refusals(void **state) {
  (void)state;
  ogv_error err = {0};
  ogv_image img;
  assert_int_equal(ogv_image_new(16, 16, 1, &img, NULL), OGV_OK);
  ogv_dicom_picture p = {.frames = &img, .n_frames = 1};
  identity(&p.about);
  char path[128];
  snprintf(path, sizeof path, "%s/no/such/folder.dcm", folder);
  assert_int_equal(ogv_dicom_write_picture(path, &p, &err), OGV_E_IO);
  snprintf(path, sizeof path, "%s/refused.dcm", folder);
  snprintf(p.about.institution, sizeof p.about.institution, "%s", "back\\slash");
  assert_int_equal(ogv_dicom_write_picture(path, &p, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "0008,0080"));
  p.about.institution[0] = 0;
  p.about.study[0] = 0;
  assert_int_equal(ogv_dicom_write_picture(path, &p, &err), OGV_E_INVALID);
  assert_int_not_equal(access(path, F_OK), 0);
  ogv_dicom_measure m = {.quantity = "hc", .value = 170, .unit = "g"};
  ogv_dicom_obreport r = {.fetuses = 1, .items = &m, .n_items = 1, .lmp = OGV_DATE_NONE, .edd = OGV_DATE_NONE};
  identity(&r.about);
  assert_int_equal(ogv_dicom_write_obreport(path, &r, &err), OGV_E_INVALID);
  m.unit = "mm";
  m.image_instance = "2.25.9";
  assert_int_equal(ogv_dicom_write_obreport(path, &r, &err), OGV_E_INVALID);
  ogv_image_free(&img);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_pictures), cmocka_unit_test(test_report),
                                     cmocka_unit_test(test_refusals)};
  return cmocka_run_group_tests(tests, group_setup, group_teardown);
}
