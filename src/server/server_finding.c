/* Structures seen, seen abnormal or not seen and why, each tied to pictures; and the protocol that a person chose. */
#include <string.h>

#include "core_json.h"
#include "server_internal.h"

static ogv_status check_finding(const json_t *f, ogv_error *err) {
  const char *structure, *state;
  OGV_TRY(ogv_json_string(f, "finding", "structure", &structure, err));
  OGV_TRY(ogv_json_string(f, "finding", "state", &state, err));
  if (!*structure || strlen(structure) > 120)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the structure has no usable name");
  if (strlen(ogv_json_string_or(f, "text", "")) > 2000 || strlen(ogv_json_string_or(f, "reason", "")) > 400)
    return ogv_fail(err, OGV_E_RANGE, "Put longer text into the report.", "the text of a finding is too long");
  size_t i;
  json_t *v;
  json_array_foreach(json_object_get(f, "objects"), i, v) if (!json_is_string(v))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"objects\" holds something that is no id");
  return OGV_OK;
}

OGV_HANDLER(finding) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  char id[20];
  json_object_set_new(body, "exam", json_string(q->arg[0]));
  ogv_status s = check_finding(body, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_finding(q->store, body, q->who, id, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "exam", json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "finding"));
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:s}", "id", id), err);
}

OGV_HANDLER(exam_protocol) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *id;
  ogv_status s = ogv_json_string(body, "request body", "protocol", &id, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) {
    json_t *detail = json_pack("{s:s}", "protocol", id);
    s = ogv_store_event(q->store, "exam", q->arg[0], "protocol", detail, q->who, err);
    json_decref(detail);
  }
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "exam", json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "protocol"));
  return ogv_reply_json(r, json_pack("{s:b}", "stored", 1), err);
}
