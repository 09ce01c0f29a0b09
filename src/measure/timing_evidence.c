/* From marked onsets to the atrioventricular interval, to a row of the ledger, and from its evidence back to the value.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"
#include "measure_timing.h"

#define FINENESS 16          /* parts of a column that are kept */
#define ONSET_PART 0.01      /* own rule: how well it is known where a wave begins at all, as a part of a beat */
#define SHORTEST_MS 40       /* own rule: less is no interval from atrium to ventricle */
#define DIFFER_SPECTRUM 0.06 /* own rules: largest SD between beats, as a part of a beat */
#define DIFFER_MMODE 0.15

void ogv_av_reckon(ogv_av_timing *t, double s_per_pixel, double calibration_sd) {
  ogv_interval *v = &t->interval;
  double sum = 0, sq = 0;
  *v = (ogv_interval){.ms = NAN, .sd_ms = NAN, .sd_caliper_ms = NAN, .sd_calibration_ms = NAN};
  for (int i = 0; i < t->n; i++) {
    ogv_av_beat *b = &t->beat[i];
    b->atrial_x = round(b->atrial_x * FINENESS) / FINENESS;
    b->ventricular_x = round(b->ventricular_x * FINENESS) / FINENESS;
    if (!b->used) continue;
    double d = (b->ventricular_x - b->atrial_x) * s_per_pixel;
    sum += d;
    sq += d * d;
    v->beats++;
  }
  if (v->beats < 3) {
    snprintf(v->reason, sizeof v->reason,
             t->from_mmode ? "Both walls were seen to contract in only %d beats; 3 are needed."
                           : "Both onsets were seen in only %d beats; 3 are needed. Place the gate where inflow and "
                             "outflow meet.",
             v->beats);
    return;
  }
  double m = sum / v->beats, sd = sqrt(fmax(0, (sq - v->beats * m * m) / (v->beats - 1)));
  double differ = (t->from_mmode ? DIFFER_MMODE : DIFFER_SPECTRUM) * t->beat_s;
  if (!(sd <= differ) || 1000 * m < SHORTEST_MS) {
    if (1000 * m < SHORTEST_MS)
      snprintf(v->reason, sizeof v->reason, "%.0f ms is too short for an atrioventricular interval.", 1000 * m);
    else snprintf(v->reason, sizeof v->reason, "The interval varies too much (%.0f ms) to be one.", 1000 * sd);
    return;
  }
  v->accepted = true;
  v->ms = 1000 * m;
  /* Spread of beats, half a column at each onset, and where a wave begins at all. */
  v->sd_caliper_ms = 1000 * hypot(hypot(sd / sqrt(v->beats), s_per_pixel * M_SQRT1_2), ONSET_PART * t->beat_s);
  v->sd_calibration_ms = isfinite(calibration_sd) ? v->ms * calibration_sd : 0;
  v->sd_ms = hypot(v->sd_caliper_ms, v->sd_calibration_ms);
}

ogv_status ogv_av_time_scale(const ogv_region *r, double *s_per_pixel, ogv_error *err) {
  if (r->unit_x != OGV_UNIT_S || !r->measurable_x || !(fabs(r->delta_x) > 0) || !isfinite(r->delta_x))
    return ogv_fail(err, OGV_E_CALIBRATION, "Calibrate the time scale by hand.",
                    "the %s region has no time scale to read an interval from", ogv_region_word(r));
  *s_per_pixel = fabs(r->delta_x);
  return OGV_OK;
}

ogv_status ogv_av_measure(const ogv_quantity *q, const ogv_av_timing *t, ogv_measurement *out, ogv_error *err) {
  const ogv_interval *v = &t->interval;
  double factor;
  if (!v->accepted) return ogv_fail(err, OGV_E_INVALID, "Measure it by hand or record again.", "%s", v->reason);
  OGV_TRY(ogv_unit_convert(1, "ms", q->unit, &factor, err));
  ogv_measurement m = {.value = v->ms * factor,
                       .sd_caliper = v->sd_caliper_ms * factor,
                       .sd_calibration = v->sd_calibration_ms * factor};
  OGV_TRY(ogv_quantity_plausible(q, m.value, err));
  m.sd_observer = ogv_quantity_sd(q, m.value);
  m.sd = hypot(isfinite(m.sd_observer) ? m.sd_observer : 0, v->sd_ms * factor);
  snprintf(
      m.method, sizeof m.method,
      t->from_mmode ? "movement of two walls, mean of %d beats" : "A wave onset to outflow onset, mean of %d beats",
      v->beats);
  *out = m;
  return OGV_OK;
}

/* --- JSON -------------------------------------------------------------------------------------------------------- */

json_t *ogv_av_beats_json(const ogv_av_timing *t) {
  json_t *list = json_array();
  for (int i = 0; i < t->n; i++)
    json_array_append_new(list, json_pack("{s:f,s:f,s:b}", "atrial_x", t->beat[i].atrial_x, "ventricular_x",
                                          t->beat[i].ventricular_x, "used", t->beat[i].used));
  return list;
}

