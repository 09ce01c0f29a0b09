/* Dating: evidence and decisions are appended to the pregnancy; the newest decision counts and every earlier one stays.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "record_internal.h"

static ogv_status check_pregnancy(ogv_store *s, const char *pregnancy, ogv_error *err) {
  char id[OGV_ID];
  ogv_status st = ogv_sql_one_text(s->db, id, sizeof id, err, "SELECT id FROM pregnancy WHERE id=$1", "t", pregnancy);
  return st == OGV_E_NOT_FOUND ? ogv_fail(err, st, NULL, "there is no pregnancy %.40s", pregnancy) : st;
}

/* A member that must be a civil date (YYYY-MM-DD), or absent when it may be. */
static ogv_status check_date(const json_t *obj, const char *key, bool may_miss, const char **text, ogv_error *err) {
  ogv_date d;
  *text = ogv_json_string_or(obj, key, NULL);
  if (!*text && may_miss) return OGV_OK;
  if (!*text) return ogv_fail(err, OGV_E_INVALID, NULL, "dating: \"%s\" is missing", key);
  if (strlen(*text) != 10)
    return ogv_fail(err, OGV_E_INVALID, "Write 2026-11-25.", "dating: \"%s\" is not a date", key);
  return ogv_date_parse(*text, &d, err);
}

static ogv_status append_evidence(ogv_store *s, const char *pregnancy, const json_t *evidence, const char *who,
                                  ogv_error *err) {
  const char *basis, *date, *edd, *key = ogv_json_string_or(evidence, "key", NULL);
  const char *exam = ogv_json_string_or(evidence, "exam", NULL);
  char id[OGV_ID], when[OGV_TIME];
  OGV_TRY(ogv_json_string(evidence, "dating evidence", "basis", &basis, err));
  OGV_TRY(check_date(evidence, "date", false, &date, err));
  OGV_TRY(check_date(evidence, "edd", true, &edd, err));
  OGV_TRY(check_pregnancy(s, pregnancy, err));
  if (key) {
    ogv_status st =
        ogv_sql_one_text(s->db, id, sizeof id, err, "SELECT id FROM evidence WHERE pregnancy=$1 AND repeat_key=$2",
                         "tt", pregnancy, key);
    if (st != OGV_E_NOT_FOUND) return st;
  }
  int64_t seq;
  ogv_record_new_id(id);
  ogv_change c = {"evidence", "add", id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  return ogv_sql_run(s->db, err,
                     "INSERT INTO evidence(id, seq, pregnancy, exam, basis, edd, data, repeat_key, who, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10)",
                     "titttt"
                     "jttt",
                     id, seq, pregnancy, exam, basis, edd, evidence, key, who, when);
}

ogv_status ogv_store_dating_evidence(ogv_store *s, const char *pregnancy_id, const json_t *evidence, const char *who,
                                     ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_evidence(s, pregnancy_id, evidence, who, err), err);
}

static ogv_status append_decision(ogv_store *s, const char *pregnancy, const json_t *decision, const char *who,
                                  ogv_error *err) {
  const char *edd, *rule, *reason;
  char id[OGV_ID], newest[OGV_ID] = "", when[OGV_TIME];
  OGV_TRY(check_date(decision, "edd", false, &edd, err));
  OGV_TRY(ogv_json_string(decision, "dating decision", "rule", &rule, err));
  OGV_TRY(ogv_json_string(decision, "dating decision", "reason", &reason, err));
  OGV_TRY(check_pregnancy(s, pregnancy, err));
  ogv_status st =
      ogv_sql_one_text(s->db, newest, sizeof newest, err,
                       "SELECT id FROM dating WHERE pregnancy=$1 ORDER BY seq DESC LIMIT 1", "t", pregnancy);
  if (st != OGV_OK && st != OGV_E_NOT_FOUND) return st;
  /* A due date is never moved by somebody who has not seen the one that stands. */
  const json_t *expected = json_object_get(decision, "supersedes");
  if (*newest && strcmp(ogv_json_string_or(decision, "supersedes", ""), newest))
    return ogv_fail(err, OGV_E_CONFLICT, "Look at the dating that stands and name it as the one to supersede.",
                    "this pregnancy is already dated (decision %s)", newest);
  if (!*newest && json_is_string(expected))
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no dating decision %.40s", json_string_value(expected));
  if (*newest && !*reason)
    return ogv_fail(err, OGV_E_INVALID, "Give the reason.", "changing the due date needs a reason");
  int64_t seq;
  ogv_record_new_id(id);
  json_t *detail = json_pack("{s:s,s:s}", "edd", edd, "rule", rule);
  ogv_change c = {"dating", *newest ? "supersede" : "add", id, NULL, pregnancy, who, detail};
  st = ogv_record_change(s, &c, &seq, when, err);
  json_decref(detail);
  if (st != OGV_OK) return st;
  return ogv_sql_run(s->db, err,
                     "INSERT INTO dating(id, seq, pregnancy, edd, sd_days, rule, reason, data, supersedes, who, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11)",
                     "tittrttjttt", id, seq, pregnancy, edd, ogv_json_number_or(decision, "sd_days", NAN), rule, reason,
                     decision, *newest ? newest : NULL, who, when);
}

