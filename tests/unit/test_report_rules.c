/* From the facts of an exam to the facts that rules read: nothing refused slips through, nothing judged is judged anew.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_rules.h"
#include "report_rules.h"

static const char exam[] =
    "{\"pregnancy\":{\"fetuses\":[\"A\",\"B\"],\"ga_days\":210},"
    "\"findings\":[{\"structure\":\"chorionicity\",\"text\":\"dichorionic\"},{\"structure\":\"stomach\",\"text\":"
    "\"seen\"}],"
    "\"values\":["
    "{\"fetus\":\"A\",\"quantity\":\"efw\",\"value\":1400,\"sd\":60,\"unit\":\"g\",\"formula\":{\"id\":\"hadlock1985-"
    "hc-ac-fl\"},"
    "\"centiles\":[{\"chart\":\"who-efw\",\"z\":-0.5,\"u_z\":0.4,\"centile\":30.85,\"beyond\":0,\"text\":\"31\"}],"
    "\"series\":[{\"ga_days\":182,\"value\":1000,\"sd\":50},{\"ga_days\":210,\"value\":1400,\"current\":true},{\"ga_"
    "days\":230,\"value\":1900}]},"
    "{\"fetus\":\"B\",\"quantity\":\"efw\",\"value\":800,\"sd\":40,\"unit\":\"g\",\"centiles\":[{\"chart\":\"who-efw\","
    "\"z\":null,\"beyond\":-1,\"text\":\"<1\"}]},"
    "{\"fetus\":\"A\",\"quantity\":\"hc\",\"value\":275,\"sd\":5,\"unit\":\"mm\",\"centiles\":[{\"chart\":"
    "\"intergrowth-hc\",\"z\":0.1,\"centile\":54,\"circular\":true}]},"
    "{\"fetus\":\"A\",\"quantity\":\"bpd\",\"value\":76,\"sd\":1,\"unit\":\"mm\",\"centiles\":[{\"chart\":"
    "\"intergrowth-bpd\",\"refused\":{\"what\":\"calipers do not fit\"}}]},"
    "{\"fetus\":\"\",\"quantity\":\"cl\",\"value\":31,\"unit\":\"mm\"},{\"fetus\":\"A\",\"quantity\":\"uta-pi\","
    "\"value\":0.9,\"unit\":\"1\"},"
    "{\"fetus\":\"A\",\"quantity\":\"ua-edv\",\"value\":15,\"unit\":\"cm/"
    "s\"},{\"fetus\":\"B\",\"quantity\":\"ua-edv\",\"value\":0.5,\"unit\":\"cm/s\"}]}";

static json_t *facts_for_rules(void) {
  json_error_t je;
  json_t *facts = json_loads(exam, 0, &je), *out;
  if (!facts) fail_msg("%s", je.text);
  ogv_error err = {0};
  if (ogv_report_rule_facts(facts, &out, &err) != OGV_OK || ogv_rule_facts_complete(out, &err) != OGV_OK)
    fail_msg("%s", err.what);
  json_decref(facts);
  return out;
}

static void values_keep_the_judgement_of_the_report(void **state) {
  (void)state;
  json_t *f = facts_for_rules();
  const json_t *a = json_object_get(json_object_get(f, "fetuses"), "A"),
               *b = json_object_get(json_object_get(f, "fetuses"), "B"), *p = json_object_get(f, "pregnancy");
  const json_t *efw = json_object_get(a, "efw");
  assert_string_equal(ogv_json_string_or(efw, "chart", ""), "who-efw");
  assert_true(ogv_json_number_or(efw, "centile", 0) == 30.85 && ogv_json_number_or(efw, "z_sd", 0) == 0.4);
  assert_int_equal(json_array_size(json_object_get(efw, "history")), 1); /* neither this exam nor a later one */
  assert_true(ogv_json_number_or(json_object_get(json_object_get(b, "efw"), "centile"), "below", 0) == 1);
  assert_null(json_object_get(json_object_get(a, "hc"), "centile"));  /* by an age from this exam */
  assert_null(json_object_get(json_object_get(a, "bpd"), "centile")); /* refused by the report: not computed anew */
  assert_true(ogv_json_number_or(json_object_get(p, "cl"), "value", 0) == 31);
  assert_true(ogv_json_number_or(json_object_get(p, "uta-pi"), "value", 0) == 0.9);
  assert_string_equal(ogv_json_string_or(f, "chorionicity", ""), "dichorionic");
  assert_string_equal(ogv_json_string_or(a, "ua-edf", ""), "forward");
  assert_null(json_object_get(b, "ua-edf")); /* too near the baseline to be told without the wall filter */
  assert_true(ogv_json_number_or(b, "discordance", 0) > 42);
  json_decref(f);
}

