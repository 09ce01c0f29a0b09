/* What was seen and what was not, the protocol of an exam, critical results, pictures kept and set aside. */
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "record_access.h"
#include "record_protocol.h"
#include "server_internal.h"

static void tell_pages(ogv_request *q, const char *exam, const char *what) {
  ogv_hub_publish(q->server->hub, "exam", json_pack("{s:s,s:s,s:s}", "exam", exam, "who", q->who, "what", what));
}

/* --- findings: several at once, together or not at all -------------------------------------------------------------
 */
static ogv_status check_finding(const json_t *f, ogv_error *err) {
  const char *structure, *state;
  OGV_TRY(ogv_json_string(f, "finding", "structure", &structure, err));
  OGV_TRY(ogv_json_string(f, "finding", "state", &state, err));
  if (!*structure || strlen(structure) > 120)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a finding names its structure in 1 to 120 bytes");
  if (strlen(ogv_json_string_or(f, "text", "")) > 4000 || strlen(ogv_json_string_or(f, "reason", "")) > 400)
    return ogv_fail(err, OGV_E_RANGE, "Shorten it.", "the words about \"%.60s\" are too long", structure);
  size_t i;
  json_t *v;
  json_array_foreach(json_object_get(f, "objects"), i, v) if (!json_is_string(v)) return ogv_fail(
      err, OGV_E_INVALID, NULL, "\"objects\" holds something that is no id");
  return OGV_OK;
}

static ogv_status store_findings(ogv_request *q, json_t *list, json_t *ids, ogv_error *err) {
  json_t *f;
  size_t i;
  char id[20];
  OGV_TRY(ogv_store_begin(q->store, err));
  json_array_foreach(list, i, f) {
    json_object_set_new(f, "exam", json_string(q->arg[0]));
    ogv_status s = ogv_store_finding(q->store, f, q->who, id, err);
    if (s != OGV_OK) {
      ogv_store_rollback(q->store);
      return s;
    }
    json_array_append_new(ids, json_string(id));
  }
  return ogv_store_commit(q->store, err);
}

