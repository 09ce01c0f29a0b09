/* The record: what is appended is read back, nothing is overwritten, nothing is placed twice. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <jansson.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core_file.h"
#include "core_json.h"
#include "record_access.h"
#include "record_store.h"

static char home[256];

static ogv_store *fresh(void) {
  ogv_error err = {0};
  snprintf(home, sizeof home, "%s/ogive-record-XXXXXX", getenv("TMPDIR") ? getenv("TMPDIR") : "/tmp");
  assert_non_null(mkdtemp(home));
  assert_int_equal(ogv_store_init(home, &err), OGV_OK);
  assert_int_equal(ogv_store_init(home, &err), OGV_OK); /* again changes nothing */
  ogv_store *s;
  assert_int_equal(ogv_store_open(home, &s, &err), OGV_OK);
  return s;
}

static void done(ogv_store *s) {
  char cmd[300];
  ogv_store_close(s);
  snprintf(cmd, sizeof cmd, "rm -rf '%s'", home);
  assert_int_equal(system(cmd), 0);
}

static void add(ogv_store *s, const char *pid, const char *study, const char *date, const char *instance,
                const char *bytes, char exam[20], char object[20]) {
  ogv_error err = {0};
  bool added;
  json_t *about =
      json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:i}", "patient_id", pid, "patient_name", "Test^Ada", "birth_date",
                "1990-02-03", "study", study, "study_date", date, "instance", instance, "kind", "image", "rows", 480);
  assert_int_equal(ogv_store_add_object(s, bytes, strlen(bytes), about, object, exam, &added, &err), OGV_OK);
  assert_true(added);
  json_decref(about);
}

static void measure(ogv_store *s, const char *exam, const char *quantity, double value, const char *supersedes,
                    ogv_status want, char id[20]) {
  ogv_error err = {0};
  json_t *row = json_pack("{s:s,s:s,s:s,s:f,s:s,s:f,s:s,s:s*,s:s}", "exam", exam, "fetus", "A", "quantity", quantity,
                          "value", value, "unit", "mm", "sd", 1.25, "source", "typed", "supersedes", supersedes, "why",
                          supersedes ? "caliper was inside" : "");
  ogv_status st = ogv_store_measure(s, row, "ada", id, &err);
  json_decref(row);
  if (st != want) print_message("%s\n", err.what);
  assert_int_equal(st, want);
}

static void test_objects(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], object[20], exam2[20], object2[20];
  add(s, "P1", "1.2.3", "2026-03-01", "1.2.3.1", "first bytes", exam, object);
  bool added = true;
  json_t *about = json_pack("{s:s,s:s,s:s,s:s,s:s}", "patient_id", "P1", "study", "1.2.3", "study_date", "2026-03-01",
                            "instance", "1.2.3.1", "kind", "image");
  assert_int_equal(ogv_store_add_object(s, "first bytes", 11, about, object2, exam2, &added, &err), OGV_OK);
  assert_false(added);
  assert_string_equal(object, object2);
  assert_string_equal(exam, exam2);
  /* Other bytes under the same instance: kept, flagged, and said. */
  assert_int_equal(ogv_store_add_object(s, "other bytes", 11, about, object2, exam2, &added, &err), OGV_E_CONFLICT);
  assert_true(added);
  assert_string_not_equal(object, object2);
  assert_int_equal(ogv_store_add_object(s, "other bytes", 11, about, object2, exam2, &added, &err), OGV_E_CONFLICT);
  assert_false(added);
  json_decref(about);
  json_t *o;
  assert_int_equal(ogv_store_object(s, object2, &o, &err), OGV_OK);
  assert_string_equal(json_string_value(json_object_get(o, "conflict_of")), object);
  json_decref(o);
  char *path;
  uint8_t *data;
  size_t n;
  assert_int_equal(ogv_store_object_path(s, object, &path, &err), OGV_OK);
  assert_int_equal(ogv_file_read(path, 100, &data, &n, &err), OGV_OK);
  assert_memory_equal(data, "first bytes", 11);
  free(data);
  assert_int_equal(unlink(path), 0); /* lost bytes are told, not ignored */
  free(path);
  assert_int_equal(ogv_store_object_path(s, object, &path, &err), OGV_E_CORRUPT);
  done(s);
}

