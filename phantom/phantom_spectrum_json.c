#include <math.h>

#include "phantom_spectrum.h"
#include "private/phantom_math.h"

static void put(json_t *o, const char *key, double v, int decimals) {
  json_object_set_new(o, key, v == v ? json_real(ph_round(v, decimals)) : json_null());
}

static json_t *cycle_json(const ogv_phantom_cycle *c) {
  json_t *o = json_object();
  put(o, "start_s", c->start_s, 5);
  put(o, "end_s", c->end_s, 5);
  json_object_set_new(o, "complete", json_boolean(c->complete));
  put(o, "psv_cm_s", c->psv_cm_s, 3);
  put(o, "edv_cm_s", c->edv_cm_s, 3);
  put(o, "mdv_cm_s", c->mdv_cm_s, 3);
  put(o, "tamax_cm_s", c->tamax_cm_s, 3);
  put(o, "tamean_cm_s", c->tamean_cm_s, 3);
  put(o, "pi", c->pi, 4);
  put(o, "ri", c->ri, 4);
  put(o, "sd_ratio", c->sd_ratio, 4);
  put(o, "acceleration_s", c->acceleration_s, 4);
  put(o, "rate_bpm", c->rate_bpm, 3);
  return o;
}

json_t *ogv_phantom_spectrum_json(const ogv_phantom_spectrum_truth *t, bool with_envelope) {
  static const char *const words[] = {"forward", "absent", "reversed"};
  json_t *o = json_object();
  json_object_set_new(o, "box", json_pack("[i,i,i,i]", t->x0, t->y0, t->x1, t->y1));
  put(o, "baseline_row", t->baseline_row, 3);
  put(o, "cm_s_per_px", t->cm_s_per_px, 9);
  put(o, "s_per_px", t->s_per_px, 9);
  put(o, "edge_sd_px", t->edge_sd_px, 3);
  put(o, "psv_cm_s", t->psv_cm_s, 3);
  put(o, "edv_cm_s", t->edv_cm_s, 3);
  put(o, "mdv_cm_s", t->mdv_cm_s, 3);
  put(o, "tamax_cm_s", t->tamax_cm_s, 3);
  put(o, "tamean_cm_s", t->tamean_cm_s, 3);
  put(o, "pi", t->pi, 4);
  put(o, "ri", t->ri, 4);
  put(o, "sd_ratio", t->sd_ratio, 4);
  put(o, "rate_bpm", t->rate_bpm, 3);
  if (t->av_ms == t->av_ms) put(o, "av_ms", t->av_ms, 2);
  json_object_set_new(o, "diastole", json_string(words[t->diastole]));
  json_object_set_new(o, "aliased", json_boolean(t->aliased));
  json_object_set_new(o, "drawn_up", json_boolean(t->drawn_up));
  json_t *cycles = json_array();
  for (int i = 0; i < t->n_cycles; i++) json_array_append_new(cycles, cycle_json(&t->cycles[i]));
  json_object_set_new(o, "cycles", cycles);
  if (with_envelope) {
    json_t *e = json_array();
    for (int i = 0; i < t->n; i++) json_array_append_new(e, json_real(ph_round(t->envelope_cm_s[i], 3)));
    json_object_set_new(o, "envelope_cm_s", e);
  }
  return o;
}
