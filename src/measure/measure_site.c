/* Vessels, the rows that their spectra fill, and the evidence of those rows. */
#include "measure_site.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

#define FINENESS 16.0 /* rows are kept to a sixteenth of a pixel: exact in binary, short in text */

static const ogv_site sites[] = {
    {"umbilical-artery", "Umbilical artery", "umbilical-artery", "", OGV_FLOW_ARTERIAL_FETAL, false},
    {"middle-cerebral-artery", "Middle cerebral artery", "middle-cerebral-artery", "", OGV_FLOW_ARTERIAL_FETAL, false},
    {"uterine-artery-left", "Uterine artery, left", "uterine-artery", "left", OGV_FLOW_ARTERIAL_MATERNAL, true},
    {"uterine-artery-right", "Uterine artery, right", "uterine-artery", "right", OGV_FLOW_ARTERIAL_MATERNAL, true},
    {"ductus-venosus", "Ductus venosus", "ductus-venosus", "", OGV_FLOW_DUCTUS_VENOSUS, false},
    {"descending-aorta", "Descending aorta", "descending-aorta", "", OGV_FLOW_ARTERIAL_FETAL, false},
};

const ogv_site *ogv_site_at(size_t i) { return i < sizeof sites / sizeof *sites ? &sites[i] : NULL; }

const ogv_site *ogv_site_find(const char *id) {
  for (size_t i = 0; i < sizeof sites / sizeof *sites; i++)
    if (!strcmp(sites[i].id, id)) return &sites[i];
  return NULL;
}

static const char *const flows[] = {"fetal", "maternal", "any", "ductus-venosus"};
const char *ogv_site_flow_word(ogv_flow_kind f) { return flows[f]; }

bool ogv_site_flow_from_word(const char *word, ogv_flow_kind *out) {
  for (size_t i = 0; word && i < sizeof flows / sizeof *flows; i++)
    if (!strcmp(flows[i], word)) {
      *out = (ogv_flow_kind)i;
      return true;
    }
  return false;
}

/* --- quantities ----------------------------------------------------------------------------------------------------
 */

/* The index of a quantity id: "pi" of "uta-pi-left". */
static void index_word(const char *id, char out[32]) {
  char text[64];
  snprintf(text, sizeof text, "%.60s", id);
  size_t n = strlen(text);
  if (n > 5 && !strcmp(text + n - 5, "-left")) text[n - 5] = 0;
  else if (n > 6 && !strcmp(text + n - 6, "-right")) text[n - 6] = 0;
  const char *tail = strrchr(text, '-');
  snprintf(out, 32, "%.31s", tail ? tail + 1 : text);
}

size_t ogv_site_quantities(const ogv_site *site, const ogv_quantity **list, size_t maximum) {
  static const char *const artery[] = {"pi", "ri", "sd", "psv", "edv", "tamax"};
  static const char *const vein[] = {"piv", "s", "d", "a", "tamax"};
  const char *const *wanted = site->flow == OGV_FLOW_DUCTUS_VENOSUS ? vein : artery;
  size_t n_wanted = site->flow == OGV_FLOW_DUCTUS_VENOSUS ? 5 : 6, n = 0;
  for (size_t i = 0; n < maximum; i++) {
    const ogv_quantity *q = ogv_quantity_at(i);
    if (!q) break;
    if (!q->vessel || strcmp(q->vessel, site->vessel) || strcmp(q->side ? q->side : "", site->side)) continue;
    char word[32];
    index_word(q->id, word);
    for (size_t k = 0; k < n_wanted; k++)
      if (!strcmp(word, wanted[k])) {
        list[n++] = q;
        break;
      }
  }
  return n;
}

typedef enum { AS_RATIO, AS_VELOCITY, AS_RATE } scaling;

