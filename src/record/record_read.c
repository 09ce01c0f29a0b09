/* Reading whole exams and lists of them. */
#include <string.h>

#include "record_internal.h"

ogv_status ogv_record_exam_id(ogv_store *s, const char *given, char exam[OGV_ID], ogv_error *err) {
  ogv_status st;
  if (!strcmp(given, "latest")) {
    st = ogv_sql_one_text(s->db, exam, OGV_ID, err,
                          "SELECT id FROM exam ORDER BY coalesce(date,'') DESC, time DESC, seq DESC LIMIT 1", NULL);
    return st == OGV_E_NOT_FOUND
               ? ogv_fail(err, st, "Run \"ogive import FOLDER\" first.", "the record holds no exam yet")
               : st;
  }
  int64_t n = 0;
  size_t length = strlen(given);
  st = ogv_sql_one_text(s->db, exam, OGV_ID, err, "SELECT id FROM exam WHERE id=$1 OR study=$2 ORDER BY seq LIMIT 1",
                        "tt", given, given);
  if (st != OGV_E_NOT_FOUND) return st;
  if (length < 4 || length > 16 || strspn(given, "0123456789abcdefghijklmnopqrstuvwxyz") != length)
    return ogv_fail(err, OGV_E_NOT_FOUND, "\"ogive exams\" lists them.", "there is no exam %.70s", given);
  char upper[24]; /* every id that starts with the prefix sorts between it and prefix + '~' */
  snprintf(upper, sizeof upper, "%s~", given);
  OGV_TRY(ogv_sql_one_int(s->db, &n, err, "SELECT count(*) FROM exam WHERE id>=$1 AND id<$2", "tt", given, upper));
  if (n == 0) return ogv_fail(err, OGV_E_NOT_FOUND, "\"ogive exams\" lists them.", "there is no exam %.70s", given);
  if (n > 1)
    return ogv_fail(err, OGV_E_INVALID, "Give more characters of the id.", "%d exams start with %s", (int)n, given);
  return ogv_sql_one_text(s->db, exam, OGV_ID, err, "SELECT id FROM exam WHERE id>=$1 AND id<$2", "tt", given, upper);
}

static ogv_status patient_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(json_pack("{s:s,s:s,s:s,s:s,s:o,s:I}", "id", ogv_sql_text(q, 0), "issuer", ogv_sql_text(q, 1),
                                   "patient_id", ogv_sql_text(q, 2), "name", ogv_sql_text(q, 3), "birth_date",
                                   ogv_sql_json_text(q, 4), "seq", (json_int_t)ogv_sql_int(q, 5)),
                         out, err);
}

ogv_status ogv_record_patient_json(ogv_store *s, const char *patient, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "SELECT id, issuer, patient_id, name, birth_date, seq FROM patient WHERE id=$1",
                        "t", patient));
  return ogv_record_row(s, q, patient_row, "patient", patient, out, err);
}

/* Number of fetuses somebody stated for the pregnancy, 0 when nobody did. */
static int stated_fetuses(const json_t *events) {
  int n = 0;
  for (size_t i = 0; i < json_array_size(events); i++) {
    const json_t *e = json_array_get(events, i);
    if (!strcmp(ogv_json_string_or(e, "verb", ""), "fetuses"))
      n = (int)ogv_json_number_or(json_object_get(e, "detail"), "count", 0);
  }
  return n >= 1 && n <= 9 ? n : 0;
}

/* An exam of a pregnancy, with the protocol that a person chose for it. */
static ogv_status exam_brief(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  json_t *detail = ogv_sql_json(q, 2);
  json_t *o = json_pack("{s:s,s:o,s:O?}", "id", ogv_sql_text(q, 0), "date", ogv_sql_json_text(q, 1), "protocol",
                        json_object_get(detail, "protocol"));
  json_decref(detail);
  return ogv_record_made(o, out, err);
}

