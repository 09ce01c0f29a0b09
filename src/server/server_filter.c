/* Frames as a person wants to look at them: display filters on a copy of the pixels, sent without loss. The stored
 * bytes are never touched, and the page says on the picture what is on. */
#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "imaging_filter.h"
#include "measure_colour.h"
#include "server_internal.h"

#define FILTER_TEXT 600
/* Counted up when the filters' arithmetic changes: an ETag stands for bytes, also across versions of the program. */
#define FILTER_VERSION "3"
#define LOOKS_MAX 16

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
  size_t n_regions;
  const ogv_region *regions = ogv_dicom_regions(d, &n_regions);
  if (s == OGV_OK) s = ogv_filter_frames_within(list, (size_t)n, regions, n_regions, out, err);
  for (int i = 0; i < n; i++) ogv_image_free(&taken[i]);
  return s;
}

/* Without a colour bar there is no relief, and GET /api/objects/ID says so: the page does not claim it. */
static ogv_status lay_relief(ogv_dicom *d, int frame, ogv_image *shown, ogv_error *err) {
  ogv_image stored = {0}, lit = {0};
  size_t n;
  const ogv_region *regions = ogv_dicom_regions(d, &n);
  OGV_TRY(ogv_dicom_frame(d, frame, &stored, err));
  ogv_error none;
  ogv_status s = ogv_colour_relief_on(&stored, shown, regions, n, &lit, &none);
  ogv_image_free(&stored);
  if (s == OGV_E_NOT_FOUND) return OGV_OK;
  if (s != OGV_OK) return ogv_fail(err, s, none.todo, "%s", none.what);
  ogv_image_free(shown);
  *shown = lit;
  return OGV_OK;
}

/* `view`: compressed, for a clip that is playing; a frame that may be measured on is sent without loss. */
#define VIEW_QUALITY 92
static ogv_status apply(ogv_dicom *d, int frame, const ogv_filters *f, bool view, uint8_t **data, size_t *size,
                        ogv_error *err) {
  ogv_image img = {0}, out = {0};
  size_t n;
  const ogv_region *regions = ogv_dicom_regions(d, &n);
  ogv_status s =
      f->smooth_frames > 1 ? over_frames(d, frame, f->smooth_frames, &img, err) : ogv_dicom_frame(d, frame, &img, err);
  if (s == OGV_OK) s = ogv_filters_apply(f, &img, regions, n, &out, err);
  if (s == OGV_OK && f->relief) s = lay_relief(d, frame, &out, err);
  if (s == OGV_OK)
    s = view ? ogv_picture_jpeg(&out, VIEW_QUALITY, data, size, err) : ogv_picture_png(&out, data, size, err);
  ogv_image_free(&img);
  ogv_image_free(&out);
  return s;
}

static bool is_preset_id(const char *text) {
  for (const char *c = text; *c; c++)
    if (!isalnum((unsigned char)*c) && *c != '-') return false;
  return *text != 0;
}

/* What the address asks for: JSON, or the id of a preset, whose meaning may change. */
static ogv_status wanted(ogv_request *q, ogv_reply *r, const char *text, ogv_filters *f, ogv_error *err) {
  if (strlen(text) > FILTER_TEXT)
    return ogv_fail(err, OGV_E_RANGE, "Name each filter once.",
                    "the description of the filters is longer than %d bytes", FILTER_TEXT);
  json_t *v;
  if (is_preset_id(text)) {
    OGV_TRY(ogv_look_find(q, text, &v, err));
    r->cache = "private, no-cache";
  } else {
    OGV_TRY(ogv_json_parse(text, strlen(text), "filters", &v, err));
  }
  ogv_status s = ogv_filters_from_json(v, f, err);
  json_decref(v);
  return s;
}

/* The same filters give the same mark, however they were written. */
static ogv_status mark(ogv_reply *r, const ogv_filters *f, ogv_error *err) {
  json_t *v = ogv_filters_to_json(f);
  char *text = v ? ogv_json_canonical(v) : NULL;
  json_decref(v);
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while filters were read");
  char all[FILTER_TEXT + 200], hash[OGV_SHA256_TEXT];
  snprintf(all, sizeof all, "%s %s", FILTER_VERSION, text);
  free(text);
  ogv_sha256(all, strlen(all), hash);
  size_t n = strlen(r->etag);
  snprintf(r->etag + n, sizeof r->etag - n - 3, "-f%.16s", hash);
  return OGV_OK;
}

