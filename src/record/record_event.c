/* The change feed, and small events that need no table of their own. */
#include <string.h>

#include "record_internal.h"

/* What may be said about what. needs: a member that detail must carry as text that is not empty. */
static const struct {
  const char *kind, *verb, *needs;
} known[] = {
    {"object", "favourite", NULL},   {"object", "not-favourite", NULL},
    {"object", "remove", "why"},     {"object", "restore", NULL},
    {"object", "group", "group"},    {"exam", "protocol", "protocol"},
    {"exam", "state", "state"},      {"exam", "room", NULL},
    {"exam", "told", "whom"},        {"exam", "setting", NULL},
    {"evidence", "withdraw", "why"}, {"evidence", "restore", NULL},
    {"report", "sent", "to"},        {"report", "printed", "printer"},
    {"note", "seen", NULL},          {"exam", "note", "text"},
    {"pregnancy", "note", "text"},   {"pregnancy", "plan", NULL},
    {"pregnancy", "fetuses", NULL},  {"exam", "printed", "printer"},
    {"exam", "colour", "text"},      {"exam", "re-read", "measurement"},
};

static ogv_status check_event(const char *kind, const char *verb, const json_t *detail, ogv_error *err) {
  for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
    if (strcmp(known[i].kind, kind) || strcmp(known[i].verb, verb)) continue;
    if (known[i].needs && !*ogv_json_string_or(detail, known[i].needs, ""))
      return ogv_fail(err, OGV_E_INVALID, "Give it.", "\"%s\" of %s %s is missing", known[i].needs, kind, verb);
    return OGV_OK;
  }
  return ogv_fail(err, OGV_E_INVALID, "docs/record.md lists the events.", "there is no event \"%.30s\" for %.30s", verb,
                  kind);
}

/* Exam and pregnancy of the subject; refuses a subject that does not exist. */
static ogv_status locate(ogv_store *s, const char *kind, const char *subject, char exam[OGV_ID], char pregnancy[OGV_ID],
                         ogv_error *err) {
  *exam = *pregnancy = 0;
  ogv_status st;
  if (!strcmp(kind, "pregnancy"))
    st = ogv_sql_one_text(s->db, pregnancy, OGV_ID, err, "SELECT id FROM pregnancy WHERE id=$1", "t", subject);
  else if (!strcmp(kind, "evidence"))
    st = ogv_sql_one_text(s->db, pregnancy, OGV_ID, err, "SELECT pregnancy FROM evidence WHERE id=$1", "t", subject);
  else {
    const char *sql = !strcmp(kind, "object")   ? "SELECT exam FROM object WHERE id=$1"
                      : !strcmp(kind, "report") ? "SELECT exam FROM report WHERE id=$1"
                                                : "SELECT id FROM exam WHERE id=$1";
    st = ogv_sql_one_text(s->db, exam, OGV_ID, err, sql, "t", subject);
    if (st == OGV_OK) st = ogv_record_exam_pregnancy(s, exam, pregnancy, err);
  }
  return st == OGV_E_NOT_FOUND ? ogv_fail(err, st, NULL, "there is no %s %.40s", kind, subject) : st;
}

static ogv_status append(ogv_store *s, const char *kind, const char *subject, const char *verb, const json_t *detail,
                         const char *who, int64_t *seq, ogv_error *err) {
  char exam[OGV_ID], pregnancy[OGV_ID];
  OGV_TRY(check_event(kind, verb, detail, err));
  OGV_TRY(locate(s, kind, subject, exam, pregnancy, err));
  ogv_change c = {kind, verb, subject, *exam ? exam : NULL, pregnancy, who, detail};
  return ogv_record_change(s, &c, seq, NULL, err);
}

ogv_status ogv_store_event(ogv_store *s, const char *kind, const char *subject, const char *verb, const json_t *detail,
                           const char *who, ogv_error *err) {
  int64_t seq;
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append(s, kind, subject, verb, detail, who, &seq, err), err);
}

ogv_status ogv_store_note(ogv_store *s, const char *exam, const char *verb, const json_t *detail, const char *who,
                          ogv_error *err) {
  char pregnancy[OGV_ID];
  if (!*ogv_json_string_or(detail, "text", "")) return ogv_fail(err, OGV_E_INVALID, NULL, "a note needs its text");
  OGV_TRY(ogv_record_enter(s, err));
  ogv_status st = ogv_record_exam_pregnancy(s, exam, pregnancy, err);
  int64_t seq;
  ogv_change c = {"note", verb, exam, exam, pregnancy, who, detail};
  if (st == OGV_OK) st = ogv_record_change(s, &c, &seq, NULL, err);
  return ogv_record_leave(s, st, err);
}

ogv_status ogv_store_arrival(ogv_store *s, const json_t *receipt, const char *who, ogv_error *err) {
  int64_t seq;
  ogv_change c = {"arrival", "read", ogv_json_string_or(receipt, "batch", ""), NULL, NULL, who, receipt};
  if (!*c.subject) return ogv_fail(err, OGV_E_INVALID, NULL, "a receipt needs its batch");
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, ogv_record_change(s, &c, &seq, NULL, err), err);
}

static ogv_status arrival_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(ogv_sql_json(q, 0), out, err);
}

ogv_status ogv_store_arrivals(ogv_store *s, int limit, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "SELECT detail FROM change WHERE kind='arrival' ORDER BY seq DESC LIMIT $1",
                        "i", (int64_t)limit));
  return ogv_record_rows(s, q, arrival_row, out, err);
}

static ogv_status event_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:I,s:s,s:s,s:s,s:o}", "seq", (json_int_t)ogv_sql_int(q, 0), "verb", ogv_sql_text(q, 1), "who",
                ogv_sql_text(q, 2), "when", ogv_sql_text(q, 3), "detail", ogv_sql_json(q, 4)),
      out, err);
}

ogv_status ogv_record_events_json(ogv_store *s, const char *kind, const char *subject, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT seq, verb, who, at, detail FROM change WHERE kind=$1 AND subject=$2 ORDER BY seq", "tt",
                        kind, subject));
  return ogv_record_rows(s, q, event_row, out, err);
}

ogv_status ogv_store_last_change(ogv_store *s, int64_t *seq, ogv_error *err) {
  return ogv_sql_one_int(s->db, seq, err, "SELECT coalesce(max(seq),0) FROM change", NULL);
}

static ogv_status change_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:I,s:s,s:s,s:s,s:s,s:s,s:o,s:o,s:o}", "seq", (json_int_t)ogv_sql_int(q, 0), "when",
                ogv_sql_text(q, 1), "who", ogv_sql_text(q, 2), "kind", ogv_sql_text(q, 3), "verb", ogv_sql_text(q, 4),
                "subject", ogv_sql_text(q, 5), "exam", ogv_sql_json_text(q, 6), "pregnancy", ogv_sql_json_text(q, 7),
                "detail", ogv_sql_json(q, 8)),
      out, err);
}

ogv_status ogv_store_changes(ogv_store *s, int64_t since, const char *exam, int limit, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT seq, at, who, kind, verb, subject, exam, pregnancy, detail FROM change"
                        " WHERE seq>$1 AND ($2 IS NULL OR exam=$2 OR (exam IS NULL AND pregnancy="
                        "(SELECT pregnancy FROM exam WHERE id=$2))) ORDER BY seq LIMIT $3",
                        "iti", since, exam, (int64_t)(limit > 0 ? limit : 1000)));
  return ogv_record_rows(s, q, change_row, out, err);
}
