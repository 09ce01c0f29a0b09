/* Readings of whole clips over a real socket: a clip of synthetic heads (phantom, seeded) with black frames among them
 * is read as a job, its value lies at the truth, its evidence recomputes, a person's frames and ticks are kept; and
 * nothing can be stored as a proposal that the program did not make. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>

#include "server_case.h"

#include "dicom_write.h"
#include "intake_import.h"
#include "measure_auto_clip.h"
#include "measure_quantity.h"
#include "phantom_plane.h"
#include "record_store.h"
#include "report_facts.h"
#include "report_pdf.h"

#define FRAMES 14
#define BLACK_FROM 11
#define STUDY "2.25.5100"

static char home[] = "/tmp/ogive-clip-XXXXXX";
static ogv_server *server;
static ogv_store *store;
static json_t *exam;
static ogv_phantom_plane_truth truth;

static bool head_frame(int i, ogv_image *out) {
  ogv_phantom_plane_options o;
  ogv_phantom_plane_defaults(&o, OGV_PHANTOM_HEAD);
  o.seed = 40 + (uint64_t)i; /* other speckle in each frame, the same head */
  o.width = 640;
  o.height = 480;
  o.channels = 1;
  o.ga_weeks = 24;
  o.length_mm = 80;
  o.breadth_mm = 62;
  o.angle_deg = 8 + 0.4 * i;
  o.centre_x = 318 + i;
  o.centre_y = 240;
  o.mm_per_px = 0.24;
  o.quick = true;
  if (i >= BLACK_FROM) return ogv_image_new(640, 480, 1, out, NULL) == OGV_OK;
  return ogv_phantom_plane(&o, out, &truth, NULL) == OGV_OK;
}

static bool write_view(const char *path, const char *instance, const char *view, const ogv_image *frames, int n) {
  bool scaled = frames[0].width == 640; /* the region is that of the heads */
  ogv_dicom_picture p = {.frames = frames, .n_frames = n, .regions = &truth.region, .n_regions = scaled};
  ogv_dicom_info_empty(&p.about);
  ogv_date_parse("2026-04-10", &p.about.study_date, NULL);
  p.about.content_date = p.about.study_date;
  ogv_date_parse("2025-10-24", &p.about.lmp, NULL);
  snprintf(p.about.study, sizeof p.about.study, STUDY);
  snprintf(p.about.series, sizeof p.about.series, STUDY ".1");
  snprintf(p.about.sop_instance, sizeof p.about.sop_instance, "%s", instance);
  snprintf(p.about.patient_id, sizeof p.about.patient_id, "CLIP-1");
  snprintf(p.about.patient_name, sizeof p.about.patient_name, "Reed^Mira");
  snprintf(p.about.view_name, sizeof p.about.view_name, "%s", view);
  p.about.frame_ms = 40;
  return ogv_dicom_write_picture(path, &p, NULL) == OGV_OK;
}

static bool write_picture(const char *path, const char *instance, const ogv_image *frames, int n) {
  return write_view(path, instance, "", frames, n);
}

#define BEATS 30 /* frames of a clip that beats every 10 frames of 40 ms: 150 a minute */
/* A ring that widens and narrows in speckle. */
static bool beat_frame(int i, ogv_image *out) {
  uint32_t noise = 9u + (uint32_t)i;
  double radius = 60 + 14 * sin(2 * M_PI * i / 10);
  if (ogv_image_new(320, 240, 1, out, NULL) != OGV_OK) return false;
  for (int y = 0; y < 240; y++)
    for (int x = 0; x < 320; x++) {
      noise = noise * 1664525u + 1013904223u;
      bool wall = fabs(hypot(x - 160, y - 120) - radius) < 8;
      out->pixels[(size_t)y * out->stride + (size_t)x] = (uint8_t)((noise >> 27) + (wall ? 140 : 20));
    }
  return true;
}

/* view: the sender's name of it, "" for none. */
static bool import_beats(const char *name, const char *instance, const char *view) {
  char path[96];
  ogv_image frames[BEATS] = {0};
  json_t *result = NULL;
  bool ok = true;
  snprintf(path, sizeof path, "%s/%s.dcm", home, name);
  for (int i = 0; i < BEATS; i++) ok = ok && beat_frame(i, &frames[i]);
  ok = ok && write_view(path, instance, view, frames, BEATS) &&
       ogv_import_path(store, path, NULL, &result, NULL) == OGV_OK;
  for (int i = 0; i < BEATS; i++) ogv_image_free(&frames[i]);
  json_decref(result);
  return ok;
}

