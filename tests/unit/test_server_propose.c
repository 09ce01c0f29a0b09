/* Proposals over a real socket on a synthetic exam: a spectrum traced, corrected and stored; head, abdomen and femur;
 * an M-mode rate; and what is refused, with its words. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>

#include "server_case.h"

#include "core_file.h"
#include "core_json.h"
#include "intake_import.h"
#include "measure_colour_reading.h"
#include "measure_quantity.h"
#include "phantom_exam.h"
#include "record_store.h"
#include "report_facts.h"
#include "report_pdf.h"

static char home[] = "/tmp/ogive-propose-XXXXXX";
static ogv_server *server;
static ogv_store *store;
static json_t *exam, *truth;

static int setup(void **state) {
  (void)state;
  char folder[64], path[96];
  if (!mkdtemp(home)) return -1;
  snprintf(folder, sizeof folder, "%s/exam", home);
  snprintf(path, sizeof path, "%s/truth.json", folder);
  ogv_phantom_options o;
  ogv_phantom_defaults(&o);
  o.seed = 5;
  o.ga_days = 26 * 7;
  o.clip_frames = 12;
  o.quick = true;
  json_t *result = NULL;
  if (ogv_phantom_exam(&o, folder, NULL) != OGV_OK || ogv_store_init(home, NULL) != OGV_OK ||
      ogv_store_open(home, &store, NULL) != OGV_OK)
    return -1;
  if (ogv_import_path(store, folder, NULL, &result, NULL) != OGV_OK || ogv_json_load(path, &truth, NULL) != OGV_OK)
    return -1;
  json_decref(result);
  return case_start(home, store, &exam, &server) ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  json_decref(truth);
  return case_end(home, store, exam, server);
}

static json_t *post(const char *path, json_t *body, int *status) { return request(server, "POST", path, body, status); }

/* The first object of a view or kind, and its truth. */
static const char *object_of(const char *view, json_t **its_truth) {
  size_t i, k;
  json_t *f, *o;
  json_array_foreach(json_object_get(truth, "files"), i, f) {
    if (strcmp(ogv_json_string_or(f, "view", ""), view) && strcmp(ogv_json_string_or(f, "kind", ""), view)) continue;
    json_array_foreach(
        json_object_get(exam, "objects"), k,
        o) if (!strcmp(ogv_json_string_or(o, "instance", ""), ogv_json_string_or(f, "sop_instance", "-"))) {
      if (its_truth) *its_truth = json_object_get(f, "truth");
      return ogv_json_string_or(o, "id", "");
    }
  }
  return NULL;
}

static json_t *propose(const char *object, json_t *body, int *status) {
  char path[128];
  snprintf(path, sizeof path, "/api/objects/%s/proposals", object);
  return post(path, body, status);
}

static json_t *store_reading(json_t *body, int *status) {
  char path[128];
  snprintf(path, sizeof path, "/api/exams/%s/measurements", ogv_json_string_or(exam, "id", ""));
  return post(path, body, status);
}

static json_t *row_of(const json_t *stored, const char *quantity) {
  size_t i;
  json_t *r, *row;
  json_array_foreach(json_object_get(stored, "rows"), i,
                     r) if (!strcmp(ogv_json_string_or(r, "quantity", ""), quantity)) {
    assert_int_equal(ogv_store_measurement(store, ogv_json_string_or(r, "id", ""), &row, NULL), OGV_OK);
    return row;
  }
  fail_msg("no row %s", quantity);
  return NULL;
}

