/* Which readings make a value, by each rule that a protocol may name; and what a protocol must not say. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_dating_scans.h"
#include "obstetrics_protocol.h"
#include "obstetrics_readings.h"

static json_t *row(const char *id, const char *fetus, const char *quantity, double value, double sd, const char *type,
                   const char *derivation) {
  return json_pack("{s:s,s:s,s:s,s:s,s:f,s:s,s:f,s:s,s:{s:s}}", "id", id, "fetus", fetus, "quantity", quantity, "state",
                   "accepted", "value", value, "unit", "mm", "sd", sd, "derivation", derivation, "evidence", "type",
                   type);
}

/* Three readings of a cervix with calipers, one of them surer than the others. */
static json_t *three(void) {
  return json_pack("[o,o,o]", row("a", "A", "cl", 33, 2, "geometry", ""), row("b", "A", "cl", 30, 1.5, "geometry", ""),
                   row("c", "A", "cl", 36, 1.5, "geometry", ""));
}

static void each_rule_takes_its_reading(void **state) {
  (void)state;
  static const struct {
    const char *word, *rule;
    double value;
    const char *id; /* NULL: all three */
  } cases[] = {{"mean", "mean-of-repeats", 33, NULL},
               {"best", "best-of-repeats", 36, "c"}, /* of the two surest the later */
               {"last", "last-of-repeats", 36, "c"},
               {"smallest", "smallest-of-repeats", 30, "b"},
               {"largest", "largest-of-repeats", 36, "c"}};
  const ogv_quantity *q = ogv_quantity_find("cl");
  json_t *rows = three();
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    ogv_repeat_rule rule;
    ogv_readings r;
    assert_true(ogv_repeat_rule_of(cases[i].word, &rule));
    assert_true(ogv_readings_choose(rows, q, "A", rule, &r));
    assert_string_equal(r.rule, cases[i].rule);
    assert_float_equal(r.value, cases[i].value, 1e-12);
    assert_int_equal(r.n_same, 3);
    assert_int_equal(r.n_use, cases[i].id ? 1 : 3);
    if (cases[i].id) assert_string_equal(ogv_json_string_or(r.use[0]->row, "id", ""), cases[i].id);
  }
  json_decref(rows);
}

static void other_sources_and_words(void **state) {
  (void)state;
  const ogv_quantity *q = ogv_quantity_find("cl");
  ogv_repeat_rule rule;
  ogv_readings r;
  assert_false(ogv_repeat_rule_of("median", &rule));
  assert_false(ogv_repeat_rule_of(NULL, &rule));
  /* a typed value does not join readings with calipers, whatever the rule; another fetus neither */
  json_t *rows = three();
  json_array_append_new(rows, row("t", "A", "cl", 10, 2, "typed", ""));
  json_array_append_new(rows, row("o", "B", "cl", 9, 2, "geometry", ""));
  assert_true(ogv_readings_choose(rows, q, "A", OGV_REPEATS_SMALLEST, &r));
  assert_float_equal(r.value, 30, 1e-12);
  assert_int_equal(r.n, 4);
  /* one whose unit does not fit is left out and named */
  json_object_set_new(json_array_get(rows, 1), "unit", json_string("ml"));
  assert_true(ogv_readings_choose(rows, q, "A", OGV_REPEATS_SMALLEST, &r));
  assert_float_equal(r.value, 33, 1e-12);
  assert_true(r.unit.code != OGV_OK && strstr(r.unit.what, "ml"));
  json_decref(rows);
  /* a sender's mean is no reading: it counts only where there is nothing else, or the mean is wanted */
  rows = json_pack("[o,o,o]", row("a", "A", "cl", 30, 2, "report-item", ""),
                   row("b", "A", "cl", 34, 2, "report-item", ""), row("m", "A", "cl", 25, 2, "report-item", "mean"));
  assert_true(ogv_readings_choose(rows, q, "A", OGV_REPEATS_SMALLEST, &r));
  assert_float_equal(r.value, 30, 1e-12);
  assert_true(ogv_readings_choose(rows, q, "A", OGV_REPEATS_MEAN, &r));
  assert_string_equal(r.rule, "reported-mean");
  assert_float_equal(r.value, 25, 1e-12);
  json_decref(rows);
}

static json_t *protocol(const char *key, json_t *value) {
  return json_pack("{s:s,s:s,s:[{s:s,s:[{s:s,s:o}]}]}", "id", "ours", "title", "Ours", "groups", "title", "Head",
                   "rows", "quantity", "hc", key, value);
}