static int setup(void **state) {
  (void)state;
  char path[96];
  ogv_image frames[FRAMES] = {0};
  json_t *result = NULL;
  if (!mkdtemp(home) || ogv_store_init(home, NULL) != OGV_OK || ogv_store_open(home, &store, NULL) != OGV_OK) return -1;
  bool ok = true;
  for (int i = 0; i < FRAMES; i++) ok = ok && head_frame(i, &frames[i]);
  snprintf(path, sizeof path, "%s/clip.dcm", home);
  ok = ok && write_picture(path, STUDY ".2", frames, FRAMES) &&
       ogv_import_path(store, path, NULL, &result, NULL) == OGV_OK;
  json_decref(result);
  snprintf(path, sizeof path, "%s/still.dcm", home);
  ok = ok && write_picture(path, STUDY ".3", frames, 1) && ogv_import_path(store, path, NULL, &result, NULL) == OGV_OK;
  json_decref(result);
  snprintf(path, sizeof path, "%s/dark.dcm", home);
  ok = ok && write_picture(path, STUDY ".4", frames + BLACK_FROM, 3) &&
       ogv_import_path(store, path, NULL, &result, NULL) == OGV_OK;
  json_decref(result);
  /* two heads among black frames */
  snprintf(path, sizeof path, "%s/few.dcm", home);
  for (int i = 2; i < BLACK_FROM; i++) {
    ogv_image_free(&frames[i]);
    ok = ok && ogv_image_new(640, 480, 1, &frames[i], NULL) == OGV_OK;
  }
  ok = ok && write_picture(path, STUDY ".7", frames, FRAMES) &&
       ogv_import_path(store, path, NULL, &result, NULL) == OGV_OK;
  json_decref(result);
  for (int i = 0; i < FRAMES; i++) ogv_image_free(&frames[i]);
  ok = ok && import_beats("beats", STUDY ".5", "") && import_beats("named", STUDY ".6", "4 chamber view");
  return ok && case_start(home, store, &exam, &server) ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  return case_end(home, store, exam, server);
}

static json_t *start_at(const char *object, const char *what, json_t *body, int *status) {
  char path[128];
  snprintf(path, sizeof path, "/api/objects/%s/%s", object, what);
  return request(server, "POST", path, body, status);
}

static json_t *start(const char *object, json_t *body, int *status) {
  return start_at(object, "clip-readings", body, status);
}

/* Asks until the job is over; gives its last state and takes `a`, the answer to its start. id: 33 bytes, may be NULL.
 */
static json_t *awaited(json_t *a, char *id) {
  int status;
  char path[64];
  snprintf(path, sizeof path, "/api/jobs/%s", ogv_json_string_or(a, "job", ""));
  if (id) snprintf(id, 33, "%s", ogv_json_string_or(a, "job", ""));
  json_decref(a);
  for (;;) {
    a = request(server, "GET", path, NULL, &status);
    assert_int_equal(status, 200);
    const char *word = ogv_json_string_or(a, "state", "");
    if (strcmp(word, "waiting") && strcmp(word, "running")) return a;
    assert_true(ogv_json_number_or(a, "done", -1) <= ogv_json_number_or(a, "of", -1));
    json_decref(a);
    usleep(20000);
  }
}

static json_t *finished(const char *object, json_t *body, char *id) {
  int status;
  json_t *a = start(object, body, &status);
  assert_int_equal(status, 202);
  return awaited(a, id);
}

static json_t *store_reading(json_t *body, int *status) {
  char path[128];
  snprintf(path, sizeof path, "/api/exams/%s/measurements", ogv_json_string_or(exam, "id", ""));
  return request(server, "POST", path, body, status);
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

static void recomputes(const json_t *row) {
  double value, sd;
  ogv_error e = {0};
  const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(row, "quantity", ""));
  if (ogv_measure_from_evidence(q, json_object_get(row, "evidence"), &value, &sd, &e) != OGV_OK) fail_msg("%s", e.what);
  assert_true(value == ogv_json_number_or(row, "value", NAN));
  assert_true(sd == ogv_json_number_or(row, "sd", NAN));
}

