/* Report drafts, finished reports and signatures. A report's PDF and facts lie in the object store under their SHA-256;
 * a signed report is never changed: an amendment is a new report that names the one it amends. */
#include <stdlib.h>
#include <string.h>

#include "record_disk.h"
#include "record_internal.h"

/* --- draft: what the person edited, by version ---------------------------------------------------------------- */
static ogv_status append_draft(ogv_store *s, const char *exam, const json_t *content, int expected, const char *who,
                               int *version, ogv_error *err) {
  char pregnancy[OGV_ID], when[OGV_TIME];
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  if (!json_is_object(content)) return ogv_fail(err, OGV_E_INVALID, NULL, "a draft must be a JSON object");
  int64_t newest = 0, seq;
  OGV_TRY(ogv_sql_one_int(s->db, &newest, err, "SELECT coalesce(max(version),0) FROM draft WHERE exam=$1", "t", exam));
  if (expected >= 0 && newest != expected)
    return ogv_fail(err, OGV_E_CONFLICT, "Load the newest draft and make the change again.",
                    "the draft was changed meanwhile (version %d, you saw %d)", (int)newest, expected);
  ogv_change c = {"draft", "save", exam, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  *version = (int)newest + 1;
  return ogv_sql_run(s->db, err, "INSERT INTO draft(seq, exam, version, content, who, at) VALUES($1,$2,$3,$4,$5,$6)",
                     "itijtt", seq, exam, newest + 1, content, who, when);
}

ogv_status ogv_store_draft_save(ogv_store *s, const char *exam_id, const json_t *content, int expected_version,
                                const char *who, int *version, ogv_error *err) {
  int unused;
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_draft(s, exam_id, content, expected_version, who, version ? version : &unused, err),
                          err);
}

ogv_status ogv_store_draft(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT content, version, who, at, seq FROM draft WHERE exam=$1 ORDER BY version DESC LIMIT 1",
                        "t", exam_id));
  bool row = false;
  ogv_status st = ogv_sql_next(q, &row, err);
  if (st == OGV_OK && row)
    *out = json_pack("{s:o,s:I,s:s,s:s,s:I}", "content", ogv_sql_json(q, 0), "version", (json_int_t)ogv_sql_int(q, 1),
                     "who", ogv_sql_text(q, 2), "when", ogv_sql_text(q, 3), "seq", (json_int_t)ogv_sql_int(q, 4));
  else if (st == OGV_OK) *out = json_pack("{s:{},s:i,s:n,s:n,s:i}", "content", "version", 0, "who", "when", "seq", 0);
  ogv_sql_end(q);
  return st == OGV_OK && !*out ? ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at the draft") : st;
}

/* --- reports ---------------------------------------------------------------------------------------------------- */
typedef struct parts {
  char pdf[OGV_SHA256_TEXT], facts[OGV_SHA256_TEXT];
  size_t size;
  const char *amends, *reason;
} parts;

static ogv_status append_report(ogv_store *s, const char *exam, const parts *p, const char *who, char id[OGV_ID],
                                ogv_error *err) {
  char pregnancy[OGV_ID], when[OGV_TIME], other[OGV_ID];
  int64_t number = 0, seq;
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  if (p->amends) {
    ogv_status st =
        ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT exam FROM report WHERE id=$1", "t", p->amends);
    if (st == OGV_E_NOT_FOUND || (st == OGV_OK && strcmp(other, exam)))
      return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no report %.40s of this exam to amend", p->amends);
    if (st != OGV_OK) return st;
    if (!*p->reason) return ogv_fail(err, OGV_E_INVALID, "Give the reason.", "an amendment needs a reason");
  }
  OGV_TRY(ogv_sql_one_int(s->db, &number, err, "SELECT coalesce(max(number),0) FROM report WHERE exam=$1", "t", exam));
  ogv_record_new_id(id);
  ogv_change c = {"report", p->amends ? "amend" : "add", id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  return ogv_sql_run(s->db, err,
                     "INSERT INTO report(id, seq, exam, number, amends, reason, sha256, size, facts_sha256, who, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11)",
                     "titittti"
                     "ttt",
                     id, seq, exam, number + 1, p->amends, p->reason, p->pdf, (int64_t)p->size, p->facts, who, when);
}

ogv_status ogv_store_report_amending(ogv_store *s, const char *exam_id, const void *pdf, size_t size,
                                     const json_t *facts, const char *amends, const char *reason, const char *who,
                                     char new_id[20], ogv_error *err) {
  parts p = {.size = size, .amends = amends, .reason = reason ? reason : ""};
  char *text = ogv_json_canonical(facts);
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory storing a report");
  ogv_status st = ogv_disk_put(s->home, pdf, size, p.pdf, err);
  if (st == OGV_OK) st = ogv_disk_put(s->home, text, strlen(text), p.facts, err);
  free(text);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_report(s, exam_id, &p, who, new_id, err), err);
}

