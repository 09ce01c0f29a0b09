/* Twelve invented cases with the conclusions that the published criteria give, written from docs/rules.md's sources
 * before they were run: small / restricted growth: Gordijn SJ et al. Ultrasound Obstet Gynecol 2016;48:333-339
 * (consensus definition); small for age: below the 10th, severe below the 3rd centile (ISUOG 2020); large: weight above
 * the 90th; redating: ACOG Committee Opinion 700 (more than 7 days at 9w0d to 13w6d, more than 10 at 16w0d to 21w6d);
 *   twins: Khalil A et al. Ultrasound Obstet Gynecol 2019;53:47-54;
 *   anaemia: Mari G et al. N Engl J Med 2000;342:9-14 (1.50 MoM moderate, 1.55 severe).
 * Sizes are put at chosen z scores of the INTERGROWTH-21st charts, so the case says what it is. */
#include "report_case.h"

#include <math.h>

#include "charts_chart.h"
#include "core_date.h"
#include "obstetrics_weight.h"
#include "report_pdf.h"

static json_t *blank(const char *exam_date) {
  return json_pack("{s:s,s:{s:s},s:{s:s},s:{s:s,s:s},s:{s:s,s:s,s:s},s:{s:s,s:[s]},s:{s:[]},s:[],s:[],s:[],s:[]}",
                   "as_of", "2026-01-01T00:00:00.000Z", "report", "state", "draft", "settings", "language", "en",
                   "patient", "id", "G", "name", "Case", "exam", "id", "e9", "date", exam_date, "institution", "",
                   "pregnancy", "id", "p", "fetuses", "A", "dating", "evidence", "objects", "ledger", "history",
                   "findings");
}

static void lmp(json_t *f, const char *date) {
  json_array_append_new(json_object_get(json_object_get(f, "dating"), "evidence"),
                        json_pack("{s:s,s:s,s:i,s:b}", "basis", "lmp", "date", date, "cycle_days", 28, "certain", 1));
}

static int counter;
static void add_to(json_t *f, const char *list, const char *exam, const char *date, const char *fetus,
                   const char *quantity, double value, const char *unit) {
  char id[24];
  snprintf(id, sizeof id, "g%d", ++counter);
  json_array_append_new(json_object_get(f, list),
                        json_pack("{s:s,s:s,s:s,s:s,s:s,s:f,s:s,s:s,s:s,s:{s:s}}", "id", id, "exam", exam, "date", date,
                                  "fetus", fetus, "quantity", quantity, "value", value, "unit", unit, "source", "typed",
                                  "state", "accepted", "evidence", "type", "typed"));
}
static void add(json_t *f, const char *fetus, const char *quantity, double value, const char *unit) {
  add_to(f, "ledger", "e9", str(json_object_get(f, "exam"), "date"), fetus, quantity, value, unit);
}

static double at(const char *chart, int days, double z) {
  const ogv_chart *c;
  double v;
  assert_int_equal(ogv_chart_find(chart, &c, NULL), OGV_OK);
  assert_int_equal(ogv_chart_at_z(c, days, z, &v, NULL), OGV_OK);
  return v;
}

/* Head, abdomen and femur at z scores for an age. */
static void sizes(json_t *f, const char *list, const char *exam, const char *date, const char *fetus, int days,
                  double hc, double ac, double fl) {
  add_to(f, list, exam, date, fetus, "hc", at("intergrowth-hc", days, hc), "mm");
  add_to(f, list, exam, date, fetus, "ac", at("intergrowth-ac", days, ac), "mm");
  add_to(f, list, exam, date, fetus, "fl", at("intergrowth-fl", days, fl), "mm");
}
static void size_now(json_t *f, const char *fetus, int days, double hc, double ac, double fl) {
  sizes(f, "ledger", "e9", str(json_object_get(f, "exam"), "date"), fetus, days, hc, ac, fl);
}

static void compose(json_t *f) {
  ogv_error e = {0};
  if (ogv_facts_compose(f, &e) != OGV_OK) fail_msg("%s", e.what);
}

static const char *answer(const json_t *f, const char *rule, const char *fetus) {
  size_t i;
  json_t *a;
  json_array_foreach(
      json_object_get(f, "assessment"), i,
      a) if (!strcmp(str(a, "rule"), rule) && (!fetus || !strcmp(str(a, "fetus"), fetus))) return str(a, "answer");
  return "not asked";
}
static const char *class(const json_t *f, const char *rule, const char *fetus) {
  size_t i;
  json_t *a;
  json_array_foreach(json_object_get(f, "assessment"), i,
                     a) if (!strcmp(str(a, "rule"), rule) && !strcmp(str(a, "fetus"), fetus)) return str(a, "class");
  return "";
}
static bool said(const json_t *f, const char *template) {
  return by(json_object_get(f, "sentences"), "template", template) != NULL;
}

