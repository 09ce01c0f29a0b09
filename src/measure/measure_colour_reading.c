#include "measure_colour_reading.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_sort.h"

#define CURVE_MOST 4096
#define COMPONENT_VELOCITY 3 /* Pixel Component Data Type (0018,604E): colour flow velocity, colour bar */
#define COMPONENT_BAR 7

static void set(json_t *o, const char *key, json_t *v) { json_object_set_new(o, key, v); }
static double number(const json_t *o, const char *key) { return ogv_json_number_or(o, key, NAN); }

/* --- the velocity at the end of the bar --------------------------------------------------------------------------- */

static double end_of_region(const ogv_region *r) {
  bool flow = r->data_type == OGV_DATA_COLOUR_FLOW, bar = r->data_type == OGV_DATA_COLOUR_BAR;
  if (!flow && !bar) return NAN;
  bool velocity = r->component_type == COMPONENT_VELOCITY || r->component_type == COMPONENT_BAR;
  if (r->has_component && r->component_unit == OGV_UNIT_CM_S && velocity)
    return fmax(fabs(r->component_low), fabs(r->component_high));
  if (!bar || r->unit_y != OGV_UNIT_CM_S || !r->has_ref_y || !isfinite(r->delta_y) || r->delta_y == 0) return NAN;
  double top = r->ref_value_y - r->ref_y * r->delta_y, bottom = top + (r->y1 - r->y0) * r->delta_y;
  return fmax(fabs(top), fabs(bottom));
}

double ogv_colour_bar_end(const ogv_region *regions, size_t n) {
  double end = NAN;
  for (size_t i = 0; i < n; i++) {
    double v = end_of_region(&regions[i]);
    if (!(v > 0 && v <= 1000)) continue;
    if (isfinite(end) && fabs(v - end) > 0.01 * end) return NAN;
    end = v;
  }
  return end;
}

/* --- reading ------------------------------------------------------------------------------------------------------ */

static void set_counts(json_t *o, const ogv_colour_count *c) {
  set(o, "coloured_pixels", json_integer((json_int_t)c->coloured));
  set(o, "aliased_pixels", json_integer((json_int_t)c->aliased));
  set(o, "magnitude_sum", json_real(c->sum));
}

static json_t *colour_json(const ogv_colour_count *c, const ogv_colour_bar *bar) {
  double a = bar->value[0], b = bar->power ? 0 : bar->value[bar->steps - 1];
  json_t *o = json_pack("{s:s,s:[i,i,i,i],s:[f,f],s:I,s:I}", "kind", bar->power ? "power" : "velocity", "bar", bar->x0,
                        bar->y0, bar->x1, bar->y1, "range", fmin(a, b), bar->power ? 1.0 : fmax(a, b), "pixels",
                        (json_int_t)c->pixels, "towards_pixels", (json_int_t)c->positive);
  set_counts(o, c);
  return o;
}

typedef struct looking {
  const ogv_colour_ask *ask;
  ogv_colour_bar bar;
  float *flow;
  int width, height;
} looking;

/* bar: whether this frame's bar is read first. */
static ogv_status count(looking *r, int frame, bool bar, ogv_colour_count *c, ogv_error *err) {
  const ogv_colour_ask *ask = r->ask;
  ogv_image img = {0};
  OGV_TRY(ask->next(ask->user, frame, &img, err));
  ogv_status s = OGV_OK;
  if (bar) {
    s = ogv_colour_bar_find(&img, ask->regions, ask->n_regions, &r->bar, err);
    r->width = img.width;
    r->height = img.height;
    if (s == OGV_OK) r->flow = malloc(sizeof *r->flow * (size_t)img.width * (size_t)img.height);
    if (s == OGV_OK && !r->flow) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  } else if (img.width != r->width || img.height != r->height)
    s = ogv_fail(err, OGV_E_INVALID, NULL, "the frames of the clip differ in size");
  if (s == OGV_OK) s = ogv_colour_flow(&img, &r->bar, r->flow, err);
  if (s == OGV_OK)
    s = ogv_colour_in_outline(r->flow, img.width, img.height, &r->bar, ask->outline->points, ask->outline->n, c, err);
  ogv_image_free(&img);
  return s;
}

static ogv_status add_curve(looking *r, json_t *o, ogv_error *err) {
  const ogv_colour_ask *ask = r->ask;
  json_t *curve = json_array();
  set(o, "curve", curve);
  for (int i = 0; i < ask->n_frames; i++) {
    ogv_colour_count c;
    OGV_TRY(count(r, ask->frames[i], false, &c, err));
    json_t *p =
        json_pack("{s:i,s:o}", "frame", ask->frames[i], "time_ms", ogv_json_real(ask->time_ms ? ask->time_ms[i] : NAN));
    set_counts(p, &c);
    json_array_append_new(curve, p);
  }
  return OGV_OK;
}

