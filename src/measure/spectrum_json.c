/* A traced spectrum as JSON: the keys of `ogive measure spectrum --json`. */
#include <math.h>

#include "core_json.h"
#include "measure_spectrum.h"

static void put(json_t *o, const char *key, const char *key_sd, ogv_estimate e, bool given) {
  json_object_set_new(o, key, given ? ogv_json_real(e.value) : json_null());
  json_object_set_new(o, key_sd, given ? ogv_json_real(e.sd) : json_null());
}

static json_t *cycle_json(const ogv_spectrum_cycle *c, bool absolute) {
  json_t *o = json_object();
  json_object_set_new(o, "start_s", json_real(c->start_s));
  json_object_set_new(o, "end_s", json_real(c->end_s));
  if (absolute) {
    json_object_set_new(o, "psv_cm_s", ogv_json_real(c->psv));
    json_object_set_new(o, "edv_cm_s", ogv_json_real(c->edv));
    json_object_set_new(o, "tamax_cm_s", ogv_json_real(c->tamax));
    json_object_set_new(o, "tamean_cm_s", ogv_json_real(c->tamean));
  }
  json_object_set_new(o, "pi", ogv_json_real(c->pi));
  json_object_set_new(o, "ri", ogv_json_real(c->ri));
  json_object_set_new(o, "end_diastolic_flow", json_string(ogv_edf_word(c->edf)));
  json_object_set_new(o, "used", json_boolean(c->used));
  if (c->why[0]) json_object_set_new(o, "why", json_string(c->why));
  return o;
}

static json_t *envelope_json(const ogv_spectrum *s, const ogv_spectrum_scale *scale) {
  json_t *points = json_array();
  double sign = s->below_baseline ? 1 : -1, px = fabs(scale->cm_s_per_pixel);
  for (size_t i = 0; i < s->columns; i++) {
    if (isnan(s->vmax[i])) continue;
    double y = scale->baseline_row + sign * s->vmax[i] / px;
    json_array_append_new(points, json_pack("[f,f]", scale->x0 + (double)i, y));
  }
  return points;
}

json_t *ogv_spectrum_json(const ogv_spectrum *s, const ogv_spectrum_scale *scale) {
  bool ok = s->accepted, v = ok && scale->absolute;
  json_t *o = json_object();
  json_object_set_new(o, "accepted", json_boolean(ok));
  json_object_set_new(o, "reason", json_string(s->reason));
  json_object_set_new(o, "note", json_string(s->note));
  put(o, "psv_cm_s", "psv_cm_s_sd", s->psv, v);
  put(o, "edv_cm_s", "edv_cm_s_sd", s->edv, v);
  put(o, "mdv_cm_s", "mdv_cm_s_sd", s->mdv, v);
  put(o, "tamax_cm_s", "tamax_cm_s_sd", s->tamax, v);
  put(o, "tamean_cm_s", "tamean_cm_s_sd", s->tamean, v);
  put(o, "pi", "pi_sd", s->pi, ok);
  put(o, "ri", "ri_sd", s->ri, ok);
  put(o, "sd_ratio", "sd_ratio_sd", s->sd_ratio, ok && s->edf == OGV_EDF_FORWARD);
  put(o, "acceleration_s", "acceleration_s_sd", s->acceleration_s, ok);
  put(o, "rate_bpm", "rate_bpm_sd", s->rate_bpm, ok);
  json_object_set_new(o, "rate_variability_percent", ok ? ogv_json_real(s->rate_variability_percent) : json_null());
  json_object_set_new(o, "end_diastolic_flow", json_string(ok ? ogv_edf_word(s->edf) : "uncertain"));
  json_object_set_new(o, "end_diastolic_share", ok ? ogv_json_real(s->edf_share) : json_null());
  json_object_set_new(o, "wall_filter_cm_s", scale->absolute ? ogv_json_real(s->wall_filter_cm_s) : json_null());
  json_object_set_new(o, "time_blur_s", ogv_json_real(s->sharpness.time_s));
  json_object_set_new(o, "edge_rows_sd", ogv_json_real(s->sharpness.edge_rows));
  json_object_set_new(o, "period_confidence", ogv_json_real(s->period_confidence));
  json_object_set_new(o, "below_baseline", json_boolean(s->below_baseline));
  json_object_set_new(o, "aliased", json_boolean(s->aliased));
  json_object_set_new(o, "unwrapped", json_boolean(s->unwrapped));
  json_object_set_new(o, "mirror", json_boolean(s->mirror));
  json_object_set_new(o, "angle_deg", ogv_json_real(scale->angle_deg));
  json_object_set_new(o, "calibrated_by_hand", json_boolean(scale->by_hand));
  json_object_set_new(o, "cycles_used", json_integer((json_int_t)s->n_used));
  json_t *cycles = json_array();
  for (size_t i = 0; i < s->n_cycles; i++) json_array_append_new(cycles, cycle_json(&s->cycles[i], scale->absolute));
  json_object_set_new(o, "cycles", cycles);
  json_object_set_new(o, "envelope", s->vmax ? envelope_json(s, scale) : json_array());
  return o;
}
