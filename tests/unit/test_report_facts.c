/* Composing the facts: which reading counts, what follows from it, what is refused and why. */
#include "report_case.h"

#include <math.h>

#include "charts_chart.h"

/* INTERGROWTH-21st size standard (Papageorghiou AT et al. Lancet 2014;384:869-879), equations written here again from
 * the dossier so that the whole path from calipers to centile is checked against something outside it. GA in exact
 * weeks, mm. */
static double ig_hc_mean(double w) { return -28.2849 + 1.69267 * w * w - 0.397485 * w * w * log(w); }
static double ig_hc_sd(double w) {
  return 1.98735 + 0.0136772 * w * w * w - 0.00726264 * w * w * w * log(w) + 0.000976253 * w * w * w * log(w) * log(w);
}

static void head_centile_follows_the_published_equation(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *hc = value_of(f, "A/hc"), *c = first_centile(hc);
  /* three readings on one picture, all with calipers: their mean; the withdrawn femur is left out */
  double want = (176.9 + 178.2 + 175.4) / 3;
  assert_float_equal(num(hc, "value"), want, 1e-6);
  assert_string_equal(str(hc, "rule"), "mean-of-repeats");
  assert_int_equal(json_array_size(json_object_get(hc, "rows")), 3);
  assert_float_equal(num(value_of(f, "A/fl"), "value"), (32.4 + 33.1) / 2, 1e-6);
  /* age: last period 2025-07-05 to 2025-11-25 is 143 days by the calendar */
  assert_int_equal((int)num(json_object_get(f, "pregnancy"), "ga_days"), 143);
  double w = 143 / 7.0, z = (want - ig_hc_mean(w)) / ig_hc_sd(w);
  assert_float_equal(num(c, "z"), z, 0.01);
  assert_float_equal(num(c, "centile"), 50 * erfc(-z / sqrt(2)), 0.4);
  json_decref(f);
}

static void interval_holds_both_errors(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *hc = value_of(f, "A/hc"), *c = first_centile(hc);
  double w = 143 / 7.0, sd = ig_hc_sd(w), slope = (ig_hc_mean(w + 0.01) - ig_hc_mean(w - 0.01)) / 0.02 / 7;
  double ga_sd = num(json_object_get(f, "pregnancy"), "sd_days"), m = num(hc, "sd") / sd, d = slope * ga_sd / sd;
  const json_t *parts = json_object_get(c, "u_parts");
  assert_float_equal(num(parts, "measurement"), m, 0.01);
  assert_float_equal(num(parts, "dating"), d, 0.03);
  assert_float_equal(num(c, "u_z"), hypot(num(parts, "measurement"), num(parts, "dating")), 1e-9);
  double z = num(c, "z"), u = num(c, "u_z");
  assert_float_equal(num(c, "low"), 50 * erfc(-(z - 1.96 * u) / sqrt(2)), 1e-6);
  /* the mean of repeats keeps the observer's part: three readings by one person do not become another person */
  assert_true(num(hc, "sd") > 0.0177 * num(hc, "value"));
  json_decref(f);
}

/* Hadlock 1985, HC AC FL (Am J Obstet Gynecol 1985;151:333-337): log10 EFW = 1.326 - 0.00326 AC FL + 0.0107 HC + 0.0438
 * AC
 * + 0.158 FL, cm and g. */
static void weight_follows_the_published_formula(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *efw = value_of(f, "A/efw");
  double hc = num(value_of(f, "A/hc"), "value") / 10, ac = num(value_of(f, "A/ac"), "value") / 10,
         fl = num(value_of(f, "A/fl"), "value") / 10;
  assert_float_equal(num(efw, "value"), pow(10, 1.326 - 0.00326 * ac * fl + 0.0107 * hc + 0.0438 * ac + 0.158 * fl),
                     1e-6);
  assert_string_equal(str(json_object_get(efw, "formula"), "id"), "hadlock1985-hc-ac-fl");
  assert_string_equal(str(first_centile(efw), "chart"), "intergrowth-efw-hadlock");
  assert_int_equal(json_array_size(json_object_get(efw, "inputs")), 3);
  /* what the scanner computed is compared, not used */
  assert_float_equal(num(json_object_get(efw, "reported"), "value"), 352, 0);
  assert_true(num(efw, "error_sd") > num(efw, "sd"));
  json_decref(f);
}

