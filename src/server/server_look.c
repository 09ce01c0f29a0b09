/* Frames as a person wants to look at them: display filters on a copy of the pixels, sent without loss. The stored bytes
 * are never touched, and the page says on the picture what is on. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "imaging_filter.h"
#include "record_access.h"
#include "server_internal.h"

#define FILTER_TEXT 600

/* The neighbours of a frame, smoothed over time; ends of a clip repeat the end frame. */
static ogv_status over_frames(ogv_dicom *d, int frame, int n, ogv_image *out, ogv_error *err) {
  ogv_image taken[5] = {0};
  const ogv_image *list[5];
  int last = ogv_dicom_about(d)->frames - 1;
  ogv_status s = OGV_OK;
  for (int i = 0; i < n && s == OGV_OK; i++) {
    int k = frame + i - n / 2;
    s = ogv_dicom_frame(d, k < 0 ? 0 : k > last ? last : k, &taken[i], err);
    list[i] = &taken[i];
  }
  if (s == OGV_OK) s = ogv_filter_frames(list, (size_t)n, out, err);
  for (int i = 0; i < n; i++) ogv_image_free(&taken[i]);
  return s;
}

static ogv_status apply(ogv_dicom *d, int frame, const ogv_filters *f, uint8_t **data, size_t *size, ogv_error *err) {
  ogv_image img = {0}, out = {0};
  size_t n;
  const ogv_region *regions = ogv_dicom_regions(d, &n);
  ogv_status s = f->smooth_frames > 1 ? over_frames(d, frame, f->smooth_frames, &img, err) : ogv_dicom_frame(d, frame, &img, err);
  if (s == OGV_OK) s = ogv_filters_apply(f, &img, regions, n, &out, err);
  if (s == OGV_OK) s = ogv_picture_png(&out, data, size, err);
  ogv_image_free(&img);
  ogv_image_free(&out);
  return s;
}

ogv_status ogv_look_frame(ogv_request *q, ogv_reply *r, const char *id, int frame, const char *filters, ogv_error *err) {
  if (strlen(filters) > FILTER_TEXT) return ogv_fail(err, OGV_E_RANGE, NULL, "the description of the filters is too long");
  json_t *v;
  ogv_filters f;
  OGV_TRY(ogv_json_parse(filters, strlen(filters), "filters", &v, err));
  ogv_status s = ogv_filters_from_json(v, &f, err);
  json_decref(v);
  if (s != OGV_OK) return s;
  char hash[OGV_SHA256_TEXT];
  ogv_sha256(filters, strlen(filters), hash);
  size_t n = strlen(r->etag);
  snprintf(r->etag + n, sizeof r->etag - n, "-f%.16s", hash);
  r->type = "image/png";
  char key[160];
  snprintf(key, sizeof key, "look/%s", r->etag);
  uint8_t *data = NULL;
  if (!ogv_cache_get(q->server->cache, key, &data, &r->size)) {
    ogv_dicom *d;
    OGV_TRY(ogv_handles_take(q->server->handles, q, id, &d, err));
    const ogv_dicom_info *a = ogv_dicom_about(d);
    if (a->kind != OGV_DICOM_IMAGE || frame >= a->frames)
      s = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no frame %d to filter", frame);
    if (s == OGV_OK) s = apply(d, frame, &f, &data, &r->size, err);
    ogv_handles_give(q->server->handles, id, d);
    if (s != OGV_OK) return s;
    ogv_cache_put(q->server->cache, key, data, r->size);
  }
  r->data = data;
  return OGV_OK;
}

/* Saved presets: one setting for each protocol and scanner, so that the same picture looks the same to everybody. */
OGV_HANDLER(looks) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *settings, *out = json_array();
  ogv_status s = ogv_store_settings(q->store, &settings, err);
  if (s != OGV_OK) {
    json_decref(out);
    return s;
  }
  const char *key;
  json_t *value;
  json_object_foreach(settings, key, value) if (!strncmp(key, "look.", 5) && json_is_object(value)) json_array_append(out, value);
  json_decref(settings);
  return ogv_reply_json(r, json_pack("{s:o}", "looks", out), err);
}

OGV_HANDLER(looks_save) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *protocol, *scanner;
  ogv_filters f;
  ogv_status s = ogv_json_string(body, "preset", "protocol", &protocol, err);
  if (s == OGV_OK) s = ogv_json_string(body, "preset", "scanner", &scanner, err);
  if (s == OGV_OK && strlen(protocol) + strlen(scanner) > 200) s = ogv_fail(err, OGV_E_RANGE, NULL, "the names are too long");
  if (s == OGV_OK) s = ogv_filters_from_json(json_object_get(body, "filters"), &f, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) {
    char key[240];
    snprintf(key, sizeof key, "look.%.100s.%.100s", protocol, scanner);
    json_t *kept = json_pack("{s:s,s:s,s:o}", "protocol", protocol, "scanner", scanner, "filters", ogv_filters_to_json(&f));
    s = kept ? ogv_store_setting_put(q->store, key, kept, q->who, err) : OGV_E_MEMORY;
    json_decref(kept);
  }
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:b}", "stored", 1), err);
}