ogv_status ogv_look_frame(ogv_request *q, ogv_reply *r, const char *id, int frame, const char *filters,
                          ogv_error *err) {
  ogv_filters f;
  OGV_TRY(wanted(q, r, filters, &f, err));
  OGV_TRY(mark(r, &f, err));
  const char *as = ogv_query(q, "as");
  bool view = as && !strcmp(as, "view");
  if (as && *as && !view)
    return ogv_fail(err, OGV_E_INVALID, "Ask for as=view, or leave it out for a lossless picture.",
                    "frames are not sent as \"%.20s\"", as);
  size_t n = strlen(r->etag);
  if (view) snprintf(r->etag + n, sizeof r->etag - n, "-v"); /* mark() leaves room */
  r->type = view ? "image/jpeg" : "image/png";
  const char *seen = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "If-None-Match");
  if (seen && strstr(seen, r->etag)) return OGV_OK; /* answered with 304, nothing is computed */
  char key[160];
  snprintf(key, sizeof key, "look/%s", r->etag);
  uint8_t *data = NULL;
  if (!ogv_cache_get(q->server->cache, key, &data, &r->size)) {
    ogv_dicom *d;
    OGV_TRY(ogv_handles_take(q->server->handles, q, id, &d, err));
    const ogv_dicom_info *a = ogv_dicom_about(d);
    ogv_status s = OGV_OK;
    if (a->kind != OGV_DICOM_IMAGE) s = ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "this object has no picture");
    else if (frame >= a->frames)
      s = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no frame %d; the object has %d, counted from 0", frame,
                   a->frames);
    if (s == OGV_OK) s = apply(d, frame, &f, view, &data, &r->size, err);
    ogv_handles_give(q->server->handles, id, d);
    if (s != OGV_OK) return s;
    ogv_cache_put(q->server->cache, key, data, r->size);
  }
  r->data = data;
  return OGV_OK;
}

/* The window of the screen and whether it was inverted: {"slope","level","invert"}, with what it does to edges. */
static ogv_status window_evidence(json_t *how, ogv_error *err) {
  const json_t *w = json_object_get(how, "window");
  if (!w) return OGV_OK;
  double slope = ogv_json_number_or(w, "slope", 0), level = ogv_json_number_or(w, "level", -1);
  if (!json_is_object(w) || !(slope >= OGV_WINDOW_SLOPE_MIN && slope <= OGV_WINDOW_SLOPE_MAX) || level < 0 ||
      level > 255)
    return ogv_fail(err, OGV_E_RANGE, NULL, "\"window\" needs a slope of %g to %g and a level of 0 to 255",
                    OGV_WINDOW_SLOPE_MIN, OGV_WINDOW_SLOPE_MAX);
  json_object_set_new(
      how, "window",
      json_pack("{s:f,s:f,s:b,s:b}", "slope", slope, "level", level, "invert",
                json_is_true(json_object_get(w, "invert")), "keeps_edges", ogv_window_keeps_edges(slope, level)));
  return OGV_OK;
}

/* Whether calipers may be placed on what these filters, or this window, show: the page asks, so that there is one rule.
 */
OGV_HANDLER(looks_edges) {
  const char *filters = ogv_query(q, "filters"), *window = ogv_query(q, "window");
  bool keeps = true;
  if (filters && *filters) {
    ogv_filters f;
    OGV_TRY(wanted(q, r, filters, &f, err));
    keeps = ogv_filters_keep_edges(&f);
  }
  if (window && *window) {
    double slope, level;
    char rest;
    if (sscanf(window, "%12lf,%12lf%c", &slope, &level, &rest) != 2)
      return ogv_fail(err, OGV_E_INVALID, "Send for example window=1.5,128.", "\"%.30s\" is not slope,level", window);
    keeps = keeps && ogv_window_keeps_edges(slope, level);
  }
  return ogv_reply_json(r, json_pack("{s:b}", "keeps_edges", keeps), err);
}

ogv_status ogv_look_evidence(const json_t *how, json_t **out, ogv_error *err) {
  json_t *looks = json_object_get(how, "looks"), *full = json_array(), *one;
  ogv_status s = OGV_OK;
  if (looks && (!json_is_array(looks) || json_array_size(looks) > LOOKS_MAX))
    s = ogv_fail(err, OGV_E_INVALID, NULL, "\"looks\" is not a list of at most %d sets of filters", LOOKS_MAX);
  size_t i;
  json_array_foreach(looks, i, one) {
    ogv_filters f;
    if (s == OGV_OK) s = ogv_filters_from_json(one, &f, err);
    if (s != OGV_OK) break;
    json_t *whole = ogv_filters_to_json(&f);
    json_object_set_new(whole, "keeps_edges", json_boolean(ogv_filters_keep_edges(&f)));
    json_array_append_new(full, whole);
  }
  *out = s == OGV_OK ? json_copy((json_t *)how) : NULL;
  if (s == OGV_OK && !*out) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK && looks) json_object_set(*out, "looks", full);
  json_decref(full);
  if (s == OGV_OK && (s = window_evidence(*out, err)) != OGV_OK) {
    json_decref(*out);
    *out = NULL;
  }
  return s;
}