ogv_status ogv_colour_read(const ogv_colour_ask *ask, json_t **out, ogv_error *err) {
  looking r = {.ask = ask};
  ogv_colour_count c;
  json_t *o = NULL;
  *out = NULL;
  ogv_status s = count(&r, ask->frame, true, &c, err);
  if (s == OGV_OK) {
    o = json_pack("{s:o,s:i,s:o}", "geometry", ogv_geometry_to_json(ask->outline), "frame", ask->frame, "colour",
                  colour_json(&c, &r.bar));
    double end = r.bar.power ? NAN : ogv_colour_bar_end(ask->regions, ask->n_regions);
    if (isfinite(end)) {
      set(o, "bar_end_cm_s", json_real(end));
      set(o, "bar_end_from", json_string("region"));
    }
    if (ask->n_frames > 0) s = add_curve(&r, o, err);
  }
  free(r.flow);
  if (s == OGV_OK) s = ogv_colour_derive(o, err);
  if (s == OGV_OK) *out = o;
  else json_decref(o);
  return s;
}

/* --- what follows from the counts --------------------------------------------------------------------------------- */

static bool within(double v, double low, double high) { return v >= low && v <= high; } /* NaN: no */

/* Readings kept before the sum was: their mean magnitude stands as it is. */
static ogv_status derive_counts(json_t *o, double pixels, ogv_error *err) {
  double coloured = number(o, "coloured_pixels"), sum = number(o, "magnitude_sum"),
         aliased = ogv_json_number_or(o, "aliased_pixels", 0);
  bool summed = json_object_get(o, "magnitude_sum") != NULL;
  if (!(pixels > 0) || !within(coloured, 0, pixels) || !within(aliased, 0, coloured) ||
      (summed && !within(sum, 0, coloured * (1 + 1e-9))))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the counts of the colour reading cannot be");
  set(o, "colour_fraction", json_real(coloured / pixels));
  if (summed) set(o, "mean_magnitude", json_real(coloured > 0 ? sum / coloured : 0));
  return OGV_OK;
}

/* The value that all but `most` of n reach or stay below. */
static double most_stay_below(const double *v, double *sorted, int n, int most) {
  memcpy(sorted, v, sizeof *v * (size_t)n);
  qsort(sorted, (size_t)n, sizeof *sorted, ogv_ascending);
  return sorted[n - 1 - most];
}

/* Marks flashes; flow and share of each frame, sorted: room for n more. Returns how many. */
static int mark_flashes(json_t *curve, const double *flow, const double *share, double *sorted, int n) {
  if (n < 8) return 0;
  int most = n / 10 > 1 ? n / 10 : 1, most_runs = n / 40 > 1 ? n / 40 : 1, out = 0, runs = 0;
  double usual_flow = most_stay_below(flow, sorted, n, most), usual_share = most_stay_below(share, sorted, n, most);
  bool before = false;
  for (int i = 0; i < n; i++) {
    bool flash = flow[i] > 2 * usual_flow && share[i] > 1.5 * usual_share;
    out += flash;
    runs += flash && !before;
    before = flash;
    sorted[i] = flash;
  }
  if (runs > most_runs) return 0;
  for (int i = 0; i < n; i++)
    if (sorted[i] > 0) set(json_array_get(curve, (size_t)i), "left_out", json_true());
  return out;
}

typedef struct sums {
  int n;
  double fraction, magnitude, aliased, coloured, low, high, flow; /* flow: fraction x magnitude, what pulses */
} sums;

static void add(sums *t, const json_t *p, double flow) {
  t->low = t->n ? fmin(t->low, flow) : flow;
  t->high = t->n ? fmax(t->high, flow) : flow;
  t->flow += flow;
  t->fraction += number(p, "colour_fraction");
  t->magnitude += number(p, "mean_magnitude");
  t->aliased += ogv_json_number_or(p, "aliased_pixels", 0);
  t->coloured += number(p, "coloured_pixels");
  t->n++;
}