static void test_ledger(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], object[20], a[20], b[20], c[20];
  add(s, "P1", "1.2.3", "2026-03-01", "1.2.3.1", "x", exam, object);
  measure(s, exam, "hc", 175.123456789012345, NULL, OGV_OK, a);
  measure(s, exam, "hc", 176.5, a, OGV_OK, b);
  measure(s, exam, "hc", 177, a, OGV_E_CONFLICT, c); /* somebody was first */
  assert_int_equal(ogv_store_measure_event(s, b, "disputed", "poor plane", "bea", 0, &err), OGV_OK);
  assert_int_equal(ogv_store_measure_event(s, b, "accepted", "", "ada", 0, &err), OGV_E_CONFLICT);
  assert_int_equal(ogv_store_measure_event(s, b, "withdrawn", "", "ada", 1, &err), OGV_E_INVALID);
  assert_int_equal(ogv_store_measure_event(s, b, "withdrawn", "wrong fetus", "ada", 1, &err), OGV_OK);
  assert_int_equal(ogv_store_measure_event(s, b, "restored", "undo", "ada", -1, &err), OGV_OK);
  assert_int_equal(ogv_store_measure_event(s, b, "deleted", "x", "ada", -1, &err), OGV_E_INVALID);
  json_t *e;
  assert_int_equal(ogv_store_exam(s, "latest", &e, &err), OGV_OK);
  json_t *ledger = json_object_get(e, "ledger"), *ra = json_array_get(ledger, 0), *rb = json_array_get(ledger, 1);
  assert_int_equal(json_array_size(ledger), 2);
  assert_true(json_real_value(json_object_get(ra, "value")) == 175.123456789012345); /* the ledger does not round */
  assert_string_equal(json_string_value(json_object_get(ra, "superseded_by")), b);
  assert_string_equal(json_string_value(json_object_get(rb, "state")), "disputed"); /* as before the withdrawal */
  assert_int_equal(json_integer_value(json_object_get(rb, "version")), 3);
  assert_int_equal(json_array_size(json_object_get(rb, "events")), 3);
  char prefix[6];
  snprintf(prefix, sizeof prefix, "%.5s", exam);
  json_t *e2;
  assert_int_equal(ogv_store_exam(s, prefix, &e2, &err), OGV_OK);
  assert_true(json_equal(e, e2));
  json_decref(e2);
  json_decref(e);
  assert_int_equal(ogv_store_exam(s, "zzzzzz", &e, &err), OGV_E_NOT_FOUND);
  /* The same key twice: one row. */
  json_t *row = json_pack("{s:s,s:s,s:f,s:s,s:s,s:s}", "exam", exam, "quantity", "fl", "value", 30.0, "unit", "mm",
                          "source", "typed", "key", "k1");
  assert_int_equal(ogv_store_measure(s, row, "ada", a, &err), OGV_OK);
  assert_int_equal(ogv_store_measure(s, row, "ada", b, &err), OGV_OK);
  assert_string_equal(a, b);
  assert_int_equal(ogv_store_measure(s, row, "", b, &err), OGV_OK); /* nothing is added, so nobody is named */
  json_object_del(row, "key");
  assert_int_equal(ogv_store_measure(s, row, "", b, &err), OGV_E_INVALID);
  json_decref(row);
  done(s);
}

static void test_append_only(void **state) {
  (void)state;
  ogv_store *s = fresh();
  char exam[20], object[20], id[20];
  add(s, "P1", "1.2.3", "2026-03-01", "1.2.3.1", "x", exam, object);
  measure(s, exam, "hc", 175, NULL, OGV_OK, id);
  static const char *const tries[] = {"UPDATE measurement SET value=1", "DELETE FROM measurement",
                                      "UPDATE change SET who='x'",      "DELETE FROM object",
                                      "UPDATE object SET sha256='x'",   "DELETE FROM exam"};
  /* Another program with plain access to the file, as near to tampering as a slip would come. */
  sqlite3 *db;
  char path[300];
  snprintf(path, sizeof path, "%s/ogive.db", home);
  assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
  for (size_t i = 0; i < sizeof tries / sizeof *tries; i++) {
    assert_int_equal(sqlite3_exec(db, tries[i], NULL, NULL, NULL), SQLITE_CONSTRAINT);
    assert_non_null(strstr(sqlite3_errmsg(db), "never"));
  }
  sqlite3_close(db);
  done(s);
}

