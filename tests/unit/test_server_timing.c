/* The atrioventricular interval and the heart rate of a clip over a real socket: proposed on drawn pictures, corrected
 * by a person, stored, and checked by `ogive verify`, which names what was changed afterwards; what is refused, in
 * words. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "server_case.h"

#include "core_json.h"
#include "dicom_write.h"
#include "heart_pictures.h"
#include "intake_import.h"
#include "measure_quantity.h"
#include "phantom_spectrum.h"
#include "record_store.h"
#include "report_facts.h"
#include "report_pdf.h"

#define FRAMES 60
#define FRAME_MS 33.0
#define CLIP_BPM 150

static char home[] = "/tmp/ogive-timing-XXXXXX";
static ogv_server *server;
static ogv_store *store;
static json_t *exam;
static double drawn_ms; /* of the good spectrum, by the phantom's truth */

static int write_picture(const char *folder, int number, const ogv_image *frames, int n, const ogv_region *region) {
  char path[96];
  ogv_dicom_picture p = {.frames = frames, .n_frames = n, .regions = region, .n_regions = region ? 1 : 0};
  ogv_dicom_info_empty(&p.about);
  snprintf(p.about.study, sizeof p.about.study, "2.25.77001");
  snprintf(p.about.series, sizeof p.about.series, "2.25.77001.1");
  snprintf(p.about.sop_instance, sizeof p.about.sop_instance, "2.25.77001.1.%d", number);
  snprintf(p.about.patient_id, sizeof p.about.patient_id, "HEART-1");
  snprintf(p.about.patient_name, sizeof p.about.patient_name, "Sand^Ida");
  if (ogv_date_parse("2026-03-02", &p.about.study_date, NULL) != OGV_OK ||
      ogv_date_parse("2025-09-29", &p.about.lmp, NULL) != OGV_OK)
    return -1;
  p.about.instance_number = number;
  if (n > 1) p.about.frame_ms = FRAME_MS;
  snprintf(path, sizeof path, "%s/%d.dcm", folder, number);
  ogv_error err = {0};
  if (ogv_dicom_write_picture(path, &p, &err) == OGV_OK) return 0;
  fprintf(stderr, "%s: %s\n", path, err.what);
  return -1;
}

static ogv_region time_region(int format, int width, int height, double s_per_column) {
  bool spectrum = format == OGV_FORMAT_SPECTRAL;
  return (ogv_region){.format = format,
                      .data_type = spectrum ? OGV_DATA_PW : OGV_DATA_TISSUE,
                      .unit_x = OGV_UNIT_S,
                      .unit_y = spectrum ? OGV_UNIT_CM_S : OGV_UNIT_CM,
                      .x1 = width - 1,
                      .y1 = height - 1,
                      .has_ref_x = true,
                      .has_ref_y = true,
                      .ref_y = spectrum ? 150 : 0,
                      .delta_x = s_per_column,
                      .delta_y = spectrum ? -0.5 : 0.02,
                      .transducer_khz = NAN,
                      .prf_hz = NAN,
                      .correction_angle_deg = NAN,
                      .steering_angle_deg = NAN};
}