/* Mean over the used cycles of what `of` gives, with the SD of that mean. */
static ogv_estimate over_cycles(const ogv_spectrum *s, double (*of)(const ogv_spectrum_cycle *)) {
  double sum = 0, sq = 0, n = 0;
  for (size_t i = 0; i < s->n_cycles; i++) {
    double v = of(&s->cycles[i]);
    if (!s->cycles[i].used || !isfinite(v)) continue;
    sum += v;
    sq += v * v;
    n++;
  }
  if (n < 1) return (ogv_estimate){NAN, NAN};
  double m = sum / n;
  return (ogv_estimate){m, n > 1 ? sqrt(fmax(0, (sq - n * m * m) / (n - 1)) / n) : NAN};
}
static double d_wave(const ogv_spectrum_cycle *c) { return c->d_wave; }
static double peak_index(const ogv_spectrum_cycle *c) { return (c->psv - c->edv) / c->d_wave; }

static bool estimate_of(const char *word, const ogv_spectrum *s, const ogv_spectrum_scale *scale, ogv_estimate *e,
                        scaling *as) {
  const struct {
    const char *word;
    ogv_estimate e;
    scaling as;
  } known[] = {{"pi", s->pi, AS_RATIO},          {"ri", s->ri, AS_RATIO},      {"sd", s->sd_ratio, AS_RATIO},
               {"psv", s->psv, AS_VELOCITY},     {"edv", s->edv, AS_VELOCITY}, {"mdv", s->mdv, AS_VELOCITY},
               {"tamax", s->tamax, AS_VELOCITY}, {"piv", s->pi, AS_RATIO},     {"s", s->psv, AS_VELOCITY},
               {"a", s->edv, AS_VELOCITY},       {"preload", s->ri, AS_RATIO}, {"sa", s->sd_ratio, AS_RATIO},
               {"fhr", s->rate_bpm, AS_RATE}};
  for (size_t i = 0; i < sizeof known / sizeof *known; i++)
    if (!strcmp(known[i].word, word)) {
      *e = known[i].e;
      *as = known[i].as;
      return true;
    }
  double px = 0.5 * fabs(scale->cm_s_per_pixel);
  if (!strcmp(word, "d")) {
    *e = over_cycles(s, d_wave);
    e->sd = sqrt(e->sd * e->sd + px * px + pow(scale->calibration_sd * e->value, 2));
    *as = AS_VELOCITY;
  } else if (!strcmp(word, "pvi")) {
    *e = over_cycles(s, peak_index);
    e->sd = hypot(e->sd, px / fmax(over_cycles(s, d_wave).value, 1e-9) * sqrt(2 + e->value * e->value));
    *as = AS_RATIO;
  } else {
    return false;
  }
  return true;
}

ogv_status ogv_site_measure(const ogv_quantity *q, const ogv_spectrum *s, const ogv_spectrum_scale *scale,
                            ogv_measurement *out, ogv_error *err) {
  char word[32];
  ogv_estimate e;
  scaling as;
  if (!s->accepted)
    return ogv_fail(err, OGV_E_INVALID, "Correct the envelope by hand or record again.", "%s", s->reason);
  index_word(q->id, word);
  if (!estimate_of(word, s, scale, &e, &as))
    return ogv_fail(err, OGV_E_INVALID, NULL, "a spectral envelope does not give %s", q->name);
  bool ratio_to_end = !strcmp(word, "sd") || !strcmp(word, "sa");
  if (!isfinite(e.value) || (ratio_to_end && s->edf != OGV_EDF_FORWARD))
    return ogv_fail(err, OGV_E_RANGE, "Give the pulsatility index instead.",
                    "%s has no value: end-diastolic flow is %s", q->name, ogv_edf_word(s->edf));
  if (as == AS_VELOCITY && !scale->absolute)
    return ogv_fail(err, OGV_E_CALIBRATION, "Ratios are given.", "no velocity scale for %s: %s", q->name,
                    scale->note[0] ? scale->note : "it is not calibrated");
  ogv_measurement m = {.value = e.value};
  OGV_TRY(ogv_quantity_plausible(q, m.value, err));
  if (!isfinite(e.sd))
    return ogv_fail(err, OGV_E_CALIBRATION, "Record more cycles.", "no uncertainty can be given for %s", q->name);
  m.sd_observer = ogv_quantity_sd(q, m.value);
  m.sd_calibration = as == AS_RATIO ? 0 : fabs(m.value) * (isfinite(scale->calibration_sd) ? scale->calibration_sd : 0);
  m.sd_caliper = sqrt(fmax(0, e.sd * e.sd - m.sd_calibration * m.sd_calibration));
  double observer = isfinite(m.sd_observer) ? m.sd_observer : 0;
  m.sd = sqrt(observer * observer + e.sd * e.sd);
  snprintf(m.method, sizeof m.method, "spectral envelope, mean of %zu cycles", s->n_used);
  *out = m;
  return OGV_OK;
}

