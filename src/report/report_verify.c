/* Verification of a report: the file against its seal, every reading against its geometry, every computed number
 * against a new computation from the inputs, the words against the facts, the pictures and the ledger against the
 * record. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "core_unit.h"
#include "dicom_file.h"
#include "measure_quantity.h"
#include "measure_rate.h"
#include "private/report_file.h"
#include "private/report_page.h"
#include "private/report_verify.h"
#include "record_store.h"
#include "report_facts.h"
#include "report_pdf.h"

#define SAME 1e-9 /* relative: the same formula on another processor may end in another last digit */
#define OBJECT_MAX ((size_t)2 << 30)

void verify_check(verify *v, const char *what, json_t *stored, json_t *now, bool holds, const char *why) {
  json_array_append_new(
      v->checks, json_pack("{s:s,s:o,s:o,s:b,s:s}", "what", what, "stored", stored ? stored : json_null(), "recomputed",
                           now ? now : json_null(), "holds", holds, "why", why));
  v->holds = v->holds && holds;
}

bool verify_same_number(double a, double b) { return a == b || fabs(a - b) <= SAME * fmax(fabs(a), fabs(b)) + 1e-12; }

/* --- readings ---------------------------------------------------------------------------------------------------- */
static void row_name(const json_t *row, char *buf, size_t size) {
  snprintf(buf, size, "%.20s/%.40s, reading %.30s", ogv_json_string_or(row, "fetus", ""),
           ogv_json_string_or(row, "quantity", ""), ogv_json_string_or(row, "id", ""));
}

/* The value of a reading from its geometry and calibration alone. */
static void check_reading(verify *v, const json_t *row) {
  const json_t *evidence = json_object_get(row, "evidence");
  const char *type = ogv_json_string_or(evidence, "type", "");
  char name[128];
  bool rate = !strcmp(type, "rate"), onsets = !strcmp(type, "av-interval");
  if (!rate && !onsets &&
      (!json_is_object(json_object_get(evidence, "region")) || !json_is_object(json_object_get(evidence, "geometry"))))
    return;
  if (!rate && !onsets && *type && strcmp(type, "geometry") && strcmp(type, "spectrum") && strcmp(type, "clip")) return;
  row_name(row, name, sizeof name);
  const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(row, "quantity", ""));
  ogv_error e = {0};
  double value, sd, factor, stored = ogv_json_number_or(row, "value", NAN),
                            stored_sd = ogv_json_number_or(row, "sd", NAN);
  if (!q) {
    verify_check(v, name, NULL, NULL, false, "this program does not know the quantity");
    return;
  }
  ogv_status s = ogv_measure_from_evidence(q, evidence, &value, &sd, &e);
  if (s == OGV_OK) s = ogv_unit_convert(1, ogv_json_string_or(row, "unit", ""), q->unit, &factor, &e);
  if (s != OGV_OK) {
    verify_check(v, name, json_real(stored), NULL, false, e.what);
    return;
  }
  bool holds = verify_same_number(stored * factor, value);
  verify_check(v, name, json_real(stored * factor), json_real(value), holds,
               holds    ? ""
               : rate   ? "the length of a beat in its evidence gives another value"
               : onsets ? "the onsets and the time scale in its evidence give another value"
                        : "its geometry and calibration give another value");
  if (holds && isfinite(stored_sd) && isfinite(sd) && !verify_same_number(stored_sd * factor, sd)) {
    strncat(name, ", SD", sizeof name - strlen(name) - 1);
    verify_check(v, name, json_real(stored_sd * factor), json_real(sd), false,
                 onsets ? "the onsets and the time scale in its evidence give another uncertainty"
                        : "its geometry and calibration give another uncertainty");
  }
}

/* --- computed members ----------------------------------------------------------------------------------------------
 */
/* How an element of a list is called in a path. */
static void element_name(const json_t *e, size_t i, char *buf, size_t size) {
  static const char *const keys[] = {"key", "id", "chart", "object", "quantity", "mode", "basis", "code", "date"};
  for (size_t k = 0; k < sizeof keys / sizeof *keys; k++) {
    const char *s = ogv_json_string_or(e, keys[k], "");
    if (*s) {
      snprintf(buf, size, "%.60s", s);
      return;
    }
  }
  snprintf(buf, size, "%zu", i + 1);
}