static void a_clip_is_read_and_stored(void **state) {
  (void)state;
  int status;
  char id[33];
  const char *clip = case_object(exam, STUDY ".2");
  json_t *job = finished(clip, json_pack("{s:s}", "kind", "head"), id);
  assert_string_equal(ogv_json_string_or(job, "state", ""), "ready");
  const json_t *a = json_object_get(job, "answer"), *c = json_object_get(a, "clip");
  if (!json_is_true(json_object_get(a, "accepted"))) fail_msg("%s", ogv_json_string_or(a, "reason", ""));
  assert_int_equal(json_integer_value(json_object_get(c, "in_clip")), FRAMES);
  const json_t *accepted = json_object_get(c, "accepted");
  size_t n = json_array_size(accepted);
  assert_true(n >= 6 && n <= BLACK_FROM);
  for (size_t i = 0; i < n; i++) assert_true(ogv_json_number_or(json_array_get(accepted, i), "frame", 99) < BLACK_FROM);
  int first = (int)ogv_json_number_or(json_array_get(accepted, 0), "frame", -1);

  json_t *s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:{s:s,s:{s:b,s:b}}}", "key", "one", "fetus", "A", "object",
                                      clip, "frame", 0, "clip", "job", id, "judged", "thalami", 1, "cavum", 0),
                            &status);
  if (status != 201) fail_msg("%s", error_of(s, "what"));
  json_t *row = row_of(s, "hc"), *bpd = row_of(s, "bpd");
  const json_t *e = json_object_get(row, "evidence");
  double hc = ogv_json_number_or(row, "value", NAN);
  /* The phantom's truth, within the 95 % limits of two observers (table of quantities, 2.5 % of HC). */
  assert_true(fabs(hc / truth.perimeter_mm - 1) < 0.03);
  assert_true(fabs(ogv_json_number_or(bpd, "value", NAN) / truth.breadth_mm - 1) < 0.05);
  assert_string_equal(ogv_json_string_or(row, "source", ""), "proposed");
  assert_string_equal(ogv_json_string_or(e, "type", ""), "clip");
  assert_int_equal(json_array_size(json_object_get(json_object_get(e, "frames"), "accepted")), n);
  double effective = ogv_json_number_or(json_object_get(e, "combined"), "effective_frames", NAN);
  assert_true(effective >= 1 && effective <= (double)n);
  recomputes(row);
  recomputes(bpd);
  /* The person's two ticks and the program's two judgements; two criteria stay open. */
  const json_t *criteria = json_object_get(json_object_get(e, "proposal"), "criteria");
  int person = 0, program = 0, open = 0;
  size_t i;
  json_t *k;
  json_array_foreach(criteria, i, k) {
    const char *by = ogv_json_string_or(k, "by", "");
    person += !strcmp(by, "Ann");
    program += !strcmp(by, "program");
    open += !strcmp(ogv_json_string_or(k, "state", ""), "for-the-person");
  }
  assert_int_equal(person, 2);
  assert_int_equal(program, 2);
  assert_int_equal(open, 2);
  json_decref(bpd);
  json_decref(row);
  json_decref(s);

  /* One frame left out by the person: said so, and it does not count. */
  s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:{s:s,s:[i],s:[s]}}", "key", "two", "fetus", "A", "object", clip,
                              "frame", 0, "clip", "job", id, "left_out", first, "quantities", "hc"),
                    &status);
  assert_int_equal(status, 201);
  assert_int_equal(json_array_size(json_object_get(s, "rows")), 1);
  row = row_of(s, "hc");
  e = json_object_get(row, "evidence");
  assert_true(json_is_true(json_object_get(json_object_get(e, "proposal"), "adjusted")));
  assert_true(json_is_true(
      json_object_get(json_array_get(json_object_get(json_object_get(e, "frames"), "accepted"), 0), "left_out")));
  assert_int_not_equal(json_integer_value(json_object_get(row, "frame")), first);
  recomputes(row);
  /* Another weight, another geometry, another figure: none of it passes as the stored reading. */
  for (int turn = 0; turn < 3; turn++) {
    json_t *forged = json_deep_copy(e),
           *frame = json_array_get(json_object_get(json_object_get(forged, "frames"), "accepted"), 1);
    double value, sd;
    if (turn == 0) json_object_del(frame, "weight");
    else if (turn == 1)
      json_array_set_new(json_array_get(json_object_get(json_object_get(frame, "geometry"), "points"), 0), 0,
                         json_real(20));
    else json_object_set_new(json_object_get(forged, "combined"), "effective_frames", json_real(50));
    ogv_status f = ogv_measure_from_evidence(ogv_quantity_find("hc"), forged, &value, &sd, NULL);
    assert_true(f != OGV_OK || value != ogv_json_number_or(row, "value", NAN));
    json_decref(forged);
  }
  json_decref(row);
  json_decref(s);
  json_decref(job);
}