ogv_status ogv_av_beats_from_json(const json_t *list, int x0, int x1, ogv_av_timing *t, ogv_error *err) {
  size_t i;
  json_t *b;
  double last = -INFINITY;
  if (!json_is_array(list) || json_array_size(list) > OGV_TIMING_BEATS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"beats\" is not a list of at most %d beats", OGV_TIMING_BEATS);
  t->n = 0;
  json_array_foreach(list, i, b) {
    double a, v;
    OGV_TRY(ogv_json_number(b, "beat", "atrial_x", &a, err));
    OGV_TRY(ogv_json_number(b, "beat", "ventricular_x", &v, err));
    if (!(a >= x0 - 0.5 && v <= x1 + 0.5))
      return ogv_fail(err, OGV_E_INVALID, "Keep the onsets inside the trace.",
                      "beat %zu (columns %.0f to %.0f) lies outside the trace", i + 1, a, v);
    if (!(a < v) || !(a > last))
      return ogv_fail(err, OGV_E_INVALID, "Place the atrial onset before the ventricular one, beat after beat.",
                      "the onsets of beat %zu (columns %.0f and %.0f) are out of order", i + 1, a, v);
    last = v;
    t->beat[t->n++] = (ogv_av_beat){a, v, !json_is_false(json_object_get(b, "used"))};
  }
  return OGV_OK;
}

json_t *ogv_av_timing_json(const ogv_av_timing *t) {
  const ogv_interval *v = &t->interval;
  json_t *o = json_object();
  json_object_set_new(o, "accepted", json_boolean(v->accepted));
  json_object_set_new(o, "reason", json_string(v->reason));
  json_object_set_new(o, "av_interval_ms", ogv_json_real(v->ms));
  json_object_set_new(o, "av_interval_ms_sd", ogv_json_real(v->sd_ms));
  json_object_set_new(o, "beats", json_integer(v->beats));
  json_object_set_new(o, "from", json_string(t->from_mmode ? "m-mode" : "spectrum"));
  json_object_set_new(o, "rate_bpm", ogv_json_real(60 / t->beat_s));
  if (!t->from_mmode) json_object_set_new(o, "outflow", json_string(t->outflow_below ? "below" : "above"));
  json_object_set_new(o, "onsets", ogv_av_beats_json(t));
  return o;
}

/* --- evidence ---------------------------------------------------------------------------------------------------- */

json_t *ogv_av_evidence(const ogv_region *r, size_t region_index, const ogv_av_timing *t, const int *walls,
                        const ogv_measurement *m) {
  json_t *region = ogv_region_to_json(r), *o = json_object();
  json_object_set_new(region, "index", json_integer((json_int_t)region_index));
  json_object_set_new(o, "type", json_string("av-interval"));
  json_object_set_new(o, "from", json_string(t->from_mmode ? "m-mode" : "spectrum"));
  json_object_set_new(o, "region", region);
  json_object_set_new(o, "beats", ogv_av_beats_json(t));
  json_object_set_new(o, "beat_s", json_real(t->beat_s));
  if (walls)
    json_object_set_new(
        o, "walls", json_pack("{s:[i,i],s:[i,i]}", "atrial", walls[0], walls[1], "ventricular", walls[2], walls[3]));
  else json_object_set_new(o, "outflow", json_string(t->outflow_below ? "below" : "above"));
  json_object_set_new(o, "method", json_string(m->method));
  json_object_set_new(o, "convention", json_string("mechanical interval"));
  json_object_set_new(o, "sd", ogv_measurement_sd_json(m));
  return o;
}

ogv_status ogv_av_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                ogv_error *err) {
  ogv_region r;
  ogv_av_timing t = {.from_mmode = !strcmp(ogv_json_string_or(evidence, "from", ""), "m-mode"),
                     .beat_s = ogv_json_number_or(evidence, "beat_s", NAN)};
  ogv_measurement m;
  double s_per_pixel;
  if (!q) return ogv_fail(err, OGV_E_INVALID, NULL, "the table has no such quantity");
  if (!(t.beat_s > 0.2 && t.beat_s < 2)) /* 30 to 300 beats a minute */
    return ogv_fail(err, OGV_E_INVALID, NULL, "the evidence of the interval does not say how long a beat takes");
  OGV_TRY(ogv_region_from_json(json_object_get(evidence, "region"), &r, err));
  OGV_TRY(ogv_av_time_scale(&r, &s_per_pixel, err));
  OGV_TRY(ogv_av_beats_from_json(json_object_get(evidence, "beats"), r.x0, r.x1, &t, err));
  ogv_av_reckon(&t, s_per_pixel, r.calibration_sd);
  OGV_TRY(ogv_av_measure(q, &t, &m, err));
  *value = m.value;
  *sd = m.sd;
  return OGV_OK;
}
