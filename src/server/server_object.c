/* Pictures: what an object is, its frames as the browser can show them without loss, previews. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "measure_colour.h"
#include "server_internal.h"

#define KEEP "private, max-age=86400, immutable"
#define NO_FRAME 1000000

static json_t *picture_json(const ogv_dicom *d) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  json_t *times = json_array();
  double last = -1;
  bool rising = a->frames > 1;
  for (int k = 0; k < a->frames && rising; k++) {
    double t = ogv_dicom_frame_time_ms(d, k);
    /* A time base that is missing, stands still or runs back is no time base; the page then says it is guessing. */
    if (!isfinite(t) || (k > 0 && t <= last)) rising = false;
    last = t;
    json_array_append_new(times, ogv_json_real(t));
  }
  if (!rising) json_array_clear(times);
  return json_pack("{s:i,s:i,s:i,s:i,s:o,s:s,s:o,s:s,s:s,s:b,s:b,s:s,s:s,s:o,s:o,s:o,s:o}", "rows", a->rows, "columns",
                   a->columns, "frames", a->frames, "samples", a->samples, "frame_ms", ogv_json_real(a->frame_ms),
                   "time_base", rising ? (a->time_base ? a->time_base : "none") : "none", "times", times, "photometric",
                   a->photometric, "transfer_syntax", a->transfer_syntax, "lossy", a->lossy, "burned_in", a->burned_in,
                   "series", a->series_description, "view", a->view_name, "mechanical_index",
                   ogv_json_real(a->mechanical_index), "thermal_bone", ogv_json_real(a->thermal_bone), "thermal_soft",
                   ogv_json_real(a->thermal_soft), "depth_mm", ogv_json_real(a->depth_mm));
}

/* Whether colour flow can be drawn as a relief: the picture has a colour box and a bar that can be read. */
static bool has_relief(ogv_dicom *d, const ogv_region *regions, size_t n) {
  bool box = false, found;
  for (size_t i = 0; i < n; i++) box |= regions[i].data_type == OGV_DATA_COLOUR_FLOW;
  ogv_image img = {0};
  ogv_colour_bar bar;
  if (!box || ogv_dicom_frame(d, 0, &img, NULL) != OGV_OK) return false;
  found = ogv_colour_bar_find(&img, regions, n, &bar, NULL) == OGV_OK;
  ogv_image_free(&img);
  return found;
}

OGV_HANDLER(object) {
  const char *id = q->arg[0];
  OGV_TRY(ogv_request_store(q, err));
  json_t *row = NULL;
  OGV_TRY(ogv_store_object(q->store, id, &row, err));
  json_t *answer = json_pack("{s:o}", "object", row);
  ogv_dicom *d;
  ogv_error e2 = {0};
  if (ogv_handles_take(q->server->handles, q, id, &d, &e2) != OGV_OK) {
    /* The row exists, its file cannot be shown: the page says why instead of showing nothing. */
    json_object_set_new(answer, "refused", ogv_error_json(&e2));
    return ogv_reply_json(r, answer, err);
  }
  if (ogv_dicom_about(d)->kind == OGV_DICOM_IMAGE) {
    size_t n;
    const ogv_region *regions = ogv_dicom_regions(d, &n);
    json_t *list = json_array();
    for (size_t i = 0; i < n; i++) json_array_append_new(list, ogv_region_to_json(&regions[i]));
    json_object_set_new(answer, "regions", list);
    json_object_set_new(answer, "picture", picture_json(d));
    json_object_set_new(answer, "relief", json_boolean(has_relief(d, regions, n)));
  }
  ogv_handles_give(q->server->handles, id, d);
  return ogv_reply_json(r, answer, err);
}

/* Content hash of the stored object: the picture behind an address can never change unseen. */
static ogv_status content_hash(ogv_request *q, const char *id, char out[40], ogv_error *err) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *row;
  OGV_TRY(ogv_store_object(q->store, id, &row, err));
  snprintf(out, 40, "%.32s", ogv_json_string_or(row, "sha256", id));
  json_decref(row);
  return OGV_OK;
}

static bool browser_has_it(const ogv_request *q, const char *etag) {
  const char *seen = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "If-None-Match");
  return seen && strstr(seen, etag) != NULL;
}

