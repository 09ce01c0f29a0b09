/* Protocols: what an exam of a kind must have. They are files (data/protocols, overridden by OGIVE_DATA); what a
 * department edits on the page is kept in the record as a setting, with its history, and goes before the file. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_protocol.h"
#include "record_access.h"
#include "record_protocol.h"
#include "server_internal.h"

static ogv_status check_protocol(const json_t *p, const char *id, ogv_error *err) {
  OGV_TRY(ogv_protocol_check(p, "protocol", err));
  const char *own = ogv_json_string_or(p, "id", "");
  if (strcmp(own, id))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the protocol calls itself \"%.60s\", not \"%.60s\"", own, id);
  return OGV_OK;
}

static ogv_status read_protocol(ogv_request *q, const char *id, json_t **out, ogv_error *err) {
  OGV_TRY(ogv_request_store(q, err));
  return ogv_store_protocol(q->store, id, out, err);
}

typedef struct listing {
  ogv_request *q;
  json_t *out;
} listing;

static ogv_status list_file(void *user, const ogv_resource *res, ogv_error *err) {
  listing *l = user;
  const char *name = res->path + strlen("protocols/");
  size_t n = strlen(name);
  char id[90];
  if (n < 6 || n > 80 || strcmp(name + n - 5, ".json")) return OGV_OK;
  snprintf(id, sizeof id, "%.*s", (int)(n - 5), name);
  json_t *p;
  OGV_TRY(read_protocol(l->q, id, &p, err));
  json_array_append_new(l->out, p);
  return OGV_OK;
}

OGV_HANDLER(protocols) {
  listing l = {q, json_array()};
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_resource_each("protocols/", list_file, &l, err);
  json_t *settings = NULL;
  if (s == OGV_OK) s = ogv_store_settings(q->store, &settings, err);
  const char *key;
  json_t *value;
  json_object_foreach(settings, key, value) { /* protocols that exist only in the record */
    if (strncmp(key, "protocol.", 9) || !json_is_object(value)) continue;
    bool there = false;
    for (size_t i = 0; i < json_array_size(l.out); i++)
      if (!strcmp(ogv_json_string_or(json_array_get(l.out, i), "id", ""), key + 9)) there = true;
    if (there) continue;
    json_t *copy = json_copy(value);
    json_object_set_new(copy, "edited", json_true());
    json_array_append_new(l.out, copy);
  }
  json_decref(settings);
  if (s != OGV_OK) {
    json_decref(l.out);
    return s;
  }
  return ogv_reply_json(r, json_pack("{s:o}", "protocols", l.out), err);
}

OGV_HANDLER(protocol) {
  json_t *p;
  OGV_TRY(read_protocol(q, q->arg[0], &p, err));
  return ogv_reply_json(r, p, err);
}

OGV_HANDLER(protocol_save) {
  json_t *p, *old = NULL;
  OGV_TRY(ogv_request_json(q, &p, err));
  char key[120];
  snprintf(key, sizeof key, "protocol.%.80s", q->arg[0]);
  ogv_error none;
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s = check_protocol(p, q->arg[0], err);
  int now = 0;
  if (s == OGV_OK && read_protocol(q, q->arg[0], &old, &none) == OGV_OK)
    now = (int)ogv_json_number_or(old, "version", 0);
  json_decref(old);
  int seen = (int)ogv_json_number_or(p, "version", 0);
  if (s == OGV_OK && seen != now)
    s = ogv_fail(err, OGV_E_CONFLICT, "Look at it as it is now and decide again.",
                 "the protocol was changed meanwhile (version %d, you saw %d)", now, seen);
  if (s == OGV_OK) {
    json_object_set_new(p, "version", json_integer(now + 1));
    json_object_del(p, "edited");
    s = ogv_request_store(q, err);
    if (s == OGV_OK) s = ogv_store_setting_put(q->store, key, p, q->who, err);
  }
  pthread_mutex_unlock(&q->server->write_lock);
  if (s != OGV_OK) {
    json_decref(p);
    return s;
  }
  ogv_hub_publish(q->server->hub, "protocol", json_pack("{s:s,s:s}", "protocol", q->arg[0], "who", q->who));
  return ogv_reply_json(r, p, err);
}