/* Pictures 1 inflow and outflow, 2 an umbilical artery, 3 E and A fused, 4 two walls of an M-mode, 5 a beating clip. */
static int write_exam(const char *folder) {
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_truth t;
  ogv_image p, frames[FRAMES];
  int bad = 0;
  for (int i = 1; i <= 2; i++) {
    ogv_phantom_spectrum_defaults(&o);
    o.seed = 900 + (uint64_t)i;
    if (i == 1) o.vessel = OGV_PHANTOM_IN_OUT, o.av_ms = 118, o.sweep_s = 2.6;
    if (ogv_phantom_spectrum(&o, &p, &t, NULL) != OGV_OK) return -1;
    if (i == 1) drawn_ms = t.av_ms;
    bad |= write_picture(folder, i, &p, 1, &t.region);
    ogv_phantom_spectrum_free(&t);
    ogv_image_free(&p);
  }
  ogv_region r = time_region(OGV_FORMAT_SPECTRAL, 600, 300, 0.004);
  if (ogv_image_new(600, 300, 1, &p, NULL) != OGV_OK) return -1;
  draw_fused(&p);
  bad |= write_picture(folder, 3, &p, 1, &r);
  ogv_image_free(&p);
  r = time_region(OGV_FORMAT_MMODE, 600, 200, 0.005);
  if (ogv_image_new(600, 200, 1, &p, NULL) != OGV_OK) return -1;
  draw_walls(&p, 150, 0.12, 0.005, 0.2);
  bad |= write_picture(folder, 4, &p, 1, &r);
  ogv_image_free(&p);
  for (int i = 0; i < FRAMES; i++)
    if (draw_beating(i, i * FRAME_MS / 1000, CLIP_BPM, &frames[i], NULL) != OGV_OK) return -1;
  bad |= write_picture(folder, 5, frames, FRAMES, NULL);
  for (int i = 0; i < FRAMES; i++) ogv_image_free(&frames[i]);
  return bad;
}

static int setup(void **state) {
  (void)state;
  char folder[64];
  json_t *result = NULL;
  if (!mkdtemp(home)) return -1;
  snprintf(folder, sizeof folder, "%s/exam", home);
  if (mkdir(folder, 0700) || write_exam(folder)) return -1;
  if (ogv_store_init(home, NULL) != OGV_OK || ogv_store_open(home, &store, NULL) != OGV_OK ||
      ogv_import_path(store, folder, NULL, &result, NULL) != OGV_OK)
    return -1;
  json_decref(result);
  return case_start(home, store, &exam, &server) ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  return case_end(home, store, exam, server);
}

static const char *object_of(int number) {
  char instance[40];
  snprintf(instance, sizeof instance, "2.25.77001.1.%d", number);
  return case_object(exam, instance);
}

static json_t *propose(int number, json_t *body, int *status) {
  char path[128];
  snprintf(path, sizeof path, "/api/objects/%s/proposals", object_of(number));
  return request(server, "POST", path, body, status);
}

/* Stores what was asked about a picture and gives the row back; NULL when it was refused. */
static json_t *keep(int number, const char *key, const char *kind, json_t *ask, int *status) {
  char path[128];
  json_t *row = NULL;
  snprintf(path, sizeof path, "/api/exams/%s/measurements", ogv_json_string_or(exam, "id", ""));
  json_t *a = request(
      server, "POST", path,
      json_pack("{s:s,s:s,s:s,s:i,s:o}", "key", key, "fetus", "A", "object", object_of(number), "frame", 0, kind, ask),
      status);
  const json_t *first = json_array_get(json_object_get(a, "rows"), 0);
  if (first) assert_int_equal(ogv_store_measurement(store, ogv_json_string_or(first, "id", ""), &row, NULL), OGV_OK);
  else print_message("%s: %s\n", key, error_of(a, "what"));
  json_decref(a);
  return row;
}

static double value_of(const json_t *row) { return ogv_json_number_or(row, "value", NAN); }
static void beat_set(json_t *beats, size_t i, const char *what, json_t *to) {
  json_object_set_new(json_array_get(beats, i), what, to);
}

