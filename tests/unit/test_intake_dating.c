/* Dating in the record: decided once, by rule or by a person; later evidence raises a note and moves nothing. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../src/intake/private/intake_internal.h"
#include "core_json.h"
#include "intake_dating.h"
#include "obstetrics_dating.h"
#include "record_access.h"
#include "report_facts.h"

static char home[256], pregnancy[20];

static ogv_store *fresh(void) {
  ogv_error err = {0};
  ogv_store *s = NULL;
  snprintf(home, sizeof home, "%s/ogive-dating-XXXXXX", access("/dev/shm", W_OK) ? "/tmp" : "/dev/shm");
  assert_non_null(mkdtemp(home));
  assert_int_equal(ogv_store_init(home, &err), OGV_OK);
  assert_int_equal(ogv_store_open(home, &s, &err), OGV_OK);
  return s;
}

static void done(ogv_store *s) {
  char cmd[300];
  ogv_store_close(s);
  snprintf(cmd, sizeof cmd, "rm -rf '%s'", home);
  assert_int_equal(system(cmd), 0);
}

static void exam_on(ogv_store *s, const char *study, const char *date, char exam[20]) {
  ogv_error err = {0};
  char object[20];
  bool added;
  json_t *about = json_pack("{s:s,s:s,s:s,s:s,s:s}", "patient_id", "P", "study", study, "study_date", date, "instance",
                            study, "kind", "image");
  assert_int_equal(ogv_store_add_object(s, study, strlen(study), about, object, exam, &added, &err), OGV_OK);
  json_decref(about);
  assert_int_equal(ogv_store_exam_pregnancy(s, exam, pregnancy, &err), OGV_OK);
}

static void measure(ogv_store *s, const char *exam, const char *fetus, const char *quantity, double value,
                    const char *source, const char *supersedes, char id[20]) {
  ogv_error err = {0};
  json_t *row = json_pack("{s:s,s:s,s:s,s:f,s:s,s:s,s:s,s:s*}", "exam", exam, "fetus", fetus, "quantity", quantity,
                          "value", value, "unit", "mm", "source", source, "why", supersedes ? "rump was cut" : "",
                          "supersedes", supersedes);
  ogv_status st = ogv_store_measure(s, row, "ada", id, &err);
  if (st != OGV_OK) print_message("%s\n", err.what);
  assert_int_equal(st, OGV_OK);
  json_decref(row);
}

static void lmp(ogv_store *s, const char *date) {
  ogv_error err = {0};
  json_t *e = json_pack("{s:s,s:s}", "basis", "lmp", "date", date);
  assert_int_equal(ogv_store_dating_evidence(s, pregnancy, e, "ada", &err), OGV_OK);
  json_decref(e);
}

static void date_it(ogv_store *s, const char *state, const char *edd) {
  ogv_error err = {0};
  json_t *out = NULL;
  ogv_status st = ogv_intake_date(s, pregnancy, NULL, NULL, &out, &err);
  if (st != OGV_OK) print_message("%s\n", err.what);
  assert_int_equal(st, OGV_OK);
  assert_string_equal(json_string_value(json_object_get(out, "state")), state);
  if (edd) assert_string_equal(json_string_value(json_object_get(json_object_get(out, "decision"), "edd")), edd);
  json_decref(out);
}

static size_t notes(ogv_store *s, const char *exam, const char *verb) {
  ogv_error err = {0};
  json_t *e, *n;
  size_t i, count = 0;
  assert_int_equal(ogv_store_exam(s, exam, &e, &err), OGV_OK);
  json_array_foreach(json_object_get(e, "notes"), i, n) count += !strcmp(ogv_json_string_or(n, "verb", ""), verb);
  json_decref(e);
  return count;
}

/* Evidence of one basis that is not withdrawn, and its value. */
static size_t evidence(ogv_store *s, const char *basis, double *value) {
  ogv_error err = {0};
  json_t *p, *v;
  size_t i, count = 0;
  assert_int_equal(ogv_store_pregnancy(s, pregnancy, &p, &err), OGV_OK);
  json_array_foreach(json_object_get(p, "evidence"), i, v) {
    if (strcmp(ogv_json_string_or(v, "basis", ""), basis) || json_is_true(json_object_get(v, "withdrawn"))) continue;
    *value = ogv_json_number_or(v, "value", 0);
    count++;
  }
  json_decref(p);
  return count;
}

