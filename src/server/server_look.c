/* Presets of display filters: named settings of the record, for each protocol and scanner, so that the same picture
 * looks the same to everybody. Older values stay in the record's history. */
#include <stdio.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "imaging_filter.h"
#include "record_access.h"
#include "server_internal.h"

#define NAME_MAX_BYTES 100
#define LOOK_ID 20

/* Made of what the preset is for, so that saving it again under the same name renews it. */
static void look_id(const char *protocol, const char *scanner, const char *name, char id[LOOK_ID]) {
  char all[3 * NAME_MAX_BYTES + 8], hash[OGV_SHA256_TEXT];
  int n = snprintf(all, sizeof all, "%s\n%s\n%s", protocol, scanner, name);
  ogv_sha256(all, (size_t)n, hash);
  snprintf(id, LOOK_ID, "%.16s", hash);
}

ogv_status ogv_look_find(ogv_request *q, const char *id, json_t **filters, ogv_error *err) {
  OGV_TRY(ogv_request_store(q, err));
  char key[64];
  snprintf(key, sizeof key, "look.%.40s", id);
  json_t *kept;
  if (ogv_store_setting(q->store, key, &kept, err) == OGV_OK) {
    json_t *f = json_object_get(kept, "filters");
    *filters = json_is_true(json_object_get(kept, "removed")) ? NULL : json_incref(f);
    json_decref(kept);
    if (*filters) return OGV_OK;
  }
  return ogv_fail(err, OGV_E_NOT_FOUND, "GET /api/looks lists them; filters can also be sent as JSON.",
                  "there is no preset of filters \"%.40s\"", id);
}

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
  json_object_foreach(settings, key, value) {
    if (strncmp(key, "look.", 5) != 0 || !json_is_object(value) || json_is_true(json_object_get(value, "removed")))
      continue;
    json_t *one = json_copy(value);
    json_object_set_new(one, "id", json_string(key + 5));
    json_array_append_new(out, one);
  }
  json_decref(settings);
  return ogv_reply_json(r, json_pack("{s:o}", "looks", out), err);
}

static ogv_status read_preset(const json_t *body, const char **protocol, const char **scanner, const char **name,
                              ogv_error *err) {
  OGV_TRY(ogv_json_string(body, "preset", "protocol", protocol, err));
  OGV_TRY(ogv_json_string(body, "preset", "scanner", scanner, err));
  OGV_TRY(ogv_json_string(body, "preset", "name", name, err));
  if (!**name) return ogv_fail(err, OGV_E_INVALID, "Give it a name.", "the preset has no name");
  const char *all[] = {*protocol, *scanner, *name};
  for (size_t i = 0; i < 3; i++)
    if (strlen(all[i]) > NAME_MAX_BYTES)
      return ogv_fail(err, OGV_E_RANGE, "Shorten it.", "protocol, scanner and name are at most %d bytes each",
                      NAME_MAX_BYTES);
  return OGV_OK;
}

OGV_HANDLER(looks_save) {
  json_t *body, *kept = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *protocol, *scanner, *name;
  char id[LOOK_ID] = "", key[64];
  ogv_filters f;
  bool removed = json_is_true(json_object_get(body, "removed"));
  ogv_status s = read_preset(body, &protocol, &scanner, &name, err);
  if (s == OGV_OK && !removed) s = ogv_filters_from_json(json_object_get(body, "filters"), &f, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) {
    look_id(protocol, scanner, name, id);
    kept = json_pack("{s:s,s:s,s:s}", "protocol", protocol, "scanner", scanner, "name", name);
    if (removed) json_object_set_new(kept, "removed", json_true());
    else json_object_set_new(kept, "filters", ogv_filters_to_json(&f));
    snprintf(key, sizeof key, "look.%s", id);
    s = kept ? ogv_store_setting_put(q->store, key, kept, q->who, err)
             : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  json_decref(kept);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:s}", "id", id), err);
}
