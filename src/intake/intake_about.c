/* What the record keeps about a DICOM object. */
#include <math.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/intake_internal.h"

static void put_text(json_t *o, const char *key, const char *text) {
  /* The reader converts to UTF-8; should a byte slip through, the text is kept readable rather than the file refused.
   */
  size_t n = strlen(text);
  if (ogv_utf8_valid(text, n)) {
    json_object_set_new(o, key, json_stringn(text, n));
    return;
  }
  char clean[1024];
  size_t k = 0;
  for (size_t i = 0; i < n && k + 1 < sizeof clean; i++) clean[k++] = (unsigned char)text[i] < 0x80 ? text[i] : '?';
  json_object_set_new(o, key, json_stringn(clean, k));
}

static void put_real(json_t *o, const char *key, double v) { json_object_set_new(o, key, ogv_json_real(v)); }
static void put_int(json_t *o, const char *key, long long v) { json_object_set_new(o, key, json_integer(v)); }
static void put_bool(json_t *o, const char *key, bool v) { json_object_set_new(o, key, json_boolean(v)); }

static void put_date(json_t *o, const char *key, ogv_date d) {
  char text[OGV_DATE_TEXT];
  if (d == OGV_DATE_NONE) json_object_set_new(o, key, json_null());
  else json_object_set_new(o, key, json_string(ogv_date_text(d, text)));
}

static void put_identity(json_t *o, const ogv_dicom_info *a) {
  put_text(o, "instance", a->sop_instance);
  put_text(o, "sop_class", a->sop_class);
  put_text(o, "study", a->study);
  put_text(o, "series", a->series);
  put_text(o, "transfer_syntax", a->transfer_syntax);
  put_text(o, "modality", a->modality);
  put_text(o, "patient_id", a->patient_id);
  put_text(o, "issuer", a->issuer);
  put_text(o, "patient_name", a->patient_name);
  put_date(o, "birth_date", a->birth_date);
  put_date(o, "study_date", a->study_date);
  put_date(o, "content_date", a->content_date);
  put_text(o, "study_time", a->study_time);
  put_text(o, "content_time", a->content_time);
  put_text(o, "accession", a->accession);
  put_text(o, "study_description", a->study_description);
  put_text(o, "series_description", a->series_description);
  put_text(o, "referring", a->referring);
  put_text(o, "performer", a->performer);
  put_text(o, "institution", a->institution);
  put_text(o, "manufacturer", a->manufacturer);
  put_text(o, "model", a->model);
  put_text(o, "station", a->station);
  put_text(o, "software", a->software);
  put_text(o, "image_type", a->image_type);
  put_text(o, "view_name", a->view_name);
  put_date(o, "lmp", a->lmp);
  put_int(o, "instance_number", a->instance_number);
  put_int(o, "series_number", a->series_number);
}

static void put_picture(json_t *o, const ogv_dicom_info *a) {
  put_int(o, "rows", a->rows);
  put_int(o, "columns", a->columns);
  put_int(o, "frames", a->frames);
  put_int(o, "samples", a->samples);
  put_int(o, "bits_allocated", a->bits_allocated);
  put_int(o, "bits_stored", a->bits_stored);
  put_text(o, "photometric", a->photometric);
  put_bool(o, "lossy", a->lossy);
  put_bool(o, "colour_data", a->colour_data);
  put_bool(o, "burned_in", a->burned_in);
  put_real(o, "frame_ms", a->frame_ms);
  put_text(o, "time_base", a->time_base ? a->time_base : "none");
  put_real(o, "mechanical_index", a->mechanical_index);
  put_real(o, "thermal_bone", a->thermal_bone);
  put_real(o, "thermal_cranial", a->thermal_cranial);
  put_real(o, "thermal_soft", a->thermal_soft);
  put_real(o, "depth_mm", a->depth_mm);
  put_real(o, "focus_cm", a->focus_cm);
  put_real(o, "spacing_row_mm", a->spacing_row_mm);
  put_real(o, "spacing_column_mm", a->spacing_column_mm);
}

json_t *ogv_intake_about(const ogv_dicom *d) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  json_t *o = json_object();
  if (!o) return NULL;
  put_text(o, "kind",
           a->kind == OGV_DICOM_REPORT  ? "report"
           : a->kind == OGV_DICOM_OTHER ? "other"
           : a->frames > 1              ? "clip"
                                        : "image");
  put_identity(o, a);
  if (a->kind == OGV_DICOM_REPORT) return o;
  put_picture(o, a);
  if (a->frames > 1) put_real(o, "duration_ms", ogv_dicom_frame_time_ms(d, a->frames - 1)); /* first to last frame */
  json_t *regions = json_array();
  size_t n = 0;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  for (size_t i = 0; i < n; i++) json_array_append_new(regions, ogv_region_to_json(&r[i]));
  json_object_set_new(o, "regions", regions);
  return o;
}