static void test_pregnancies(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char e1[20], e2[20], e3[20], e4[20], object[20];
  add(s, "P1", "1.1", "2025-01-10", "1.1.1", "a", e1, object);
  add(s, "P1", "1.2", "2025-06-01", "1.2.1", "b", e2, object); /* 142 days later: the same */
  add(s, "P1", "1.3", "2026-03-01", "1.3.1", "c", e3, object); /* 415 days after the first: another */
  add(s, "P2", "1.4", "2025-06-01", "1.4.1", "d", e4, object); /* another patient */
  json_t *list;
  assert_int_equal(ogv_store_exams(s, NULL, &list, &err), OGV_OK);
  assert_int_equal(json_array_size(list), 4);
  const char *p[4];
  for (size_t i = 0; i < 4; i++) p[i] = json_string_value(json_object_get(json_array_get(list, i), "pregnancy"));
  /* newest first: e3, then e4 and e2 of one day (later arrival first), then e1 */
  assert_string_equal(json_string_value(json_object_get(json_array_get(list, 0), "id")), e3);
  assert_string_equal(p[2], p[3]);
  assert_string_not_equal(p[0], p[2]);
  assert_string_not_equal(p[1], p[2]);
  /* Dated, the pregnancy takes in what falls within it. */
  json_t *d = json_pack("{s:s,s:f,s:s,s:s}", "edd", "2026-08-01", "sd_days", 2.5, "rule", "acog700", "reason", "CRL");
  assert_int_equal(ogv_store_date(s, p[0], d, "ada", &err), OGV_OK);
  assert_int_equal(ogv_store_date(s, p[0], d, "ada", &err), OGV_E_CONFLICT); /* never moved silently */
  json_decref(d);
  char e5[20];
  add(s, "P1", "1.5", "2026-07-20", "1.5.1", "e", e5, object);
  json_t *e;
  assert_int_equal(ogv_store_exam(s, e5, &e, &err), OGV_OK);
  assert_string_equal(json_string_value(json_object_get(json_object_get(e, "pregnancy"), "id")), p[0]);
  assert_string_equal(json_string_value(json_object_get(json_object_get(e, "pregnancy"), "edd")), "2026-08-01");
  json_decref(e);
  assert_int_equal(ogv_store_move_exam(s, e5, NULL, "twin booking error", "ada", &err), OGV_OK);
  assert_int_equal(ogv_store_exam(s, e5, &e, &err), OGV_OK);
  assert_string_not_equal(json_string_value(json_object_get(json_object_get(e, "pregnancy"), "id")), p[0]);
  assert_true(json_is_null(json_object_get(e, "dating")));
  json_decref(e);
  json_decref(list);
  done(s);
}

static void test_identity_differs(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], object[20], exam2[20];
  bool added;
  add(s, "P1", "1.1", "2025-01-10", "1.1.1", "a", exam, object);
  json_t *about = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s}", "patient_id", "P1", "patient_name", "Other^Eve", "study",
                            "1.1", "study_date", "2025-01-10", "instance", "1.1.2", "kind", "image");
  assert_int_equal(ogv_store_add_object(s, "b", 1, about, object, exam2, &added, &err), OGV_OK);
  json_object_set_new(about, "instance", json_string("1.1.3"));
  assert_int_equal(ogv_store_add_object(s, "c", 1, about, object, exam2, &added, &err), OGV_OK);
  json_decref(about);
  json_t *e;
  assert_int_equal(ogv_store_exam(s, exam, &e, &err), OGV_OK);
  assert_string_equal(json_string_value(json_object_get(json_object_get(e, "patient"), "name")), "Test^Ada");
  json_t *notes = json_object_get(e, "notes");
  assert_int_equal(json_array_size(notes), 1); /* said once */
  assert_string_equal(json_string_value(json_object_get(json_array_get(notes, 0), "verb")), "identity-differs");
  json_decref(e);
  done(s);
}