ogv_status ogv_record_pregnancy_json(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err) {
  int64_t number = 0;
  char patient[OGV_ID];
  OGV_TRY(ogv_sql_one_int(s->db, &number, err, "SELECT number FROM pregnancy WHERE id=$1", "t", pregnancy));
  OGV_TRY(ogv_sql_one_text(s->db, patient, sizeof patient, err, "SELECT patient FROM pregnancy WHERE id=$1", "t",
                           pregnancy));
  json_t *p = json_pack("{s:s,s:s,s:I}", "id", pregnancy, "patient", patient, "number", (json_int_t)number);
  json_t *exams = NULL, *notes = NULL;
  ogv_rows *q;
  ogv_status st = ogv_sql_query(s->db, &q, err,
                                "SELECT e.id, e.date, (SELECT c.detail FROM change c WHERE c.kind='exam' AND"
                                " c.verb='protocol' AND c.subject=e.id ORDER BY c.seq DESC LIMIT 1)"
                                " FROM exam e WHERE e.pregnancy=$1 ORDER BY e.date, e.time, e.seq",
                                "t", pregnancy);
  if (st == OGV_OK) st = ogv_record_rows(s, q, exam_brief, &exams, err);
  if (st == OGV_OK) st = ogv_record_set(p, "exams", exams, err);
  if (st == OGV_OK) st = ogv_record_dating_into(s, pregnancy, p, err);
  json_t *chorion = NULL;
  if (st == OGV_OK) st = ogv_record_chorionicity_json(s, pregnancy, &chorion, err);
  if (st == OGV_OK) st = ogv_record_set(p, "chorionicity", chorion, err);
  if (st == OGV_OK) st = ogv_record_events_json(s, "pregnancy", pregnancy, &notes, err);
  if (st == OGV_OK) {
    int n = stated_fetuses(notes);
    st = ogv_record_set(p, "fetuses_stated", n ? json_integer(n) : json_null(), err);
  }
  if (st == OGV_OK) st = ogv_record_set(p, "events", notes, err);
  if (st != OGV_OK) json_decref(p);
  else *out = p;
  return st;
}

static bool in_list(const json_t *list, const char *label) {
  for (size_t i = 0; i < json_array_size(list); i++)
    if (!strcmp(json_string_value(json_array_get(list, i)), label)) return true;
  return false;
}

/* Fetus labels: as many letters as fetuses were stated (one when nobody said), then others in use in ledger and
 * findings. */
static ogv_status fetuses(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  char pregnancy[OGV_ID];
  json_t *events;
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  OGV_TRY(ogv_record_events_json(s, "pregnancy", pregnancy, &events, err));
  int n = stated_fetuses(events);
  json_decref(events);
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT fetus FROM measurement WHERE exam=$1 AND fetus<>'' UNION"
                        " SELECT fetus FROM finding WHERE exam=$2 AND fetus<>'' ORDER BY 1",
                        "tt", exam, exam));
  *out = json_array();
  bool row = false;
  ogv_status st = OGV_OK;
  for (int i = 0; i < n; i++) json_array_append_new(*out, json_stringn(&"ABCDEFGHI"[i], 1));
  while (st == OGV_OK && (st = ogv_sql_next(q, &row, err)) == OGV_OK && row)
    if (!in_list(*out, ogv_sql_text(q, 0))) st = ogv_record_add(*out, json_string(ogv_sql_text(q, 0)), err);
  ogv_sql_end(q);
  if (st == OGV_OK && !json_array_size(*out)) st = ogv_record_add(*out, json_string("A"), err);
  if (st != OGV_OK) json_decref(*out);
  return st;
}

/* Newest detail member of an exam event, or null. */
static json_t *newest_detail(const json_t *events, const char *verb, const char *key) {
  json_t *found = NULL;
  for (size_t i = 0; i < json_array_size(events); i++) {
    const json_t *e = json_array_get(events, i);
    if (!strcmp(ogv_json_string_or(e, "verb", ""), verb)) found = json_object_get(json_object_get(e, "detail"), key);
  }
  return found ? json_incref(found) : json_null();
}

static ogv_status exam_head(ogv_store *s, const char *exam, json_t **out, char patient[OGV_ID], char pregnancy[OGV_ID],
                            ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(
      ogv_sql_query(s->db, &q, err,
                    "SELECT e.about, e.id, e.study, e.date, e.time, e.accession, e.description, e.patient, e.pregnancy,"
                    " e.seq, c.at, (SELECT max(x.seq) FROM change x WHERE x.exam=e.id)"
                    " FROM exam e JOIN change c ON c.seq=e.seq WHERE e.id=$1",
                    "t", exam));
  bool row = false;
  ogv_status st = ogv_sql_next(q, &row, err);
  if (st == OGV_OK && !row) st = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no exam %.40s", exam);
  json_t *e = NULL, *about = NULL;
  if (st == OGV_OK) {
    snprintf(patient, OGV_ID, "%s", ogv_sql_text(q, 7));
    snprintf(pregnancy, OGV_ID, "%s", ogv_sql_text(q, 8));
    about = ogv_sql_json(q, 0);
    e = json_pack("{s:s,s:s,s:o,s:s,s:s,s:s,s:I,s:s,s:I}", "id", ogv_sql_text(q, 1), "study", ogv_sql_text(q, 2),
                  "date", ogv_sql_json_text(q, 3), "time", ogv_sql_text(q, 4), "accession", ogv_sql_text(q, 5),
                  "description", ogv_sql_text(q, 6), "seq", (json_int_t)ogv_sql_int(q, 9), "created",
                  ogv_sql_text(q, 10), "last_seq", (json_int_t)ogv_sql_int(q, 11));
    if (e && json_is_object(about)) json_object_update_missing(e, about);
    json_decref(about);
    if (!e) st = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at an exam");
  }
  ogv_sql_end(q);
  *out = e;
  return st;
}

