/* Colour readings in the facts: what was kept of them is an input (colour_readings), what follows from their counts and
 * how it is said is computed (colour_flow). */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "measure_colour_reading.h"
#include "private/report_compose.h"

#define ALIASED_SAID 0.02 /* share of the flow from which on aliasing is said (own choice) */

static const char *string(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

/* "image 12", "clip 7, frame 3", "clip 7, 60 frames" */
static json_t *picture_words(const compose *c, const json_t *reading) {
  size_t i;
  json_t *o;
  json_array_foreach(json_object_get(c->facts, "objects"), i, o) {
    if (strcmp(string(o, "id"), string(reading, "object"))) continue;
    double number = compose_number(o, "number"), frame = compose_number(reading, "frame");
    bool clip = compose_number(o, "frames") > 1;
    size_t looked = json_array_size(json_object_get(reading, "curve"));
    if (looked)
      return compose_text(c, "colour.clip",
                          json_pack("{s:i,s:i}", "number", isfinite(number) ? (int)number : 0, "n", (int)looked));
    return compose_text(c, clip ? "picture.clip" : "picture.still",
                        json_pack("{s:i,s:i}", "number", isfinite(number) ? (int)number : 0, "frame",
                                  isfinite(frame) && frame >= 0 && frame < 1e6 ? (int)frame + 1 : 1));
  }
  return json_string(string(reading, "object"));
}

static void set_number(json_t *o, const char *key, double v) {
  if (isfinite(v)) json_object_set_new(o, key, json_real(v));
}

/* A number with its unit is one field: on pages from right to left it must not be torn apart. */
static json_t *with_unit(const compose *c, double v, int decimals, const char *unit) {
  char a[OGV_MESSAGE_TEXT];
  return json_sprintf("%s %s", ogv_message_number(c->m, v, decimals, a), unit);
}

static void note(const compose *c, json_t *notes, const char *message, json_t *args) {
  json_array_append_new(notes, compose_text(c, message, args));
}

static json_t *notes_of(const compose *c, const json_t *r, const char *who) {
  json_t *notes = json_array();
  const json_t *counts = json_object_get(r, "colour");
  double aliased = ogv_json_number_or(r, "aliased_fraction", compose_number(counts, "aliased_fraction")),
         end = compose_number(r, "bar_end_cm_s");
  int left = (int)json_integer_value(json_object_get(r, "frames_left_out"));
  if (aliased >= ALIASED_SAID)
    note(c, notes, "colour.aliased", json_pack("{s:o}", "percent", with_unit(c, 100 * aliased, 0, "%")));
  if (left) note(c, notes, "colour.flash", json_pack("{s:i}", "n", left));
  if (isfinite(end) && !strcmp(string(r, "bar_end_from"), "region"))
    note(c, notes, "colour.end-region", json_pack("{s:o}", "end", with_unit(c, end, 0, "cm/s")));
  else if (isfinite(end))
    note(c, notes, "colour.end-typed", json_pack("{s:o,s:s}", "end", with_unit(c, end, 0, "cm/s"), "who", who));
  return notes;
}

/* "34 % of 26 cm/s", "34 % of the bar" */
static json_t *magnitude_words(const compose *c, const json_t *r, double magnitude) {
  double end = compose_number(r, "bar_end_cm_s");
  json_t *percent = with_unit(c, 100 * magnitude, 0, "%");
  if (!isfinite(end)) return compose_text(c, "colour.of-bar", json_pack("{s:o}", "percent", percent));
  return compose_text(c, "colour.of-velocity",
                      json_pack("{s:o,s:o}", "percent", percent, "end", with_unit(c, end, 0, "cm/s")));
}

static json_t *row_of(const compose *c, const json_t *reading) {
  char id[48], a[OGV_MESSAGE_TEXT];
  json_t *r = json_deep_copy(reading);
  ogv_error e = {0};
  json_t *row = json_pack("{s:s,s:s,s:o}", "id", string(reading, "id"), "object", string(reading, "object"), "picture",
                          picture_words(c, reading));
  if (ogv_colour_derive(r, &e) != OGV_OK) {
    json_object_set_new(row, "refused", ogv_error_json(&e));
    json_decref(r);
    return row;
  }
  const json_t *counts = json_object_get(r, "colour");
  double share = ogv_json_number_or(r, "mean_fraction", compose_number(counts, "colour_fraction")),
         magnitude = ogv_json_number_or(r, "mean_magnitude", compose_number(counts, "mean_magnitude")),
         pulse = compose_number(r, "pulsatility"), velocity = compose_number(r, "mean_velocity_cm_s");
  snprintf(id, sizeof id, "colour.kind.%.20s", string(counts, "kind"));
  json_object_set_new(row, "kind", json_string(ogv_message_plain(c->m, id)));
  snprintf(id, sizeof id, "colour.by.%.20s", string(r, "by"));
  json_object_set_new(row, "region", json_string(ogv_message_plain(c->m, id)));
  json_object_set_new(row, "about", json_string(string(r, "about")));
  set_number(row, "share", share);
  set_number(row, "magnitude", magnitude);
  set_number(row, "pulsatility", pulse);
  set_number(row, "velocity_cm_s", velocity);
  set_number(row, "aliased", ogv_json_number_or(r, "aliased_fraction", compose_number(counts, "aliased_fraction")));
  json_object_set_new(row, "share_text", with_unit(c, 100 * share, 1, "%"));
  json_object_set_new(row, "magnitude_text", magnitude_words(c, r, magnitude));
  if (isfinite(pulse)) json_object_set_new(row, "pulsatility_text", json_string(ogv_message_number(c->m, pulse, 2, a)));
  if (isfinite(velocity)) json_object_set_new(row, "velocity_text", with_unit(c, velocity, 1, "cm/s"));
  json_object_set_new(row, "notes", notes_of(c, r, string(reading, "who")));
  json_decref(r);
  return row;
}

void compose_colour(compose *c) {
  const json_t *list = json_object_get(c->facts, "colour_readings"), *r;
  size_t i;
  json_object_del(c->facts, "colour_flow");
  if (!json_array_size(list)) return;
  json_t *rows = json_array();
  json_array_foreach(list, i, r) json_array_append_new(rows, row_of(c, r));
  json_object_set_new(c->facts, "colour_flow", rows);
}