/* The check of a report made from facts whose name holds `what`: 1 it holds, 0 it does not, -1 there is none. */
static int check_of(const json_t *facts, const char *what, bool with_store) {
  uint8_t *pdf;
  size_t n, i;
  json_t *result, *c;
  int found = -1;
  ogv_error err = {0};
  if (ogv_report_pdf(facts, ogv_report_store_picture, store, &pdf, &n, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_int_equal(ogv_report_verify(pdf, n, with_store ? store : NULL, &result, NULL), OGV_OK);
  json_array_foreach(json_object_get(result, "checks"), i, c) {
    if (!strstr(ogv_json_string_or(c, "what", ""), what)) continue;
    bool holds = json_is_true(json_object_get(c, "holds"));
    if (!holds) assert_true(ogv_json_string_or(c, "why", "")[0] != 0);
    found = found == 0 ? 0 : holds;
  }
  json_decref(result);
  free(pdf);
  return found;
}

static json_t *facts_of(void) {
  json_t *facts;
  ogv_error err = {0};
  if (ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &facts, &err) != OGV_OK) fail_msg("%s", err.what);
  return facts;
}

static json_t *ledger_row(const json_t *facts, const char *quantity) {
  size_t i;
  json_t *row;
  json_array_foreach(json_object_get(facts, "ledger"), i,
                     row) if (!strcmp(ogv_json_string_or(row, "quantity", ""), quantity)) return row;
  fail_msg("no row %s among the facts", quantity);
  return NULL;
}

static void the_interval_is_proposed_corrected_and_stored(void **state) {
  (void)state;
  int status;
  json_t *a = propose(1, json_pack("{s:i}", "frame", 0), &status); /* nothing said: a spectrum, and what else it is */
  assert_int_equal(status, 200);
  assert_string_equal(ogv_json_string_or(a, "kind", ""), "spectrum");
  assert_string_equal(json_string_value(json_array_get(json_object_get(a, "also"), 0)), "av-interval");
  json_decref(a);
  a = propose(2, json_pack("{s:i}", "frame", 0), &status);
  assert_null(json_object_get(a, "also"));
  json_decref(a);
  a = propose(1, json_pack("{s:i,s:s}", "frame", 0, "kind", "av-interval"), &status);
  assert_int_equal(status, 200);
  assert_true(json_is_true(json_object_get(a, "accepted")));
  json_t *beats = json_object_get(a, "beats");
  assert_true(json_array_size(beats) >= 3);
  json_t *row = keep(1, "one", "av_interval", json_object(), &status);
  assert_int_equal(status, 201);
  double first = value_of(row), again, sd;
  assert_true(fabs(first - drawn_ms) < 8); /* own limit, as in the test of the reader */
  assert_string_equal(ogv_json_string_or(row, "quantity", ""), "av-interval");
  assert_string_equal(ogv_json_string_or(row, "source", ""), "proposed");
  const json_t *evidence = json_object_get(row, "evidence");
  assert_true(json_equal(json_object_get(evidence, "beats"), beats));
  assert_int_equal(ogv_measure_from_evidence(ogv_quantity_find("av-interval"), evidence, &again, &sd, NULL), OGV_OK);
  assert_true(again == first && sd == ogv_json_number_or(row, "sd", NAN));
  /* One onset moved, one beat left out: the person's, with the automatic onsets and every change beside it. */
  json_t *moved = json_deep_copy(beats);
  double x = json_number_value(json_object_get(json_array_get(moved, 0), "atrial_x"));
  beat_set(moved, 0, "atrial_x", json_real(x - 4));
  beat_set(moved, 1, "used", json_false());
  json_t *b = propose(1, json_pack("{s:i,s:s,s:O}", "frame", 0, "kind", "av-interval", "beats", moved), &status);
  assert_true(json_is_true(json_object_get(b, "adjusted")));
  json_decref(b);
  json_t *second = keep(1, "two", "av_interval",
                        json_pack("{s:o,s:[{s:i,s:s,s:f,s:f}]}", "beats", moved, "edits", "beat", 1, "mark", "atrial",
                                  "from", x, "to", x - 4),
                        &status);
  assert_int_equal(status, 201);
  assert_string_equal(ogv_json_string_or(second, "source", ""), "geometry");
  const json_t *proposal = json_object_get(json_object_get(second, "evidence"), "proposal");
  assert_true(json_is_true(json_object_get(proposal, "adjusted")));
  assert_true(json_equal(json_object_get(proposal, "beats"), beats));
  assert_non_null(json_object_get(proposal, "adjusted_by"));
  assert_int_equal(strlen(ogv_json_string_or(json_array_get(json_object_get(proposal, "edits"), 0), "at", "")), 20);
  assert_true(value_of(second) > first);
  json_decref(second);
  json_decref(row);
  json_decref(a);
}

static void walls_of_a_strip_are_marked_by_the_person(void **state) {
  (void)state;
  int status;
  json_t *a = propose(4, json_pack("{s:i,s:s}", "frame", 0, "kind", "av-interval"), &status);
  assert_int_equal(status, 400); /* without walls: what to do */
  assert_non_null(strstr(error_of(a, "todo"), "atrial wall"));
  json_decref(a);
  json_t *row = keep(4, "walls", "av_interval",
                     json_pack("{s:{s:[i,i],s:[i,i]}}", "walls", "atrial", 40, 90, "ventricular", 120, 170), &status);
  assert_int_equal(status, 201);
  assert_true(fabs(value_of(row) - 120) < 8); /* as drawn */
  double again, sd;
  const json_t *evidence = json_object_get(row, "evidence");
  assert_string_equal(ogv_json_string_or(evidence, "from", ""), "m-mode");
  assert_int_equal(ogv_measure_from_evidence(ogv_quantity_find("av-interval"), evidence, &again, &sd, NULL), OGV_OK);
  assert_true(again == value_of(row));
  json_decref(row);
  a = propose(4,
              json_pack("{s:i,s:s,s:{s:[i,i],s:[i,i]}}", "frame", 0, "kind", "av-interval", "walls", "atrial", 40, 90,
                        "ventricular", 150, 400),
              &status);
  assert_int_equal(status, 400);
  assert_non_null(strstr(error_of(a, "what"), "strip"));
  json_decref(a);
}

static void what_cannot_be_read_says_why(void **state) {
  (void)state;
  int status;
  static const struct {
    int picture;
    const char *says;
  } refused[] = {{2, "one side"}, {3, "E and A"}};
  for (size_t i = 0; i < 2; i++) {
    json_t *a = propose(refused[i].picture, json_pack("{s:i,s:s}", "frame", 0, "kind", "av-interval"), &status);
    assert_int_equal(status, 200);
    assert_false(json_is_true(json_object_get(a, "accepted")));
    if (!strstr(ogv_json_string_or(a, "reason", ""), refused[i].says))
      fail_msg("%d: %s", refused[i].picture, ogv_json_string_or(a, "reason", ""));
    json_decref(a);
    json_t *row = keep(refused[i].picture, "never", "av_interval", json_object(), &status);
    assert_null(row);
    assert_int_equal(status, 400);
  }
  json_t *a = propose(5, json_pack("{s:i,s:s}", "frame", 0, "kind", "av-interval"), &status);
  assert_int_equal(status, 422);
  assert_string_equal(error_of(a, "code"), "no-calibration");
  json_decref(a);
  /* Onsets out of order, outside the trace, too few. */
  static const char *const beats[] = {"[{\"atrial_x\": 300, \"ventricular_x\": 200}]",
                                      "[{\"atrial_x\": -900, \"ventricular_x\": 200}]", "[3]"};
  for (size_t i = 0; i < 3; i++) {
    a = propose(1,
                json_pack("{s:i,s:s,s:o}", "frame", 0, "kind", "av-interval", "beats", json_loads(beats[i], 0, NULL)),
                &status);
    assert_int_equal(status, 400);
    assert_true(error_of(a, "what")[0] != 0);
    json_decref(a);
  }
  a = propose(1, json_pack("{s:i,s:s,s:[]}", "frame", 0, "kind", "av-interval", "beats"), &status);
  assert_int_equal(status, 200);
  assert_non_null(strstr(ogv_json_string_or(a, "reason", ""), "only 0 beats"));
  json_decref(a);
}

/* Each change alone: the value, an onset, a beat taken in, the time scale, the length of a beat. */
static void verification_names_changed_onsets(void **state) {
  (void)state;
  json_t *facts = facts_of();
  char what[80];
  snprintf(what, sizeof what, "A/av-interval, reading %s",
           ogv_json_string_or(ledger_row(facts, "av-interval"), "id", ""));
  assert_int_equal(check_of(facts, what, true), 1);
  for (int turn = 0; turn < 5; turn++) {
    json_t *bad = json_deep_copy(facts), *row = ledger_row(bad, "av-interval"), *e = json_object_get(row, "evidence"),
           *beats = json_object_get(e, "beats"), *delta = json_object_get(json_object_get(e, "region"), "delta");
    double x = json_number_value(json_object_get(json_array_get(beats, 0), "ventricular_x"));
    if (turn == 0) json_object_set_new(row, "value", json_real(value_of(row) + 0.5));
    if (turn == 1) beat_set(beats, 0, "ventricular_x", json_real(x + 1));
    if (turn == 2) beat_set(beats, 0, "used", json_false());
    if (turn == 3) json_array_set_new(delta, 0, json_real(1.01 * json_number_value(json_array_get(delta, 0))));
    if (turn == 4) json_object_set_new(e, "beat_s", json_real(0.9 * json_number_value(json_object_get(e, "beat_s"))));
    if (check_of(bad, what, false) != 0) fail_msg("change %d was not named", turn);
    json_decref(bad);
  }
  json_decref(facts);
}

/* A clip's rate rests on its frames: they are read again, so that a rate with evidence changed to fit is found too. */
static void verification_reads_the_frames_of_a_clip_again(void **state) {
  (void)state;
  int status;
  json_t *a = propose(5, json_pack("{s:i,s:s}", "frame", 0, "kind", "rate"), &status);
  assert_int_equal(status, 200);
  assert_true(json_is_true(json_object_get(a, "accepted")));
  json_decref(a);
  json_t *row = keep(5, "rate", "rate", json_object(), &status);
  assert_int_equal(status, 201);
  assert_true(fabs(value_of(row) - CLIP_BPM) < 2); /* the rate that was drawn */
  json_t *facts = facts_of();
  char what[80], frames[100];
  snprintf(what, sizeof what, "A/fhr, reading %s", ogv_json_string_or(row, "id", ""));
  snprintf(frames, sizeof frames, "%s, from the frames", what);
  assert_int_equal(check_of(facts, what, true), 1);
  assert_int_equal(check_of(facts, frames, true), 1);
  assert_int_equal(check_of(facts, frames, false), -1); /* without the record there are no frames to read */
  /* Another value alone is named by the evidence; value and evidence that fit each other only by the frames. */
  json_t *other = ledger_row(facts, "fhr"), *e = json_object_get(other, "evidence");
  json_object_set_new(other, "value", json_real(CLIP_BPM + 12));
  assert_int_equal(check_of(facts, what, false), 0);
  json_object_set_new(e, "period_s", json_real(60.0 / (CLIP_BPM + 12)));
  assert_int_equal(check_of(facts, what, false), 1);
  assert_int_equal(check_of(facts, frames, true), 0);
  /* Frames that the clip does not have, and a part of the picture that is none. */
  json_object_set_new(e, "frames", json_pack("[i,i]", 0, FRAMES + 5));
  assert_int_equal(check_of(facts, frames, true), 0);
  json_object_set_new(e, "frames", json_pack("[i,i]", 0, FRAMES - 1));
  json_object_set_new(e, "box", json_pack("[i,i,i,i]", 0, 0, 4000, 4000));
  assert_int_equal(check_of(facts, frames, true), 0);
  json_decref(facts);
  json_decref(row);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(the_interval_is_proposed_corrected_and_stored),
                                     cmocka_unit_test(walls_of_a_strip_are_marked_by_the_person),
                                     cmocka_unit_test(what_cannot_be_read_says_why),
                                     cmocka_unit_test(verification_names_changed_onsets),
                                     cmocka_unit_test(verification_reads_the_frames_of_a_clip_again)};
  return cmocka_run_group_tests(tests, setup, teardown);
}