static void a_spectrum_is_traced_and_stored(void **state) {
  (void)state;
  int status;
  json_t *t;
  const char *ua = object_of("umbilical artery", &t);
  assert_non_null(ua);
  json_t *a = propose(ua, json_pack("{s:i,s:s}", "frame", 0, "site", "umbilical-artery"), &status);
  assert_int_equal(status, 200);
  assert_true(json_is_true(json_object_get(a, "accepted")));
  json_t *geometry = json_object_get(a, "geometry");
  json_t *s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:{s:s,s:O}}", "key", "one", "fetus", "A", "object", ua,
                                      "frame", 0, "spectrum", "site", "umbilical-artery", "geometry", geometry),
                            &status);
  assert_int_equal(status, 201);
  json_t *row = row_of(s, "ua-pi");
  double value = ogv_json_number_or(row, "value", NAN), again, sd;
  assert_true(fabs(value / ogv_json_number_or(t, "pi", NAN) - 1) <
              0.08); /* half-size picture: wider than the full one */
  assert_string_equal(ogv_json_string_or(row, "source", ""), "proposed");
  assert_int_equal(
      ogv_measure_from_evidence(ogv_quantity_find("ua-pi"), json_object_get(row, "evidence"), &again, &sd, NULL),
      OGV_OK);
  assert_true(again == value);
  json_decref(row);
  json_decref(s);
  /* A moved point: stored as the person's, the automatic curve beside it. */
  json_t *moved = json_deep_copy(geometry), *points = json_object_get(moved, "points");
  for (size_t i = 60; i < 70; i++) {
    json_t *p = json_array_get(points, i);
    json_array_set_new(p, 1, json_real(json_number_value(json_array_get(p, 1)) - 2));
  }
  s = store_reading(
      json_pack("{s:s,s:s,s:s,s:i,s:{s:s,s:o,s:[{s:[i,i],s:[f]}]}}", "key", "two", "fetus", "A", "object", ua, "frame",
                0, "spectrum", "site", "umbilical-artery", "geometry", moved, "edits", "columns", 60, 69, "rows", 1.0),
      &status);
  assert_int_equal(status, 201);
  row = row_of(s, "ua-pi");
  json_t *proposal = json_object_get(json_object_get(row, "evidence"), "proposal");
  assert_string_equal(ogv_json_string_or(row, "source", ""), "geometry");
  assert_true(json_is_true(json_object_get(proposal, "adjusted")));
  assert_true(json_equal(json_object_get(proposal, "geometry"), geometry));
  assert_int_equal(json_array_size(json_object_get(proposal, "edits")), 1);
  /* Each edit carries its author and its own time. */
  json_t *edit = json_array_get(json_object_get(proposal, "edits"), 0);
  assert_non_null(json_object_get(edit, "who"));
  assert_int_equal(strlen(ogv_json_string_or(edit, "at", "")), 20);
  json_decref(row);
  json_decref(s);
  json_decref(a);
}

/* `ogive verify` on a report of this exam: it holds; with one point of an envelope changed it names the value. */
static void verification_names_a_changed_envelope(void **state) {
  (void)state;
  json_t *facts, *row, *c, *result;
  assert_int_equal(ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &facts, NULL), OGV_OK);
  for (int turn = 0; turn < 2; turn++) {
    size_t i, n, named = 0;
    uint8_t *pdf;
    if (turn) json_array_foreach(json_object_get(facts, "ledger"), i, row) {
        json_t *e = json_object_get(row, "evidence");
        if (strcmp(ogv_json_string_or(e, "type", ""), "spectrum") ||
            strcmp(ogv_json_string_or(row, "quantity", ""), "ua-pi"))
          continue;
        json_t *p = json_array_get(json_object_get(json_object_get(e, "geometry"), "points"), 80);
        json_array_set_new(p, 1, json_real(json_number_value(json_array_get(p, 1)) + 2));
      }
    ogv_error err = {0};
    if (ogv_report_pdf(facts, ogv_report_store_picture, store, &pdf, &n, &err) != OGV_OK) fail_msg("%s", err.what);
    assert_int_equal(ogv_report_verify(pdf, n, NULL, &result, NULL), OGV_OK);
    assert_int_equal(json_is_true(json_object_get(result, "holds")), !turn);
    json_array_foreach(json_object_get(result, "checks"), i,
                       c) if (strstr(ogv_json_string_or(c, "what", ""), "A/ua-pi, reading")) named +=
        json_is_true(json_object_get(c, "holds")) == !turn && json_is_number(json_object_get(c, "recomputed"));
    assert_true(named >= 1);
    json_decref(result);
    free(pdf);
  }
  json_decref(facts);
}