static void refused(const char *key, json_t *value, ogv_status code, const char *says) {
  ogv_error err = {0};
  json_t *p = protocol(key, value);
  assert_int_equal(ogv_protocol_check(p, "protocols/ours.json", &err), code);
  if (!strstr(err.what, says) || !strstr(err.what, "protocols/ours.json") || !strstr(err.what, "Head"))
    fail_msg("\"%s\" does not say file, group and \"%s\"", err.what, says);
  json_decref(p);
}

static void a_protocol_is_checked(void **state) {
  (void)state;
  ogv_error err = {0};
  json_t *good = protocol("rule", json_string("last"));
  bool stated;
  assert_int_equal(ogv_protocol_check(good, "x", &err), OGV_OK);
  assert_int_equal(ogv_protocol_repeats(good, "hc", &stated), OGV_REPEATS_LAST);
  assert_true(stated);
  assert_int_equal(ogv_protocol_repeats(good, "ac", &stated), OGV_REPEATS_MEAN);
  assert_false(stated);
  assert_int_equal(ogv_protocol_repeats(NULL, "ac", NULL), OGV_REPEATS_MEAN);
  json_decref(good);
  refused("rule", json_string("median"), OGV_E_INVALID, "no rule \"median\"");
  refused("rule", json_integer(2), OGV_E_INVALID, "rule");
  refused("charts", json_pack("[s]", "no-such"), OGV_E_NOT_FOUND, "no-such");
  refused("charts", json_pack("[s]", "intergrowth-ac"), OGV_E_INVALID, "intergrowth-ac is not for hc");
  refused("charts", json_string("intergrowth-hc"), OGV_E_INVALID, "\"charts\" is not a list");
  refused("repeats", json_integer(12), OGV_E_RANGE, "repeats");
}

static ogv_status visit(void *user, const ogv_resource *res, ogv_error *err) {
  json_t *p;
  OGV_TRY(ogv_json_parse((const char *)res->data, res->size, res->path, &p, err));
  ogv_status s = ogv_protocol_check(p, res->path, err);
  json_decref(p);
  ++*(int *)user;
  return s;
}

static void those_that_ship_are_good(void **state) {
  (void)state;
  ogv_error err = {0};
  int n = 0;
  if (ogv_resource_each("protocols/", visit, &n, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_true(n >= 7);
}

/* CRL of each exam and fetus; biometry once, at the first head or femur, and not after a CRL that dates well (up to 84
 * mm); the protocol's rule for repeats holds. */
static void scans_that_date(void **state) {
  (void)state;
  ogv_error err = {0};
  json_t *out,
      *exams = json_pack(
          "[{s:s,s:s,s:[o,o,o],s:o},{s:s,s:s,s:[o,o]},{s:s,s:s,s:[o]},{s:s,s:s,s:[o]}]", "exam", "e1", "date",
          "2026-03-26", "rows", row("1", "A", "crl", 88, 1, "geometry", ""),
          row("2", "A", "crl", 86, 1, "geometry", ""), row("3", "B", "crl", 54, 1, "geometry", ""), "protocol",
          json_pack("{s:[{s:[{s:s,s:s}]}]}", "groups", "rows", "quantity", "crl", "rule", "last"), "exam", "e2", "date",
          "2026-05-01", "rows", row("4", "A", "ac", 150, 1, "geometry", ""), row("5", "B", "fl", 30, 1, "geometry", ""),
          "exam", "e3", "date", "2026-06-01", "rows", row("6", "A", "hc", 200, 1, "geometry", ""), "exam", "e4", "date",
          "2026-07-01", "rows", row("7", "A", "hc", 250, 1, "geometry", ""));
  assert_int_equal(ogv_dating_scans(exams, &out, &err), OGV_OK);
  static const struct {
    const char *exam, *fetus, *basis, *key;
    double value;
  } want[] = {
      {"e1", "A", "crl", "value_mm", 86}, {"e3", "A", "biometry", "hc_mm", 200}, {"e1", "B", "crl", "value_mm", 54}};
  assert_int_equal(json_array_size(out), 3);
  for (size_t i = 0; i < 3; i++) {
    const json_t *p = json_array_get(out, i);
    assert_string_equal(ogv_json_string_or(p, "exam", ""), want[i].exam);
    assert_string_equal(ogv_json_string_or(p, "fetus", ""), want[i].fetus);
    assert_string_equal(ogv_json_string_or(p, "basis", ""), want[i].basis);
    assert_float_equal(ogv_json_number_or(p, want[i].key, 0), want[i].value, 1e-12);
    assert_int_equal(json_array_size(json_object_get(p, "measurements")), 1);
  }
  json_decref(out);
  json_decref(exams);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(each_rule_takes_its_reading),
                                     cmocka_unit_test(other_sources_and_words), cmocka_unit_test(a_protocol_is_checked),
                                     cmocka_unit_test(those_that_ship_are_good), cmocka_unit_test(scans_that_date)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