/* --- scale -----------------------------------------------------------------------------------------------------------
 */

ogv_status ogv_site_scale(const ogv_region *r, double angle_deg, double wall_filter_cm_s, ogv_spectrum_scale *out,
                          ogv_error *err) {
  OGV_TRY(ogv_spectrum_scale_from_region(r, out, err));
  if (isfinite(angle_deg) && !(angle_deg == out->angle_deg)) OGV_TRY(ogv_spectrum_set_angle(out, angle_deg, err));
  if (isfinite(wall_filter_cm_s)) out->wall_filter_cm_s = wall_filter_cm_s;
  return OGV_OK;
}

ogv_status ogv_site_calibrate(const json_t *calibration, int rows, int columns, ogv_region *out, ogv_error *err) {
  static const char *const names[] = {"baseline_row", "velocity_row", "velocity_cm_s", "time_x0", "time_x1", "time_s"};
  double v[6], corner[4];
  const json_t *box = json_object_get(calibration, "box");
  for (size_t i = 0; i < 4; i++) {
    const json_t *c = json_array_get(box, i);
    corner[i] = json_is_number(c) ? round(json_number_value(c)) : NAN;
  }
  for (size_t i = 0; i < 6; i++) OGV_TRY(ogv_json_number(calibration, "calibration", names[i], &v[i], err));
  if (!(corner[0] >= 0 && corner[1] >= 0 && corner[2] < columns && corner[3] < rows && corner[2] - corner[0] >= 31 &&
        corner[3] - corner[1] >= 31))
    return ogv_fail(err, OGV_E_INVALID, "Mark two opposite corners of the spectrum, at least 32 pixels apart.",
                    "the box of the spectrum does not lie in the picture of %d x %d", columns, rows);
  double up = v[1] - v[0], across = fabs(v[4] - v[3]);
  if (!(v[0] >= corner[1] && v[0] <= corner[3]))
    return ogv_fail(err, OGV_E_INVALID, "Mark the baseline inside the box.",
                    "the baseline lies outside the box of the spectrum");
  if (!(fabs(up) >= 8) || !(fabs(v[2]) > 0 && fabs(v[2]) <= 1000))
    return ogv_fail(err, OGV_E_INVALID,
                    "Mark the baseline and a labelled velocity well apart, and give its velocity in cm/s.",
                    "%.1f cm/s over %.1f rows is no velocity scale", v[2], up);
  if (!(across >= 8) || !(v[5] > 0 && v[5] <= 60))
    return ogv_fail(err, OGV_E_INVALID, "Mark two moments well apart and give the time between them in seconds.",
                    "%.2f s over %.1f columns is no time scale", v[5], across);
  ogv_region r = {.format = OGV_FORMAT_SPECTRAL,
                  .data_type = OGV_DATA_PW,
                  .unit_x = OGV_UNIT_S,
                  .unit_y = OGV_UNIT_CM_S,
                  .x0 = (int32_t)corner[0],
                  .y0 = (int32_t)corner[1],
                  .x1 = (int32_t)corner[2],
                  .y1 = (int32_t)corner[3],
                  .has_ref_x = true,
                  .has_ref_y = true,
                  .delta_x = v[5] / across,
                  .delta_y = v[2] / up,
                  .transducer_khz = NAN,
                  .prf_hz = NAN,
                  .steering_angle_deg = NAN,
                  .by_hand = true,
                  .measurable_x = true,
                  .measurable_y = true,
                  .absolute_x = true,
                  .absolute_y = true};
  r.correction_angle_deg = ogv_json_number_or(calibration, "angle_deg", NAN);
  /* The reference pixel is whole; what is left of the baseline goes into the value there. */
  r.ref_y = (int32_t)floor(v[0]) - r.y0;
  r.ref_value_y = -(v[0] - floor(v[0])) * r.delta_y;
  /* Half a pixel at each end; velocity and time share one SD, so the larger counts. */
  r.calibration_sd = fmax(0.01, M_SQRT2 * 0.5 / fmin(fabs(up), across));
  snprintf(r.note, sizeof r.note, "Calibrated by hand on two velocities and two moments.");
  *out = r;
  return OGV_OK;
}