static void verification_reads_the_clip_again(void **state) {
  (void)state;
  json_t *facts, *row, *c, *result;
  assert_int_equal(ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &facts, NULL), OGV_OK);
  for (int turn = 0; turn < 2; turn++) {
    size_t i, n, named = 0;
    uint8_t *pdf;
    if (turn) json_array_foreach(json_object_get(facts, "ledger"), i, row) {
        json_t *frames = json_object_get(json_object_get(row, "evidence"), "frames");
        if (frames) json_array_clear(json_object_get(frames, "accepted"));
      }
    ogv_error err = {0};
    if (ogv_report_pdf(facts, ogv_report_store_picture, store, &pdf, &n, &err) != OGV_OK) fail_msg("%s", err.what);
    assert_int_equal(ogv_report_verify(pdf, n, NULL, &result, NULL), OGV_OK);
    assert_int_equal(json_is_true(json_object_get(result, "holds")), !turn);
    json_array_foreach(json_object_get(result, "checks"), i,
                       c) if (strstr(ogv_json_string_or(c, "what", ""), "A/hc, reading")) named +=
        json_is_true(json_object_get(c, "holds")) == !turn;
    assert_true(named >= 2);
    json_decref(result);
    free(pdf);
  }
  json_decref(facts);
}

/* A clip is not read from a chance frame or two: a tenth of the frames looked at is needed, and three. */
static void a_frame_or_two_are_too_few(void **state) {
  (void)state;
  assert_int_equal(ogv_clip_needed(1), 1);
  assert_int_equal(ogv_clip_needed(2), 2);
  assert_int_equal(ogv_clip_needed(24), 3);
  assert_int_equal(ogv_clip_needed(60), 6);
  assert_int_equal(ogv_clip_needed(61), 7);
  json_t *job = finished(case_object(exam, STUDY ".7"), json_pack("{s:s}", "kind", "head"), NULL);
  const json_t *answer = json_object_get(job, "answer");
  assert_true(json_is_false(json_object_get(answer, "accepted")));
  const char *reason = ogv_json_string_or(answer, "reason", "");
  if (!strstr(reason, "only 2 of 14 frames could be measured surely, 3 are needed")) fail_msg("%s", reason);
  json_decref(job);
}

