/* The ledger of measurements: rows are appended, never changed; what became of a row is told by its events. */
#include <math.h>
#include <string.h>

#include "obstetrics_quantity.h"
#include "record_internal.h"

/* The current state of a row from its first state and its events: "restored" gives back what stood before the last
 * withdrawal. The same rule in SQL-free form, so that another database reads the same. */
static const char *state_after(const char *now, const char *before_withdrawal, const char *event) {
  if (!strcmp(event, "restored")) return before_withdrawal;
  return !strcmp(now, event) ? now : event;
}

static ogv_status events_into(ogv_store *s, json_t *row, ogv_error *err) {
  const char *id = json_string_value(json_object_get(row, "id"));
  char now[16], before[16];
  snprintf(now, sizeof now, "%s", json_string_value(json_object_get(row, "state")));
  snprintf(before, sizeof before, "%s", now);
  json_t *events = json_array();
  ogv_rows *q;
  ogv_status st = ogv_sql_query(s->db, &q, err,
                                "SELECT seq, version, state, why, who, at FROM measurement_event"
                                " WHERE measurement=$1 ORDER BY version",
                                "t", id);
  bool more = false;
  int version = 0;
  while (st == OGV_OK && (st = ogv_sql_next(q, &more, err)) == OGV_OK && more) {
    const char *event = ogv_sql_text(q, 2);
    if (!strcmp(event, "withdrawn") && strcmp(now, "withdrawn")) snprintf(before, sizeof before, "%s", now);
    snprintf(now, sizeof now, "%s", state_after(now, before, event));
    version = (int)ogv_sql_int(q, 1);
    st = ogv_record_add(events,
                        json_pack("{s:I,s:s,s:s,s:s,s:s}", "seq", (json_int_t)ogv_sql_int(q, 0), "state", event, "why",
                                  ogv_sql_text(q, 3), "who", ogv_sql_text(q, 4), "when", ogv_sql_text(q, 5)),
                        err);
  }
  ogv_sql_end(q);
  if (st == OGV_OK) st = ogv_record_set(row, "state", json_string(now), err);
  if (st == OGV_OK) st = ogv_record_set(row, "version", json_integer(version), err);
  if (st == OGV_OK) return ogv_record_set(row, "events", events, err);
  json_decref(events);
  return st;
}

static const char select_rows[] =
    "SELECT m.id, m.exam, m.fetus, m.quantity, m.value, m.unit, m.sd, m.source, m.evidence, m.object, m.frame, m.state,"
    " m.supersedes, n.id, m.who, m.at, m.why, m.derivation, m.seq, m.repeat_key"
    " FROM measurement m LEFT JOIN measurement n ON n.supersedes = m.id ";

static json_t *row_json(ogv_rows *q) {
  return json_pack("{s:s,s:s,s:s,s:s,s:o,s:s,s:o,s:s,s:o,s:o,s:o,s:s,s:o,s:o,s:s,s:s,s:s,s:s,s:I,s:o}", "id",
                   ogv_sql_text(q, 0), "exam", ogv_sql_text(q, 1), "fetus", ogv_sql_text(q, 2), "quantity",
                   ogv_sql_text(q, 3), "value", ogv_json_real(ogv_sql_real(q, 4)), "unit", ogv_sql_text(q, 5), "sd",
                   ogv_json_real(ogv_sql_real(q, 6)), "source", ogv_sql_text(q, 7), "evidence", ogv_sql_json(q, 8),
                   "object", ogv_sql_json_text(q, 9), "frame",
                   ogv_sql_null(q, 10) ? json_null() : json_integer(ogv_sql_int(q, 10)), "state", ogv_sql_text(q, 11),
                   "supersedes", ogv_sql_json_text(q, 12), "superseded_by", ogv_sql_json_text(q, 13), "who",
                   ogv_sql_text(q, 14), "when", ogv_sql_text(q, 15), "why", ogv_sql_text(q, 16), "derivation",
                   ogv_sql_text(q, 17), "seq", (json_int_t)ogv_sql_int(q, 18), "key", ogv_sql_json_text(q, 19));
}

/* A report may arrive before the picture it names: the picture is looked up when the row is read. */
static ogv_status resolve_picture(ogv_store *s, json_t *row, ogv_error *err) {
  json_t *image = json_object_get(json_object_get(row, "evidence"), "image");
  const char *instance = ogv_json_string_or(image, "instance", NULL);
  if (!instance || json_object_get(image, "object")) return OGV_OK;
  char object[OGV_ID];
  ogv_status st = ogv_sql_one_text(s->db, object, sizeof object, err,
                                   "SELECT id FROM object WHERE instance=$1 ORDER BY seq LIMIT 1", "t", instance);
  if (st == OGV_E_NOT_FOUND) return OGV_OK;
  return st == OGV_OK ? ogv_record_set(image, "object", json_string(object), err) : st;
}

