/* Findings and coverage: for each fetus and structure the newest row counts, the earlier ones stay. */
#include <string.h>

#include "record_internal.h"

static ogv_status current_of(ogv_store *s, const char *exam, const char *fetus, const char *structure, char id[OGV_ID],
                             ogv_error *err) {
  *id = 0;
  ogv_status st =
      ogv_sql_one_text(s->db, id, OGV_ID, err,
                       "SELECT id FROM finding f WHERE exam=$1 AND fetus=$2 AND structure=$3 AND state<>'note'"
                       " AND NOT EXISTS(SELECT 1 FROM finding g WHERE g.supersedes=f.id)",
                       "ttt", exam, fetus, structure);
  return st == OGV_E_NOT_FOUND ? OGV_OK : st;
}

/* supersedes "": the writer saw none. Only a row that takes one back may be there. */
static ogv_status nothing_seen(ogv_store *s, const char *exam, const char *fetus, const char *structure,
                               char id[OGV_ID], ogv_error *err) {
  char state[20], who[256];
  OGV_TRY(current_of(s, exam, fetus, structure, id, err));
  if (!*id) return OGV_OK;
  OGV_TRY(ogv_sql_one_text(s->db, state, sizeof state, err, "SELECT state FROM finding WHERE id=$1", "t", id));
  if (!strcmp(state, "removed")) return OGV_OK;
  OGV_TRY(ogv_sql_one_text(s->db, who, sizeof who, err, "SELECT who FROM finding WHERE id=$1", "t", id));
  return ogv_fail(err, OGV_E_CONFLICT, "Look at it as it is now and decide again.",
                  "\"%.60s\" was recorded meanwhile by %s", structure, who);
}

/* The row to supersede: the one named, which must still be current, else (except for notes) the current one. */
static ogv_status predecessor(ogv_store *s, const json_t *row, const char *exam, const char *fetus,
                              const char *structure, const char *state, char id[OGV_ID], ogv_error *err) {
  const char *named = ogv_json_string_or(row, "supersedes", NULL);
  char other[OGV_ID], who[256];
  *id = 0;
  if (!named) return strcmp(state, "note") ? current_of(s, exam, fetus, structure, id, err) : OGV_OK;
  if (!*named) return nothing_seen(s, exam, fetus, structure, id, err);
  ogv_status st = ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT exam FROM finding WHERE id=$1", "t", named);
  if (st == OGV_E_NOT_FOUND || (st == OGV_OK && strcmp(other, exam)))
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no finding %.40s in this exam", named);
  if (st != OGV_OK) return st;
  st = ogv_sql_one_text(s->db, who, sizeof who, err, "SELECT who FROM finding WHERE supersedes=$1", "t", named);
  if (st == OGV_OK)
    return ogv_fail(err, OGV_E_CONFLICT, "Look at it as it is now and decide again.",
                    "finding %.40s was changed meanwhile by %s", named, who);
  if (st != OGV_E_NOT_FOUND) return st;
  snprintf(id, OGV_ID, "%s", named);
  return OGV_OK;
}

static ogv_status check_objects(ogv_store *s, const char *exam, const json_t *objects, ogv_error *err) {
  size_t i;
  json_t *o;
  char other[OGV_ID];
  json_array_foreach((json_t *)objects, i, o) {
    ogv_status st = ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT exam FROM object WHERE id=$1", "t",
                                     json_is_string(o) ? json_string_value(o) : "");
    if (st == OGV_E_NOT_FOUND || (st == OGV_OK && strcmp(other, exam)))
      return ogv_fail(err, OGV_E_NOT_FOUND, "Name objects of this exam.",
                      "finding: picture %zu is no object of this exam", i + 1);
    if (st != OGV_OK) return st;
  }
  return OGV_OK;
}

static ogv_status append(ogv_store *s, const json_t *row, const char *who, char id[OGV_ID], ogv_error *err) {
  const char *exam, *structure, *state, *fetus = ogv_json_string_or(row, "fetus", "");
  OGV_TRY(ogv_json_string(row, "finding", "exam", &exam, err));
  OGV_TRY(ogv_json_string(row, "finding", "structure", &structure, err));
  OGV_TRY(ogv_json_string(row, "finding", "state", &state, err));
  const char *reason = ogv_json_string_or(row, "reason", "");
  if (!strcmp(state, "not-seen") && !*reason)
    return ogv_fail(err, OGV_E_INVALID, "Say why (position, shadow, size, time, ...).",
                    "\"%.60s\" was not seen, but no reason is given", structure);
  char pregnancy[OGV_ID], before[OGV_ID], when[OGV_TIME];
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  const json_t *objects = json_object_get(row, "objects");
  json_t *none = json_array();
  if (!json_is_array(objects)) objects = none;
  ogv_status st = check_objects(s, exam, objects, err);
  if (st == OGV_OK) st = predecessor(s, row, exam, fetus, structure, state, before, err);
  int64_t seq = 0;
  ogv_record_new_id(id);
  ogv_change c = {"finding", *before ? "supersede" : "add", id, exam, pregnancy, who, NULL};
  if (st == OGV_OK) st = ogv_record_change(s, &c, &seq, when, err);
  if (st == OGV_OK)
    st = ogv_sql_run(
        s->db, err,
        "INSERT INTO finding(id, seq, exam, fetus, structure, state, reason, text, objects, data, supersedes,"
        " who, at) VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11,$12,$13)",
        "tittttttjjttt", id, seq, exam, fetus, structure, state, reason, ogv_json_string_or(row, "text", ""), objects,
        json_object_get(row, "data"), *before ? before : NULL, who, when);
  json_decref(none);
  return st;
}

ogv_status ogv_store_finding(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append(s, row, who, new_id, err), err);
}

static ogv_status finding_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:s,s:I,s:s,s:s,s:s,s:s,s:s,s:s,s:o,s:o,s:o,s:o,s:s,s:s}", "id", ogv_sql_text(q, 0), "seq",
                (json_int_t)ogv_sql_int(q, 1), "exam", ogv_sql_text(q, 2), "fetus", ogv_sql_text(q, 3), "structure",
                ogv_sql_text(q, 4), "state", ogv_sql_text(q, 5), "reason", ogv_sql_text(q, 6), "text",
                ogv_sql_text(q, 7), "objects", ogv_sql_json(q, 8), "data", ogv_sql_json(q, 9), "supersedes",
                ogv_sql_json_text(q, 10), "superseded_by", ogv_sql_json_text(q, 11), "who", ogv_sql_text(q, 12), "when",
                ogv_sql_text(q, 13)),
      out, err);
}

ogv_status ogv_record_findings_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(
      ogv_sql_query(s->db, &q, err,
                    "SELECT f.id, f.seq, f.exam, f.fetus, f.structure, f.state, f.reason, f.text, f.objects, f.data,"
                    " f.supersedes, g.id, f.who, f.at FROM finding f LEFT JOIN finding g ON g.supersedes=f.id"
                    " WHERE f.exam=$1 ORDER BY f.seq",
                    "t", exam));
  return ogv_record_rows(s, q, finding_row, out, err);
}