static void refusals_have_words(void **state) {
  (void)state;
  int status;
  char id[33];
  const char *clip = case_object(exam, STUDY ".2"), *still = case_object(exam, STUDY ".3"),
             *dark = case_object(exam, STUDY ".4");
  json_t *a = start(still, json_object(), &status);
  assert_int_equal(status, 400);
  assert_non_null(strstr(error_of(a, "what"), "no clip"));
  json_decref(a);
  a = start(clip, json_pack("{s:s}", "kind", "soup"), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  a = finished(dark, json_pack("{s:s}", "kind", "head"), id);
  const json_t *answer = json_object_get(a, "answer");
  assert_true(json_is_false(json_object_get(answer, "accepted")));
  assert_true(strlen(ogv_json_string_or(answer, "reason", "")) > 10);
  json_decref(a);
  a = store_reading(json_pack("{s:s,s:s,s:i,s:{s:s}}", "key", "three", "object", dark, "frame", 0, "clip", "job", id),
                    &status);
  assert_int_equal(status, 400); /* a refusal cannot be accepted */
  json_decref(a);
  a = store_reading(json_pack("{s:s,s:s,s:i,s:{s:s}}", "key", "four", "object", clip, "frame", 0, "clip", "job", id),
                    &status);
  assert_int_equal(status, 409); /* nor the reading of one clip for another */
  json_decref(a);
  a = store_reading(
      json_pack("{s:s,s:s,s:i,s:{s:s}}", "key", "five", "object", clip, "frame", 0, "clip", "job", "feed"), &status);
  assert_int_equal(status, 404);
  json_decref(a);
  a = finished(clip, json_pack("{s:s,s:[i,i]}", "kind", "head", "at", 5000, 3), NULL);
  assert_string_equal(ogv_json_string_or(a, "state", ""), "failed");
  assert_non_null(strstr(ogv_json_string_or(json_object_get(a, "refused"), "what", ""), "outside"));
  json_decref(a);
}

/* A clip that beats gives its rate after a glance at three frames, one that is called a heart at once: the planes of
 * all its frames are not read first. A clip of heads is still one of heads. */
static void what_a_clip_is_decides_what_is_read(void **state) {
  (void)state;
  for (int named = 0; named < 2; named++) {
    json_t *job = finished(case_object(exam, named ? STUDY ".6" : STUDY ".5"), json_object(), NULL);
    const json_t *a = json_object_get(job, "answer");
    assert_string_equal(ogv_json_string_or(a, "kind", ""), "rate");
    assert_true(json_is_true(json_object_get(a, "accepted")));
    assert_true(fabs(ogv_json_number_or(a, "rate_bpm", NAN) - 150) < 1);
    assert_int_equal(ogv_json_number_or(a, "frames_glanced", -1), named ? 0 : 3);
    json_decref(job);
  }
  json_t *job = finished(case_object(exam, STUDY ".2"), json_object(), NULL);
  assert_string_equal(ogv_json_string_or(json_object_get(job, "answer"), "kind", ""), "head");
  json_decref(job);
}

static void a_job_is_stopped(void **state) {
  (void)state;
  int status;
  char path[64];
  const char *clip = case_object(exam, STUDY ".2");
  json_t *a = start(clip, json_object(), &status);
  snprintf(path, sizeof path, "/api/jobs/%s", ogv_json_string_or(a, "job", ""));
  json_decref(a);
  json_decref(request(server, "DELETE", path, NULL, &status));
  assert_int_equal(status, 200);
  for (bool over = false; !over; usleep(20000)) {
    a = request(server, "GET", path, NULL, &status);
    const char *word = ogv_json_string_or(a, "state", "");
    over = strcmp(word, "running") != 0;
    assert_string_not_equal(word, "ready");
    if (over) assert_string_equal(word, "stopped");
    json_decref(a);
  }
}

static void counts(json_t *job, int done, int of) {
  assert_string_equal(ogv_json_string_or(job, "state", ""), "ready");
  assert_int_equal(ogv_json_number_or(job, "done", -1), done);
  assert_int_equal(ogv_json_number_or(job, "of", -1), of);
  json_decref(job);
}

/* Progress is what was done: all of it where all was read, less where the answer was clear before. */
static void a_job_counts_what_it_did(void **state) {
  (void)state;
  int status;
  json_t *heads = finished(case_object(exam, STUDY ".2"), json_pack("{s:s}", "kind", "head"), NULL);
  counts(heads, FRAMES + 1, FRAMES + 1); /* each frame, and the one that stands for the value once more */
  json_t *dark = finished(case_object(exam, STUDY ".4"), json_pack("{s:s}", "kind", "head"), NULL);
  counts(dark, FRAMES - BLACK_FROM, FRAMES - BLACK_FROM + 1); /* there is none to stand for it */
  json_t *a = start_at(case_object(exam, STUDY ".5"), "colour", json_pack("{s:b}", "clip", 1), &status);
  assert_int_equal(status, 202);
  counts(awaited(a, NULL), 1, BEATS + 1); /* the first frame shows no colour bar: the others are not read */
}

/* A page that claims a proposal which the program did not make gets nowhere; one that tells the truth does. */
static void only_real_proposals_are_kept(void **state) {
  (void)state;
  int status;
  char path[128];
  const char *still = case_object(exam, STUDY ".3");
  snprintf(path, sizeof path, "/api/objects/%s/proposals", still);
  json_t *a = request(server, "POST", path, json_pack("{s:i}", "frame", 0), &status);
  if (!json_is_true(json_object_get(a, "accepted"))) fail_msg("%s", ogv_json_string_or(a, "reason", ""));
  json_t *real = json_object_get(a, "geometry"), *claimed = json_deep_copy(real);
  json_array_set_new(json_array_get(json_object_get(claimed, "points"), 0), 0, json_real(120));
  json_t *s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:O,s:[s],s:{s:s,s:O,s:f}}", "key", "six", "fetus", "A",
                                      "object", still, "frame", 0, "geometry", claimed, "quantities", "hc", "proposal",
                                      "kind", "head", "geometry", claimed, "acceptance", 1.0),
                            &status);
  assert_int_equal(status, 409);
  assert_non_null(strstr(error_of(s, "what"), "not what the program proposes"));
  json_decref(s);
  s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:O,s:[s],s:{s:s,s:O,s:f,s:{s:b}}}", "key", "seven", "fetus", "A",
                              "object", still, "frame", 0, "geometry", real, "quantities", "hc", "proposal", "kind",
                              "head", "geometry", real, "acceptance", 0.123, "judged", "size", 1),
                    &status);
  assert_int_equal(status, 400); /* that one the program judges */
  json_decref(s);
  s = store_reading(json_pack("{s:s,s:s,s:s,s:i,s:O,s:[s],s:{s:s,s:O,s:f}}", "key", "eight", "fetus", "A", "object",
                              still, "frame", 0, "geometry", real, "quantities", "hc", "proposal", "kind", "head",
                              "geometry", real, "acceptance", 0.123),
                    &status);
  assert_int_equal(status, 201);
  json_t *row = row_of(s, "hc"), *kept = json_object_get(json_object_get(row, "evidence"), "proposal");
  assert_string_equal(ogv_json_string_or(row, "source", ""), "proposed");
  /* its own figure, not the page's */
  assert_true(fabs(ogv_json_number_or(kept, "acceptance", 0) - ogv_json_number_or(a, "acceptance", 1)) < 1e-6);
  assert_int_equal(json_array_size(json_object_get(kept, "criteria")), 6);
  json_decref(row);
  json_decref(s);
  json_decref(claimed);
  json_decref(a);
}