static ogv_status ledger_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  OGV_TRY(ogv_record_made(row_json(q), out, err));
  ogv_status st = events_into(s, *out, err);
  if (st == OGV_OK) st = resolve_picture(s, *out, err);
  if (st != OGV_OK) json_decref(*out);
  return st;
}

ogv_status ogv_record_ledger_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  char sql[800];
  snprintf(sql, sizeof sql, "%s WHERE m.exam=$1 ORDER BY m.seq", select_rows);
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, sql, "t", exam));
  return ogv_record_rows(s, q, ledger_row, out, err);
}

ogv_status ogv_store_measurement(ogv_store *s, const char *id, json_t **out, ogv_error *err) {
  char sql[800];
  snprintf(sql, sizeof sql, "%s WHERE m.id=$1", select_rows);
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, sql, "t", id));
  json_t *rows;
  OGV_TRY(ogv_record_rows(s, q, ledger_row, &rows, err));
  *out = json_incref(json_array_get(rows, 0));
  json_decref(rows);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no measurement %.40s", id);
}

ogv_status ogv_store_pregnancy_history(ogv_store *s, const char *pregnancy_id, json_t **out, ogv_error *err) {
  char sql[900];
  snprintf(sql, sizeof sql, "%s JOIN exam e ON e.id = m.exam WHERE e.pregnancy=$1 ORDER BY e.date, e.time, m.seq",
           select_rows);
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, sql, "t", pregnancy_id));
  json_t *rows, *current = json_array();
  ogv_status st = ogv_record_rows(s, q, ledger_row, &rows, err);
  for (size_t i = 0; st == OGV_OK && i < json_array_size(rows); i++) {
    json_t *row = json_array_get(rows, i);
    char date[OGV_DATE_TEXT] = "";
    if (!json_is_null(json_object_get(row, "superseded_by")) ||
        strcmp(json_string_value(json_object_get(row, "state")), "accepted"))
      continue;
    st = ogv_sql_one_text(s->db, date, sizeof date, err, "SELECT coalesce(date,'') FROM exam WHERE id=$1", "t",
                          json_string_value(json_object_get(row, "exam")));
    if (st == OGV_OK) st = ogv_record_set(row, "date", *date ? json_string(date) : json_null(), err);
    if (st == OGV_OK) st = ogv_record_add(current, json_incref(row), err);
  }
  if (st == OGV_OK) json_decref(rows);
  if (st != OGV_OK) {
    json_decref(current);
    return st;
  }
  *out = current;
  return OGV_OK;
}

/* Checks object and superseded row against the exam. */
static ogv_status check_links(ogv_store *s, const char *exam, const char *object, const char *supersedes,
                              ogv_error *err) {
  char found[OGV_ID], who[256];
  if (object) {
    ogv_status st =
        ogv_sql_one_text(s->db, found, sizeof found, err, "SELECT exam FROM object WHERE id=$1", "t", object);
    if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no object %.40s", object);
    if (st != OGV_OK) return st;
    if (strcmp(found, exam))
      return ogv_fail(err, OGV_E_INVALID, "Name an object of this exam.", "object %.40s belongs to exam %s", object,
                      found);
  }
  if (!supersedes) return OGV_OK;
  ogv_status st =
      ogv_sql_one_text(s->db, found, sizeof found, err, "SELECT exam FROM measurement WHERE id=$1", "t", supersedes);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no measurement %.40s to supersede", supersedes);
  if (st != OGV_OK) return st;
  if (strcmp(found, exam))
    return ogv_fail(err, OGV_E_INVALID, NULL, "measurement %.40s belongs to another exam", supersedes);
  st =
      ogv_sql_one_text(s->db, who, sizeof who, err, "SELECT who FROM measurement WHERE supersedes=$1", "t", supersedes);
  if (st == OGV_OK)
    return ogv_fail(err, OGV_E_CONFLICT, "Look at the newer row and decide again.",
                    "measurement %.40s was already superseded by %s", supersedes, who);
  return st == OGV_E_NOT_FOUND ? OGV_OK : st;
}

/* Measures of the mother belong to no fetus, whoever sends them under a label. */
static const char *fetus_of(const ogv_quantity *q, const char *given) {
  if (!strcmp(q->kind, "cervix") || !strcmp(q->vessel, "uterine-artery")) return "";
  return *given ? given : "A";
}

static ogv_status check_quantity(const char *quantity, const char *unit, const ogv_quantity **q, ogv_error *err) {
  *q = ogv_quantity_find(quantity);
  if (!*q) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "\"%.60s\" is not in the table of quantities", quantity);
  if (!strcmp((*q)->unit, unit)) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, "Convert it first.", "%s is kept in %s, not in \"%.30s\"", quantity, (*q)->unit,
                  unit);
}