/* --- envelope as geometry --------------------------------------------------------------------------------------------
 */

ogv_status ogv_site_trace(const ogv_spectrum *s, const ogv_spectrum_scale *scale, ogv_geometry *out, ogv_error *err) {
  double sign = s->below_baseline ? 1 : -1, px = fabs(scale->cm_s_per_pixel);
  *out = (ogv_geometry){OGV_GEOMETRY_TRACE, 0, malloc(sizeof(double) * 2 * (s->columns ? s->columns : 1))};
  if (!out->points) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < s->columns && out->n < OGV_GEOMETRY_MAX_POINTS; i++) {
    if (isnan(s->vmax[i])) continue;
    out->points[2 * out->n] = scale->x0 + (double)i;
    out->points[2 * out->n++ + 1] = round((scale->baseline_row + sign * s->vmax[i] / px) * FINENESS) / FINENESS;
  }
  return OGV_OK;
}

ogv_status ogv_site_indices(const ogv_geometry *trace, const ogv_spectrum_scale *scale, ogv_flow_kind flow, bool below,
                            ogv_spectrum *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  if (trace->kind != OGV_GEOMETRY_TRACE) return ogv_fail(err, OGV_E_INVALID, NULL, "the envelope is no trace");
  size_t w = (size_t)(scale->x1 - scale->x0 + 1);
  double *vmax = malloc(sizeof(double) * w), sign = below ? 1 : -1, px = fabs(scale->cm_s_per_pixel);
  if (!vmax) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < w; i++) vmax[i] = NAN;
  ogv_status s = OGV_OK;
  double last = -INFINITY;
  for (size_t i = 0; i < trace->n && s == OGV_OK; i++) {
    double x = trace->points[2 * i] - scale->x0;
    if (!(x >= -0.5 && x < (double)w - 0.5))
      s = ogv_fail(err, OGV_E_INVALID, "Keep the envelope inside the box of the spectrum.",
                   "point %zu of the envelope (column %.0f) lies outside the spectrum", i + 1, trace->points[2 * i]);
    else if (!(x > last))
      s = ogv_fail(err, OGV_E_INVALID, "Draw from left to right.", "the envelope runs back in time at point %zu",
                   i + 1);
    else vmax[(size_t)lround(x)] = sign * (trace->points[2 * i + 1] - scale->baseline_row) * px;
    last = x;
  }
  if (s == OGV_OK) s = ogv_spectrum_from_traced(vmax, w, scale, flow, out, err);
  free(vmax);
  if (s == OGV_OK) out->below_baseline = below;
  return s;
}

ogv_status ogv_site_choose(const json_t *chosen, const ogv_spectrum_scale *scale, ogv_spectrum *s, ogv_error *err) {
  enum { MOST = 256 };
  ogv_spectrum_choice list[MOST];
  size_t n = json_array_size(chosen);
  if (!chosen || json_is_null(chosen)) return OGV_OK;
  if (!json_is_array(chosen) || n > MOST)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the chosen cycles are no list of at most %d", MOST);
  for (size_t i = 0; i < n; i++) {
    const json_t *one = json_array_get(chosen, i), *used = json_object_get(one, "used");
    double x = ogv_json_number_or(one, "x", NAN);
    if (!isfinite(x) || !json_is_boolean(used))
      return ogv_fail(err, OGV_E_INVALID, NULL, "chosen cycle %zu does not say which and whether it counts", i + 1);
    list[i] = (ogv_spectrum_choice){(x - scale->x0) * scale->s_per_pixel, json_is_true(used)};
  }
  ogv_spectrum_choose(s, scale, list, n);
  return OGV_OK;
}