static void pictures_are_told_apart(void **state) {
  (void)state;
  int status;
  char path[64];
  const char *still = case_object(exam, STUDY ".3"), *dark = case_object(exam, STUDY ".4");
  json_t *a = request(server, "POST", "/api/planes", json_pack("{s:[]}", "objects"), &status);
  assert_int_equal(status, 400);
  json_decref(a);
  for (int turn = 0; turn < 2; turn++) { /* the second time from memory: the same answer */
    a = request(server, "POST", "/api/planes", json_pack("{s:[s,s,s]}", "objects", still, "nothing", dark), &status);
    assert_int_equal(status, 202);
    snprintf(path, sizeof path, "/api/jobs/%s", ogv_json_string_or(a, "job", ""));
    for (;;) {
      json_decref(a);
      a = request(server, "GET", path, NULL, &status);
      const char *word = ogv_json_string_or(a, "state", "");
      if (strcmp(word, "waiting") && strcmp(word, "running")) break;
      usleep(20000);
    }
    const json_t *list = json_object_get(json_object_get(a, "answer"), "planes"), *head = json_array_get(list, 0);
    assert_int_equal(json_array_size(list), 2); /* what is not there is left out */
    assert_string_equal(ogv_json_string_or(head, "object", ""), still);
    assert_string_equal(ogv_json_string_or(head, "plane", ""), "head");
    assert_true(ogv_json_number_or(head, "probability", 0) > 0.8);
    const json_t *other = json_array_get(list, 1); /* black: no plane, or one that it is not sure of */
    assert_true(!strcmp(ogv_json_string_or(other, "plane", ""), "other") ||
                !json_is_true(json_object_get(other, "measurable")));
    json_decref(a);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(a_clip_is_read_and_stored),
                                     cmocka_unit_test(verification_reads_the_clip_again),
                                     cmocka_unit_test(a_frame_or_two_are_too_few),
                                     cmocka_unit_test(refusals_have_words),
                                     cmocka_unit_test(what_a_clip_is_decides_what_is_read),
                                     cmocka_unit_test(a_job_counts_what_it_did),
                                     cmocka_unit_test(a_job_is_stopped),
                                     cmocka_unit_test(pictures_are_told_apart),
                                     cmocka_unit_test(only_real_proposals_are_kept)};
  return cmocka_run_group_tests(tests, setup, teardown);
}