/* The report finds nothing in the ledger that the record has not written down as evidence: both ask one function. */
static void facts_say_the_same(ogv_store *s, const char *exam, size_t scans) {
  ogv_error err = {0};
  json_t *f, *e;
  size_t i, count = 0;
  assert_int_equal(ogv_report_facts(s, exam, &f, &err), OGV_OK);
  json_array_foreach(json_object_get(json_object_get(f, "dating"), "evidence"), i, e) {
    assert_false(json_is_true(json_object_get(e, "from_ledger")));
    count += !strcmp(ogv_json_string_or(e, "basis", ""), "crl");
  }
  assert_int_equal(count, scans);
  json_decref(f);
}

static const char *due(ogv_store *s) {
  static char edd[20];
  ogv_error err = {0};
  json_t *p;
  assert_int_equal(ogv_store_pregnancy(s, pregnancy, &p, &err), OGV_OK);
  snprintf(edd, sizeof edd, "%s", ogv_json_string_or(json_object_get(p, "dating"), "edd", ""));
  json_decref(p);
  return edd;
}

static const char *due_by_crl(double mm) {
  static char edd[OGV_DATE_TEXT];
  ogv_dating_estimate s;
  ogv_dating_evidence e = {.basis = OGV_DATING_CRL, .value_mm = mm};
  assert_int_equal(ogv_date_parse("2026-03-26", &e.date, NULL), OGV_OK);
  assert_int_equal(ogv_dating_estimate_from(&e, &s, NULL), OGV_OK);
  return ogv_date_text(s.edd, edd);
}

/* 280 days from the first day of the period (Naegele): 2026-01-01 gives 2026-10-08. */
static void test_period_decides_and_stands(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], a[20], b[20];
  exam_on(s, "1.1", "2026-03-26", exam); /* 12w0d by the period */
  date_it(s, "undated", NULL);
  lmp(s, "2026-01-01");
  date_it(s, "decided", "2026-10-08");
  assert_int_equal(notes(s, exam, "dated"), 1);
  date_it(s, "kept", "2026-10-08");
  /* A crown-rump length of 85 mm is about 14 weeks, two weeks more: ACOG 700 allows 7 days at 9w0d to 13w6d. */
  measure(s, exam, "A", "crl", 83, "typed", NULL, a);
  date_it(s, "differs", "2026-10-08");
  date_it(s, "differs", "2026-10-08");
  assert_int_equal(notes(s, exam, "dating-differs"), 1); /* said once */
  json_t *out = NULL;
  assert_int_equal(ogv_intake_decide(s, pregnancy, NULL, NULL, NULL, "bea", &out, &err), OGV_E_CONFLICT);
  assert_non_null(strstr(err.what, "2026-10-08"));
  assert_int_equal(ogv_intake_decide(s, pregnancy, NULL, NULL, "period was a bleed", "bea", &out, &err), OGV_OK);
  const json_t *d = json_object_get(out, "decision");
  assert_string_not_equal(json_string_value(json_object_get(d, "edd")), "2026-10-08");
  assert_string_equal(json_string_value(json_object_get(d, "who")), "bea");
  assert_null(json_object_get(d, "automatic"));
  json_decref(out);
  /* The measurement is corrected: the evidence follows, the decision does not. */
  char before[16];
  json_t *p;
  assert_int_equal(ogv_store_pregnancy(s, pregnancy, &p, &err), OGV_OK);
  snprintf(before, sizeof before, "%s", json_string_value(json_object_get(p, "edd")));
  assert_int_equal(json_array_size(json_object_get(p, "datings")), 2); /* the first decision is still there */
  json_decref(p);
  measure(s, exam, "A", "crl", 58, "typed", a, b);
  date_it(s, "differs", before);
  double value = 0;
  assert_int_equal(evidence(s, "crl", &value), 1);
  assert_true(value == 58);
  done(s);
}

