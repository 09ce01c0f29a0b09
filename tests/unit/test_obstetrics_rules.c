/* Classification rules: worked examples, three-valued answers, limits, completing of facts. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_rules.h"

static json_t *facts_of(const char *text, bool complete) {
  json_error_t je;
  json_t *f = json_loads(text, 0, &je);
  ogv_error err = {0};
  if (!f) fail_msg("%s: %s", text, je.text);
  if (complete && ogv_rule_facts_complete(f, &err) != OGV_OK) fail_msg("%s", err.what);
  return f;
}

static json_t *apply(const char *rule, const char *fetus, const char *text) {
  json_t *f = facts_of(text, true), *out;
  ogv_error err = {0};
  const ogv_rule *r = ogv_rule_find(rule);
  if (!r) fail_msg("no rule %s", rule);
  if (ogv_rule_apply(r, f, fetus, &out, &err) != OGV_OK) fail_msg("%s", err.what);
  json_decref(f);
  return out;
}

static void expect(const char *rule, const char *fetus, const char *text, const char *answer, const char *class) {
  json_t *o = apply(rule, fetus, text);
  if (strcmp(ogv_json_string_or(o, "answer", ""), answer) ||
      (class && strcmp(ogv_json_string_or(o, "class", ""), class))) {
    char *all = ogv_json_pretty(o);
    fail_msg("%s on %s: wanted %s %s, got %s", rule, text, answer, class ? class : "", all);
  }
  json_decref(o);
}

static void rule_files_are_sound(void **state) {
  (void)state;
  ogv_error err = {0};
  if (ogv_rule_check(&err) != OGV_OK) fail_msg("%s", err.what);
  size_t n = 0;
  for (; ogv_rule_at(n); n++) assert_true(*ogv_rule_at(n)->citation);
  assert_true(n > 30);
}

/* Gordijn 2016 (doi 10.1002/uog.15884), worked: 30w0d EFW 8th, UA PI 96th: met. 34w0d EFW 8th, UA PI 50th, CPR 20th, no
 * crossing: not met (small only). 34w0d EFW 30th after the 85th, CPR 4th: met. */
static void growth_restriction_worked_examples(void **state) {
  (void)state;
  const char *early = "fgr-early-delphi2016", *late = "fgr-late-delphi2016";
  expect(early, "A",
         "{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":8},\"ac\":{\"centile\":20},"
         "\"ua-pi\":{\"centile\":96},\"ua-edf\":\"forward\"}}}",
         "met", NULL);
  expect(late, "A",
         "{\"ga\":\"34w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":8,\"centile_fall\":5},\"ac\":{\"centile\":20,"
         "\"centile_fall\":0},"
         "\"ua-pi\":{\"centile\":50},\"cpr\":{\"centile\":20}}}}",
         "not-met", NULL);
  expect("sga", "A", "{\"ga\":\"34w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":8},\"ac\":{\"centile\":20}}}}", "met",
         "small");
  expect(late, "A",
         "{\"ga\":\"34w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":30,\"centile_fall\":55},\"ac\":{\"centile\":20,"
         "\"centile_fall\":0},"
         "\"ua-pi\":{\"centile\":50},\"cpr\":{\"centile\":4}}}}",
         "met", NULL);
  /* the definitions part at 32w0d */
  expect(early, "A", "{\"ga\":\"32w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":1}}}}", "not-met", NULL);
  expect(late, "A", "{\"ga\":\"32w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":1}}}}", "met", NULL);
  expect(late, "A", "{\"ga\":\"31w6d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":1}}}}", "not-met", NULL);
  expect(early, "A", "{\"ga\":\"30w0d\",\"anomaly\":true,\"fetuses\":{\"A\":{\"efw\":{\"centile\":1}}}}", "not-met",
         NULL);
}

