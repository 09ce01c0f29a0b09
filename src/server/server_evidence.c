/* Dating on the page: evidence is appended to the pregnancy and dates it by rule when nobody has; a person's decision
 * confirms or changes the date that stands, with a reason. */
#include <string.h>

#include "core_date.h"
#include "core_json.h"
#include "intake_dating.h"
#include "report_facts.h"
#include "server_internal.h"

static ogv_status check(const json_t *e, ogv_error *err) {
  static const char *const known[] = {"lmp", "conception", "transfer", "edd"};
  const char *basis, *date;
  OGV_TRY(ogv_json_string(e, "evidence", "basis", &basis, err));
  OGV_TRY(ogv_json_string(e, "evidence", "date", &date, err));
  bool found = false;
  for (size_t i = 0; i < sizeof known / sizeof *known; i++) found = found || !strcmp(basis, known[i]);
  if (!found) return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" is not lmp, conception, transfer or edd", basis);
  ogv_date d;
  OGV_TRY(ogv_date_parse(date, &d, err));
  double cycle = ogv_json_number_or(e, "cycle_days", 0);
  if (cycle != 0 && (cycle < 20 || cycle > 45))
    return ogv_fail(err, OGV_E_RANGE, "Leave it empty when it is not known.", "a cycle of %.0f days is not 20 to 45",
                    cycle);
  return OGV_OK;
}

OGV_HANDLER(evidence) {
  json_t *body, *exam = NULL, *dating = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_status s = check(body, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  if (s == OGV_OK) {
    const char *pregnancy = ogv_json_string_or(json_object_get(exam, "pregnancy"), "id", "");
    json_object_set(body, "exam", json_object_get(exam, "id"));
    s = ogv_store_dating_evidence(q->store, pregnancy, body, q->who, err);
    if (s == OGV_OK) s = ogv_intake_date(q->store, pregnancy, NULL, q->who, &dating, err);
  }
  json_decref(exam);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "record", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:b,s:o}", "stored", 1, "dating", dating), err);
}

/* Confirming means the due date that was on the screen, not one that other evidence has brought since. */
static ogv_status still_seen(ogv_request *q, const char *seen, ogv_error *err) {
  json_t *facts;
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  char now[16];
  snprintf(now, sizeof now, "%.15s", ogv_json_string_or(json_object_get(facts, "dating"), "edd", ""));
  json_decref(facts);
  if (!strcmp(now, seen)) return OGV_OK;
  return ogv_fail(err, OGV_E_CONFLICT, "Look at the dating as it is now and decide again.",
                  "the due date is %s by now, not %.20s as you saw it", *now ? now : "unknown", seen);
}

OGV_HANDLER(dating) {
  json_t *body, *exam = NULL, *decision = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  const char *seen = ogv_json_string_or(body, "seen", NULL);
  pthread_mutex_lock(&q->server->write_lock);
  if (s == OGV_OK && seen) s = still_seen(q, seen, err);
  if (s == OGV_OK)
    s = ogv_intake_decide(q->store, ogv_json_string_or(json_object_get(exam, "pregnancy"), "id", ""),
                          ogv_json_string_or(body, "rule", NULL), ogv_json_string_or(body, "edd", NULL),
                          ogv_json_string_or(body, "why", NULL), q->who, &decision, err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(exam);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "record", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, decision, err);
}
