/* Where an arriving object belongs: its patient, pregnancy and exam.
 *
 * Patient: by (issuer, patient id) as sent. Without a patient id every study stands alone; nothing is merged by name.
 * A name or birth date that differs from what is recorded is noted on the exam, never merged and never overwritten.
 *
 * Exam: one DICOM study of one patient. The same Study UID under two patients makes two exams, noted on the second.
 *
 * Pregnancy (for a new exam of date D; our own rule, see docs/record.md):
 *   1. the exam states a due date or last period: the pregnancy whose due date is nearest, if within 56 days (a later
 *      pregnancy's last period cannot lie closer to the earlier one's); a stated date that fits none makes a new one;
 *   2. else a dated pregnancy with D between 294 days before and 21 days after its due date;
 *   3. else an undated pregnancy all of whose exams lie within 300 days of each other, D included;
 *   4. else a new one. */
#include <stdlib.h>
#include <string.h>

#include "record_internal.h"

enum { SAME_PREGNANCY_DAYS = 56, BEFORE_EDD = 294, AFTER_EDD = 21, SPAN_DAYS = 300 };

static ogv_date date_of(const char *text) {
  ogv_date d;
  return text && *text && ogv_date_parse(text, &d, NULL) == OGV_OK ? d : OGV_DATE_NONE;
}

/* A letter-case and padding blind comparison of DICOM names: "DOE^JANE^^" equals "Doe^Jane". */
static bool same_name(const char *a, const char *b) {
  size_t na = strlen(a), nb = strlen(b);
  while (na && (a[na - 1] == '^' || a[na - 1] == ' ' || a[na - 1] == '=')) na--;
  while (nb && (b[nb - 1] == '^' || b[nb - 1] == ' ' || b[nb - 1] == '=')) nb--;
  return na == nb && !strncasecmp(a, b, na);
}

static ogv_status note(ogv_store *s, const char *exam, const char *pregnancy, const char *verb, json_t *detail,
                       ogv_error *err) {
  int64_t seq;
  ogv_change c = {"note", verb, exam, exam, pregnancy, "ogive", detail};
  ogv_status st =
      detail ? ogv_record_change(s, &c, &seq, NULL, err) : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a note");
  json_decref(detail);
  return st;
}

static ogv_status find_patient(ogv_store *s, const json_t *about, char id[OGV_ID], json_t **disagrees, ogv_error *err) {
  *disagrees = NULL;
  const char *pid = ogv_json_string_or(about, "patient_id", ""), *issuer = ogv_json_string_or(about, "issuer", "");
  const char *name = ogv_json_string_or(about, "patient_name", ""), *study = ogv_json_string_or(about, "study", "");
  const char *birth = ogv_json_string_or(about, "birth_date", "");
  json_t *key = *pid ? json_pack("[s,s,s]", "id", issuer, pid) : json_pack("[s,s]", "study", study);
  char *key_text = ogv_json_canonical(key);
  json_decref(key);
  if (!key_text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory placing an object");
  ogv_rows *q;
  ogv_status st = ogv_sql_query(s->db, &q, err, "SELECT id, name, coalesce(birth_date,'') FROM patient WHERE key=$1",
                                "t", key_text);
  bool row = false;
  if (st == OGV_OK) st = ogv_sql_next(q, &row, err);
  if (st == OGV_OK && row) {
    snprintf(id, OGV_ID, "%s", ogv_sql_text(q, 0));
    const char *old_name = ogv_sql_text(q, 1), *old_birth = ogv_sql_text(q, 2);
    if ((*name && *old_name && !same_name(name, old_name)) || (*birth && *old_birth && strcmp(birth, old_birth)))
      *disagrees = json_pack("{s:s,s:s,s:s,s:s}", "recorded_name", old_name, "sent_name", name, "recorded_birth_date",
                             old_birth, "sent_birth_date", birth);
  }
  if (q) ogv_sql_end(q);
  if (st == OGV_OK && !row) {
    int64_t seq;
    ogv_record_new_id(id);
    ogv_change c = {"patient", "add", id, NULL, NULL, "ogive", NULL};
    st = ogv_record_change(s, &c, &seq, NULL, err);
    if (st == OGV_OK)
      st = ogv_sql_run(s->db, err,
                       "INSERT INTO patient(id, key, issuer, patient_id, name, birth_date, seq)"
                       " VALUES($1,$2,$3,$4,$5,$6,$7)",
                       "tttttti", id, key_text, issuer, pid, name, *birth ? birth : NULL, seq);
  }
  free(key_text);
  return st;
}

typedef struct candidate {
  char id[OGV_ID];
  ogv_date edd, first, last;
} candidate;

/* Is the exam of `date`, stating a due date `edd` (or none), of this pregnancy? Gives how far off, for the nearest. */
static bool belongs(const candidate *c, ogv_date date, ogv_date edd, int *off) {
  if (edd != OGV_DATE_NONE && c->edd != OGV_DATE_NONE) {
    *off = abs(c->edd - edd);
    return *off <= SAME_PREGNANCY_DAYS;
  }
  if (date == OGV_DATE_NONE) return false;
  if (c->edd != OGV_DATE_NONE) {
    *off = abs(c->edd - 140 - date);
    return date >= c->edd - BEFORE_EDD && date <= c->edd + AFTER_EDD;
  }
  if (edd != OGV_DATE_NONE) { /* the pregnancy is undated: its exams must fit this due date */
    *off = 0;
    return c->first != OGV_DATE_NONE && c->first >= edd - BEFORE_EDD && c->last <= edd + AFTER_EDD;
  }
  if (c->first == OGV_DATE_NONE) return false;
  ogv_date first = date < c->first ? date : c->first, last = date > c->last ? date : c->last;
  *off = last - first;
  return *off <= SPAN_DAYS;
}

static ogv_status find_pregnancy(ogv_store *s, const char *patient, ogv_date date, ogv_date edd, char id[OGV_ID],
                                 ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(
      s->db, &q, err,
      "SELECT p.id, (SELECT d.edd FROM dating d WHERE d.pregnancy=p.id ORDER BY d.seq DESC LIMIT 1),"
      " (SELECT v.edd FROM evidence v WHERE v.pregnancy=p.id AND v.edd IS NOT NULL ORDER BY v.seq DESC LIMIT 1),"
      " (SELECT min(e.date) FROM exam e WHERE e.pregnancy=p.id),"
      " (SELECT max(e.date) FROM exam e WHERE e.pregnancy=p.id)"
      " FROM pregnancy p WHERE p.patient=$1 ORDER BY p.number",
      "t", patient));
  bool row = false;
  int best = 1 << 20;
  int64_t n = 0;
  *id = 0;
  ogv_status st;
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row) {
    candidate c;
    n++;
    snprintf(c.id, sizeof c.id, "%s", ogv_sql_text(q, 0));
    c.edd = date_of(ogv_sql_null(q, 1) ? ogv_sql_text(q, 2) : ogv_sql_text(q, 1));
    c.first = date_of(ogv_sql_text(q, 3));
    c.last = date_of(ogv_sql_text(q, 4));
    int off = 0;
    if (belongs(&c, date, edd, &off) && off < best) {
      best = off;
      memcpy(id, c.id, OGV_ID);
    }
  }
  ogv_sql_end(q);
  if (st != OGV_OK || *id) return st;
  int64_t seq;
  ogv_record_new_id(id);
  ogv_change c = {"pregnancy", "add", id, NULL, id, "ogive", NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, NULL, err));
  return ogv_sql_run(s->db, err, "INSERT INTO pregnancy(id, patient, number, seq) VALUES($1,$2,$3,$4)", "ttii", id,
                     patient, n + 1, seq);
}