static void a_missing_fact_is_never_a_no(void **state) {
  (void)state;
  json_t *o = apply("fgr-early-delphi2016", "A", "{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":{\"centile\":8}}}}");
  assert_string_equal(ogv_json_string_or(o, "answer", ""), "cannot-tell");
  const char *want[] = {"ac.centile", "ua-edf", "uta-pi.centile", "ua-pi.centile"};
  const json_t *missing = json_object_get(o, "missing");
  for (size_t i = 0; i < 4; i++) {
    bool found = false;
    for (size_t k = 0; k < json_array_size(missing); k++)
      found |= !strcmp(json_string_value(json_array_get(missing, k)), want[i]);
    if (!found) fail_msg("%s is not listed as missing", want[i]);
  }
  assert_true(json_number_value(json_object_get(json_object_get(o, "used"), "efw.centile")) == 8);
  json_decref(o);
  expect("fgr-early-delphi2016", "A", "{\"fetuses\":{\"A\":{\"efw\":{\"centile\":1}}}}", "cannot-tell",
         NULL); /* no age */
  expect("mca-psv-anaemia", "A", "{\"ga\":\"28w0d\",\"fetuses\":{\"A\":{}}}", "cannot-tell", NULL);
}

/* "Less than the 10th centile" is strict and unrounded; "20 mm or more" is not low. */
static void limits_are_strict(void **state) {
  (void)state;
  expect("fgr-smfm2020", "A", "{\"fetuses\":{\"A\":{\"efw\":{\"centile\":9.9999},\"ac\":{\"centile\":50}}}}", "met",
         NULL);
  expect("fgr-smfm2020", "A", "{\"fetuses\":{\"A\":{\"efw\":{\"centile\":10},\"ac\":{\"centile\":50}}}}", "not-met",
         NULL);
  expect("fluid-pocket", "A", "{\"fetuses\":{\"A\":{\"dvp\":19.9}}}", "met", "oligohydramnios");
  expect("fluid-pocket", "A", "{\"fetuses\":{\"A\":{\"dvp\":20}}}", "not-met", "normal");
  expect("fluid-pocket", "A", "{\"fetuses\":{\"A\":{\"dvp\":80}}}", "not-met", "normal");
  expect("fluid-pocket", "A", "{\"fetuses\":{\"A\":{\"dvp\":{\"value\":8.1,\"unit\":\"cm\"}}}}", "met",
         "polyhydramnios");
  expect("placenta-site", NULL, "{\"ga\":\"20w0d\",\"fetuses\":{\"A\":{}},\"pregnancy\":{\"placenta-os\":-1}}", "met",
         "previa");
  expect("placenta-site", NULL, "{\"ga\":\"20w0d\",\"fetuses\":{\"A\":{}},\"pregnancy\":{\"placenta-os\":0}}", "met",
         "low-lying");
  expect("placenta-site", NULL, "{\"ga\":\"20w0d\",\"fetuses\":{\"A\":{}},\"pregnancy\":{\"placenta-os\":20}}",
         "not-met", "not-low");
  expect("short-cervix", NULL, "{\"ga\":\"22w0d\",\"fetuses\":{\"A\":{}},\"pregnancy\":{\"cl\":24.9}}", "met", NULL);
  expect("short-cervix", NULL, "{\"ga\":\"22w0d\",\"fetuses\":{\"A\":{}},\"pregnancy\":{\"cl\":25}}", "not-met", NULL);
  expect("ventriculomegaly", "A", "{\"fetuses\":{\"A\":{\"va\":10}}}", "met", NULL);
  expect("ventriculomegaly", "A", "{\"fetuses\":{\"A\":{\"va\":9.9}}}", "not-met", NULL);
  expect("fluid-index", "A", "{\"fetuses\":{\"A\":{\"afi\":50}}}", "met", "oligohydramnios");
  expect("fluid-index", "A", "{\"fetuses\":{\"A\":{\"afi\":240}}}", "not-met", "normal");
}

/* Khalil 2019 (doi 10.1002/uog.19013); discordance 2000 and 1500 g: 25.0 %. */
static void twins_by_chorionicity(void **state) {
  (void)state;
  const char *mono =
      "{\"ga\":\"28w0d\",\"chorionicity\":\"monochorionic-diamniotic\",\"fetuses\":{"
      "\"A\":{\"efw\":{\"value\":2000,\"centile\":60},\"ac\":{\"centile\":50},\"ua-pi\":{\"centile\":50}},"
      "\"B\":{\"efw\":{\"value\":1500,\"centile\":20},\"ac\":{\"centile\":9},\"ua-pi\":{\"centile\":50}}}}";
  json_t *f = facts_of(mono, true);
  json_t *b = json_object_get(json_object_get(f, "fetuses"), "B");
  assert_true(fabs(json_number_value(json_object_get(b, "discordance")) - 25.0) < 1e-12);
  assert_true(json_is_true(json_object_get(b, "smaller")));
  json_decref(f);
  expect("sfgr-monochorionic-khalil2019", "B", mono, "met", NULL);     /* AC and discordance: two of four */
  expect("sfgr-monochorionic-khalil2019", "A", mono, "not-met", NULL); /* the larger one */
  expect("sfgr-dichorionic-khalil2019", "B", mono, "not-met", NULL);   /* another chorionicity */
  expect("efw-discordance", "B", mono, "met", NULL);
  const char *unknown =
      "{\"ga\":\"28w0d\",\"chorionicity\":\"unknown\",\"fetuses\":{\"A\":{\"efw\":{\"value\":2000,\"centile\":60}},"
      "\"B\":{\"efw\":{\"value\":1500,\"centile\":2}}}}";
  expect("sfgr-monochorionic-khalil2019", "B", unknown, "cannot-tell", NULL);
  const char *well = /* nothing of the definition is met: not met, whatever the chorionicity is */
      "{\"ga\":\"28w0d\",\"chorionicity\":\"unknown\",\"fetuses\":{\"A\":{\"efw\":{\"value\":1300,\"centile\":60},"
      "\"ac\":{\"centile\":50},\"ua-pi\":{\"centile\":50}},\"B\":{\"efw\":{\"value\":1250,\"centile\":50},"
      "\"ac\":{\"centile\":50},\"ua-pi\":{\"centile\":50}}}}";
  expect("sfgr-monochorionic-khalil2019", "B", well, "not-met", NULL);
  const char *di =
      "{\"ga\":\"28w0d\",\"chorionicity\":\"dichorionic\",\"fetuses\":{\"A\":{\"efw\":{\"value\":2000,\"centile\":60}},"
      "\"B\":{\"efw\":{\"value\":1500,\"centile\":9},\"ua-pi\":{\"centile\":40}},\"C\":{\"efw\":{\"value\":1900,"
      "\"centile\":40},\"ua-pi\":{\"centile\":96}}}}";
  expect("sfgr-dichorionic-khalil2019", "B", di, "met", NULL);
  expect("sfgr-dichorionic-khalil2019", "C", di, "not-met", NULL);
  expect("fgr-early-delphi2016", "B", di, "not-met", NULL); /* the definition is for one fetus */
}

/* Mari 2000 (doi 10.1056/NEJM200001063420102): 62 cm/s at 28w0d is 1.68 MoM. */
static void centiles_and_multiples_are_computed(void **state) {
  (void)state;
  expect("mca-psv-anaemia", "A", "{\"ga\":\"28w0d\",\"fetuses\":{\"A\":{\"mca-psv\":62}}}", "met", "severe");
  expect("mca-psv-anaemia", "A",
         "{\"ga\":\"28w0d\",\"fetuses\":{\"A\":{\"mca-psv\":{\"value\":0.40,\"unit\":\"m/s\"}}}}", "not-met", "none");
  json_t *f = facts_of(
      "{\"ga\":\"32w0d\",\"fetuses\":{\"A\":{\"hc\":295,\"ac\":275,\"fl\":60,\"ua-pi\":1.25,\"mca-pi\":1.40}},"
      "\"pregnancy\":{\"uta-pi-left\":1.2,\"uta-pi-right\":0.8}}",
      true);
  const json_t *a = json_object_get(json_object_get(f, "fetuses"), "A"), *efw = json_object_get(a, "efw");
  assert_true(fabs(json_number_value(json_object_get(efw, "value")) - 1804.1) < 0.06); /* Hadlock 1985, worked */
  assert_string_equal(ogv_json_string_or(efw, "chart", ""), "intergrowth-efw-hadlock");
  assert_true(json_is_true(json_object_get(efw, "derived")) && json_number_value(json_object_get(efw, "z_sd")) > 0.1);
  assert_true(fabs(json_number_value(json_object_get(json_object_get(a, "cpr"), "value")) - 1.12) < 1e-12);
  /* Ciobanu 2019 (doi 10.1002/uog.20157), worked at 32w0d: CPR 1.12 is z -2.899 */
  assert_true(fabs(json_number_value(json_object_get(json_object_get(a, "cpr"), "z")) + 2.899) < 0.001);
  const json_t *ut = json_object_get(json_object_get(f, "pregnancy"), "uta-pi");
  assert_true(fabs(json_number_value(json_object_get(ut, "value")) - 1.0) < 1e-12);
  json_decref(f);
}

static void what_is_given_is_not_replaced(void **state) {
  (void)state;
  json_t *f = facts_of(
      "{\"ga\":\"32w0d\",\"fetuses\":{\"A\":{\"hc\":295,\"ac\":275,\"fl\":60,\"efw\":{\"value\":1700,\"centile\":12}}}"
      "}",
      true);
  const json_t *efw = json_object_get(json_object_get(json_object_get(f, "fetuses"), "A"), "efw");
  assert_true(json_number_value(json_object_get(efw, "value")) == 1700 &&
              json_number_value(json_object_get(efw, "centile")) == 12);
  char *once = ogv_json_canonical(f);
  assert_int_equal(ogv_rule_facts_complete(f, NULL), OGV_OK);
  char *twice = ogv_json_canonical(f);
  assert_string_equal(once, twice); /* completing again changes nothing */
  free(once);
  free(twice);
  json_decref(f);
}

/* A value beyond a chart's outermost line has no centile, but "under 1" still answers "below 3". */
static void a_bound_answers_what_it_can(void **state) {
  (void)state;
  const char *text =
      "{\"ga\":\"32w0d\",\"fetuses\":{\"A\":{\"efw\":{\"value\":900,\"chart\":\"who-efw\"},\"ac\":{\"centile\":50}}}}";
  json_t *f = facts_of(text, true);
  const json_t *c =
      json_object_get(json_object_get(json_object_get(json_object_get(f, "fetuses"), "A"), "efw"), "centile");
  assert_true(json_is_object(c) && json_number_value(json_object_get(c, "below")) <= 2.5);
  json_decref(f);
  expect("sga", "A", text, "met", "severe");
  expect("lga", "A", text, "not-met", NULL);
}

static void near_a_limit_is_said(void **state) {
  (void)state;
  json_t *o =
      apply("fgr-smfm2020", "A",
            "{\"fetuses\":{\"A\":{\"efw\":{\"centile\":8,\"z\":-1.405,\"z_sd\":0.3},\"ac\":{\"centile\":50}}}}");
  assert_true(json_is_true(json_object_get(o, "near_limit")));
  json_decref(o);
  o = apply("fgr-smfm2020", "A",
            "{\"fetuses\":{\"A\":{\"efw\":{\"centile\":0.1,\"z\":-3.09,\"z_sd\":0.3},\"ac\":{\"centile\":50}}}}");
  assert_true(json_is_false(json_object_get(o, "near_limit")));
  json_decref(o);
}

static void a_fall_over_earlier_scans_is_found(void **state) {
  (void)state;
  const char *text =
      "{\"ga\":\"34w0d\",\"fetuses\":{\"A\":{\"efw\":{\"value\":2050,\"history\":[{\"ga\":\"28w0d\",\"value\":1330,"
      "\"sd\":60},"
      "{\"ga\":\"31w0d\",\"value\":1750,\"sd\":80}]},\"ac\":{\"centile\":40,\"centile_fall\":10},\"ua-pi\":{"
      "\"centile\":50},\"cpr\":{\"centile\":4}}}}";
  json_t *f = facts_of(text, true);
  const json_t *efw = json_object_get(json_object_get(json_object_get(f, "fetuses"), "A"), "efw");
  assert_true(json_number_value(json_object_get(efw, "centile_fall")) > 50);
  assert_true(json_number_value(json_object_get(efw, "centile")) > 10); /* by itself nothing to see */
  json_decref(f);
  expect("fgr-late-delphi2016", "A", text, "met", NULL);
}

static void memory_rules_stay_off(void **state) {
  (void)state;
  json_t *f = facts_of(
             "{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"hc\":{\"z\":-3.5},\"efw\":{\"value\":1400,\"centile\":40}}}}",
             true),
         *out;
  for (int unconfirmed = 0; unconfirmed <= 1; unconfirmed++) {
    bool seen = false;
    assert_int_equal(ogv_rules_apply(f, unconfirmed, false, &out, NULL), OGV_OK);
    for (size_t i = 0; i < json_array_size(out); i++)
      seen |= !strcmp(ogv_json_string_or(json_array_get(out, i), "rule", ""), "microcephaly");
    assert_int_equal(seen, unconfirmed);
    json_decref(out);
  }
  json_decref(f);
}

static void bad_facts_are_refused_with_reasons(void **state) {
  (void)state;
  const struct {
    const char *text;
    ogv_status code;
    const char *says;
  } bad[] = {
      {"{\"fetuses\":{\"A\":{\"bpd\":4.7}}}", OGV_E_RANGE, "A: BPD"},
      {"{\"fetuses\":{\"A\":{\"hc\":{\"value\":175,\"unit\":\"g\"}}}}", OGV_E_INVALID, "g"},
      {"{\"fetuses\":{\"A\":{\"hc\":\"big\"}}}", OGV_E_INVALID, "hc"},
      {"{\"ga\":\"60w0d\",\"fetuses\":{\"A\":{}}}", OGV_E_RANGE, "45 weeks"},
      {"{\"ga_days\":400,\"fetuses\":{\"A\":{}}}", OGV_E_RANGE, "400"},
      {"{\"ga\":\"20w0d\"}", OGV_E_INVALID, "fetuses"},
      {"{\"chorionicity\":\"trio\",\"fetuses\":{\"A\":{}}}", OGV_E_INVALID, "trio"},
      {"{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":{\"value\":1400,\"chart\":\"nochart\"}}}}", OGV_E_NOT_FOUND,
       "nochart"},
      {"{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":{\"value\":1400,\"chart\":\"intergrowth-hc\"}}}}", OGV_E_CONFLICT,
       "intergrowth-hc"},
      {"{\"ga\":\"30w0d\",\"fetuses\":{\"A\":{\"efw\":{\"value\":1400,\"history\":[{\"ga\":\"31w0d\",\"value\":1000}]}}"
       "}}",
       OGV_E_INVALID, "before"},
      {"[]", OGV_E_INVALID, "object"},
  };
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    json_t *f = facts_of(bad[i].text, false);
    ogv_error err = {0};
    ogv_status s = ogv_rule_facts_complete(f, &err);
    if (s != bad[i].code || !strstr(err.what, bad[i].says)) fail_msg("%s: %d %s", bad[i].text, s, err.what);
    json_decref(f);
  }
  json_t *f = facts_of("{\"fetuses\":{\"A\":{}}}", true), *out;
  assert_int_equal(ogv_rule_apply(ogv_rule_find("sga"), f, "B", &out, NULL), OGV_E_NOT_FOUND);
  json_decref(f);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(rule_files_are_sound),          cmocka_unit_test(growth_restriction_worked_examples),
      cmocka_unit_test(a_missing_fact_is_never_a_no),  cmocka_unit_test(limits_are_strict),
      cmocka_unit_test(twins_by_chorionicity),         cmocka_unit_test(centiles_and_multiples_are_computed),
      cmocka_unit_test(what_is_given_is_not_replaced), cmocka_unit_test(a_bound_answers_what_it_can),
      cmocka_unit_test(near_a_limit_is_said),          cmocka_unit_test(a_fall_over_earlier_scans_is_found),
      cmocka_unit_test(memory_rules_stay_off),         cmocka_unit_test(bad_facts_are_refused_with_reasons),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