ogv_status ogv_store_report(ogv_store *s, const char *exam_id, const void *pdf, size_t size, const json_t *facts,
                            const char *who, char new_id[20], ogv_error *err) {
  return ogv_store_report_amending(s, exam_id, pdf, size, facts, NULL, "", who, new_id, err);
}

static ogv_status append_signature(ogv_store *s, const char *report, const json_t *row, const char *who,
                                   ogv_error *err) {
  char exam[OGV_ID], pregnancy[OGV_ID], sha[OGV_SHA256_TEXT], when[OGV_TIME], other[256];
  const char *seen = ogv_json_string_or(row, "sha256", "");
  ogv_status st = ogv_sql_one_text(s->db, exam, sizeof exam, err, "SELECT exam FROM report WHERE id=$1", "t", report);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no report %.40s", report);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_sql_one_text(s->db, sha, sizeof sha, err, "SELECT sha256 FROM report WHERE id=$1", "t", report));
  if (strcmp(seen, sha))
    return ogv_fail(err, OGV_E_CONFLICT, "Read the report as it is and sign that.",
                    "the report signed is not the report stored (hash %.16s..., stored %.16s...)", seen, sha);
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  int64_t place = 0, seq, expected = (int64_t)ogv_json_number_or(row, "place", 0);
  OGV_TRY(ogv_sql_one_int(s->db, &place, err, "SELECT count(*) FROM signature WHERE report=$1", "t", report));
  st = ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT who FROM signature WHERE report=$1 AND who=$2", "tt",
                        report, who);
  if (st == OGV_OK) return ogv_fail(err, OGV_E_CONFLICT, NULL, "%s has already signed this report", who);
  if (st != OGV_E_NOT_FOUND) return st;
  if (expected && expected != place + 1)
    return ogv_fail(err, OGV_E_CONFLICT, "Look who signed and decide again.",
                    "somebody signed this report meanwhile (%d signatures)", (int)place);
  ogv_change c = {"report", "sign", report, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  return ogv_sql_run(s->db, err,
                     "INSERT INTO signature(seq, report, place, who, name, role, statement, sha256, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9)",
                     "ititttttt", seq, report, place + 1, who, ogv_json_string_or(row, "name", who),
                     ogv_json_string_or(row, "role", ""), ogv_json_string_or(row, "statement", ""), sha, when);
}

ogv_status ogv_store_sign(ogv_store *s, const char *report_id, const json_t *row, const char *who, ogv_error *err) {
  OGV_TRY(ogv_record_who(who, err));
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_signature(s, report_id, row, who, err), err);
}

static ogv_status signature_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:I,s:s,s:s,s:s,s:s,s:s,s:s,s:I}", "place", (json_int_t)ogv_sql_int(q, 0), "who", ogv_sql_text(q, 1),
                "name", ogv_sql_text(q, 2), "role", ogv_sql_text(q, 3), "statement", ogv_sql_text(q, 4), "sha256",
                ogv_sql_text(q, 5), "when", ogv_sql_text(q, 6), "seq", (json_int_t)ogv_sql_int(q, 7)),
      out, err);
}