static void test_findings_marks_reports(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], object[20], id[20], id2[20], rep[20], rep2[20];
  add(s, "P1", "1.1", "2025-01-10", "1.1.1", "a", exam, object);
  json_t *f = json_pack("{s:s,s:s,s:s,s:s,s:[s]}", "exam", exam, "fetus", "A", "structure", "stomach", "state",
                        "not-seen", "objects", object);
  assert_int_equal(ogv_store_finding(s, f, "ada", id, &err), OGV_E_INVALID);
  json_object_set_new(f, "reason", json_string("position"));
  assert_int_equal(ogv_store_finding(s, f, "ada", id, &err), OGV_OK);
  json_object_set_new(f, "state", json_string("normal"));
  assert_int_equal(ogv_store_finding(s, f, "ada", id2, &err), OGV_OK);
  json_object_set_new(f, "supersedes", json_string(id));
  assert_int_equal(ogv_store_finding(s, f, "bea", id2, &err), OGV_E_CONFLICT);
  json_object_set_new(f, "objects", json_pack("[s]", "nothing"));
  assert_int_equal(ogv_store_finding(s, f, "bea", id2, &err), OGV_E_NOT_FOUND);
  json_decref(f);
  json_t *m = json_pack("{s:s,s:i,s:s,s:{s:s,s:[f,f]}}", "object", object, "frame", 0, "kind", "text", "data", "text",
                        "stomach", "at", 10.5, 20.5);
  assert_int_equal(ogv_store_mark(s, m, "ada", id, &err), OGV_OK);
  json_object_set_new(m, "supersedes", json_string(id));
  json_object_set_new(m, "removed", json_true());
  assert_int_equal(ogv_store_event(s, "object", object, "favourite", NULL, "ada", &err), OGV_OK);
  assert_int_equal(ogv_store_event(s, "object", object, "remove", NULL, "ada", &err), OGV_E_INVALID);
  json_t *o;
  assert_int_equal(ogv_store_object(s, "1.1.1", &o, &err), OGV_OK);
  assert_true(json_is_true(json_object_get(o, "favourite")));
  assert_int_equal(json_array_size(json_object_get(o, "marks")), 1);
  json_decref(o);
  assert_int_equal(ogv_store_mark(s, m, "ada", id2, &err), OGV_OK);
  /* Who still sees the mark that was removed is told by whom, and nothing is written; a removal names what it removes.
   */
  assert_int_equal(ogv_store_mark(s, m, "bea", id2, &err), OGV_E_CONFLICT);
  assert_string_equal(err.what, "the mark was removed meanwhile by ada");
  json_object_del(m, "supersedes");
  assert_int_equal(ogv_store_mark(s, m, "bea", id2, &err), OGV_E_INVALID);
  json_decref(m);
  int version = 0;
  json_t *content = json_pack("{s:s}", "conclusion", "all well");
  assert_int_equal(ogv_store_draft_save(s, exam, content, 0, "ada", &version, &err), OGV_OK);
  assert_int_equal(version, 1);
  assert_int_equal(ogv_store_draft_save(s, exam, content, 0, "bea", &version, &err), OGV_E_CONFLICT);
  json_decref(content);
  json_t *facts = json_pack("{s:s}", "exam", exam), *back;
  assert_int_equal(ogv_store_report(s, exam, "%PDF", 4, facts, "ada", rep, &err), OGV_OK);
  json_t *sig = json_pack("{s:s,s:s,s:i}", "sha256", "00", "role", "reporter", "place", 1);
  assert_int_equal(ogv_store_sign(s, rep, sig, "ada", &err), OGV_E_CONFLICT); /* not the report that was seen */
  char sha[OGV_SHA256_TEXT];
  ogv_sha256("%PDF", 4, sha);
  json_object_set_new(sig, "sha256", json_string(sha));
  assert_int_equal(ogv_store_sign(s, rep, sig, "ada", &err), OGV_OK);
  assert_int_equal(ogv_store_sign(s, rep, sig, "bea", &err), OGV_E_CONFLICT); /* the first place is taken */
  assert_int_equal(ogv_store_report_amending(s, exam, "%PDF2", 5, facts, rep, "", "ada", rep2, &err), OGV_E_INVALID);
  assert_int_equal(ogv_store_report_amending(s, exam, "%PDF2", 5, facts, rep, "typing error", "ada", rep2, &err),
                   OGV_OK);
  ogv_sha256("%PDF2", 5, sha);
  json_object_set_new(sig, "sha256", json_string(sha));
  assert_int_equal(ogv_store_sign(s, rep2, sig, "bea", &err), OGV_OK);
  json_decref(sig);
  assert_int_equal(ogv_store_report_facts(s, rep, &back, &err), OGV_OK);
  assert_true(json_equal(facts, back));
  json_decref(back);
  json_decref(facts);
  json_t *e;
  assert_int_equal(ogv_store_exam(s, exam, &e, &err), OGV_OK);
  json_t *reports = json_object_get(e, "reports");
  assert_string_equal(json_string_value(json_object_get(json_array_get(reports, 0), "state")), "amended");
  assert_string_equal(json_string_value(json_object_get(json_array_get(reports, 1), "state")), "signed");
  assert_int_equal(json_array_size(json_object_get(e, "findings")), 2);
  assert_int_equal(json_array_size(json_object_get(json_array_get(json_object_get(e, "objects"), 0), "marks")), 0);
  json_decref(e);
  done(s);
}