static ogv_status frame_number(const char *text, int *out, ogv_error *err) {
  char *end;
  long n = strtol(text, &end, 10);
  if (!*text || *end || n < 0 || n >= NO_FRAME)
    return ogv_fail(err, OGV_E_INVALID, "Frames are counted from 0.", "\"%.20s\" is not a frame number", text);
  *out = (int)n;
  return OGV_OK;
}

static ogv_status check_frame(const ogv_dicom *d, int frame, ogv_error *err) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  if (a->kind != OGV_DICOM_IMAGE) return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "this object has no picture");
  if (frame >= a->frames)
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no frame %d; the object has %d, counted from 0", frame,
                    a->frames);
  return OGV_OK;
}

/* The first byte tells the two kinds apart: a JPEG stream begins with FF D8, a PNG with 89. */
static const char *type_of(const uint8_t *data) { return data[0] == 0xff ? "image/jpeg" : "image/png"; }

OGV_HANDLER(frame) {
  const char *id = q->arg[0];
  int frame = 0;
  OGV_TRY(frame_number(q->arg[1], &frame, err));
  char hash[40];
  OGV_TRY(content_hash(q, id, hash, err));
  snprintf(r->etag, sizeof r->etag, "%s-%d", hash, frame);
  r->cache = KEEP;
  const char *filters = ogv_query(q, "filters");
  if (filters && *filters) return ogv_look_frame(q, r, id, frame, filters, err);
  if (browser_has_it(q, r->etag)) return OGV_OK;
  char key[160];
  snprintf(key, sizeof key, "frame/%s", r->etag);
  uint8_t *data = NULL;
  if (!ogv_cache_get(q->server->cache, key, &data, &r->size)) {
    ogv_dicom *d;
    OGV_TRY(ogv_handles_take(q->server->handles, q, id, &d, err));
    ogv_status s = check_frame(d, frame, err);
    /* The stored JPEG bytes go out as they are; anything else is decoded and sent without loss. */
    if (s == OGV_OK) s = ogv_dicom_frame_jpeg(d, frame, &data, &r->size, err);
    if (s == OGV_E_UNSUPPORTED && ogv_dicom_about(d)->kind == OGV_DICOM_IMAGE) {
      ogv_image img = {0};
      s = ogv_dicom_frame(d, frame, &img, err);
      if (s == OGV_OK) s = ogv_picture_png(&img, &data, &r->size, err);
      ogv_image_free(&img);
      if (s == OGV_OK) ogv_cache_put(q->server->cache, key, data, r->size);
    }
    ogv_handles_give(q->server->handles, id, d);
    if (s != OGV_OK) return s;
  }
  r->data = data;
  r->type = type_of(data);
  return OGV_OK;
}

OGV_HANDLER(thumb) {
  const char *id = q->arg[0];
  int width;
  OGV_TRY(ogv_query_int(q, "width", 32, 640, 200, &width, err));
  int frame;
  OGV_TRY(ogv_query_int(q, "frame", 0, NO_FRAME - 1, 0, &frame, err));
  char hash[40];
  OGV_TRY(content_hash(q, id, hash, err));
  snprintf(r->etag, sizeof r->etag, "%s-%d-t%d", hash, frame, width);
  r->cache = KEEP;
  r->type = "image/jpeg";
  if (browser_has_it(q, r->etag)) return OGV_OK;
  char key[160];
  snprintf(key, sizeof key, "thumb/%s", r->etag);
  uint8_t *data = NULL;
  if (!ogv_cache_get(q->server->cache, key, &data, &r->size)) {
    ogv_dicom *d;
    OGV_TRY(ogv_handles_take(q->server->handles, q, id, &d, err));
    ogv_image img = {0}, small = {0};
    ogv_status s = check_frame(d, frame, err);
    if (s == OGV_OK) s = ogv_dicom_frame(d, frame, &img, err);
    ogv_handles_give(q->server->handles, id, d);
    if (s == OGV_OK) s = ogv_picture_shrink(&img, width, width, &small, err);
    if (s == OGV_OK) s = ogv_picture_jpeg(&small, 82, &data, &r->size, err);
    ogv_image_free(&img);
    ogv_image_free(&small);
    if (s != OGV_OK) return s;
    ogv_cache_put(q->server->cache, key, data, r->size);
  }
  r->data = data;
  return OGV_OK;
}