typedef ogv_status (*part_reader)(ogv_store *, const char *, json_t **, ogv_error *);

static ogv_status add_part(ogv_store *s, json_t *e, const char *key, part_reader read, const char *of, ogv_error *err) {
  json_t *v = NULL;
  OGV_TRY(read(s, of, &v, err));
  return ogv_record_set(e, key, v, err);
}

static ogv_status exam_events(ogv_store *s, json_t *e, const char *exam, ogv_error *err) {
  json_t *events = NULL, *notes = NULL;
  OGV_TRY(ogv_record_events_json(s, "exam", exam, &events, err));
  ogv_status st = ogv_record_events_json(s, "note", exam, &notes, err);
  if (st == OGV_OK) st = ogv_record_set(e, "protocol", newest_detail(events, "protocol", "protocol"), err);
  if (st == OGV_OK) st = ogv_record_set(e, "state", newest_detail(events, "state", "state"), err);
  if (st == OGV_OK) st = ogv_record_set(e, "room", newest_detail(events, "room", "room"), err);
  if (st == OGV_OK && json_is_null(json_object_get(e, "state")))
    st = ogv_record_set(e, "state", json_string("open"), err);
  if (st == OGV_OK) st = ogv_record_set(e, "events", json_incref(events), err);
  if (st == OGV_OK) st = ogv_record_set(e, "notes", json_incref(notes), err);
  json_decref(events);
  json_decref(notes);
  return st;
}

static ogv_status exam_body(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  char patient[OGV_ID], pregnancy[OGV_ID];
  json_t *e;
  OGV_TRY(exam_head(s, exam, &e, patient, pregnancy, err));
  ogv_status st = add_part(s, e, "patient", ogv_record_patient_json, patient, err);
  if (st == OGV_OK) st = add_part(s, e, "pregnancy", ogv_record_pregnancy_json, pregnancy, err);
  if (st == OGV_OK) {
    json_t *dating = json_object_get(json_object_get(e, "pregnancy"), "dating");
    st = ogv_record_set(e, "dating", json_incref(dating), err);
  }
  if (st == OGV_OK) st = exam_events(s, e, exam, err);
  if (st == OGV_OK) st = add_part(s, e, "fetuses", fetuses, exam, err);
  if (st == OGV_OK) st = add_part(s, e, "objects", ogv_record_objects_json, exam, err);
  if (st == OGV_OK) st = add_part(s, e, "ledger", ogv_record_ledger_json, exam, err);
  if (st == OGV_OK) st = add_part(s, e, "findings", ogv_record_findings_json, exam, err);
  if (st == OGV_OK) st = add_part(s, e, "reports", ogv_record_reports_json, exam, err);
  if (st == OGV_OK) *out = e;
  else json_decref(e);
  return st;
}

ogv_status ogv_store_exam(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err) {
  char exam[OGV_ID];
  /* One read transaction, so that all parts are of one moment even while others write. */
  bool own = !s->open_transaction && !s->depth;
  if (own) OGV_TRY(ogv_sql_script(s->db, "BEGIN", err));
  ogv_status st = ogv_record_exam_id(s, exam_id, exam, err);
  if (st == OGV_OK) st = exam_body(s, exam, out, err);
  if (own) ogv_sql_script(s->db, "COMMIT", NULL);
  return st;
}