ogv_status ogv_store_date(ogv_store *s, const char *pregnancy_id, const json_t *decision, const char *who,
                          ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_decision(s, pregnancy_id, decision, who, err), err);
}

/* A stored json object with the store's own members put in. */
static json_t *merged(json_t *data, json_t *own) {
  if (!json_is_object(data)) {
    json_decref(data);
    data = json_object();
  }
  json_object_update(data, own);
  json_decref(own);
  return data;
}

static ogv_status decision_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  json_t *own = json_pack("{s:s,s:I,s:s,s:o,s:s,s:s,s:o,s:s,s:s}", "id", ogv_sql_text(q, 1), "seq",
                          (json_int_t)ogv_sql_int(q, 2), "edd", ogv_sql_text(q, 3), "sd_days",
                          ogv_json_real(ogv_sql_real(q, 4)), "rule", ogv_sql_text(q, 5), "reason", ogv_sql_text(q, 6),
                          "supersedes", ogv_sql_json_text(q, 7), "who", ogv_sql_text(q, 8), "when", ogv_sql_text(q, 9));
  return ogv_record_made(merged(ogv_sql_json(q, 0), own), out, err);
}

static ogv_status decisions(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT data, id, seq, edd, sd_days, rule, reason, supersedes, who, at FROM dating"
                        " WHERE pregnancy=$1 ORDER BY seq",
                        "t", pregnancy));
  return ogv_record_rows(s, q, decision_row, out, err);
}

static ogv_status evidence_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  json_t *own =
      json_pack("{s:s,s:I,s:s,s:o,s:s,s:s,s:b}", "id", ogv_sql_text(q, 1), "seq", (json_int_t)ogv_sql_int(q, 2),
                "basis", ogv_sql_text(q, 3), "exam", ogv_sql_json_text(q, 4), "who", ogv_sql_text(q, 5), "when",
                ogv_sql_text(q, 6), "withdrawn", !strcmp(ogv_sql_text(q, 7), "withdraw"));
  return ogv_record_made(merged(ogv_sql_json(q, 0), own), out, err);
}

static ogv_status evidence_json(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT data, id, seq, basis, exam, who, at,"
                        " (SELECT c.verb FROM change c WHERE c.kind='evidence' AND c.subject=v.id AND c.verb<>'add'"
                        "  ORDER BY c.seq DESC LIMIT 1) FROM evidence v WHERE pregnancy=$1 ORDER BY seq",
                        "t", pregnancy));
  return ogv_record_rows(s, q, evidence_row, out, err);
}

ogv_status ogv_record_dating_into(ogv_store *s, const char *pregnancy, json_t *into, ogv_error *err) {
  json_t *all, *evidence = NULL;
  OGV_TRY(decisions(s, pregnancy, &all, err));
  ogv_status st = evidence_json(s, pregnancy, &evidence, err);
  size_t n = json_array_size(all);
  json_t *newest = n ? json_array_get(all, n - 1) : NULL;
  if (st == OGV_OK) st = ogv_record_set(into, "dating", newest ? json_incref(newest) : json_null(), err);
  static const char *const copied[] = {"edd", "sd_days", "rule"};
  for (int i = 0; st == OGV_OK && i < 3; i++) {
    json_t *v = newest ? json_object_get(newest, copied[i]) : NULL;
    st = ogv_record_set(into, copied[i], v ? json_incref(v) : json_null(), err);
  }
  if (st == OGV_OK) st = ogv_record_set(into, "datings", json_incref(all), err);
  if (st == OGV_OK) st = ogv_record_set(into, "evidence", json_incref(evidence), err);
  json_decref(all);
  json_decref(evidence);
  return st;
}

ogv_status ogv_store_pregnancy(ogv_store *s, const char *pregnancy_id, json_t **out, ogv_error *err) {
  OGV_TRY(check_pregnancy(s, pregnancy_id, err));
  return ogv_record_pregnancy_json(s, pregnancy_id, out, err);
}
