/* Colour readings of a report: from their counts alone, and with the record from the picture once more. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "dicom_file.h"
#include "measure_colour_reading.h"
#include "private/report_verify.h"

/* Decoders may differ in the last bit of a pixel, and a pixel at the threshold then counts or does not: a thousandth of
 * the region, far below what is printed. */
#define PIXELS_MAY_DIFFER 0.001

static void name_of(const json_t *reading, const char *what, char *buf, size_t size) {
  snprintf(buf, size, "colour reading %.40s%s%s", ogv_json_string_or(reading, "id", ""), *what ? ", " : "", what);
}

static void compare(verify *v, const char *name, const json_t *stored, const json_t *now, double may_differ,
                    const char *why) {
  double a = json_number_value(stored), b = json_number_value(now);
  bool holds = json_is_number(stored) && json_is_number(now)
                   ? fabs(a - b) <= may_differ || verify_same_number(a, b)
                   : (!stored || json_is_null(stored)) && (!now || json_is_null(now));
  verify_check(v, name, json_incref((json_t *)stored), json_incref((json_t *)now), holds, holds ? "" : why);
}

static const char *const of_counts[] = {"colour_fraction", "mean_magnitude", "towards_fraction", "aliased_fraction"},
                         *const of_clip[] = {"mean_fraction", "mean_magnitude",  "aliased_fraction",
                                             "pulsatility",   "frames_left_out", "mean_velocity_cm_s"};

/* Points of the curve: the first that does not follow is named. */
static void check_curve(verify *v, const json_t *reading, const json_t *again) {
  const json_t *stored = json_object_get(reading, "curve"), *now = json_object_get(again, "curve"), *p;
  size_t i;
  char name[160], what[60];
  json_array_foreach(stored, i, p) {
    const json_t *q = json_array_get(now, i);
    bool same = json_is_true(json_object_get(p, "left_out")) == json_is_true(json_object_get(q, "left_out"));
    for (int k = 0; k < 2; k++)
      same = same &&
             verify_same_number(ogv_json_number_or(p, of_counts[k], NAN), ogv_json_number_or(q, of_counts[k], NAN));
    if (same) continue;
    snprintf(what, sizeof what, "curve at frame %d", (int)json_integer_value(json_object_get(p, "frame")) + 1);
    name_of(reading, what, name, sizeof name);
    verify_check(v, name, json_incref((json_t *)p), json_incref((json_t *)q), false,
                 "its own counts give another share or magnitude");
    return;
  }
}

void verify_colour_counts(verify *v, const json_t *reading) {
  char name[160];
  ogv_error e = {0};
  json_t *again = json_deep_copy(reading);
  const json_t *counts = json_object_get(reading, "colour"), *now = json_object_get(again, "colour");
  if (ogv_colour_derive(again, &e) != OGV_OK) {
    name_of(reading, "", name, sizeof name);
    verify_check(v, name, NULL, NULL, false, e.what);
    json_decref(again);
    return;
  }
  for (size_t i = 0; i < sizeof of_counts / sizeof *of_counts; i++) {
    if (!json_object_get(counts, of_counts[i])) continue;
    name_of(reading, of_counts[i], name, sizeof name);
    compare(v, name, json_object_get(counts, of_counts[i]), json_object_get(now, of_counts[i]), 0,
            "its own counts give another value");
  }
  for (size_t i = 0; i < sizeof of_clip / sizeof *of_clip; i++) {
    if (!json_object_get(reading, of_clip[i])) continue;
    name_of(reading, of_clip[i], name, sizeof name);
    compare(v, name, json_object_get(reading, of_clip[i]), json_object_get(again, of_clip[i]), 0,
            "its own counts give another value");
  }
  check_curve(v, reading, again);
  json_decref(again);
}

/* --- with the record ---------------------------------------------------------------------------------------------- */

static ogv_status frame_of(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_dicom_frame(user, frame, out, err);
}

static ogv_status read_again(ogv_store *store, const json_t *reading, json_t **again, ogv_error *err) {
  char *path = NULL;
  ogv_dicom *d = NULL;
  size_t n;
  OGV_TRY(ogv_store_object_path(store, ogv_json_string_or(reading, "object", ""), &path, err));
  ogv_status s = ogv_dicom_open(path, &d, err);
  free(path);
  if (s != OGV_OK) return s;
  const ogv_region *regions = ogv_dicom_regions(d, &n);
  s = ogv_colour_read_again(reading, frame_of, d, regions, n, again, err);
  ogv_dicom_close(d);
  return s;
}