static void bad_spectra_are_refused_in_words(void **state) {
  (void)state;
  int status;
  const char *ua = object_of("umbilical artery", NULL), *head = object_of("head", NULL);
  json_t *a = propose(ua, json_pack("{s:i,s:s}", "frame", 0, "site", "moon"), &status);
  assert_int_equal(status, 400);
  assert_non_null(strstr(error_of(a, "what"), "no site"));
  json_decref(a);
  a = propose(ua, json_pack("{s:i}", "frame", 9), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = propose(ua, json_pack("{s:i,s:s}", "frame", 0, "kind", "soup"), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = propose("nothing", json_object(), &status);
  assert_int_equal(status, 404);
  json_decref(a);
  a = propose(head, json_pack("{s:i,s:s}", "frame", 0, "kind", "spectrum"), &status); /* no spectrum on it */
  assert_int_equal(status, 422);
  assert_string_equal(error_of(a, "code"), "no-calibration");
  assert_non_null(strstr(error_of(a, "todo"), "by hand"));
  json_decref(a);
  a = propose(head, json_pack("{s:i,s:s}", "frame", 0, "kind", "rate"), &status);
  assert_int_equal(status, 422);
  json_decref(a);
  a = propose(ua,
              json_pack("{s:i,s:s,s:{s:s,s:[[i,i],[i,i]]}}", "frame", 0, "site", "umbilical-artery", "geometry", "kind",
                        "trace", "points", -50, 10, 9, 9),
              &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = propose(ua, json_pack("{s:i,s:{s:i}}", "frame", 0, "calibration", "baseline_row", 3), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = store_reading(json_pack("{s:s,s:s,s:i,s:{s:n}}", "key", "three", "object", ua, "frame", 0, "spectrum", "site"),
                    &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = store_reading(json_pack("{s:s,s:s,s:i,s:{s:s,s:s}}", "key", "four", "object", ua, "frame", 0, "spectrum", "site",
                              "umbilical-artery", "notch", "present"),
                    &status);
  assert_int_equal(status, 400); /* a notch belongs to uterine arteries; nothing is stored */
  assert_non_null(strstr(error_of(a, "what"), "uterine"));
  json_decref(a);
}

static void planes_are_proposed_without_values(void **state) {
  (void)state;
  static const char *const planes[] = {"head", "abdomen", "femur"};
  for (size_t i = 0; i < 3; i++) {
    int status;
    const char *object = object_of(planes[i], NULL);
    json_t *a = propose(object, json_pack("{s:i}", "frame", 0), &status);
    assert_int_equal(status, 200);
    assert_string_equal(ogv_json_string_or(a, "plane", ""), planes[i]);
    char *text = json_dumps(a, 0);
    assert_null(strstr(text, "_mm")); /* the eye is not led */
    free(text);
    json_decref(a);
    if (i == 0) continue;
    a = propose(object, json_pack("{s:i,s:s}", "frame", 0, "kind", "head"), &status); /* not a head */
    assert_int_equal(status, 200);
    assert_true(json_is_false(json_object_get(a, "accepted")));
    assert_true(strlen(ogv_json_string_or(a, "reason", "")) > 10);
    json_decref(a);
  }
  int status;
  json_t *a = propose(object_of("head", NULL),
                      json_pack("{s:i,s:s,s:[i,i]}", "frame", 0, "kind", "head", "at", -5, 20000), &status);
  assert_int_equal(status, 400);
  json_decref(a);
}

/* A value typed over a right geometry cannot happen; a geometry a quarter too small can, and is flagged. */
static void a_slip_is_flagged(void **state) {
  (void)state;
  int status;
  json_t *t;
  const char *head = object_of("head", &t);
  json_t *g = json_deep_copy(json_object_get(t, "geometry")), *p = json_object_get(g, "points");
  double c[2] = {0, 0};
  for (size_t i = 0; i < 8; i++) c[i % 2] += json_number_value(json_array_get(json_array_get(p, i / 2), i % 2)) / 4;
  for (size_t i = 0; i < 8; i++) {
    json_t *q = json_array_get(p, i / 2);
    json_array_set_new(q, i % 2, json_real(c[i % 2] + 0.75 * (json_number_value(json_array_get(q, i % 2)) - c[i % 2])));
  }
  json_t *s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:o,s:[s]}", "key", "five", "fetus", "A", "object", head,
                                      "frame", 0, "geometry", g, "quantities", "hc"),
                            &status);
  assert_int_equal(status, 201);
  json_t *row = row_of(s, "hc"), *now, *n;
  assert_int_equal(ogv_store_exam(store, ogv_json_string_or(exam, "id", ""), &now, NULL), OGV_OK);
  size_t i, flags = 0;
  json_array_foreach(json_object_get(now, "notes"), i, n) {
    json_t *d = json_object_get(n, "detail");
    if (strcmp(ogv_json_string_or(d, "measurement", ""), ogv_json_string_or(row, "id", "-"))) continue;
    flags++;
    assert_string_equal(ogv_json_string_or(n, "verb", ""), "second-reading");
    assert_true(ogv_json_number_or(d, "second_value", 0) - ogv_json_number_or(d, "value", 0) >
                ogv_json_number_or(d, "limit", 1e9));
    assert_true(json_is_object(json_object_get(d, "geometry")) &&
                json_is_object(json_object_get(d, "second_geometry")));
  }
  assert_int_equal(flags, 1);
  json_decref(now);
  /* It was read again once, provably, however often it is asked for. */
  char path[128];
  snprintf(path, sizeof path, "/api/exams/%s/rereads", ogv_json_string_or(exam, "id", ""));
  for (int turn = 0; turn < 2; turn++) {
    json_t *list = post(path, json_object(), &status), *one;
    size_t named = 0;
    assert_int_equal(status, 200);
    json_array_foreach(json_object_get(list, "readings"), i,
                       one) if (!strcmp(ogv_json_string_or(one, "id", ""), ogv_json_string_or(row, "id", "-"))) {
      assert_string_equal(ogv_json_string_or(one, "result", ""), "differs");
      named++;
    }
    assert_int_equal(named, 1);
    json_decref(list);
  }
  json_t *e;
  size_t again = 0, k, other = 0;
  assert_int_equal(ogv_store_exam(store, ogv_json_string_or(exam, "id", ""), &now, NULL), OGV_OK);
  json_array_foreach(json_object_get(now, "events"), i, e) {
    const json_t *d = json_object_get(e, "detail");
    if (strcmp(ogv_json_string_or(e, "verb", ""), "re-read")) continue;
    const char *id = ogv_json_string_or(d, "measurement", "");
    size_t same = 0;
    for (k = 0; k < json_array_size(json_object_get(now, "events")); k++) {
      const json_t *f = json_array_get(json_object_get(now, "events"), k);
      same += !strcmp(ogv_json_string_or(f, "verb", ""), "re-read") &&
              !strcmp(ogv_json_string_or(json_object_get(f, "detail"), "measurement", ""), id);
    }
    assert_int_equal(same, 1);
    if (strcmp(id, ogv_json_string_or(row, "id", "-"))) {
      other++; /* imported rows, agreeing or not readable */
      continue;
    }
    again++;
    assert_string_equal(ogv_json_string_or(d, "result", ""), "differs");
    assert_string_equal(ogv_json_string_or(d, "basis", ""), "own");
    assert_true(ogv_json_number_or(d, "second_value", 0) > ogv_json_number_or(d, "value", 1e9));
  }
  assert_int_equal(again, 1);
  assert_true(other >= 1);
  json_decref(now);
  json_decref(row);
  json_decref(s);
}

static void a_rate_is_an_interval_or_a_reason(void **state) {
  (void)state;
  int status;
  json_t *t;
  const char *strip = object_of("m-mode", &t);
  assert_non_null(strip);
  json_t *a = propose(strip, json_pack("{s:i}", "frame", 0), &status);
  assert_int_equal(status, 200);
  assert_string_equal(ogv_json_string_or(a, "kind", ""), "rate");
  assert_true(json_is_true(json_object_get(a, "accepted")));
  json_t *s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:O,s:[s],s:{s:s,s:O}}", "key", "six", "fetus", "A", "object",
                                      strip, "frame", 0, "geometry", json_object_get(a, "geometry"), "quantities",
                                      "fhr", "proposal", "kind", "rate", "geometry", json_object_get(a, "geometry")),
                            &status);
  assert_int_equal(status, 201);
  json_t *row = row_of(s, "fhr");
  assert_true(fabs(ogv_json_number_or(row, "value", NAN) - ogv_json_number_or(t, "rate_bpm", NAN)) < 3);
  assert_string_equal(ogv_json_string_or(row, "source", ""), "proposed");
  json_decref(row);
  json_decref(s);
  json_decref(a);
}