/* --- evidence
 * ---------------------------------------------------------------------------------------------------------- */

static json_t *cycles_json(const ogv_spectrum *s) {
  json_t *list = json_array();
  for (size_t i = 0; i < s->n_cycles; i++) {
    const ogv_spectrum_cycle *c = &s->cycles[i];
    json_t *o = json_pack("{s:f,s:f,s:b}", "start_s", c->start_s, "end_s", c->end_s, "used", c->used);
    if (c->why[0]) json_object_set_new(o, "why", json_string(c->why));
    json_array_append_new(list, o);
  }
  return list;
}

json_t *ogv_site_evidence(const ogv_site *site, const ogv_region *r, double angle_deg, const ogv_geometry *trace,
                          const ogv_spectrum *s, const ogv_measurement *m) {
  json_t *region = ogv_region_to_json(r), *o = json_object();
  json_object_set_new(region, "index", json_integer((json_int_t)m->region));
  json_object_set_new(o, "type", json_string("spectrum"));
  json_object_set_new(o, "site", json_string(site->id));
  json_object_set_new(o, "flow", json_string(ogv_site_flow_word(site->flow)));
  json_object_set_new(o, "region", region);
  json_object_set_new(o, "angle_deg", ogv_json_real(isfinite(angle_deg) ? angle_deg : r->correction_angle_deg));
  json_object_set_new(o, "angle_changed", json_boolean(isfinite(angle_deg) && !(angle_deg == r->correction_angle_deg)));
  json_object_set_new(o, "wall_filter_cm_s", ogv_json_real(s->wall_filter_cm_s));
  json_object_set_new(o, "sharpness",
                      json_pack("{s:f,s:f}", "time_s", s->sharpness.time_s, "edge_rows", s->sharpness.edge_rows));
  json_object_set_new(o, "below_baseline", json_boolean(s->below_baseline));
  json_object_set_new(o, "geometry", ogv_geometry_to_json(trace));
  json_object_set_new(o, "cycles", cycles_json(s));
  json_object_set_new(o, "end_diastolic_flow", json_string(ogv_edf_word(s->edf)));
  json_object_set_new(o, "method", json_string(m->method));
  json_object_set_new(o, "convention", json_string("maximum-velocity envelope"));
  json_object_set_new(o, "sd", ogv_measurement_sd_json(m));
  return o;
}

ogv_status ogv_site_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                  ogv_error *err) {
  ogv_flow_kind flow;
  if (!ogv_site_flow_from_word(ogv_json_string_or(evidence, "flow", ""), &flow))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the evidence does not say what kind of flow it shows");
  ogv_region r;
  OGV_TRY(ogv_region_from_json(json_object_get(evidence, "region"), &r, err));
  double angle =
      json_is_true(json_object_get(evidence, "angle_changed")) ? ogv_json_number_or(evidence, "angle_deg", NAN) : NAN;
  ogv_spectrum_scale scale;
  OGV_TRY(ogv_site_scale(&r, angle, ogv_json_number_or(evidence, "wall_filter_cm_s", NAN), &scale, err));
  const json_t *sharpness = json_object_get(evidence, "sharpness");
  scale.sharpness = (ogv_spectrum_sharpness){ogv_json_number_or(sharpness, "time_s", 0),
                                             ogv_json_number_or(sharpness, "edge_rows", 0)};
  ogv_geometry g;
  OGV_TRY(ogv_geometry_from_json(json_object_get(evidence, "geometry"), &g, err));
  ogv_spectrum s;
  ogv_measurement m;
  ogv_status st =
      ogv_site_indices(&g, &scale, flow, json_is_true(json_object_get(evidence, "below_baseline")), &s, err);
  ogv_geometry_free(&g);
  if (st != OGV_OK) return st;
  st = ogv_site_choose(json_object_get(evidence, "chosen"), &scale, &s, err);
  if (st == OGV_OK) st = ogv_site_measure(q, &s, &scale, &m, err);
  ogv_spectrum_free(&s);
  if (st != OGV_OK) return st;
  *value = m.value;
  *sd = m.sd;
  return OGV_OK;
}