static ogv_status derive_curve(json_t *o, double pixels, ogv_error *err) {
  json_t *curve = json_object_get(o, "curve"), *p;
  size_t i, n = json_array_size(curve);
  if (n < 1 || n > CURVE_MOST) return ogv_fail(err, OGV_E_INVALID, NULL, "the colour curve has %zu frames", n);
  json_array_foreach(curve, i, p) {
    json_object_del(p, "left_out");
    /* Curves kept before the counts were: their shares stand as they are. */
    if (json_object_get(p, "coloured_pixels")) OGV_TRY(derive_counts(p, pixels, err));
    if (!within(number(p, "colour_fraction"), 0, 1) || !within(number(p, "mean_magnitude"), 0, 1 + 1e-9))
      return ogv_fail(err, OGV_E_INVALID, NULL, "point %zu of the colour curve cannot be", i + 1);
  }
  double *flow = malloc(sizeof *flow * 3 * n), *share = flow ? flow + n : NULL;
  if (!flow) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_array_foreach(curve, i, p) {
    share[i] = number(p, "colour_fraction");
    flow[i] = share[i] * number(p, "mean_magnitude");
  }
  int left = mark_flashes(curve, flow, share, share + n, (int)n);
  sums t = {0};
  json_array_foreach(curve, i, p) if (!json_is_true(json_object_get(p, "left_out"))) add(&t, p, flow[i]);
  free(flow);
  set(o, "frames_left_out", json_integer(left));
  set(o, "mean_fraction", json_real(t.fraction / t.n));
  set(o, "mean_magnitude", json_real(t.magnitude / t.n));
  set(o, "aliased_fraction", json_real(t.coloured > 0 ? t.aliased / t.coloured : 0));
  double mean = t.flow / t.n;
  set(o, "pulsatility", ogv_json_real(mean > 0 ? (t.high - t.low) / mean : NAN));
  return OGV_OK;
}

/* A still has none of them. */
static const char *const of_clips[] = {"mean_fraction", "mean_magnitude", "aliased_fraction", "pulsatility",
                                       "frames_left_out"};

ogv_status ogv_colour_derive(json_t *reading, ogv_error *err) {
  json_t *c = json_object_get(reading, "colour");
  if (!json_is_object(c)) return ogv_fail(err, OGV_E_INVALID, NULL, "the colour reading holds no counts");
  double pixels = number(c, "pixels"), end = number(reading, "bar_end_cm_s"), towards = number(c, "towards_pixels");
  OGV_TRY(derive_counts(c, pixels, err));
  double coloured = number(c, "coloured_pixels");
  if (isfinite(towards) && !within(towards, 0, coloured))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the counts of the colour reading cannot be");
  if (isfinite(towards)) set(c, "towards_fraction", ogv_json_real(coloured > 0 ? towards / coloured : NAN));
  set(c, "aliased_fraction", json_real(coloured > 0 ? ogv_json_number_or(c, "aliased_pixels", 0) / coloured : 0));
  for (size_t i = 0; i < sizeof of_clips / sizeof *of_clips; i++) json_object_del(reading, of_clips[i]);
  if (json_object_get(reading, "curve")) OGV_TRY(derive_curve(reading, pixels, err));
  double magnitude = ogv_json_number_or(reading, "mean_magnitude", number(c, "mean_magnitude"));
  if (isfinite(end)) set(reading, "mean_velocity_cm_s", ogv_json_real(magnitude * end));
  else json_object_del(reading, "mean_velocity_cm_s");
  return OGV_OK;
}

/* --- once more ---------------------------------------------------------------------------------------------------- */

ogv_status ogv_colour_read_again(const json_t *reading, ogv_frame_source next, void *user, const ogv_region *regions,
                                 size_t n_regions, json_t **again, ogv_error *err) {
  const json_t *curve = json_object_get(reading, "curve"), *p;
  size_t i, n = json_array_size(curve);
  ogv_geometry outline = {0};
  *again = NULL;
  if (n > CURVE_MOST) return ogv_fail(err, OGV_E_INVALID, NULL, "the colour curve has %zu frames", n);
  OGV_TRY(ogv_geometry_from_json(json_object_get(reading, "geometry"), &outline, err));
  int *frames = calloc(n + 1, sizeof *frames);
  double *times = calloc(n + 1, sizeof *times);
  ogv_status s = frames && times ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK && outline.kind != OGV_GEOMETRY_OUTLINE)
    s = ogv_fail(err, OGV_E_INVALID, NULL, "the region of the colour reading is no outline");
  if (s == OGV_OK) {
    json_array_foreach(curve, i, p) {
      frames[i] = (int)json_integer_value(json_object_get(p, "frame"));
      times[i] = number(p, "time_ms");
    }
    const ogv_colour_ask ask = {next,      user,     regions,
                                n_regions, &outline, (int)json_integer_value(json_object_get(reading, "frame")),
                                frames,    (int)n,   times};
    s = ogv_colour_read(&ask, again, err);
  }
  free(times);
  free(frames);
  ogv_geometry_free(&outline);
  return s;
}