/* How many checks of a report's verification name `what` and hold, or do not. */
static size_t checks_of(const json_t *facts, bool record, const char *what, bool holds) {
  uint8_t *pdf;
  size_t n, i, named = 0;
  json_t *result, *c;
  ogv_error err = {0};
  if (ogv_report_pdf(facts, ogv_report_store_picture, store, &pdf, &n, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_int_equal(ogv_report_verify(pdf, n, record ? store : NULL, &result, NULL), OGV_OK);
  if (holds && !json_is_true(json_object_get(result, "holds"))) {
    json_array_foreach(json_object_get(result, "checks"), i, c) if (!json_is_true(json_object_get(c, "holds")))
        print_message("%s: %s\n", ogv_json_string_or(c, "what", ""), ogv_json_string_or(c, "why", ""));
    fail_msg("the report does not hold");
  }
  json_array_foreach(json_object_get(result, "checks"), i, c) named +=
      strstr(ogv_json_string_or(c, "what", ""), what) && json_is_true(json_object_get(c, "holds")) == holds;
  json_decref(result);
  free(pdf);
  return named;
}

/* The kept reading in the report: recomputed from its counts, and with the record from the picture. */
static void verify_colour(void) {
  json_t *facts, *row, *r, *counts;
  assert_int_equal(ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &facts, NULL), OGV_OK);
  r = json_array_get(json_object_get(facts, "colour_readings"), 0);
  row = json_array_get(json_object_get(facts, "colour_flow"), 0);
  counts = json_object_get(r, "colour");
  assert_int_equal(json_array_size(json_object_get(facts, "colour_readings")), 1);
  assert_true(fabs(ogv_json_number_or(row, "share", NAN) - ogv_json_number_or(counts, "colour_fraction", NAN)) < 1e-12);
  assert_non_null(strstr(ogv_json_string_or(row, "magnitude_text", ""), "% of 26 cm/s"));
  assert_non_null(strstr(ogv_json_string_or(row, "velocity_text", ""), " cm/s"));
  assert_true(checks_of(facts, true, "from the picture, coloured_pixels", true) == 1);
  assert_true(checks_of(facts, false, "colour_fraction", true) == 1);
  /* A share that its counts do not give. */
  json_t *changed = json_deep_copy(facts);
  json_object_set_new(json_object_get(json_array_get(json_object_get(changed, "colour_readings"), 0), "colour"),
                      "colour_fraction", json_real(0.5));
  assert_true(checks_of(changed, false, "colour reading colour-1, colour_fraction", false) == 1);
  json_decref(changed);
  /* A printed share that the reading does not give. */
  changed = json_deep_copy(facts);
  json_object_set_new(json_array_get(json_object_get(changed, "colour_flow"), 0), "share_text", json_string("50.0 %"));
  assert_true(checks_of(changed, false, "share_text", false) == 1);
  json_decref(changed);
  /* Counts and shares changed together, and the words with them: only the picture and the record tell. */
  changed = json_deep_copy(facts);
  counts = json_object_get(json_array_get(json_object_get(changed, "colour_readings"), 0), "colour");
  json_int_t pixels = json_integer_value(json_object_get(counts, "coloured_pixels"));
  json_object_set_new(counts, "coloured_pixels", json_integer(pixels + pixels / 10));
  assert_int_equal(ogv_colour_derive(json_array_get(json_object_get(changed, "colour_readings"), 0), NULL), OGV_OK);
  assert_int_equal(ogv_facts_compose(changed, NULL), OGV_OK);
  assert_true(checks_of(changed, false, "colour reading", true) >= 4);
  assert_true(checks_of(changed, true, "from the picture, coloured_pixels", false) == 1);
  assert_true(checks_of(changed, true, "colour reading colour-1, colour", false) >= 1);
  json_decref(changed);
  json_decref(facts);
}

/* Colour in the box against the phantom's own count of what it painted; kept, repeated, taken back; refusals in words.
 */
static void colour_is_counted_and_kept(void **state) {
  (void)state;
  int status;
  json_t *t;
  char path[128], keep[128];
  const char *colour = object_of("colour", &t), *head = object_of("head", NULL);
  assert_non_null(colour);
  snprintf(keep, sizeof keep, "/api/exams/%s/colour", ogv_json_string_or(exam, "id", ""));
  snprintf(path, sizeof path, "/api/objects/%s/colour", colour);
  json_t *a = post(path, json_pack("{s:i}", "frame", 0), &status);
  assert_int_equal(status, 200);
  const json_t *c = json_object_get(a, "colour");
  assert_true(json_is_true(json_object_get(a, "accepted")));
  assert_string_equal(ogv_json_string_or(a, "by", ""), "box");
  assert_true(fabs(ogv_json_number_or(c, "colour_fraction", NAN) - ogv_json_number_or(t, "fraction", NAN)) < 0.01);
  json_decref(a);
  a = post(path, json_pack("{s:i,s:b}", "frame", 0, "clip", 1), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = post(path,
           json_pack("{s:i,s:{s:s,s:[[i,i],[i,i]]}}", "frame", 0, "outline", "kind", "distance", "points", 1, 1, 9, 9),
           &status);
  assert_int_equal(status, 400);
  assert_non_null(strstr(error_of(a, "todo"), "Draw around"));
  json_decref(a);
  for (int turn = 0; turn < 2; turn++) { /* the same key again stores nothing again */
    a = post(keep,
             json_pack("{s:s,s:s,s:i,s:f}", "key", "colour-1", "object", colour, "frame", 0, "bar_end_cm_s", 26.0),
             &status);
    assert_int_equal(status, 201);
    json_decref(a);
  }
  const struct {
    json_t *body;
    int status;
  } bad[] = {{json_pack("{s:s,s:s,s:f}", "key", "c2", "object", colour, "bar_end_cm_s", 9000.0), 422},
             {json_pack("{s:s,s:s}", "key", "c3", "object", head), 400},
             {json_pack("{s:s}", "object", colour), 400},
             {json_pack("{s:s,s:s,s:s}", "key", "c4", "withdraw", "nothing", "why", "x"), 404},
             {json_pack("{s:s,s:s}", "key", "c5", "withdraw", "colour-1"), 400},
             {json_pack("{s:s,s:s,s:s}", "key", "c6", "object", colour, "job", "feed"), 404}};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    a = post(keep, bad[i].body, &status);
    if (status != bad[i].status) fail_msg("%zu: %d, %s", i, status, error_of(a, "what"));
    json_decref(a);
  }
  verify_colour();
  a = post(keep, json_pack("{s:s,s:s,s:s}", "key", "c7", "withdraw", "colour-1", "why", "wrong region"), &status);
  assert_int_equal(status, 201);
  json_decref(a);
  json_t *now, *e;
  size_t i, kept = 0, back = 0;
  assert_int_equal(ogv_store_exam(store, ogv_json_string_or(exam, "id", ""), &now, NULL), OGV_OK);
  json_array_foreach(json_object_get(now, "events"), i, e) {
    const json_t *d = json_object_get(e, "detail");
    if (strcmp(ogv_json_string_or(e, "verb", ""), "colour")) continue;
    kept += !strcmp(ogv_json_string_or(d, "id", ""), "colour-1");
    back += !strcmp(ogv_json_string_or(d, "withdraws", ""), "colour-1");
  }
  assert_int_equal(kept, 1);
  assert_int_equal(back, 1);
  json_decref(now);
  /* What was taken back is in no report. */
  assert_int_equal(ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &now, NULL), OGV_OK);
  assert_null(json_object_get(now, "colour_readings"));
  assert_null(json_object_get(now, "colour_flow"));
  json_decref(now);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(a_spectrum_is_traced_and_stored),
                                     cmocka_unit_test(verification_names_a_changed_envelope),
                                     cmocka_unit_test(bad_spectra_are_refused_in_words),
                                     cmocka_unit_test(planes_are_proposed_without_values),
                                     cmocka_unit_test(a_slip_is_flagged),
                                     cmocka_unit_test(colour_is_counted_and_kept),
                                     cmocka_unit_test(a_rate_is_an_interval_or_a_reason)};
  return cmocka_run_group_tests(tests, setup, teardown);
}