static void compare(verify *v, const char *path, const json_t *stored, const json_t *now, int depth);

static void compare_list(verify *v, const char *path, const json_t *stored, const json_t *now, int depth) {
  char next[300], name[64];
  if (json_array_size(stored) != json_array_size(now)) {
    verify_check(v, path, json_integer((json_int_t)json_array_size(stored)),
                 json_integer((json_int_t)json_array_size(now)), false,
                 "another number of entries follows from the inputs");
    return;
  }
  for (size_t i = 0; i < json_array_size(now); i++) {
    element_name(json_array_get(now, i), i, name, sizeof name);
    snprintf(next, sizeof next, "%.200s › %.60s", path, name);
    compare(v, next, json_array_get(stored, i), json_array_get(now, i), depth + 1);
  }
}

static void compare_object(verify *v, const char *path, const json_t *stored, const json_t *now, int depth) {
  const char *key;
  json_t *value;
  char next[300];
  json_object_foreach((json_t *)now, key, value) {
    snprintf(next, sizeof next, "%.200s%s%.60s", path, *path ? " › " : "", key);
    compare(v, next, json_object_get(stored, key), value, depth + 1);
  }
  json_object_foreach((json_t *)stored, key, value) if (!json_object_get(now, key)) {
    snprintf(next, sizeof next, "%.200s%s%.60s", path, *path ? " › " : "", key);
    verify_check(v, next, json_incref(value), NULL, false, "does not follow from the inputs");
  }
}

/* Records only what differs; what holds is listed by check_values. */
static void compare(verify *v, const char *path, const json_t *stored, const json_t *now, int depth) {
  if (depth > 24) return;
  if (json_is_object(now) && json_is_object(stored)) compare_object(v, path, stored, now, depth);
  else if (json_is_array(now) && json_is_array(stored)) compare_list(v, path, stored, now, depth);
  else if (json_is_number(now) && json_is_number(stored)) {
    if (!verify_same_number(json_number_value(stored), json_number_value(now)))
      verify_check(v, path, json_incref((json_t *)stored), json_incref((json_t *)now), false,
                   "recomputing it from the inputs gives another number");
  } else if (!json_equal((json_t *)now, (json_t *)stored))
    verify_check(v, path, json_incref((json_t *)stored), json_incref((json_t *)now), false,
                 "recomputing it from the inputs gives something else");
}

/* Lists each printed number that holds, with its centile: what a reader wants to see said. */
static void list_values(verify *v, const json_t *stored, const json_t *now) {
  size_t i, k;
  json_t *value, *centile;
  char name[160];
  json_array_foreach(json_object_get(stored, "values"), i, value) {
    const json_t *other = json_array_get(json_object_get(now, "values"), i);
    if (!verify_same_number(ogv_json_number_or(value, "value", NAN), ogv_json_number_or(other, "value", NAN))) continue;
    verify_check(v, ogv_json_string_or(value, "key", ""), json_incref(json_object_get(value, "value")),
                 json_incref(json_object_get(other, "value")), true, "");
    json_array_foreach(json_object_get(value, "centiles"), k, centile) {
      const json_t *c = json_object_get(centile, "centile"),
                   *d = json_object_get(json_array_get(json_object_get(other, "centiles"), k), "centile");
      if (!json_is_number(c) || !json_is_number(d) || !verify_same_number(json_number_value(c), json_number_value(d)))
        continue;
      snprintf(name, sizeof name, "%.60s centile by %.60s", ogv_json_string_or(value, "key", ""),
               ogv_json_string_or(centile, "chart", ""));
      verify_check(v, name, json_incref((json_t *)c), json_incref((json_t *)d), true, "");
    }
  }
}

static ogv_status check_computed(verify *v, const json_t *facts, ogv_error *err) {
  json_t *again = json_deep_copy(facts);
  if (!again) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to recompute the facts");
  ogv_status s = ogv_facts_compose(again, err);
  if (s == OGV_OK) {
    list_values(v, facts, again);
    compare(v, "", facts, again, 0);
  }
  json_decref(again);
  return s;
}

