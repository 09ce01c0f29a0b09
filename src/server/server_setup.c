/* Set-up switches of the department, and marks on pictures. */
#include <string.h>

#include "core_json.h"
#include "record_access.h"
#include "server_internal.h"

/* Values are covered while they are measured unless the department switched that off; who did is kept with the setting.
 */
static bool is_blind(ogv_request *q) {
  json_t *v;
  ogv_error none;
  if (ogv_store_setting(q->store, "measure.blind", &v, &none) != OGV_OK) return true;
  bool blind = !json_is_false(v);
  json_decref(v);
  return blind;
}

/* The switch with everybody who moved it, newest first: readings say whether they were blind, this says who decided. */
static ogv_status reply_setup(ogv_request *q, ogv_reply *r, ogv_error *err) {
  json_t *history, *one;
  size_t i;
  OGV_TRY(ogv_store_setting_history(q->store, "measure.blind", &history, err));
  json_array_foreach(history, i, one) {
    json_object_set_new(one, "blind", json_boolean(!json_is_false(json_object_get(one, "value"))));
    json_object_del(one, "value");
  }
  return ogv_reply_json(
      r, json_pack("{s:b,s:o,s:b}", "blind", is_blind(q), "history", history, "may", ogv_may(q, OGV_NEED_LEAD)), err);
}

OGV_HANDLER(setup) {
  OGV_TRY(ogv_request_store(q, err));
  return reply_setup(q, r, err);
}

OGV_HANDLER(setup_save) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  json_t *blind = json_object_get(body, "blind");
  ogv_status s = OGV_OK;
  if (!json_is_boolean(blind)) s = ogv_fail(err, OGV_E_INVALID, NULL, "\"blind\" is not true or false");
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_setting_put(q->store, "measure.blind", blind, q->who, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return reply_setup(q, r, err);
}

/* Current marks of all objects of an exam. */
OGV_HANDLER(marks) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *exam, *out = json_array();
  ogv_status s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  if (s != OGV_OK) {
    json_decref(out);
    return s;
  }
  size_t i, j;
  json_t *object, *mark;
  json_array_foreach(json_object_get(exam, "objects"), i, object) {
    json_array_foreach(json_object_get(object, "marks"), j, mark) {
      json_t *copy = json_copy(mark);
      json_object_set(copy, "object", json_object_get(object, "id"));
      json_array_append_new(out, copy);
    }
  }
  json_decref(exam);
  return ogv_reply_json(r, json_pack("{s:o}", "marks", out), err);
}

static ogv_status check_mark(const json_t *m, ogv_error *err) {
  const char *kind, *object;
  OGV_TRY(ogv_json_string(m, "mark", "kind", &kind, err));
  OGV_TRY(ogv_json_string(m, "mark", "object", &object, err));
  if (strcmp(kind, "arrow") && strcmp(kind, "text") && strcmp(kind, "body") && strcmp(kind, "caption"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" is not arrow, text, body or caption", kind);
  const json_t *data = json_object_get(m, "data"), *points = json_object_get(data, "points");
  if (!json_is_object(data)) return ogv_fail(err, OGV_E_INVALID, NULL, "a mark has no data");
  size_t n = json_array_size(points), need = strcmp(kind, "arrow") ? 1 : 2;
  if (strcmp(kind, "caption") && n != need)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a mark of kind %s has %zu points, not %zu", kind, n, need);
  for (size_t i = 0; i < n; i++) {
    const json_t *p = json_array_get(points, i);
    if (json_array_size(p) != 2 || !json_is_number(json_array_get(p, 0)) || !json_is_number(json_array_get(p, 1)))
      return ogv_fail(err, OGV_E_INVALID, NULL, "point %zu of a mark is not two numbers", i + 1);
  }
  if (strlen(ogv_json_string_or(data, "text", "")) > 400)
    return ogv_fail(err, OGV_E_RANGE, "Put longer text into the report.",
                    "the text of a mark is longer than 400 bytes");
  return OGV_OK;
}

OGV_HANDLER(marks_save) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  char id[20];
  ogv_status s = check_mark(body, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_mark(q->store, body, q->who, id, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "exam",
                  json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "marked"));
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:s}", "id", id), err);
}