/* The first point of the curve that the frame itself does not bear out. */
static void check_frames(verify *v, const json_t *reading, const json_t *again, double pixels) {
  const json_t *stored = json_object_get(reading, "curve"), *now = json_object_get(again, "curve"), *p;
  size_t i, n = json_array_size(stored);
  char name[160], what[80];
  if (!n) return;
  json_array_foreach(stored, i, p) {
    const json_t *q = json_array_get(now, i);
    double d = ogv_json_number_or(p, "colour_fraction", NAN) - ogv_json_number_or(q, "colour_fraction", NAN),
           m = ogv_json_number_or(p, "mean_magnitude", NAN) - ogv_json_number_or(q, "mean_magnitude", NAN);
    if (fabs(d) <= PIXELS_MAY_DIFFER + 1 / pixels && fabs(m) <= 0.01) continue;
    snprintf(what, sizeof what, "from the picture, curve at frame %d",
             (int)json_integer_value(json_object_get(p, "frame")) + 1);
    name_of(reading, what, name, sizeof name);
    verify_check(v, name, json_incref((json_t *)p), json_incref((json_t *)q), false,
                 "the frame shows other colour flow");
    return;
  }
  snprintf(what, sizeof what, "from the picture, curve of %zu frames", n);
  name_of(reading, what, name, sizeof name);
  verify_check(v, name, json_integer((json_int_t)n), json_integer((json_int_t)n), true, "");
}

/* The velocity that the object itself states. One that a person typed is a person's word and stands as such. */
static void check_end(verify *v, const json_t *reading, const json_t *again) {
  char name[160];
  if (strcmp(ogv_json_string_or(reading, "bar_end_from", ""), "region")) return;
  name_of(reading, "from the picture, end of the bar", name, sizeof name);
  compare(v, name, json_object_get(reading, "bar_end_cm_s"), json_object_get(again, "bar_end_cm_s"), 0,
          "the object states another velocity, or none");
}

void verify_colour_picture(verify *v, ogv_store *store, const json_t *reading) {
  char name[160];
  ogv_error e = {0};
  json_t *again = NULL;
  ogv_status s = read_again(store, reading, &again, &e);
  if (s != OGV_OK) {
    name_of(reading, "from the picture", name, sizeof name);
    verify_check(v, name, NULL, NULL, false, e.what);
    return;
  }
  const json_t *counts = json_object_get(reading, "colour"), *now = json_object_get(again, "colour");
  double pixels = ogv_json_number_or(now, "pixels", 1), few = fmax(2, PIXELS_MAY_DIFFER * pixels);
  static const char *const counted[] = {"pixels", "coloured_pixels", "towards_pixels", "aliased_pixels",
                                        "magnitude_sum"};
  for (size_t i = 0; i < sizeof counted / sizeof *counted; i++) {
    if (!json_object_get(counts, counted[i])) continue;
    char what[60];
    /* One patch more or less may go round the end of the bar when a pixel between patches changes. */
    bool patches = !strcmp(counted[i], "aliased_pixels");
    snprintf(what, sizeof what, "from the picture, %s", counted[i]);
    name_of(reading, what, name, sizeof name);
    compare(v, name, json_object_get(counts, counted[i]), json_object_get(now, counted[i]),
            i == 0    ? 0
            : patches ? 10 * few
                      : few,
            "the picture shows other colour flow in this region");
  }
  check_frames(v, reading, again, pixels);
  check_end(v, reading, again);
  json_decref(again);
}

void verify_colour_event(verify *v, const json_t *exam, const json_t *reading) {
  const json_t *e, *d = NULL;
  size_t i;
  const char *key;
  json_t *value;
  char name[160], what[60];
  json_array_foreach(json_object_get(exam, "events"), i, e) {
    const json_t *x = json_object_get(e, "detail");
    if (!strcmp(ogv_json_string_or(e, "verb", ""), "colour") &&
        !strcmp(ogv_json_string_or(x, "id", ""), ogv_json_string_or(reading, "id", "-")))
      d = x;
  }
  if (!d) {
    name_of(reading, "", name, sizeof name);
    verify_check(v, name, NULL, NULL, false, "the record holds no such colour reading of this exam");
    return;
  }
  json_object_foreach((json_t *)reading, key, value) {
    json_t *other = json_object_get(d, key);
    if (!strcmp(key, "who") || !strcmp(key, "at") || json_equal(value, other)) continue;
    if (json_is_number(value) && json_is_number(other) &&
        verify_same_number(json_number_value(value), json_number_value(other)))
      continue;
    snprintf(what, sizeof what, "%.50s", key);
    name_of(reading, what, name, sizeof name);
    verify_check(v, name, json_incref(value), json_incref(other), false, "the record holds something else");
  }
}
