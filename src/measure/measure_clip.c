#include "measure_clip.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

/* Every frame that counts as one reading of q; sums its caliper part and keeps the first as the pattern of the rest. */
static ogv_status read_parts(const ogv_quantity *q, const ogv_clip_part *parts, int n, const ogv_region *regions,
                             size_t n_regions, ogv_clip_accepted *k, int *used, double *caliper, ogv_measurement *first,
                             ogv_error *err) {
  *used = 0;
  *caliper = 0;
  for (int i = 0; i < n; i++) {
    if (parts[i].left_out) continue;
    if (!(parts[i].weight > 0 && parts[i].weight <= 1))
      return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d has no weight between 0 and 1", parts[i].frame);
    ogv_measurement m;
    ogv_status s = ogv_measure_quantity(q, &parts[i].geometry, regions, n_regions, &m, err);
    if (s != OGV_OK) return ogv_error_at(err, s, "frame %d", parts[i].frame + 1);
    if (!*used) *first = m;
    *caliper += m.sd_caliper;
    k[(*used)++] = (ogv_clip_accepted){.frame = i, .value = m.value, .sd = m.sd_caliper, .weight = parts[i].weight};
  }
  return *used ? OGV_OK : ogv_fail(err, OGV_E_INVALID, "Leave at least one frame in.", "no frame of the clip counts");
}

ogv_status ogv_clip_measure(const ogv_quantity *q, const ogv_clip_part *parts, int n, const ogv_region *regions,
                            size_t n_regions, ogv_clip_value *out, ogv_error *err) {
  *out = (ogv_clip_value){0};
  if (n < 1 || n > OGV_CLIP_FRAMES)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a value rests on 1 to %d frames, not on %d", OGV_CLIP_FRAMES, n);
  ogv_clip_accepted *k = malloc(sizeof *k * (size_t)n);
  ogv_clip_reading *c = calloc(1, sizeof *c);
  ogv_measurement first = {0};
  double caliper = 0;
  int used = 0;
  ogv_status s = k && c ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to combine %d frames", n);
  if (s == OGV_OK) s = read_parts(q, parts, n, regions, n_regions, k, &used, &caliper, &first, err);
  if (s == OGV_OK) {
    c->value = NAN;
    ogv_clip_combine(k, used, c);
    if (!isfinite(c->value)) s = ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to combine %d frames", n);
  }
  if (s == OGV_OK) {
    out->value = c->value;
    out->spread = c->spread;
    out->correlation = c->correlation;
    out->effective = c->effective;
    out->n = c->kept;
    out->region = first.region;
    int nearest = 0;
    for (int i = 1; i < c->kept; i++)
      if (fabs(k[i].value - c->value) < fabs(k[nearest].value - c->value)) nearest = i;
    out->nearest = k[nearest].frame;
    out->sd_observer = ogv_quantity_sd(q, out->value);
    out->sd_caliper = fmax(out->spread, caliper / used) / sqrt(out->effective);
    out->sd_calibration = first.sd_calibration / first.value * out->value;
    double observer = isfinite(out->sd_observer) ? out->sd_observer : 0;
    out->sd = sqrt(observer * observer + out->sd_caliper * out->sd_caliper + out->sd_calibration * out->sd_calibration);
    snprintf(out->method, sizeof out->method, "median over frames of a clip, %.45s", first.method);
  }
  free(k);
  free(c);
  return s;
}

json_t *ogv_clip_evidence(const ogv_quantity *q, const ogv_clip_part *parts, int n, int shown, int in_clip,
                          int looked_at, const ogv_region *r, const ogv_clip_value *v) {
  json_t *list = json_array(), *region = ogv_region_to_json(r);
  json_object_set_new(region, "index", json_integer((json_int_t)v->region));
  for (int i = 0; i < n; i++) {
    json_t *p = json_pack("{s:i,s:f,s:o}", "frame", parts[i].frame, "weight", parts[i].weight, "geometry",
                          ogv_geometry_to_json(&parts[i].geometry));
    if (parts[i].left_out) json_object_set_new(p, "left_out", json_true());
    json_array_append_new(list, p);
  }
  return json_pack("{s:s,s:s,s:s,s:o,s:o,s:{s:i,s:i,s:o},s:{s:i,s:f,s:f,s:f},s:{s:o,s:f,s:f}}", "type", "clip",
                   "method", v->method, "convention", q->convention, "geometry",
                   ogv_geometry_to_json(&parts[shown].geometry), "region", region, "frames", "in_clip", in_clip,
                   "looked_at", looked_at, "accepted", list, "combined", "frames", v->n, "spread", v->spread,
                   "next_frame_correlation", v->correlation, "effective_frames", v->effective, "sd", "observer",
                   ogv_json_real(v->sd_observer), "caliper", v->sd_caliper, "calibration", v->sd_calibration);
}

/* --- from evidence ------------------------------------------------------------------------------------------ */

static ogv_status part_from_json(const json_t *o, ogv_clip_part *p, ogv_error *err) {
  double frame;
  OGV_TRY(ogv_json_number(o, "frame of the clip", "frame", &frame, err));
  OGV_TRY(ogv_json_number(o, "frame of the clip", "weight", &p->weight, err));
  p->frame = (int)fmin(1e9, fmax(-1, frame));
  p->left_out = json_is_true(json_object_get(o, "left_out"));
  return ogv_geometry_from_json(json_object_get(o, "geometry"), &p->geometry, err);
}

/* Stored figures of the combination must follow from the frames too. */
static bool as_stored(const json_t *combined, const ogv_clip_value *v) {
  const struct {
    const char *key;
    double now;
  } all[] = {{"frames", v->n},
             {"spread", v->spread},
             {"next_frame_correlation", v->correlation},
             {"effective_frames", v->effective}};
  for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
    double stored = ogv_json_number_or(combined, all[i].key, NAN);
    if (!(fabs(stored - all[i].now) <= 1e-9 * fmax(1, fabs(all[i].now)))) return false;
  }
  return true;
}

ogv_status ogv_clip_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                  ogv_error *err) {
  const json_t *list = json_object_get(json_object_get(evidence, "frames"), "accepted");
  size_t n = json_array_size(list);
  if (n < 1 || n > OGV_CLIP_FRAMES)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the evidence names no frames of the clip");
  ogv_region r;
  ogv_clip_value v;
  OGV_TRY(ogv_region_from_json(json_object_get(evidence, "region"), &r, err));
  ogv_clip_part *parts = calloc(n, sizeof *parts);
  if (!parts) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for %zu frames", n);
  ogv_status s = OGV_OK;
  for (size_t i = 0; i < n && s == OGV_OK; i++) s = part_from_json(json_array_get(list, i), &parts[i], err);
  if (s == OGV_OK) s = ogv_clip_measure(q, parts, (int)n, &r, 1, &v, err);
  if (s == OGV_OK && !as_stored(json_object_get(evidence, "combined"), &v))
    s = ogv_fail(err, OGV_E_CONFLICT, NULL, "the frames of the clip combine to other figures than are stored");
  for (size_t i = 0; i < n; i++) ogv_geometry_free(&parts[i].geometry);
  free(parts);
  if (s != OGV_OK) return s;
  *value = v.value;
  *sd = v.sd;
  return OGV_OK;
}