/* --- pages ------------------------------------------------------------------------------------------------------- */
static void check_file(verify *v, const char *facts_text, size_t n, const json_t *facts, const file_seal *seal,
                       const char *pages_now) {
  char hash[OGV_SHA256_TEXT];
  ogv_error e = {0};
  ogv_sha256(facts_text, n, hash);
  verify_check(v, "attached facts", json_string(seal->facts), json_string(hash), !strcmp(seal->facts, hash),
               strcmp(seal->facts, hash) ? "the attached facts were changed" : "");
  verify_check(v, "pages", json_string(seal->pages), json_string(pages_now), !strcmp(seal->pages, pages_now),
               strcmp(seal->pages, pages_now) ? "the pages, fonts or pictures of the file were changed" : "");
  const char *version = ogv_json_string_or(json_object_get(facts, "program"), "version", "");
  if (strcmp(version, OGV_VERSION)) return; /* another version may word things differently; the numbers are compared */
  if (page_text_hash(facts, hash, &e) != OGV_OK)
    verify_check(v, "words of the pages", json_string(seal->text), NULL, false, e.what);
  else
    verify_check(v, "words of the pages", json_string(seal->text), json_string(hash), !strcmp(seal->text, hash),
                 strcmp(seal->text, hash) ? "the pages say something else than the facts" : "");
}

static ogv_status clip_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_dicom_frame(user, frame, out, err);
}

/* --- against the record ------------------------------------------------------------------------------------------ */
static void check_object(verify *v, ogv_store *store, const json_t *object) {
  char name[96], hash[OGV_SHA256_TEXT], *path = NULL;
  uint8_t *bytes = NULL;
  size_t n;
  ogv_error e = {0};
  const char *id = ogv_json_string_or(object, "id", ""), *want = ogv_json_string_or(object, "sha256", "");
  if (!*want) return;
  snprintf(name, sizeof name, "object %.40s (number %d)", id,
           (int)json_integer_value(json_object_get(object, "number")));
  ogv_status s = ogv_store_object_path(store, id, &path, &e);
  if (s == OGV_OK) s = ogv_file_read(path, OBJECT_MAX, &bytes, &n, &e);
  free(path);
  if (s != OGV_OK) verify_check(v, name, json_string(want), NULL, false, e.what);
  else {
    ogv_sha256(bytes, n, hash);
    v->objects++;
    if (strcmp(hash, want))
      verify_check(v, name, json_string(want), json_string(hash), false,
                   "the stored picture is not the one the report was made from");
  }
  free(bytes);
}

/* The rate of a clip once more from its frames, those and the part of the picture that its evidence names. */
static ogv_status rate_from_frames(ogv_store *store, const json_t *row, ogv_rate *rate, ogv_error *err) {
  const json_t *evidence = json_object_get(row, "evidence"), *corner = json_object_get(evidence, "box"),
               *span = json_object_get(evidence, "frames");
  char *path = NULL;
  ogv_dicom *d = NULL;
  int box[4] = {0};
  for (size_t i = 0; i < 4; i++) box[i] = (int)json_integer_value(json_array_get(corner, i));
  OGV_TRY(ogv_store_object_path(store, ogv_json_string_or(row, "object", ""), &path, err));
  ogv_status s = ogv_dicom_open(path, &d, err);
  free(path);
  if (s != OGV_OK) return s;
  int n = ogv_dicom_about(d)->frames, last = (int)json_integer_value(json_array_get(span, 1));
  if (last < 1 || last >= n) s = ogv_fail(err, OGV_E_INVALID, NULL, "the clip does not have the frames that were read");
  double *times = s == OGV_OK ? malloc(sizeof *times * (size_t)(last + 1)) : NULL;
  if (s == OGV_OK && !times) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; s == OGV_OK && i <= last; i++) times[i] = ogv_dicom_frame_time_ms(d, i);
  if (s == OGV_OK) s = ogv_rate_from_clip(clip_frame, d, times, last + 1, box, rate, err);
  free(times);
  ogv_dicom_close(d);
  return s;
}

