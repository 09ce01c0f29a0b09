/* Where the scanner drew text into a picture: covered on the screen while measuring blind. The stored bytes stay. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "imaging_cover.h"
#include "server_internal.h"

/* First, middle and last frame: what a scanner writes over a clip stands still, or counts in one place. */
static ogv_status find(ogv_dicom *d, ogv_covers *out, ogv_error *err) {
  int last = ogv_dicom_about(d)->frames - 1, at[3] = {0, last / 2, last};
  ogv_image taken[3] = {0};
  const ogv_image *list[3];
  size_t n = 0, n_regions;
  ogv_status s = OGV_OK;
  for (int i = 0; i < 3 && s == OGV_OK; i++) {
    if (i && at[i] == at[i - 1]) continue;
    s = ogv_dicom_frame(d, at[i], &taken[n], err);
    if (s != OGV_OK) break;
    list[n] = &taken[n];
    n++;
  }
  const ogv_region *regions = ogv_dicom_regions(d, &n_regions);
  if (s == OGV_OK) s = ogv_covers_find(list, n, regions, n_regions, out, err);
  for (int i = 0; i < 3; i++) ogv_image_free(&taken[i]);
  return s;
}

OGV_HANDLER(covers) {
  const char *id = q->arg[0];
  char key[160];
  snprintf(key, sizeof key, "covers/%.100s", id); /* an object never changes */
  uint8_t *data = NULL;
  r->type = "application/json";
  r->cache = "private, max-age=86400, immutable";
  if (ogv_cache_get(q->server->cache, key, &data, &r->size)) {
    r->data = data;
    return OGV_OK;
  }
  ogv_dicom *d;
  ogv_covers c = {0};
  OGV_TRY(ogv_handles_take(q->server->handles, q, id, &d, err));
  ogv_status s = ogv_dicom_about(d)->kind == OGV_DICOM_IMAGE
                     ? find(d, &c, err)
                     : ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "this object has no picture");
  ogv_handles_give(q->server->handles, id, d);
  if (s != OGV_OK) return s;
  json_t *list = json_array();
  for (size_t i = 0; i < c.n; i++)
    json_array_append_new(
        list, json_pack("[i,i,i,i,b]", c.list[i].x0, c.list[i].y0, c.list[i].x1, c.list[i].y1, c.list[i].inside));
  json_t *v =
      json_pack("{s:o,s:b,s:b,s:s}", "covers", list, "scanned", c.scanned, "searched", c.searched, "unsure", c.unsure);
  ogv_covers_free(&c);
  char *text = v ? json_dumps(v, JSON_COMPACT) : NULL;
  json_decref(v);
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while text was looked for");
  r->data = text;
  r->size = strlen(text);
  ogv_cache_put(q->server->cache, key, r->data, r->size);
  return OGV_OK;
}