/* Draws and verifies each case too: a conclusion that cannot be printed and checked again is none. */
static void done(json_t *f) {
  uint8_t *pdf;
  size_t n;
  json_t *r;
  ogv_error e = {0};
  if (ogv_report_pdf(f, NULL, NULL, &pdf, &n, &e) != OGV_OK) fail_msg("%s", e.what);
  if (ogv_report_verify(pdf, n, NULL, &r, &e) != OGV_OK) fail_msg("%s", e.what);
  if (!json_is_true(json_object_get(r, "holds"))) fail_msg("%s", ogv_json_pretty(r));
  json_decref(r);
  free(pdf);
  json_decref(f);
}

#define D30 210 /* 30w0d: period 2025-06-05, exam 2026-01-01 */
#define EXAM "2026-01-01"
#define LMP30 "2025-06-05"
#define LMP34 "2025-05-08" /* 34w0d on the exam's day */

static void normal(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  size_now(f, "A", D30, 0, 0.1, -0.1);
  compose(f);
  assert_int_equal((int)num(json_object_get(f, "pregnancy"), "ga_days"), D30);
  assert_string_equal(answer(f, "sga", "A"), "not-met");
  assert_string_equal(answer(f, "lga", "A"), "not-met");
  assert_string_equal(answer(f, "fgr-early-delphi2016", "A"),
                      "cannot-tell"); /* no Doppler: absent flow would meet it */
  assert_true(said(f, "size.within"));
  done(f);
}

static void small(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP34);
  size_now(f, "A", 238, -1.2, -1.5, -1.2); /* AC about the 7th */
  add(f, "A", "ua-pi", 0.9, "1");
  add(f, "A", "mca-pi", 1.9, "1");
  compose(f);
  assert_string_equal(answer(f, "sga", "A"), "met");
  assert_string_not_equal(class(f, "sga", "A"), "severe");
  assert_string_equal(answer(f, "cpr-low", "A"), "not-met");
  assert_string_not_equal(answer(f, "fgr-late-delphi2016", "A"), "met"); /* small, flow normal: small, not restricted */
  done(f);
}

static void large(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP34);
  size_now(f, "A", 238, 1.5, 2.2, 1.5);
  compose(f);
  assert_string_equal(answer(f, "lga", "A"), "met");
  assert_string_equal(answer(f, "sga", "A"), "not-met");
  done(f);
}

static void restricted_early(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  size_now(f, "A", D30, -1.3, -2.3, -1.4); /* AC below the 3rd at 30w: solitary criterion */
  add(f, "A", "ua-pi", 1.8, "1");
  compose(f);
  assert_string_equal(answer(f, "fgr-early-delphi2016", "A"), "met");
  assert_string_equal(class(f, "sga", "A"), "severe");
  assert_string_equal(answer(f, "ua-flow", "A"), "met");
  done(f);
}

static void restricted_late(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP34);
  /* AC about the 7th and the cerebroplacental ratio far below the 5th: two of three */
  size_now(f, "A", 238, -0.8, -1.5, -0.8);
  add(f, "A", "ua-pi", 1.3, "1");
  add(f, "A", "mca-pi", 1.1, "1");
  compose(f);
  assert_string_equal(answer(f, "cpr-low", "A"), "met");
  assert_string_equal(answer(f, "fgr-late-delphi2016", "A"), "met");
  done(f);
}

static void wrong_dates(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  /* CRL 45 mm on 2025-09-04, 13w0d by the period: 78 days by INTERGROWTH (11w1d), 13 days less: more than 7, so the
   * scan dates */
  add_to(f, "history", "e1", "2025-09-04", "A", "crl", 45, "mm");
  size_now(f, "A", D30 - 13, 0, 0, 0);
  compose(f);
  const json_t *d = json_object_get(f, "dating");
  assert_string_equal(str(json_array_get(json_object_get(d, "evidence"), (size_t)num(d, "chosen")), "basis"), "crl");
  assert_float_equal(num(json_object_get(f, "pregnancy"), "ga_days"), D30 - 13, 1.01);
  assert_string_equal(answer(f, "sga", "A"), "not-met");
  done(f);
}

static void twins_with_discordance(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  json_object_set_new(json_object_get(f, "pregnancy"), "fetuses", json_pack("[s,s]", "A", "B"));
  json_object_set_new(json_object_get(f, "pregnancy"), "chorionicity", json_string("monochorionic-diamniotic"));
  size_now(f, "A", D30, 0.5, 0.8, 0.5);
  size_now(f, "B", D30, -1.2, -2.2, -1.5);
  compose(f);
  assert_string_equal(answer(f, "efw-discordance", "B"), "met");
  assert_string_equal(answer(f, "sfgr-monochorionic-khalil2019", "B"), "met"); /* weight of one below the 3rd */
  assert_string_equal(answer(f, "sga", "A"), "not-met");
  assert_string_equal(answer(f, "sga", "B"), "met");
  done(f);
}