static ogv_status new_exam(ogv_store *s, const json_t *about, const char *patient, char exam[OGV_ID], ogv_error *err) {
  const char *study = ogv_json_string_or(about, "study", ""), *date = ogv_json_string_or(about, "study_date", "");
  ogv_date edd = date_of(ogv_json_string_or(about, "study_edd", "")),
           lmp = date_of(ogv_json_string_or(about, "study_lmp", ""));
  if (lmp == OGV_DATE_NONE) lmp = date_of(ogv_json_string_or(about, "lmp", ""));
  if (edd == OGV_DATE_NONE && lmp != OGV_DATE_NONE) edd = lmp + 280;
  char pregnancy[OGV_ID], other[OGV_ID];
  OGV_TRY(find_pregnancy(s, patient, date_of(date), edd, pregnancy, err));
  ogv_status shared =
      ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT id FROM exam WHERE study=$1", "t", study);
  if (shared != OGV_OK && shared != OGV_E_NOT_FOUND) return shared;
  static const char *const kept[] = {"institution", "manufacturer", "model",    "station",
                                     "software",    "performer",    "referring"};
  json_t *equipment = json_object();
  for (size_t i = 0; i < sizeof kept / sizeof *kept; i++)
    json_object_set_new(equipment, kept[i], json_string(ogv_json_string_or(about, kept[i], "")));
  int64_t seq;
  ogv_record_new_id(exam);
  ogv_change c = {"exam", "add", exam, exam, pregnancy, "ogive", NULL};
  ogv_status st = ogv_record_change(s, &c, &seq, NULL, err);
  if (st == OGV_OK)
    st = ogv_sql_run(s->db, err,
                     "INSERT INTO exam(id, patient, pregnancy, study, date, time, accession, description, about, seq)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10)",
                     "ttttttttji", exam, patient, pregnancy, study, *date ? date : NULL,
                     ogv_json_string_or(about, "study_time", ""), ogv_json_string_or(about, "accession", ""),
                     ogv_json_string_or(about, "study_description", ""), equipment, seq);
  json_decref(equipment);
  if (st == OGV_OK && shared == OGV_OK)
    st = note(
        s, exam, pregnancy, "study-shared",
        json_pack("{s:s,s:s,s:s}", "text", "The same study arrived under another patient too; they are kept apart.",
                  "study", study, "other_exam", other),
        err);
  if (st == OGV_OK && !*date)
    st = note(s, exam, pregnancy, "no-date",
              json_pack("{s:s}", "text", "The pictures carry no study date, so no age can be given for this exam."),
              err);
  return st;
}