static ogv_status signatures(ogv_store *s, const char *report, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT place, who, name, role, statement, sha256, at, seq FROM signature WHERE report=$1"
                        " ORDER BY place",
                        "t", report));
  return ogv_record_rows(s, q, signature_row, out, err);
}

/* State: "amended" once a signed report amends it, else "signed" with a signature, else "draft". */
static ogv_status report_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  json_t *sig = NULL, *events = NULL;
  OGV_TRY(signatures(s, ogv_sql_text(q, 0), &sig, err));
  ogv_status st = ogv_record_events_json(s, "report", ogv_sql_text(q, 0), &events, err);
  if (st != OGV_OK) {
    json_decref(sig);
    return st;
  }
  const char *state = !json_array_size(sig) ? "draft" : ogv_sql_null(q, 10) ? "signed" : "amended";
  *out = json_pack("{s:s,s:I,s:s,s:I,s:s,s:o,s:o,s:s,s:s,s:I,s:s,s:s,s:s,s:o,s:o}", "id", ogv_sql_text(q, 0), "seq",
                   (json_int_t)ogv_sql_int(q, 1), "exam", ogv_sql_text(q, 2), "number", (json_int_t)ogv_sql_int(q, 3),
                   "state", state, "amends", ogv_sql_json_text(q, 4), "amended_by", ogv_sql_json_text(q, 10), "reason",
                   ogv_sql_text(q, 5), "sha256", ogv_sql_text(q, 6), "size", (json_int_t)ogv_sql_int(q, 7),
                   "facts_sha256", ogv_sql_text(q, 8), "who", ogv_sql_text(q, 9), "when", ogv_sql_text(q, 11),
                   "signatures", sig, "events", events);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a report");
}

#define REPORT_COLUMNS                                                                                        \
  "SELECT r.id, r.seq, r.exam, r.number, r.amends, r.reason, r.sha256, r.size, r.facts_sha256, r.who,"        \
  " (SELECT a.id FROM report a WHERE a.amends=r.id AND EXISTS(SELECT 1 FROM signature g WHERE g.report=a.id)" \
  "  ORDER BY a.seq DESC LIMIT 1), r.at FROM report r "

ogv_status ogv_record_reports_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, REPORT_COLUMNS "WHERE r.exam=$1 ORDER BY r.number", "t", exam));
  return ogv_record_rows(s, q, report_row, out, err);
}

ogv_status ogv_store_report_row(ogv_store *s, const char *report_id, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, REPORT_COLUMNS "WHERE r.id=$1", "t", report_id));
  return ogv_record_row(s, q, report_row, "report", report_id, out, err);
}

static ogv_status stored_bytes(ogv_store *s, const char *report, const char *sql, uint8_t **data, size_t *size,
                               ogv_error *err) {
  char sha[OGV_SHA256_TEXT], now[OGV_SHA256_TEXT], path[4096];
  ogv_status st = ogv_sql_one_text(s->db, sha, sizeof sha, err, sql, "t", report);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no report %.40s", report);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_disk_path(s->home, sha, path, sizeof path, err));
  OGV_TRY(ogv_file_read(path, (size_t)1 << 30, data, size, err));
  ogv_sha256(*data, *size, now);
  if (!strcmp(now, sha)) return OGV_OK;
  free(*data);
  *data = NULL;
  return ogv_fail(err, OGV_E_CORRUPT, "Restore the file from the last copy.",
                  "the stored report %.40s was changed (%s)", report, path);
}

ogv_status ogv_store_report_pdf(ogv_store *s, const char *report_id, uint8_t **pdf, size_t *size, ogv_error *err) {
  return stored_bytes(s, report_id, "SELECT sha256 FROM report WHERE id=$1", pdf, size, err);
}

ogv_status ogv_store_report_facts(ogv_store *s, const char *report_id, json_t **facts, ogv_error *err) {
  uint8_t *data;
  size_t size;
  OGV_TRY(stored_bytes(s, report_id, "SELECT facts_sha256 FROM report WHERE id=$1", &data, &size, err));
  ogv_status st = ogv_json_parse((const char *)data, size, "facts of the report", facts, err);
  free(data);
  return st;
}