static ogv_status append(ogv_store *s, const json_t *row, const char *who, char id[OGV_ID], bool *added,
                         ogv_error *err) {
  const char *exam, *quantity, *unit, *source;
  double value;
  OGV_TRY(ogv_json_string(row, "measurement", "exam", &exam, err));
  OGV_TRY(ogv_json_string(row, "measurement", "quantity", &quantity, err));
  OGV_TRY(ogv_json_string(row, "measurement", "unit", &unit, err));
  OGV_TRY(ogv_json_string(row, "measurement", "source", &source, err));
  OGV_TRY(ogv_json_number(row, "measurement", "value", &value, err));
  const char *object = ogv_json_string_or(row, "object", NULL),
             *supersedes = ogv_json_string_or(row, "supersedes", NULL);
  const char *key = ogv_json_string_or(row, "key", NULL), *why = ogv_json_string_or(row, "why", "");
  const char *proposed = !strcmp(source, "proposed") ? "proposed" : "accepted";
  const json_t *frame = json_object_get(row, "frame"), *evidence = json_object_get(row, "evidence");
  char pregnancy[OGV_ID];
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  double sd = ogv_json_number_or(row, "sd", NAN);
  if (!isfinite(value) || (isfinite(sd) && sd < 0) || !*quantity)
    return ogv_fail(err, OGV_E_INVALID, NULL, "measurement of \"%.60s\": value or SD is not usable", quantity);
  if (supersedes && !*why)
    return ogv_fail(err, OGV_E_INVALID, "Give the reason.", "a correction of %.40s needs a reason", quantity);
  const ogv_quantity *q;
  OGV_TRY(check_quantity(quantity, unit, &q, err));
  *added = false;
  if (key) { /* asked again after a lost answer: the first row stands */
    ogv_status st = ogv_sql_one_text(s->db, id, OGV_ID, err,
                                     "SELECT id FROM measurement WHERE exam=$1 AND repeat_key=$2", "tt", exam, key);
    if (st != OGV_E_NOT_FOUND) return st;
  }
  OGV_TRY(check_links(s, exam, object, supersedes, err));
  ogv_record_new_id(id);
  int64_t seq;
  char when[OGV_TIME];
  ogv_change c = {"measurement", supersedes ? "supersede" : "add", id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  *added = true;
  OGV_TRY(ogv_sql_run(
      s->db, err,
      "INSERT INTO measurement(id, seq, exam, fetus, quantity, value, unit, sd, source, evidence, object,"
      " state, supersedes, why, derivation, repeat_key, who, at, frame)"
      " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11,$12,$13,$14,$15,$16,$17,$18,$19)",
      "titttrtrtjttttttttj", id, seq, exam, fetus_of(q, ogv_json_string_or(row, "fetus", "")), quantity, value, unit,
      sd, source, evidence, object, ogv_json_string_or(row, "state", proposed), supersedes, why,
      ogv_json_string_or(row, "derivation", ""), key, who, when, json_is_integer(frame) ? frame : NULL));
  return OGV_OK;
}

ogv_status ogv_store_measure(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err) {
  bool added;
  return ogv_store_measure_once(s, row, who, new_id, &added, err);
}

ogv_status ogv_store_measure_once(ogv_store *s, const json_t *row, const char *who, char id[20], bool *added,
                                  ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append(s, row, who, id, added, err), err);
}

static ogv_status append_event(ogv_store *s, const char *id, const char *state, const char *why, const char *who,
                               int expected, ogv_error *err) {
  char exam[OGV_ID], pregnancy[OGV_ID];
  ogv_status st = ogv_sql_one_text(s->db, exam, sizeof exam, err, "SELECT exam FROM measurement WHERE id=$1", "t", id);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no measurement %.40s", id);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  if ((!strcmp(state, "disputed") || !strcmp(state, "withdrawn")) && !*why)
    return ogv_fail(err, OGV_E_INVALID, "Give the reason.", "\"%s\" needs a reason", state);
  int64_t version = 0, seq;
  OGV_TRY(
      ogv_sql_one_int(s->db, &version, err, "SELECT count(*) FROM measurement_event WHERE measurement=$1", "t", id));
  if (expected >= 0 && version != expected)
    return ogv_fail(err, OGV_E_CONFLICT, "Look at it as it is now and decide again.",
                    "measurement %.40s was changed meanwhile (version %d, you saw %d)", id, (int)version, expected);
  char when[OGV_TIME];
  ogv_change c = {"measurement", state, id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  return ogv_sql_run(s->db, err,
                     "INSERT INTO measurement_event(seq, measurement, version, state, why, who, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7)",
                     "ititttt", seq, id, version + 1, state, why, who, when);
}

ogv_status ogv_store_measure_event(ogv_store *s, const char *measurement_id, const char *state, const char *why,
                                   const char *who, int expected_version, ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_event(s, measurement_id, state, why ? why : "", who, expected_version, err), err);
}