ogv_status ogv_record_place(ogv_store *s, const json_t *about, char exam[OGV_ID], ogv_error *err) {
  const char *study;
  OGV_TRY(ogv_json_string(about, "object", "study", &study, err));
  if (!*study) return ogv_fail(err, OGV_E_INVALID, NULL, "the object has no Study Instance UID (0020,000D)");
  char patient[OGV_ID], pregnancy[OGV_ID];
  json_t *disagrees;
  OGV_TRY(find_patient(s, about, patient, &disagrees, err));
  ogv_status st = ogv_sql_one_text(s->db, exam, OGV_ID, err, "SELECT id FROM exam WHERE patient=$1 AND study=$2", "tt",
                                   patient, study);
  if (st == OGV_E_NOT_FOUND) st = new_exam(s, about, patient, exam, err);
  if (st == OGV_OK) st = ogv_record_exam_pregnancy(s, exam, pregnancy, err);
  if (st != OGV_OK || !disagrees) {
    json_decref(disagrees);
    return st;
  }
  /* Say it once for each exam and each pair of names. */
  int64_t said = 0;
  json_object_set_new(disagrees, "text",
                      json_string("The name or birth date sent differs from the recorded one for this patient id. "
                                  "Check that this is the same person."));
  char *text = ogv_json_canonical(disagrees);
  st = ogv_sql_one_int(
      s->db, &said, err,
      "SELECT count(*) FROM change WHERE kind='note' AND verb='identity-differs' AND subject=$1 AND detail=$2", "tt",
      exam, text);
  free(text);
  if (st == OGV_OK && !said) return note(s, exam, pregnancy, "identity-differs", disagrees, err);
  json_decref(disagrees);
  return st;
}

ogv_status ogv_record_exam_pregnancy(ogv_store *s, const char *exam, char pregnancy[OGV_ID], ogv_error *err) {
  ogv_status st = ogv_sql_one_text(s->db, pregnancy, OGV_ID, err, "SELECT pregnancy FROM exam WHERE id=$1", "t", exam);
  return st == OGV_E_NOT_FOUND ? ogv_fail(err, st, "\"ogive exams\" lists them.", "there is no exam %.40s", exam) : st;
}

ogv_status ogv_store_exam_pregnancy(ogv_store *s, const char *exam_id, char pregnancy[20], ogv_error *err) {
  return ogv_record_exam_pregnancy(s, exam_id, pregnancy, err);
}

static ogv_status move_exam(ogv_store *s, const char *exam, const char *pregnancy, const char *why, const char *who,
                            ogv_error *err) {
  char patient[OGV_ID], owner[OGV_ID], from[OGV_ID], target[OGV_ID];
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, from, err));
  OGV_TRY(ogv_sql_one_text(s->db, patient, sizeof patient, err, "SELECT patient FROM exam WHERE id=$1", "t", exam));
  int64_t seq;
  if (pregnancy) {
    ogv_status st =
        ogv_sql_one_text(s->db, owner, sizeof owner, err, "SELECT patient FROM pregnancy WHERE id=$1", "t", pregnancy);
    if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no pregnancy %.40s", pregnancy);
    if (st != OGV_OK) return st;
    if (strcmp(owner, patient))
      return ogv_fail(err, OGV_E_INVALID, NULL, "pregnancy %.40s belongs to another patient", pregnancy);
    snprintf(target, sizeof target, "%.19s", pregnancy);
  } else {
    int64_t n = 0;
    OGV_TRY(ogv_sql_one_int(s->db, &n, err, "SELECT max(number) FROM pregnancy WHERE patient=$1", "t", patient));
    ogv_record_new_id(target);
    ogv_change c = {"pregnancy", "add", target, NULL, target, who, NULL};
    OGV_TRY(ogv_record_change(s, &c, &seq, NULL, err));
    OGV_TRY(ogv_sql_run(s->db, err, "INSERT INTO pregnancy(id, patient, number, seq) VALUES($1,$2,$3,$4)", "ttii",
                        target, patient, n + 1, seq));
  }
  json_t *detail = json_pack("{s:s,s:s,s:s}", "from", from, "to", target, "why", why);
  ogv_change c = {"exam", "move", exam, exam, target, who, detail};
  ogv_status st = ogv_record_change(s, &c, &seq, NULL, err);
  json_decref(detail);
  if (st != OGV_OK) return st;
  return ogv_sql_run(s->db, err, "UPDATE exam SET pregnancy=$1 WHERE id=$2", "tt", target, exam);
}

ogv_status ogv_store_move_exam(ogv_store *s, const char *exam, const char *pregnancy, const char *why, const char *who,
                               ogv_error *err) {
  if (!why || !*why) return ogv_fail(err, OGV_E_INVALID, "Give the reason.", "moving an exam needs a reason");
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, move_exam(s, exam, pregnancy, why, who, err), err);
}