OGV_HANDLER(findings_save) {
  json_t *body, *ids = json_array(), *f;
  size_t i;
  ogv_status s = ogv_request_json(q, &body, err);
  if (s != OGV_OK) {
    json_decref(ids);
    return s;
  }
  json_t *list = json_object_get(body, "items"); /* or the body is one finding */
  bool one = !list;
  if (one) json_object_set_new(body, "items", list = json_pack("[o]", json_copy(body)));
  if (!json_array_size(list) || json_array_size(list) > 200)
    s = ogv_fail(err, OGV_E_INVALID, NULL, "\"items\" is not a list of 1 to 200 findings");
  json_array_foreach(list, i, f) if (s == OGV_OK) s = check_finding(f, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  pthread_mutex_lock(&q->server->write_lock);
  if (s == OGV_OK) s = store_findings(q, list, ids, err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(body);
  if (s != OGV_OK) {
    json_decref(ids);
    return s;
  }
  tell_pages(q, q->arg[0], "coverage");
  r->status = MHD_HTTP_CREATED;
  json_t *answer = one ? json_pack("{s:O}", "id", json_array_get(ids, 0)) : json_pack("{s:O}", "ids", ids);
  json_decref(ids);
  return ogv_reply_json(r, answer, err);
}

/* Chorions and amnions, stated at this exam for the pregnancy. */
OGV_HANDLER(chorionicity) {
  json_t *body;
  char id[20];
  OGV_TRY(ogv_request_json(q, &body, err));
  json_object_set_new(body, "exam", json_string(q->arg[0]));
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK && strlen(ogv_json_string_or(body, "text", "")) > 400)
    s = ogv_fail(err, OGV_E_RANGE, "Shorten it.", "the words about the chorionicity are too long");
  pthread_mutex_lock(&q->server->write_lock);
  if (s == OGV_OK) s = ogv_store_chorionicity(q->store, body, q->who, id, err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(body);
  if (s != OGV_OK) return s;
  tell_pages(q, q->arg[0], "chorionicity");
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:s}", "id", id), err);
}

/* --- small events ---------------------------------------------------------------------------------------------------
 */
OGV_HANDLER(exam_protocol) {
  json_t *body, *p = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *id;
  ogv_status s = ogv_json_string(body, "protocol", "protocol", &id, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_protocol(q->store, id, &p, err); /* it must exist */
  json_decref(p);
  if (s == OGV_OK) s = ogv_store_event(q->store, "exam", q->arg[0], "protocol", body, q->who, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  tell_pages(q, q->arg[0], "protocol");
  return ogv_reply_json(r, json_pack("{s:b}", "stored", true), err);
}

OGV_HANDLER(told) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK && !*ogv_json_string_or(body, "when", ""))
    s = ogv_fail(err, OGV_E_INVALID, "Give date and time.", "when the person was told is missing");
  if (s == OGV_OK) s = ogv_store_event(q->store, "exam", q->arg[0], "told", body, q->who, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  tell_pages(q, q->arg[0], "told");
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:b}", "stored", true), err);
}

/* A picture that a number or a signed report rests on is not set aside. The department may forbid it altogether. */
static ogv_status may_remove(ogv_request *q, const json_t *exam, const char *object, ogv_error *err) {
  json_t *policy = NULL, *row, *report, *p;
  size_t i, k;
  bool never = false, lead = false;
  if (ogv_store_setting(q->store, "objects.remove", &policy, NULL) == OGV_OK) {
    never = json_is_string(policy) && !strcmp(json_string_value(policy), "never");
    lead = json_is_string(policy) && !strcmp(json_string_value(policy), "lead");
  }
  json_decref(policy);
  if (never || (lead && !ogv_may(q, OGV_NEED_LEAD)))
    return ogv_fail(err, OGV_E_DENIED, "Ask the department's lead.", "the department does not let %s delete pictures",
                    never ? "anybody" : "you");
  json_array_foreach(json_object_get(exam, "ledger"), i, row) {
    const char *from = ogv_json_string_or(json_object_get(json_object_get(row, "evidence"), "image"), "object", "");
    if (!strcmp(ogv_json_string_or(row, "state", ""), "withdrawn") || *ogv_json_string_or(row, "superseded_by", ""))
      continue;
    if (!strcmp(ogv_json_string_or(row, "object", ""), object) || !strcmp(from, object))
      return ogv_fail(err, OGV_E_CONFLICT, "Withdraw that reading first.", "a reading of %.60s rests on this picture",
                      ogv_json_string_or(row, "quantity", ""));
  }
  json_array_foreach(json_object_get(exam, "reports"), i, report) {
    json_t *facts = NULL;
    bool used = false;
    if (!json_array_size(json_object_get(report, "signatures")) ||
        ogv_store_report_facts(q->store, ogv_json_string_or(report, "id", ""), &facts, NULL) != OGV_OK)
      continue;
    json_array_foreach(json_object_get(facts, "pictures"), k, p) used |=
        json_is_true(json_object_get(p, "chosen")) && !strcmp(ogv_json_string_or(p, "object", ""), object);
    json_decref(facts);
    if (used)
      return ogv_fail(err, OGV_E_CONFLICT, "It stays with the report.", "the picture is in signed report %d",
                      (int)ogv_json_number_or(report, "number", 0));
  }
  return OGV_OK;
}

OGV_HANDLER(object_event) {
  json_t *body, *object = NULL, *exam = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *verb;
  char id[20] = "";
  ogv_status s = ogv_json_string(body, "event", "verb", &verb, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_object(q->store, q->arg[0], &object, err);
  if (s == OGV_OK) snprintf(id, sizeof id, "%s", ogv_json_string_or(object, "exam", ""));
  if (s == OGV_OK && !strcmp(verb, "remove")) {
    s = ogv_store_exam(q->store, id, &exam, err);
    if (s == OGV_OK) s = may_remove(q, exam, q->arg[0], err);
  }
  if (s == OGV_OK) {
    char word[40];
    snprintf(word, sizeof word, "%.39s", verb);
    json_object_del(body, "verb");
    s = ogv_store_event(q->store, "object", q->arg[0], word, body, q->who, err);
  }
  json_decref(exam);
  json_decref(object);
  json_decref(body);
  if (s != OGV_OK) return s;
  tell_pages(q, id, "object");
  return ogv_reply_json(r, json_pack("{s:b}", "stored", true), err);
}