static void test_which_reading(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], id[20];
  double value = 0;
  exam_on(s, "1.1", "2026-03-26", exam);
  measure(s, exam, "A", "crl", 50, "imported", NULL, id);
  measure(s, exam, "A", "crl", 52, "imported", NULL, id);
  measure(s, exam, "B", "crl", 54, "imported", NULL, id);
  measure(s, exam, "B", "crl", 90, "proposed", NULL, id); /* nobody accepted it */
  date_it(s, "decided", NULL);
  assert_int_equal(evidence(s, "crl", &value), 2); /* one for each twin */
  assert_true(value == 54);
  facts_say_the_same(s, exam, 2);
  assert_string_equal(due(s), due_by_crl(54));            /* the larger twin dates */
  measure(s, exam, "A", "crl", 58, "geometry", NULL, id); /* a picture goes before a report */
  date_it(s, "differs", NULL);                            /* and is three days off: said, not done */
  assert_int_equal(evidence(s, "crl", &value), 2);
  assert_true(value == 58);
  facts_say_the_same(s, exam, 2);
  assert_int_equal(ogv_store_measure_event(s, id, "withdrawn", "wrong fetus", "ada", -1, &err), OGV_OK);
  date_it(s, "kept", NULL);
  assert_int_equal(evidence(s, "crl", &value), 2);
  assert_true(value == 54); /* the earlier evidence holds again */
  facts_say_the_same(s, exam, 2);
  done(s);
}

static void test_rule_and_own_date(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], id[20];
  json_t *out = NULL, *rule = json_string("scan-always");
  exam_on(s, "1.1", "2026-03-26", exam);
  lmp(s, "2026-01-01");
  measure(s, exam, "A", "crl", 56, "typed", NULL, id);
  assert_int_equal(ogv_store_setting_put(s, "dating.rule", rule, "lead", &err), OGV_OK);
  json_decref(rule);
  assert_int_equal(ogv_intake_date(s, pregnancy, NULL, NULL, &out, &err), OGV_OK);
  assert_string_equal(json_string_value(json_object_get(json_object_get(out, "decision"), "rule")), "scan-always");
  assert_string_equal(json_string_value(json_object_get(json_object_get(out, "decision"), "who")), "rule scan-always");
  json_decref(out);
  assert_int_equal(ogv_intake_decide(s, pregnancy, NULL, "2026-10-03", "", "bea", &out, &err), OGV_E_INVALID);
  assert_int_equal(
      ogv_intake_decide(s, pregnancy, NULL, "2026-10-03", "assisted conception elsewhere", "bea", &out, &err), OGV_OK);
  assert_string_equal(json_string_value(json_object_get(json_object_get(out, "decision"), "edd")), "2026-10-03");
  json_decref(out);
  assert_int_equal(ogv_intake_decide(s, pregnancy, NULL, "2026-02-30", "typing", "bea", &out, &err), OGV_E_INVALID);
  done(s);
}

/* Only the first biometry dates: at the second exam size is growth. */
static void test_first_biometry(void **state) {
  (void)state;
  ogv_store *s = fresh();
  ogv_error err = {0};
  char exam[20], second[20], id[20];
  exam_on(s, "1.1", "2026-06-01", exam);
  measure(s, exam, "A", "hc", 175, "typed", NULL, id);
  measure(s, exam, "A", "fl", 32, "typed", NULL, id);
  exam_on(s, "1.2", "2026-07-20", second);
  measure(s, second, "A", "hc", 230, "typed", NULL, id);
  date_it(s, "decided", NULL);
  json_t *p, *v;
  size_t i, n = 0;
  assert_int_equal(ogv_store_pregnancy(s, pregnancy, &p, &err), OGV_OK);
  json_array_foreach(json_object_get(p, "evidence"), i, v) {
    assert_string_equal(ogv_json_string_or(v, "basis", ""), "biometry");
    assert_string_equal(ogv_json_string_or(v, "date", ""), "2026-06-01");
    assert_true(ogv_json_number_or(v, "hc", 0) == 175 && ogv_json_number_or(v, "fl", 0) == 32);
    n++;
  }
  assert_int_equal(n, 1);
  json_decref(p);
  done(s);
}

static void test_fetus_labels(void **state) {
  (void)state;
  static const char *const pairs[][2] = {{"", "A"},
                                         {"  ", "A"},
                                         {"a", "A"},
                                         {"B", "B"},
                                         {"1", "A"},
                                         {"2", "B"},
                                         {"Fetus 2", "B"},
                                         {"FETUS B", "B"},
                                         {"Fetus #3", "C"},
                                         {"Emma", "Emma"},
                                         {"0", "0"},
                                         {"12", "12"},
                                         {"upper left", "upper left"}};
  for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
    char label[32];
    ogv_intake_fetus(pairs[i][0], label);
    assert_string_equal(label, pairs[i][1]);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_period_decides_and_stands),
      cmocka_unit_test(test_which_reading),
      cmocka_unit_test(test_rule_and_own_date),
      cmocka_unit_test(test_first_biometry),
      cmocka_unit_test(test_fetus_labels),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
