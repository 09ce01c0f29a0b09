#include "cli_picture.h"

#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "imaging_png.h"
#include "measure_site.h"

ogv_status ogv_cli_picture_open(const char *path, int frame, ogv_cli_picture *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  out->frames = 1;
  size_t n = strlen(path);
  if (n > 4 && !strcmp(path + n - 4, ".png")) {
    if (frame) return ogv_fail(err, OGV_E_RANGE, NULL, "%s is a single picture", path);
    return ogv_png_read(path, &out->image, err);
  }
  OGV_TRY(ogv_dicom_open(path, &out->dicom, err));
  const ogv_dicom_info *about = ogv_dicom_about(out->dicom);
  ogv_status s = OGV_OK;
  if (about->kind != OGV_DICOM_IMAGE)
    s = ogv_fail(err, OGV_E_UNSUPPORTED, "Name a picture.", "%s is not a picture", path);
  if (s == OGV_OK) {
    out->frames = about->frames;
    out->regions = ogv_dicom_regions(out->dicom, &out->n_regions);
    s = ogv_dicom_frame(out->dicom, frame, &out->image, err);
  }
  if (s != OGV_OK) ogv_cli_picture_close(out);
  return s;
}

void ogv_cli_picture_close(ogv_cli_picture *p) {
  ogv_image_free(&p->image);
  ogv_dicom_close(p->dicom);
  memset(p, 0, sizeof *p);
}

const ogv_region *ogv_cli_picture_region(const ogv_cli_picture *p, int format, int data_type) {
  for (size_t i = 0; i < p->n_regions; i++)
    if (p->regions[i].format == format && (data_type < 0 || p->regions[i].data_type == data_type))
      return &p->regions[i];
  return NULL;
}

ogv_status ogv_cli_picture_spectrum(const ogv_cli_picture *p, const char *file, int which, const ogv_region **out,
                                    ogv_error *err) {
  int n = 0;
  *out = NULL;
  for (size_t i = 0; i < p->n_regions; i++)
    if (p->regions[i].format == OGV_FORMAT_SPECTRAL && (++n == which || (!which && n == 1))) *out = &p->regions[i];
  if (!n)
    return ogv_fail(
        err, OGV_E_CALIBRATION,
        "Name a picture with a calibrated spectrum, or calibrate it by hand: ogive measure spectrum --region.",
        "%s has no spectral region", file);
  if (!which && n > 1)
    return ogv_fail(err, OGV_E_INVALID, "Choose one with --spectrum N, from 1.", "%s has %d spectral regions", file, n);
  if (!*out)
    return ogv_fail(err, OGV_E_RANGE, "Choose one of these.", "%s has %d spectral region%s", file, n, n > 1 ? "s" : "");
  return OGV_OK;
}

ogv_status ogv_cli_numbers(const char *text, const char *option, double *out, size_t n, ogv_error *err) {
  const char *p = text;
  for (size_t i = 0; i < n; i++) {
    char *end;
    out[i] = strtod(p, &end);
    if (end == p || !isfinite(out[i]) || (i + 1 < n ? *end != ',' : *end != 0))
      return ogv_fail(err, OGV_E_INVALID, NULL, "%s wants %zu number%s separated by commas, not \"%.60s\"", option, n,
                      n > 1 ? "s" : "", text);
    p = end + 1;
  }
  return OGV_OK;
}

ogv_status ogv_cli_whole_numbers(const char *text, const char *option, int *out, size_t n, ogv_error *err) {
  double v[8];
  OGV_TRY(ogv_cli_numbers(text, option, v, n, err));
  for (size_t i = 0; i < n; i++) {
    if (v[i] != floor(v[i]) || fabs(v[i]) > INT_MAX)
      return ogv_fail(err, OGV_E_INVALID, NULL, "%s wants whole numbers, not \"%.60s\"", option, text);
    out[i] = (int)v[i];
  }
  return OGV_OK;
}

int ogv_cli_flow(const ogv_command *c, const char *word, ogv_flow_kind *out) {
  if (!word || ogv_site_flow_from_word(word, out)) return 0;
  return ogv_cli_usage(c, "unknown flow \"%.40s\": use fetal, maternal, any or ductus-venosus", word);
}