static void anaemia_risk(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  size_now(f, "A", D30, 0, 0, 0);
  add(f, "A", "mca-psv", 1.52 * exp(2.31 + 0.046 * 30), "cm/s"); /* Mari's median exp(2.31 + 0.046 GA) */
  compose(f);
  assert_string_equal(answer(f, "mca-psv-anaemia", "A"), "met");
  assert_string_equal(class(f, "mca-psv-anaemia", "A"), "moderate");
  assert_non_null(strstr(str(first_centile(value_of(f, "A/mca-psv")), "text"), "1.5"));
  done(f);
}

static void poor_view(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  add(f, "A", "hc", at("intergrowth-hc", D30, 0), "mm"); /* only the head could be measured */
  json_array_append_new(json_object_get(f, "findings"),
                        json_pack("{s:s,s:s,s:s,s:s,s:s}", "id", "f1", "fetus", "A", "structure", "stomach", "state",
                                  "not-seen", "reason", "fetal position"));
  compose(f);
  assert_null(value_of(f, "A/efw"));
  assert_string_not_equal(answer(f, "sga", "A"), "met");
  assert_string_not_equal(answer(f, "sga", "A"), "not-met"); /* nothing known of the abdomen: no answer, not a no */
  done(f);
}

static void missing_structures(void **state) {
  (void)state;
  json_t *f = blank("2025-10-23"); /* 20w0d */
  lmp(f, LMP30);
  size_now(f, "A", 140, 0, 0, 0);
  json_object_set_new(json_object_get(f, "exam"), "protocol", json_string("second-trimester"));
  json_array_append_new(json_object_get(f, "findings"), json_pack("{s:s,s:s,s:s,s:s}", "id", "f1", "fetus", "A",
                                                                  "structure", "stomach", "state", "normal"));
  json_array_append_new(json_object_get(f, "findings"),
                        json_pack("{s:s,s:s,s:s,s:s,s:s}", "id", "f2", "fetus", "A", "structure", "profile", "state",
                                  "not-seen", "reason", "fetal position"));
  compose(f);
  const json_t *c = json_object_get(f, "coverage");
  assert_string_equal(str(json_object_get(c, "protocol"), "id"), "second-trimester");
  assert_string_equal(str(by(json_object_get(c, "structures"), "structure", "stomach"), "state"), "normal");
  assert_string_equal(str(by(json_object_get(c, "structures"), "structure", "profile"), "state"), "not-seen");
  assert_string_equal(str(by(json_object_get(c, "structures"), "structure", "spine"), "state"), "missing");
  assert_non_null(by(json_object_get(f, "limits"), "code", "incomplete"));
  assert_string_equal(str(json_object_get(c, "again"), "date"), "2025-11-06"); /* 14 days on: common practice */
  done(f);
}

static void no_dating(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  add(f, "A", "ac", 240, "mm");
  compose(f);
  assert_null(json_object_get(json_object_get(f, "pregnancy"), "ga_days"));
  assert_non_null(by(json_object_get(f, "limits"), "code", "no-dating"));
  assert_string_not_equal(answer(f, "sga", "A"), "met");
  assert_string_not_equal(answer(f, "sga", "A"), "not-met");
  done(f);
}

static void conflicting_dates(void **state) {
  (void)state;
  json_t *f = blank(EXAM);
  lmp(f, LMP30);
  add_to(f, "history", "e1", "2025-09-04", "A", "crl", 45, "mm");
  size_now(f, "A", D30, 0, 0, 0);
  /* a person decided for the period against the rule: it stands, and the rule's other answer is shown */
  json_object_set_new(json_object_get(f, "dating"), "decision",
                      json_pack("{s:s,s:s,s:s,s:s,s:s}", "edd", "2026-03-12", "rule", "person", "reason",
                                "Transfer date known to the clinic.", "who", "L", "when", "2025-09-04T10:00:00.000Z"));
  compose(f);
  assert_string_equal(str(json_object_get(f, "dating"), "state"), "decided");
  assert_int_equal((int)num(json_object_get(f, "pregnancy"), "ga_days"), D30);
  assert_non_null(json_object_get(json_object_get(f, "dating"), "proposal"));
  assert_non_null(by(json_object_get(f, "limits"), "code", "dating-differs"));
  done(f);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(normal),
                                     cmocka_unit_test(small),
                                     cmocka_unit_test(large),
                                     cmocka_unit_test(restricted_early),
                                     cmocka_unit_test(restricted_late),
                                     cmocka_unit_test(wrong_dates),
                                     cmocka_unit_test(twins_with_discordance),
                                     cmocka_unit_test(anaemia_risk),
                                     cmocka_unit_test(poor_view),
                                     cmocka_unit_test(missing_structures),
                                     cmocka_unit_test(no_dating),
                                     cmocka_unit_test(conflicting_dates)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