static void rules_answer_on_an_exam(void **state) {
  (void)state;
  json_t *f = facts_for_rules(), *out;
  static const struct {
    const char *rule, *fetus, *answer;
  } want[] = {{"efw-discordance", "B", "met"},
              {"sfgr-dichorionic-khalil2019", "B", "met"},
              {"sga", "A", "cannot-tell"},
              {"sga", "B", "met"},
              {"ua-flow", "B", "cannot-tell"}};
  for (size_t i = 0; i < sizeof want / sizeof *want; i++) {
    assert_int_equal(ogv_rule_apply(ogv_rule_find(want[i].rule), f, want[i].fetus, &out, NULL), OGV_OK);
    if (strcmp(ogv_json_string_or(out, "answer", ""), want[i].answer))
      fail_msg("%s %s: %s", want[i].rule, want[i].fetus, ogv_json_pretty(out));
    json_decref(out);
  }
  json_decref(f);
}

/* As people write it; what does not say both is not guessed. An abnormal placenta is no anomaly of a fetus. */
static void findings_give_chorionicity_and_anomaly(void **state) {
  (void)state;
  static const struct {
    const char *text, *want;
  } cases[] = {{"Dichorionic, diamniotic", "dichorionic"},
               {"monochorionic diamniotic", "monochorionic-diamniotic"},
               {"monochorionic-monoamniotic", "monochorionic-monoamniotic"},
               {"Trichorionic", "trichorionic"},
               {"monochorionic", ""},
               {"uncertain", ""}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    json_t *out, *facts = json_pack("{s:{s:[s,s]},s:[{s:s,s:s,s:s,s:s},{s:s,s:s,s:s},{s:s,s:s,s:s}],s:[]}", "pregnancy",
                                    "fetuses", "A", "B", "findings", "structure", "chorionicity", "fetus", "", "state",
                                    "normal", "text", cases[i].text, "structure", "placenta", "fetus", "A", "state",
                                    "abnormal", "structure", "kidneys", "fetus", "B", "state", "abnormal", "values");
    assert_non_null(facts);
    assert_int_equal(ogv_report_rule_facts(facts, &out, NULL), OGV_OK);
    assert_string_equal(ogv_json_string_or(out, "chorionicity", ""), cases[i].want);
    const json_t *fetuses = json_object_get(out, "fetuses");
    assert_null(json_object_get(json_object_get(fetuses, "A"), "anomaly"));
    assert_true(json_is_true(json_object_get(json_object_get(fetuses, "B"), "anomaly")));
    json_decref(out);
    json_decref(facts);
  }
}

/* Absent or reversed flow was seen in the picture, not computed from a velocity: it reaches the rules from the reading
 * that counts. Of two readings the graver one is told (our own rule); what was not told leaves it open. */
static void traced_flow_reaches_the_rules(void **state) {
  (void)state;
  static const struct {
    const char *site, *first, *second, *fact, *want;
    bool used;
  } cases[] = {{"umbilical-artery", "absent", "", "ua-edf", "absent", true},
               {"umbilical-artery", "forward", "reversed", "ua-edf", "reversed", true},
               {"umbilical-artery", "absent", "forward", "ua-edf", "absent", true},
               {"umbilical-artery", "uncertain", "", "ua-edf", "", true},
               {"umbilical-artery", "absent", "", "ua-edf", "", false},
               {"middle-cerebral-artery", "absent", "", "ua-edf", "", true},
               {"ductus-venosus", "intermittent", "forward", "dv-a-wave", "absent", true}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    json_t *out, *ledger = json_array();
    const char *flows[] = {cases[i].first, cases[i].second};
    for (int k = 0; k < 2; k++)
      json_array_append_new(ledger, json_pack("{s:s,s:b,s:{s:s,s:s}}", "fetus", "A", "used", cases[i].used, "evidence",
                                              "site", cases[i].site, "end_diastolic_flow", flows[k]));
    json_t *facts = json_pack("{s:{s:[s]},s:o,s:[]}", "pregnancy", "fetuses", "A", "ledger", ledger, "values");
    assert_int_equal(ogv_report_rule_facts(facts, &out, NULL), OGV_OK);
    const json_t *a = json_object_get(json_object_get(out, "fetuses"), "A");
    assert_string_equal(ogv_json_string_or(a, cases[i].fact, ""), cases[i].want);
    json_decref(out);
    json_decref(facts);
  }
}

/* A notch is the mother's: with one fetus without a letter it must not pass for an anomaly of it. */
static void a_notch_is_no_anomaly(void **state) {
  (void)state;
  json_t *out, *facts = json_pack("{s:{s:[s]},s:[{s:s,s:s,s:s}],s:[]}", "pregnancy", "fetuses", "", "findings",
                                  "structure", "uterine-notch-left", "fetus", "", "state", "abnormal", "values");
  assert_int_equal(ogv_report_rule_facts(facts, &out, NULL), OGV_OK);
  assert_null(json_object_get(json_object_get(json_object_get(out, "fetuses"), ""), "anomaly"));
  json_decref(out);
  json_decref(facts);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(values_keep_the_judgement_of_the_report),
      cmocka_unit_test(rules_answer_on_an_exam),
      cmocka_unit_test(findings_give_chorionicity_and_anomaly),
      cmocka_unit_test(traced_flow_reaches_the_rules),
      cmocka_unit_test(a_notch_is_no_anomaly),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