static void test_changes_and_access(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], object[20], id[20], token[OGV_TOKEN];
  add(s, "P1", "1.1", "2025-01-10", "1.1.1", "a", exam, object);
  int64_t seq = 0;
  assert_int_equal(ogv_store_last_change(s, &seq, &err), OGV_OK);
  measure(s, exam, "hc", 175, NULL, OGV_OK, id);
  json_t *changes;
  assert_int_equal(ogv_store_changes(s, seq, exam, 0, &changes, &err), OGV_OK);
  assert_int_equal(json_array_size(changes), 1);
  assert_string_equal(json_string_value(json_object_get(json_array_get(changes, 0), "subject")), id);
  json_decref(changes);
  json_t *p =
      json_pack("{s:s,s:s,s:s,s:s}", "user", "ada", "name", "Ada Test", "role", "sonographer", "password_hash", "h1");
  assert_int_equal(ogv_store_person_put(s, p, "setup", &err), OGV_E_DENIED); /* the first is an administrator */
  json_object_set_new(p, "role", json_string("administrator"));
  assert_int_equal(ogv_store_person_put(s, p, "setup", &err), OGV_OK);
  assert_int_equal(ogv_store_session_start(s, "ada", 100, token, &err), OGV_OK);
  json_t *who;
  assert_int_equal(ogv_store_session(s, token, &who, &err), OGV_OK);
  assert_null(json_object_get(who, "password_hash"));
  json_decref(who);
  json_object_set_new(p, "active", json_false());
  assert_int_equal(ogv_store_person_put(s, p, "ada", &err), OGV_E_DENIED);
  json_decref(p);
  assert_int_equal(ogv_store_session_end(s, token, &err), OGV_OK);
  assert_int_equal(ogv_store_session(s, token, &who, &err), OGV_E_DENIED);
  assert_int_equal(ogv_store_session_start(s, "ada", -1, token, &err), OGV_OK);
  assert_int_equal(ogv_store_session(s, token, &who, &err), OGV_E_DENIED); /* over */
  json_t *v = json_string("acog700"), *got;
  assert_int_equal(ogv_store_setting(s, "dating.rule", &got, &err), OGV_E_NOT_FOUND);
  assert_int_equal(ogv_store_setting_put(s, "dating.rule", v, "ada", &err), OGV_OK);
  assert_int_equal(ogv_store_setting(s, "dating.rule", &got, &err), OGV_OK);
  assert_true(json_equal(v, got));
  json_decref(v);
  json_decref(got);
  assert_int_equal(ogv_store_settings(s, &got, &err), OGV_OK);
  assert_int_equal(json_object_size(got), 1);
  json_decref(got);
  done(s);
}

static void test_opening(void **state) {
  (void)state;
  ogv_error err = {0};
  ogv_store *s;
  assert_int_equal(ogv_store_open("/nonexistent/ogive", &s, &err), OGV_E_NOT_FOUND);
  assert_null(s);
  s = fresh();
  ogv_store_close(s);
  char path[300];
  sqlite3 *db;
  snprintf(path, sizeof path, "%s/ogive.db", home);
  assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
  /* As version 1 left it: what came later is added at opening. */
  assert_int_equal(sqlite3_exec(db, "DROP TABLE chorionicity; PRAGMA user_version=1", NULL, NULL, NULL), SQLITE_OK);
  sqlite3_close(db);
  assert_int_equal(ogv_store_open(home, &s, &err), OGV_OK);
  ogv_store_close(s);
  assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
  assert_int_equal(sqlite3_exec(db, "SELECT id FROM chorionicity", NULL, NULL, NULL), SQLITE_OK);
  assert_int_equal(sqlite3_exec(db, "PRAGMA user_version=99", NULL, NULL, NULL), SQLITE_OK);
  sqlite3_close(db);
  assert_int_equal(ogv_store_open(home, &s, &err), OGV_E_CONFLICT);
  assert_non_null(strstr(err.what, "99"));
  static const char text[] = "not a database, but long enough to be read as one";
  assert_int_equal(ogv_file_write(path, text, sizeof text, &err), OGV_OK);
  assert_int_equal(ogv_store_open(home, &s, &err), OGV_E_CORRUPT);
  done(NULL);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_objects),
      cmocka_unit_test(test_ledger),
      cmocka_unit_test(test_append_only),
      cmocka_unit_test(test_pregnancies),
      cmocka_unit_test(test_identity_differs),
      cmocka_unit_test(test_findings_marks_reports),
      cmocka_unit_test(test_changes_and_access),
      cmocka_unit_test(test_opening),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