static void same_inputs_same_bytes(void **state) {
  (void)state;
  static const char *const names[] = {"mid", "late", "twins", "undated"};
  for (int i = 0; i < 4; i++) {
    json_t *a = case_facts(names[i]), *b = case_facts(names[i]);
    assert_int_equal(ogv_facts_compose(b, NULL), OGV_OK); /* composing what is composed changes nothing */
    char *x = ogv_json_canonical(a), *y = ogv_json_canonical(b);
    assert_string_equal(x, y);
    free(x);
    free(y);
    json_decref(a);
    json_decref(b);
  }
}

static void calipers_must_fit_the_chart(void **state) {
  (void)state;
  json_t *f = case_inputs("mid"), *row;
  size_t i;
  json_array_foreach(json_object_get(f, "ledger"), i, row) if (!strcmp(str(row, "quantity"), "bpd"))
      json_object_set_new(json_object_get(row, "evidence"), "convention", json_string("outer-inner"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  json_t *c = first_centile(value_of(f, "A/bpd"));
  assert_null(json_object_get(c, "centile"));
  assert_non_null(strstr(str(json_object_get(c, "refused"), "what"), "outer-inner"));
  assert_non_null(by(json_object_get(f, "limits"), "about", "A/bpd"));
  json_decref(f);
  /* a sender that does not say: a centile, but said aloud */
  f = case_inputs("mid");
  json_array_foreach(json_object_get(f, "ledger"), i, row) if (!strcmp(str(row, "quantity"), "bpd")) {
    json_object_set_new(row, "source", json_string("imported"));
    json_object_set_new(row, "evidence", json_pack("{s:s}", "path", "1.3"));
  }
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_string_equal(str(first_centile(value_of(f, "A/bpd")), "convention"), "assumed");
  assert_non_null(by(json_object_get(f, "limits"), "code", "convention-assumed"));
  json_decref(f);
}

static void no_dating_no_centile(void **state) {
  (void)state;
  json_t *f = case_inputs("undated"), *row;
  size_t i;
  /* with only an uncertain head the age comes from that head: circular, and no sentence judges size by it */
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_true(json_is_true(json_object_get(first_centile(value_of(f, "A/hc")), "circular")));
  assert_non_null(by(json_object_get(f, "limits"), "code", "circular-dating"));
  json_array_foreach(json_object_get(f, "sentences"), i, row) assert_string_not_equal(str(row, "part"), "size");
  json_decref(f);
  /* with an abdomen alone nothing dates: no age, no centile, and the message says what to do */
  f = case_inputs("undated");
  json_array_foreach(json_object_get(f, "ledger"), i, row) json_object_set_new(row, "quantity", json_string("ac"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_null(json_object_get(json_object_get(f, "pregnancy"), "ga_days"));
  assert_null(json_object_get(first_centile(value_of(f, "A/ac")), "centile"));
  const json_t *l = by(json_object_get(f, "limits"), "code", "no-dating");
  assert_non_null(l);
  assert_true(strlen(str(l, "todo")) > 10);
  json_decref(f);
}

static void units_are_converted_or_refused(void **state) {
  (void)state;
  json_t *f = case_inputs("mid"), *row;
  size_t i;
  json_array_foreach(json_object_get(f, "ledger"), i, row) {
    if (!strcmp(str(row, "quantity"), "tcd")) {
      json_object_set_new(row, "unit", json_string("cm"));
      json_object_set_new(row, "value", json_real(2.08));
      json_object_set_new(row, "sd", json_null());
      json_object_del(row, "evidence");
    }
    if (!strcmp(str(row, "quantity"), "ofd")) json_object_set_new(row, "unit", json_string("g"));
  }
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_float_equal(num(value_of(f, "A/tcd"), "value"), 20.8, 1e-9);
  assert_null(value_of(f, "A/ofd"));
  assert_non_null(by(json_object_get(f, "limits"), "code", "unit"));
  json_decref(f);
}

static void disagreement_is_shown(void **state) {
  (void)state;
  json_t *f = case_inputs("mid"), *row;
  size_t i;
  json_array_foreach(json_object_get(f, "ledger"), i, row) if (!strcmp(str(row, "id"), "m009"))
      json_object_set_new(row, "state", json_string("accepted")); /* FL 29.1 beside 32.4 and 33.1 */
  json_array_append_new(json_object_get(f, "ledger"),
                        json_pack("{s:s,s:s,s:s,s:f,s:s,s:s,s:s,s:{}}", "id", "x1", "fetus", "A", "quantity", "ac",
                                  "value", 131.0, "unit", "mm", "source", "imported", "state", "accepted", "evidence"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_non_null(json_object_get(value_of(f, "A/fl"), "conflict"));
  assert_non_null(json_object_get(value_of(f, "A/ac"), "conflict"));
  assert_float_equal(num(value_of(f, "A/ac"), "value"), 151.7,
                     1e-6); /* calipers on a picture go before an imported value */
  json_decref(f);
}

static void a_correction_takes_the_place(void **state) {
  (void)state;
  json_t *f = case_inputs("mid"), *ledger = json_object_get(f, "ledger"), *row = NULL, *copy;
  size_t i;
  json_array_foreach(ledger, i, row) if (!strcmp(str(row, "quantity"), "ac")) break;
  copy = json_deep_copy(row);
  json_object_set_new(copy, "id", json_string("new"));
  json_object_set_new(copy, "supersedes", json_string(str(row, "id")));
  json_object_set_new(copy, "value", json_real(149.0));
  json_array_append_new(ledger, copy);
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_float_equal(num(value_of(f, "A/ac"), "value"), 149, 1e-9);
  assert_int_equal((int)num(value_of(f, "A/ac"), "n"), 1);
  json_decref(f);
}

static void growth_and_twins(void **state) {
  (void)state;
  json_t *f = case_facts("twins"), *b = value_of(f, "B/efw"), *g = json_object_get(b, "growth");
  assert_int_equal(json_array_size(json_object_get(b, "series")), 2);
  assert_int_equal((int)num(g, "days"), 42);
  const json_t *s = json_object_get(b, "series");
  assert_float_equal(num(g, "delta_z"), num(json_array_get(s, 1), "z") - num(json_array_get(s, 0), "z"), 1e-9);
  assert_non_null(by(json_object_get(f, "sentences"), "template", "growth.slower"));
  json_decref(f);
  f = case_facts("late");
  assert_int_equal(json_array_size(json_object_get(value_of(f, "A/hc"), "series")), 4);
  assert_non_null(by(json_object_get(f, "sentences"), "template", "weight.below-3"));
  json_decref(f);
}

/* Two independent pieces of evidence that agree know the date better than one: 1/s^2 adds. */
static void agreeing_evidence_narrows_the_age(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *d = json_object_get(f, "dating");
  const json_t *e = json_object_get(d, "evidence");
  double a = num(json_object_get(json_array_get(e, 0), "estimate"), "sd_days"),
         b = num(json_object_get(json_array_get(e, 1), "estimate"), "sd_days");
  assert_float_equal(num(d, "sd_days"), 1 / sqrt(1 / (a * a) + 1 / (b * b)), 0.35);
  assert_float_equal(num(d, "sd_days_alone"), a, 1e-9);
  json_decref(f);
}

/* Why a date was proposed is said in the report's words and dates, not by the ids that the record keeps. */
static void the_reason_of_a_date_is_for_the_reader(void **state) {
  (void)state;
  json_t *f = case_facts("mid"), *d = json_object_get(f, "dating");
  char *first = strdup(str(d, "reason"));
  assert_non_null(strstr(first, "differs from the last menstrual period by"));
  json_object_set_new(d, "decision",
                      json_pack("{s:O,s:s,s:s,s:b}", "edd", json_object_get(d, "edd"), "rule", "acog700", "reason",
                                "CRL of 2026-02-11 (12w1d by crl-intergrowth) differs", "automatic", 1));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  d = json_object_get(f, "dating");
  assert_string_equal(str(d, "state"), "proposed");
  assert_string_equal(str(d, "reason"), first);
  json_object_set_new(json_object_get(d, "decision"), "automatic", json_false());
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_string_equal(str(json_object_get(f, "dating"), "reason"),
                      "CRL of 2026-02-11 (12w1d by crl-intergrowth) differs"); /* a person's words stay as they are */
  free(first);
  json_decref(f);
}

/* A protocol's rule for repeats and its chart hold for the values; calipers must fit that chart all the same. */
static void a_protocol_says_rule_and_chart(void **state) {
  (void)state;
  json_t *f = case_inputs("mid");
  json_object_set_new(
      f, "protocol",
      json_pack("{s:s,s:s,s:[{s:s,s:[{s:s,s:s,s:[s]},{s:s,s:[s]},{s:s,s:s}]}]}", "id", "ours", "title", "Ours",
                "groups", "title", "Head", "rows", "quantity", "hc", "rule", "largest", "charts", "nichd-hc-white",
                "quantity", "bpd", "charts", "hadlock1984-bpd", "quantity", "fl", "rule", "median"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  const json_t *hc = value_of(f, "A/hc"), *fl = value_of(f, "A/fl");
  assert_float_equal(num(hc, "value"), 178.2, 1e-9);
  assert_string_equal(str(hc, "rule"), "largest-of-repeats");
  assert_string_equal(str(hc, "rule_by"), "protocol");
  assert_non_null(strstr(str(hc, "rule_text"), "largest of 3 readings, 175.4 to 178.2"));
  assert_int_equal(json_array_size(json_object_get(hc, "rows")), 1);
  assert_string_equal(str(first_centile(hc), "chart"), "nichd-hc-white");
  assert_string_equal(str(first_centile(hc), "chosen_by"), "protocol");
  /* the weight and the series are made from the same reading */
  const json_t *series = json_object_get(hc, "series");
  assert_float_equal(num(json_array_get(series, json_array_size(series) - 1), "value"), 178.2, 1e-9);
  assert_float_equal(num(by(json_object_get(value_of(f, "A/efw"), "inputs"), "quantity", "hc"), "value"), 178.2, 1e-9);
  /* outer-outer calipers do not meet an outer-inner chart, whoever chose it */
  const json_t *bpd = first_centile(value_of(f, "A/bpd"));
  assert_string_equal(str(bpd, "chart"), "hadlock1984-bpd");
  assert_non_null(strstr(str(json_object_get(bpd, "refused"), "what"), "calipers"));
  /* a word that is no rule changes nothing and is said */
  assert_string_equal(str(fl, "rule"), "mean-of-repeats");
  assert_non_null(strstr(str(by(json_object_get(f, "limits"), "code", "protocol"), "what"), "median"));
  /* what a person chose for this report goes before the protocol, what the department chose does not */
  json_object_set_new(json_object_get(f, "settings"), "charts", json_pack("{s:[s]}", "hc", "nichd-hc-asian"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_string_equal(str(first_centile(value_of(f, "A/hc")), "chart"), "nichd-hc-white");
  json_object_set_new(json_object_get(f, "settings"), "report_charts", json_pack("{s:[s]}", "hc", "nichd-hc-black"));
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_string_equal(str(first_centile(value_of(f, "A/hc")), "chart"), "nichd-hc-black");
  json_decref(f);
}

/* The assessment has its words in the language of the report, and says why and what would change it, so that every
 * output writes the same. */
static void the_assessment_speaks_the_language(void **state) {
  (void)state;
  json_t *en = case_facts("late"), *de = case_inputs("late"), *a;
  size_t i, met = 0, changes = 0;
  json_object_set_new(json_object_get(de, "settings"), "language", json_string("de"));
  assert_int_equal(ogv_facts_compose(de, NULL), OGV_OK);
  json_array_foreach(json_object_get(en, "assessment"), i, a) {
    const json_t *b = json_array_get(json_object_get(de, "assessment"), i);
    assert_string_equal(str(a, "rule"), str(b, "rule"));
    assert_string_equal(str(a, "answer"), str(b, "answer"));
    if (strcmp(str(a, "answer"), "met")) continue;
    met++;
    assert_string_not_equal(str(a, "title"), str(b, "title"));
    assert_true(*str(a, "because") && *str(b, "because"));
    if (!*str(a, "changes")) continue;
    changes++;
    assert_string_not_equal(str(a, "changes"), str(b, "changes"));
    assert_non_null(strstr(str(a, "changes"), "not met any more with"));
  }
  assert_true(met > 0 && changes > 0);
  json_decref(en);
  json_decref(de);
}

/* Every answer that rests on a known fact says why: each fact once, with a value and limits that fit each other as they
 * are printed. */
static void reasons_are_told(void **state) {
  (void)state;
  static const char *const cases[] = {"mid", "late"};
  int limits = 0;
  for (size_t k = 0; k < 2; k++) {
    json_t *f = case_facts(cases[k]), *a;
    size_t i;
    json_array_foreach(json_object_get(f, "assessment"), i, a) {
      const char *because = str(a, "because"), *at = because, *low, *high;
      if (!strcmp(str(a, "answer"), "not-met") && !*because) fail_msg("%s says not why", str(a, "rule"));
      for (; (at = strchr(at, '(')) != NULL; at++) {
        const char *start = at - 1, *end = strchr(at, ')');
        while (start > because && !strchr(" <>", start[-1])) start--; /* the number, or the one before its unit */
        double v = strtod(start, NULL), bound;
        if (!(v > 0) || start[-1] != ' ') continue;
        low = strstr(at, "≥ ");
        high = strstr(at, "≤ ");
        if (low && low < end) bound = strtod(low + 4, NULL), limits++, assert_true(v >= bound);
        if (high && high < end) bound = strtod(high + 4, NULL), limits++, assert_true(v <= bound);
      }
    }
    json_decref(f);
  }
  assert_true(limits >= 4);
}

static void wrong_shapes_are_named(void **state) {
  (void)state;
  static const char *const members[] = {"patient", "exam",   "pregnancy", "dating",  "settings",
                                        "objects", "ledger", "history",   "findings"};
  for (size_t i = 0; i < sizeof members / sizeof *members; i++) {
    json_t *f = case_inputs("mid");
    ogv_error e = {0};
    json_object_set_new(f, members[i], json_integer(7));
    assert_int_equal(ogv_facts_compose(f, &e), OGV_E_INVALID);
    assert_non_null(strstr(e.what, members[i]));
    json_decref(f);
  }
}

static void add_pocket(json_t *f, const char *quantity, double mm, double sd, double calibration, const char *source) {
  json_array_append_new(
      json_object_get(f, "ledger"),
      json_pack("{s:s,s:s,s:s,s:s,s:f,s:s,s:f,s:s,s:s,s:{s:s,s:{s:n,s:f,s:f}}}", "id", quantity, "exam", "e2", "fetus",
                "A", "quantity", quantity, "value", mm, "unit", "mm", "sd", sd, "source", source, "state", "accepted",
                "evidence", "type", "geometry", "sd", "observer", "caliper", sqrt(sd * sd - calibration * calibration),
                "calibration", calibration));
}

/* The index is the sum of four pockets; its centile at 20 to 21 weeks: Moore TR, Cayle JE. Am J Obstet Gynecol
 * 1990;162:1168-1173, whose medians there are 141 and 143 mm (data/charts/moore1990-afi.json). */
static void fluid_index_is_the_sum_of_four_pockets(void **state) {
  (void)state;
  static const double mm[4] = {40, 31, 36, 35}; /* 142 */
  static const char *const ids[4] = {"afi-q1", "afi-q2", "afi-q3", "afi-q4"};
  json_t *f = case_inputs("mid");
  for (int i = 0; i < 3; i++) add_pocket(f, ids[i], mm[i], 0.5, 0.01 * mm[i], "geometry");
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  assert_null(value_of(f, "A/afi")); /* three are no index */
  add_pocket(f, ids[3], mm[3], 0.5, 0.01 * mm[3], "geometry");
  add_pocket(f, "afi", 190, 1, 0, "imported"); /* the sender's own sum: compared, said aloud, not used */
  assert_int_equal(ogv_facts_compose(f, NULL), OGV_OK);
  json_t *v = value_of(f, "A/afi");
  assert_non_null(v);
  assert_string_equal(str(v, "origin"), "derived");
  assert_float_equal(num(v, "value"), 142, 1e-9);
  double own = 0;
  for (int i = 0; i < 4; i++) own += 0.25 - 1e-4 * mm[i] * mm[i];
  assert_float_equal(num(v, "sd"), sqrt(own + 1.42 * 1.42), 1e-9); /* the scale is one for all four */
  assert_int_equal(json_array_size(json_object_get(v, "inputs")), 4);
  assert_string_equal(str(json_object_get(v, "formula"), "id"), "sum-of-quadrants");
  json_t *c = by(json_object_get(v, "centiles"), "chart", "moore1990-afi");
  assert_non_null(c);
  assert_float_equal(num(c, "centile"), 50, 2);
  assert_non_null(by(json_object_get(f, "limits"), "code", "reported-differs"));
  assert_non_null(by(json_object_get(f, "limits"), "about", "A/afi"));
  json_decref(f);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(head_centile_follows_the_published_equation),
                                     cmocka_unit_test(interval_holds_both_errors),
                                     cmocka_unit_test(weight_follows_the_published_formula),
                                     cmocka_unit_test(same_inputs_same_bytes),
                                     cmocka_unit_test(calipers_must_fit_the_chart),
                                     cmocka_unit_test(no_dating_no_centile),
                                     cmocka_unit_test(units_are_converted_or_refused),
                                     cmocka_unit_test(disagreement_is_shown),
                                     cmocka_unit_test(a_correction_takes_the_place),
                                     cmocka_unit_test(growth_and_twins),
                                     cmocka_unit_test(fluid_index_is_the_sum_of_four_pockets),
                                     cmocka_unit_test(agreeing_evidence_narrows_the_age),
                                     cmocka_unit_test(the_reason_of_a_date_is_for_the_reader),
                                     cmocka_unit_test(a_protocol_says_rule_and_chart),
                                     cmocka_unit_test(the_assessment_speaks_the_language),
                                     cmocka_unit_test(reasons_are_told),
                                     cmocka_unit_test(wrong_shapes_are_named)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