static void check_clip_rate(verify *v, ogv_store *store, const json_t *row) {
  const json_t *evidence = json_object_get(row, "evidence");
  if (strcmp(ogv_json_string_or(evidence, "type", ""), "rate") ||
      strcmp(ogv_json_string_or(evidence, "from", ""), "clip"))
    return;
  char name[160], what[128];
  ogv_rate rate = {0};
  ogv_error e = {0};
  row_name(row, what, sizeof what);
  snprintf(name, sizeof name, "%s, from the frames", what);
  double stored = ogv_json_number_or(row, "value", NAN);
  ogv_status s = rate_from_frames(store, row, &rate, &e);
  /* Decoders may differ in the last bit of a pixel; a hundredth of a beat is far below what is shown. */
  bool holds = s == OGV_OK && rate.accepted && fabs(rate.bpm - stored) <= 0.01;
  verify_check(v, name, json_real(stored), s == OGV_OK && rate.accepted ? json_real(rate.bpm) : NULL, holds,
               holds           ? ""
               : s != OGV_OK   ? e.what
               : rate.accepted ? "the frames of the clip give another rate"
                               : rate.reason);
}

/* A reading in the report must be the one in the ledger: value, unit and evidence. */
static void check_ledger_row(verify *v, ogv_store *store, const json_t *row) {
  json_t *now = NULL;
  ogv_error e = {0};
  char name[128];
  static const char *const keys[] = {"value", "unit", "sd", "quantity", "evidence"};
  row_name(row, name, sizeof name);
  if (ogv_store_measurement(store, ogv_json_string_or(row, "id", ""), &now, &e) != OGV_OK) {
    verify_check(v, name, json_incref(json_object_get(row, "value")), NULL, false, e.what);
    return;
  }
  for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
    json_t *a = json_object_get(row, keys[i]), *b = json_object_get(now, keys[i]);
    if (json_is_null(b)) b = NULL;
    if (a == b || (a && b && json_equal(a, b))) continue;
    if (json_is_number(a) && json_is_number(b) && verify_same_number(json_number_value(a), json_number_value(b)))
      continue;
    verify_check(v, name, json_incref(a), json_incref(b), false, "the ledger of the record holds something else");
  }
  json_decref(now);
}

static void check_record(verify *v, ogv_store *store, const json_t *facts) {
  json_t *exam = NULL, *o;
  ogv_error e = {0};
  size_t i;
  const char *id = ogv_json_string_or(json_object_get(facts, "exam"), "id", "");
  if (ogv_store_exam(store, id, &exam, &e) != OGV_OK) {
    verify_check(v, "record", json_string(id), NULL, false, e.what);
    return;
  }
  json_array_foreach(json_object_get(facts, "objects"), i, o) check_object(v, store, o);
  json_array_foreach(json_object_get(facts, "ledger"), i, o) check_ledger_row(v, store, o);
  json_array_foreach(json_object_get(facts, "history"), i, o) check_ledger_row(v, store, o);
  json_array_foreach(json_object_get(facts, "ledger"), i, o) check_clip_rate(v, store, o);
  json_array_foreach(json_object_get(facts, "colour_readings"), i, o) {
    verify_colour_event(v, exam, o);
    verify_colour_picture(v, store, o);
  }
  json_decref(exam);
}

ogv_status ogv_report_verify(const void *pdf, size_t size, struct ogv_store *store, json_t **result, ogv_error *err) {
  char *text, pages_now[OGV_SHA256_TEXT];
  size_t n, i;
  file_seal seal;
  json_t *facts = NULL, *row;
  *result = NULL;
  OGV_TRY(file_read(pdf, size, &text, &n, &seal, pages_now, err));
  verify v = {json_array(), true, 0};
  ogv_status s = ogv_json_parse(text, n, "facts.json", &facts, err);
  if (s == OGV_OK) s = ogv_facts_check(facts, err);
  if (s == OGV_OK) {
    check_file(&v, text, n, facts, &seal, pages_now);
    json_array_foreach(json_object_get(facts, "ledger"), i, row) check_reading(&v, row);
    json_array_foreach(json_object_get(facts, "history"), i, row) check_reading(&v, row);
    json_array_foreach(json_object_get(facts, "colour_readings"), i, row) verify_colour_counts(&v, row);
    s = check_computed(&v, facts, err);
  }
  if (s == OGV_OK && store) check_record(&v, store, facts);
  if (s == OGV_OK)
    *result =
        json_pack("{s:b,s:O,s:i,s:s,s:s,s:s}", "holds", v.holds, "checks", v.checks, "objects_checked", v.objects,
                  "exam", ogv_json_string_or(json_object_get(facts, "exam"), "id", ""), "program",
                  ogv_json_string_or(json_object_get(facts, "program"), "version", ""), "facts_sha256", seal.facts);
  json_decref(v.checks);
  json_decref(facts);
  free(text);
  return s;
}