static ogv_status list_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  const char *id = ogv_sql_text(q, 0);
  json_t *e = json_pack("{s:s,s:s,s:o,s:s,s:s,s:s,s:s,s:I,s:I,s:I,s:I,s:I,s:o,s:I,s:o}", "id", id, "study",
                        ogv_sql_text(q, 1), "date", ogv_sql_json_text(q, 2), "time", ogv_sql_text(q, 3), "accession",
                        ogv_sql_text(q, 4), "description", ogv_sql_text(q, 5), "pregnancy", ogv_sql_text(q, 7),
                        "objects", (json_int_t)ogv_sql_int(q, 8), "measurements", (json_int_t)ogv_sql_int(q, 9),
                        "reports", (json_int_t)ogv_sql_int(q, 10), "signed", (json_int_t)ogv_sql_int(q, 11), "notes",
                        (json_int_t)ogv_sql_int(q, 12), "edd", ogv_sql_json_text(q, 13), "last_seq",
                        (json_int_t)ogv_sql_int(q, 14), "arrived", ogv_sql_json_text(q, 15));
  json_t *ga = json_null(), *events = NULL;
  ogv_date date, edd;
  if (ogv_date_parse(ogv_sql_text(q, 2), &date, NULL) == OGV_OK &&
      ogv_date_parse(ogv_sql_text(q, 13), &edd, NULL) == OGV_OK) {
    json_decref(ga);
    ga = json_integer(280 - (edd - date)); /* age at the exam: 280 days before the due date is day 0 */
  }
  ogv_status st = ogv_record_set(e, "ga_days", ga, err);
  if (st == OGV_OK) st = add_part(s, e, "patient", ogv_record_patient_json, ogv_sql_text(q, 6), err);
  if (st == OGV_OK) st = ogv_record_events_json(s, "exam", id, &events, err);
  if (st == OGV_OK) st = ogv_record_set(e, "protocol", newest_detail(events, "protocol", "protocol"), err);
  if (st == OGV_OK) st = ogv_record_set(e, "room", newest_detail(events, "room", "room"), err);
  if (st == OGV_OK) { /* as the sender named the machine or its room; a person's word on the room goes before it */
    json_t *about = ogv_sql_json(q, 16);
    st = ogv_record_set(e, "station", json_string(ogv_json_string_or(about, "station", "")), err);
    json_decref(about);
  }
  if (st == OGV_OK) {
    json_t *state = newest_detail(events, "state", "state");
    if (json_is_null(state))
      state = json_string(ogv_sql_int(q, 11) ? "signed" : ogv_sql_int(q, 10) ? "reported" : "open");
    st = ogv_record_set(e, "state", state, err);
  }
  json_decref(events);
  if (st == OGV_OK) *out = e;
  else json_decref(e);
  return st;
}

ogv_status ogv_store_exams(ogv_store *s, const json_t *filter, json_t **out, ogv_error *err) {
  const char *from = ogv_json_string_or(filter, "from", NULL), *to = ogv_json_string_or(filter, "to", NULL);
  const char *text = ogv_json_string_or(filter, "text", NULL), *patient = ogv_json_string_or(filter, "patient", NULL);
  const char *pregnancy = ogv_json_string_or(filter, "pregnancy", NULL);
  double limit = ogv_json_number_or(filter, "limit", 500);
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(
      s->db, &q, err,
      "SELECT e.id, e.study, e.date, e.time, e.accession, e.description, e.patient, e.pregnancy,"
      " (SELECT count(*) FROM object o WHERE o.exam=e.id), (SELECT count(*) FROM measurement m WHERE m.exam=e.id AND"
      "  NOT EXISTS(SELECT 1 FROM measurement n WHERE n.supersedes=m.id)),"
      " (SELECT count(*) FROM report r WHERE r.exam=e.id),"
      " (SELECT count(*) FROM report r JOIN signature g ON g.report=r.id WHERE r.exam=e.id),"
      " (SELECT count(*) FROM change c WHERE c.kind='note' AND c.verb<>'seen' AND c.subject=e.id),"
      " (SELECT d.edd FROM dating d WHERE d.pregnancy=e.pregnancy ORDER BY d.seq DESC LIMIT 1),"
      " (SELECT max(c.seq) FROM change c WHERE c.exam=e.id),"
      " (SELECT max(c.at) FROM change c WHERE c.kind='object' AND c.verb='add' AND c.exam=e.id), e.about"
      " FROM exam e JOIN patient p ON p.id=e.patient WHERE ($1 IS NULL OR e.date>=$1) AND ($2 IS NULL OR e.date<=$2)"
      " AND ($3 IS NULL OR p.name LIKE '%'||$3||'%' OR p.patient_id LIKE '%'||$3||'%' OR e.accession LIKE '%'||$3||'%')"
      " AND ($4 IS NULL OR e.patient=$4) AND ($5 IS NULL OR e.pregnancy=$5)"
      " ORDER BY coalesce(e.date,'') DESC, e.time DESC, e.seq DESC LIMIT $6",
      "ttttti", from, to, text, patient, pregnancy, (int64_t)(limit >= 1 && limit < 1e6 ? limit : 500)));
  return ogv_record_rows(s, q, list_row, out, err);
}
