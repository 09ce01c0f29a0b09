/* The department: name, lines and logo at the head of reports, language, who may sign, whether pictures may be deleted.
 */
#include <string.h>

#include "core_json.h"
#include "record_access.h"
#include "report_text.h"
#include "server_internal.h"

#define LOGO_MAX 90000 /* characters of base64: it travels in the facts of every report */

static const char *const keys[][2] = {{"department", "department"},
                                      {"language", "report.language"},
                                      {"sign_roles", "sign.roles"},
                                      {"remove", "objects.remove"},
                                      {"lock_minutes", "session.lock_minutes"}};

OGV_HANDLER(languages) {
  json_t *list;
  (void)q;
  OGV_TRY(ogv_messages_list(&list, err));
  return ogv_reply_json(r, json_pack("{s:o}", "languages", list), err);
}

OGV_HANDLER(department) {
  json_t *o = json_object();
  ogv_status s = ogv_request_store(q, err);
  for (size_t i = 0; s == OGV_OK && i < sizeof keys / sizeof *keys; i++) {
    json_t *v = NULL;
    if (ogv_store_setting(q->store, keys[i][1], &v, NULL) == OGV_OK) json_object_set_new(o, keys[i][0], v);
  }
  if (s != OGV_OK) {
    json_decref(o);
    return s;
  }
  return ogv_reply_json(r, o, err);
}

static ogv_status check_head(const json_t *d, ogv_error *err) {
  size_t i;
  json_t *line;
  if (!d) return OGV_OK;
  if (!json_is_object(d) || strlen(ogv_json_string_or(d, "name", "")) > 120)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the department's name is longer than 120 bytes");
  if (json_array_size(json_object_get(d, "lines")) > 4)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the head has at most 4 lines");
  json_array_foreach(
      json_object_get(d, "lines"), i,
      line) if (!json_is_string(line) ||
                json_string_length(line) > 120) return ogv_fail(err, OGV_E_INVALID, NULL,
                                                                "line %zu of the head is longer than 120 bytes", i + 1);
  const char *logo = ogv_json_string_or(d, "logo", "");
  if (strlen(logo) > LOGO_MAX) return ogv_fail(err, OGV_E_RANGE, "Use a PNG below 64 kB.", "the logo is too large");
  if (*logo && strncmp(logo, "iVBORw0KGgo", 11))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Use a PNG.", "the logo is not a PNG picture");
  return OGV_OK;
}

static ogv_status check_language(const json_t *v, ogv_error *err) {
  ogv_messages *m;
  if (!v) return OGV_OK;
  if (!json_is_string(v)) return ogv_fail(err, OGV_E_INVALID, NULL, "the language is not text");
  OGV_TRY(ogv_messages_load(json_string_value(v), &m, err));
  ogv_messages_free(m);
  return OGV_OK;
}

static ogv_status check_roles(const json_t *v, ogv_error *err) {
  static const char *const roles[] = {"sonographer", "reporter", "lead", "administrator"};
  json_t *role;
  size_t i;
  if (!v) return OGV_OK;
  if (!json_array_size(v)) return ogv_fail(err, OGV_E_INVALID, "Name at least one.", "nobody could sign any more");
  json_array_foreach(v, i, role) {
    bool known = false;
    for (size_t k = 0; k < 4; k++) known |= json_is_string(role) && !strcmp(json_string_value(role), roles[k]);
    if (!known) return ogv_fail(err, OGV_E_INVALID, NULL, "\"sign_roles\" names something that is no role");
  }
  return OGV_OK;
}

static ogv_status check_lock(const json_t *v, ogv_error *err) {
  if (!v || (json_is_integer(v) && json_integer_value(v) >= 0 && json_integer_value(v) <= OGV_LOCK_LONGEST))
    return OGV_OK;
  return ogv_fail(err, OGV_E_RANGE, "0 means never.", "\"lock_minutes\" is not a whole number from 0 to %d",
                  OGV_LOCK_LONGEST);
}

/* Members of the head that were not sent stay: two people may change the name and the logo at the same time. */
static void complete_head(ogv_request *q, json_t *head) {
  json_t *old = NULL;
  if (json_is_object(head) && ogv_store_setting(q->store, "department", &old, NULL) == OGV_OK && json_is_object(old))
    json_object_update_missing(head, old);
  json_decref(old);
}

OGV_HANDLER(department_save) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  const json_t *remove = json_object_get(body, "remove");
  ogv_status s = ogv_request_store(q, err);
  pthread_mutex_lock(&q->server->write_lock);
  if (s == OGV_OK) complete_head(q, json_object_get(body, "department"));
  if (s == OGV_OK) s = check_head(json_object_get(body, "department"), err);
  if (s == OGV_OK) s = check_language(json_object_get(body, "language"), err);
  if (s == OGV_OK) s = check_roles(json_object_get(body, "sign_roles"), err);
  const char *policy = remove ? ogv_json_string_or(body, "remove", "?") : "reason";
  if (s == OGV_OK && strcmp(policy, "reason") && strcmp(policy, "lead") && strcmp(policy, "never"))
    s = ogv_fail(err, OGV_E_INVALID, "reason, lead or never.", "\"remove\" is %.40s", policy);
  if (s == OGV_OK) s = check_lock(json_object_get(body, "lock_minutes"), err);
  for (size_t i = 0; s == OGV_OK && i < sizeof keys / sizeof *keys; i++) {
    const json_t *v = json_object_get(body, keys[i][0]);
    if (v) s = ogv_store_setting_put(q->store, keys[i][1], v, q->who, err);
  }
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:b}", "stored", true), err);
}
