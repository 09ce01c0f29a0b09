/* DICOM files of all kinds: opened, described, decoded, and the items of reports listed. Whatever the bytes are, there
 * is a message or a picture of the size that was announced. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "core_file.h"
#include "dicom_report.h"
#include "dicom_write.h"
#include "fuzz_driver.h"
#include "imaging_geometry.h"

static void demand(int ok, const char *what) {
  if (ok) return;
  fprintf(stderr, "fuzz: %s\n", what);
  abort();
}

static void look(ogv_dicom *d) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  ogv_error err = {0};
  char name[64];
  ogv_dicom_name_text(a->patient_name, name, sizeof name);
  if (a->kind == OGV_DICOM_REPORT) {
    ogv_report_item *items;
    size_t n;
    if (ogv_dicom_report_items(d, &items, &n, &err) == OGV_OK) free(items);
    else demand(err.what[0], "no message");
    return;
  }
  size_t n;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  for (size_t i = 0; i < n; i++) {
    double x, y;
    if (ogv_region_mm(&r[i], &x, &y, NULL) == OGV_OK)
      demand(x > 0 && y > 0 && isfinite(x) && isfinite(y), "a scale that is none");
  }
  int frames[] = {0, a->frames - 1};
  for (int k = 0; k < 2; k++) {
    ogv_image img;
    if (ogv_dicom_frame(d, frames[k], &img, &err) == OGV_OK) {
      demand(img.width == a->columns && img.height == a->rows, "a picture of another size");
      ogv_image_free(&img);
    } else {
      demand(err.what[0] && !img.pixels, "no message, or a picture with it");
    }
  }
  uint8_t *jpeg;
  size_t size;
  if (ogv_dicom_frame_jpeg(d, 0, &jpeg, &size, NULL) == OGV_OK) free(jpeg);
  ogv_dicom_frame_time_ms(d, a->frames - 1);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  static int fd = -1;
  if (fd < 0) fd = memfd_create("fuzz", 0);
  char path[64];
  snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
  if (ftruncate(fd, 0) || pwrite(fd, data, size, 0) != (ssize_t)size) return 0;
  ogv_dicom *d = NULL;
  ogv_error err = {0};
  if (ogv_dicom_open(path, &d, &err) == OGV_OK) look(d);
  else demand(err.what[0] && !d, "no message, or an object with it");
  ogv_dicom_close(d);
  return 0;
}

static ogv_status picture(const char *path, int i) {
  ogv_image f[2];
  int channels = i % 2 ? 3 : 1, frames = 1 + i / 2 % 2;
  for (int k = 0; k < frames; k++) {
    if (ogv_image_new(24, 18, channels, &f[k], NULL) != OGV_OK) return OGV_E_MEMORY;
    for (size_t b = 0; b < f[k].stride * 18; b++) f[k].pixels[b] = (uint8_t)(b * 7 + (size_t)k);
  }
  ogv_region r = {.format = 1,
                  .data_type = 1,
                  .unit_x = 3,
                  .unit_y = 3,
                  .flags = 2,
                  .x1 = 23,
                  .y1 = 17,
                  .has_ref_x = true,
                  .delta_x = 0.02,
                  .delta_y = 0.02,
                  .transducer_khz = 3000,
                  .prf_hz = 4000,
                  .correction_angle_deg = 1,
                  .steering_angle_deg = 2};
  double times[] = {0, 20};
  ogv_dicom_picture p = {.frames = f,
                         .n_frames = frames,
                         .regions = &r,
                         .n_regions = 1,
                         .syntax = (ogv_write_syntax)(i / 4),
                         .jpeg_quality = 80,
                         .frame_times_ms = frames == 2 ? times : NULL};
  ogv_dicom_info_empty(&p.about);
  snprintf(p.about.sop_instance, OGV_UID, "2.25.1");
  snprintf(p.about.study, OGV_UID, "2.25.2");
  snprintf(p.about.series, OGV_UID, "2.25.3");
  snprintf(p.about.patient_name, 64, "Fuzz^Zed=\xE5\xB1\xB1");
  ogv_status s = ogv_dicom_write_picture(path, &p, NULL);
  for (int k = 0; k < frames; k++) ogv_image_free(&f[k]);
  return s;
}

static ogv_status report(const char *path) {
  ogv_dicom_measure m[] = {{.quantity = "hc",
                            .value = 175,
                            .unit = "mm",
                            .fetus = "A",
                            .image_instance = "2.25.9",
                            .image_class = "1.2.840.10008.5.1.4.1.1.6.1",
                            .image_series = "2.25.8",
                            .graphic = OGV_GEOMETRY_ELLIPSE,
                            .points = {1, 2, 3, 2, 2, 1, 2, 3}},
                           {.quantity = "ua-pi", .value = 1.1, .unit = "1", .fetus = "B"}};
  ogv_dicom_obreport r = {.fetuses = 2, .items = m, .n_items = 2, .lmp = 20000, .edd = 20280};
  ogv_dicom_info_empty(&r.about);
  snprintf(r.about.sop_instance, OGV_UID, "2.25.1");
  snprintf(r.about.study, OGV_UID, "2.25.2");
  snprintf(r.about.series, OGV_UID, "2.25.3");
  return ogv_dicom_write_obreport(path, &r, NULL);
}

/* 20 pictures (5 syntaxes, grey and colour, still and clip) and 2 reports, made by our own writer. */
int ogv_fuzz_seed(int i, uint8_t **data, size_t *size) {
  if (i >= 21) return 0;
  char path[] = "/tmp/ogive-fuzz-XXXXXX";
  int fd = mkstemp(path);
  if (fd < 0) return 0;
  close(fd);
  ogv_status s = i < 20 ? picture(path, i) : report(path);
  demand(s == OGV_OK, "a seed cannot be written");
  s = ogv_file_read(path, 1 << 22, data, size, NULL);
  unlink(path);
  return s == OGV_OK;
}
