/* From a geometry to a quantity: which extent serves it, and how wide its uncertainty is. */
#include "measure_quantity.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"
#include "measure_clip.h"
#include "measure_rate.h"
#include "measure_site.h"
#include "measure_timing.h"
#include "measure_trace.h"

/* What one extent gives: a number in a plain unit, and how a relative error of the scale enters it. */
typedef struct {
  double value;
  const char *unit;
  double scale_power; /* 1 lengths and times, 2 areas, 0 angles, -1 rates */
  const char *method;
} reading;

static bool ends_with(const char *s, const char *tail) {
  size_t n = strlen(s), m = strlen(tail);
  return n >= m && !strcmp(s + n - m, tail);
}

static ogv_status unfit(const ogv_quantity *q, const ogv_geometry *g, ogv_error *err) {
  char todo[128] = "It is not measured on a picture.";
  if (*q->geometry) snprintf(todo, sizeof todo, "Measure it by a geometry of kind \"%.40s\".", q->geometry);
  return ogv_fail(err, OGV_E_INVALID, todo, "%s (%s) cannot be measured by a geometry of kind \"%s\"", q->name,
                  q->symbol, ogv_geometry_word(g->kind));
}

static bool measured_by(const ogv_quantity *q, const char *word) { return !strcmp(q->geometry, word); }

static bool from_ellipse(const ogv_quantity *q, const ogv_extent *e, reading *r) {
  if (measured_by(q, "ellipse")) *r = (reading){e->perimeter_mm, "mm", 1, "ellipse perimeter"};
  else if (measured_by(q, "outline")) *r = (reading){e->area_mm2, "mm2", 2, "ellipse area"};
  /* The ellipse of the head lies on the outer edge all round, so its axes are outer to outer. */
  else if (!strcmp(q->id, "bpd") && !strcmp(q->convention, "outer-outer"))
    *r = (reading){e->axis2_mm, "mm", 1, "ellipse shorter axis"};
  else if (!strcmp(q->id, "ofd") && !strcmp(q->convention, "outer-outer"))
    *r = (reading){e->axis1_mm, "mm", 1, "ellipse longer axis"};
  else return false;
  return true;
}

/* One point in a spectrum is a velocity; a mean over time needs a trace. */
static ogv_status from_point(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, const ogv_extent *e,
                             reading *r, ogv_error *err) {
  if (strcmp(q->unit, "cm/s") != 0 || ends_with(q->id, "tamax")) return unfit(q, g, err);
  if (reg->unit_y != OGV_UNIT_CM_S)
    return ogv_fail(err, OGV_E_CALIBRATION, "Use a spectrum with a velocity scale.",
                    "the %s region has no velocity scale", ogv_region_word(reg));
  if (!isfinite(e->value_y)) return ogv_region_value_y(reg, g->points[1], &r->value, err);
  *r = (reading){fabs(e->value_y), "cm/s", 1, "velocity at a point"};
  return OGV_OK;
}

/* A trace of one cycle gives the velocities and indices of its vessel; *sd is what half a pixel in height does. */
static ogv_status from_trace(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, reading *r,
                             double *sd, ogv_error *err) {
  ogv_trace t;
  if (!measured_by(q, "trace")) return unfit(q, g, err);
  OGV_TRY(ogv_trace_read(g, reg, &t, err));
  const struct {
    const char *tail;
    double value, sd;
    const char *unit;
  } known[] = {{"-piv", t.piv, t.sd_piv, "1"},
               {"-psv", t.psv, t.sd_velocity, "cm/s"},
               {"-edv", t.edv, t.sd_velocity, "cm/s"},
               {"-mdv", t.mdv, t.sd_velocity, "cm/s"},
               {"-tamax", t.tamax, t.sd_tamax, "cm/s"},
               {"-pi", t.pi, t.sd_pi, "1"},
               {"-ri", t.ri, t.sd_ri, "1"},
               {"-sd", t.sd_ratio, t.sd_sd_ratio, "1"},
               {"-vmax", t.psv, t.sd_velocity, "cm/s"}};
  char id[64]; /* without the side: uta-pi-left */
  snprintf(id, sizeof id, "%.60s", q->id);
  if (ends_with(id, "-left")) id[strlen(id) - 5] = 0;
  else if (ends_with(id, "-right")) id[strlen(id) - 6] = 0;
  for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
    if (!ends_with(id, known[i].tail)) continue;
    if (!isfinite(known[i].value))
      return ogv_fail(err, OGV_E_RANGE, "Give the pulsatility index instead.",
                      "%s has no value: there is no forward flow at the end of the cycle", q->name);
    *r = (reading){known[i].value, known[i].unit, strcmp(known[i].unit, "1") ? 1 : 0, "hand-drawn trace of one cycle"};
    if (sd) *sd = known[i].sd;
    return OGV_OK;
  }
  return unfit(q, g, err);
}

static ogv_status read_extent(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, const ogv_extent *e,
                              reading *r, ogv_error *err) {
  bool ok = false;
  switch (g->kind) {
    case OGV_GEOMETRY_ELLIPSE: ok = from_ellipse(q, e, r); break;
    case OGV_GEOMETRY_DISTANCE:
      ok = measured_by(q, "distance");
      if (ok && !isfinite(e->length_mm))
        return ogv_fail(err, OGV_E_CALIBRATION, "Measure it on a two-dimensional picture.",
                        "the %s region gives no length", ogv_region_word(reg));
      if (ok && reg->unit_x == OGV_UNIT_S) *r = (reading){e->length_mm, "mm", 1, "depth difference"};
      else *r = (reading){e->length_mm, "mm", 1, "distance"};
      break;
    case OGV_GEOMETRY_OUTLINE:
      ok = true;
      if (measured_by(q, "ellipse")) *r = (reading){e->perimeter_mm, "mm", 1, "outline perimeter"};
      else if (measured_by(q, "outline")) *r = (reading){e->area_mm2, "mm2", 2, "outline area"};
      else ok = false;
      break;
    case OGV_GEOMETRY_ANGLE:
      ok = measured_by(q, "angle");
      *r = (reading){e->angle_deg, "deg", 0, "angle"};
      break;
    case OGV_GEOMETRY_INTERVAL:
      ok = measured_by(q, "interval");
      if (ok && !(e->time_s > 0))
        return ogv_fail(err, OGV_E_INVALID, "Place the two ends apart.", "the interval has no length");
      if (!strcmp(q->unit, "/min")) *r = (reading){60 / e->time_s, "/min", -1, "rate of one interval"};
      else *r = (reading){e->time_s, "s", 1, "interval"};
      break;
    case OGV_GEOMETRY_POINT: return from_point(q, g, reg, e, r, err);
    case OGV_GEOMETRY_TRACE: return from_trace(q, g, reg, r, NULL, err);
  }
  return ok ? OGV_OK : unfit(q, g, err);
}

/* --- caliper part of the uncertainty ----------------------------------------------------------------------- */

/* Outlines in closed form: each corner moves the perimeter by the difference of its two unit sides, the area by half
 * the chord between its neighbours. */
static double outline_sd(const ogv_geometry *g, double mm_x, double mm_y, double sd_point, bool area) {
  double sum = 0;
  for (size_t i = 0; i < g->n; i++) {
    const double *p = &g->points[2 * i], *a = &g->points[2 * ((i + g->n - 1) % g->n)],
                 *b = &g->points[2 * ((i + 1) % g->n)];
    double ax = (p[0] - a[0]) * mm_x, ay = (p[1] - a[1]) * mm_y, bx = (b[0] - p[0]) * mm_x, by = (b[1] - p[1]) * mm_y;
    if (area) {
      sum += 0.25 * ((ax + bx) * (ax + bx) + (ay + by) * (ay + by));
      continue;
    }
    double la = hypot(ax, ay), lb = hypot(bx, by);
    if (la == 0 || lb == 0) continue;
    double dx = ax / la - bx / lb, dy = ay / la - by / lb;
    sum += dx * dx + dy * dy;
  }
  return sd_point * sqrt(sum);
}

/* Other geometries by moving each coordinate a little both ways: small counts of points, any reading. */
static double moved_sd(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, double mm_x, double mm_y,
                       double sd_point) {
  double points[8], sum = 0;
  ogv_geometry h = {g->kind, g->n, points};
  for (size_t k = 0; k < 2 * g->n; k++) {
    double mm = k % 2 ? mm_y : mm_x, step = 1e-3, v[2];
    for (int side = 0; side < 2; side++) {
      memcpy(points, g->points, 2 * g->n * sizeof points[0]);
      points[k] += side ? step : -step;
      ogv_extent e;
      reading r;
      if (ogv_geometry_measure(&h, reg, &e, NULL) != OGV_OK || read_extent(q, &h, reg, &e, &r, NULL) != OGV_OK)
        return NAN;
      v[side] = r.value;
    }
    double slope = (v[1] - v[0]) / (2 * step * mm);
    sum += slope * slope;
  }
  return sd_point * sqrt(sum);
}

/* SD from where the ends were put, in the reading's unit. Half a pixel is the floor for an axis of its own. */
static double caliper_sd(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, const ogv_extent *e,
                         const reading *r) {
  double mm_x, mm_y;
  if (g->kind == OGV_GEOMETRY_INTERVAL) {
    double sd_s = M_SQRT2 * 0.5 * fabs(reg->delta_x);
    return r->scale_power < 0 ? r->value / e->time_s * sd_s : sd_s;
  }
  if (g->kind == OGV_GEOMETRY_POINT) return 0.5 * fabs(reg->delta_y);
  if (g->kind == OGV_GEOMETRY_TRACE) {
    reading again;
    double sd = NAN;
    return from_trace(q, g, reg, &again, &sd, NULL) == OGV_OK ? sd : NAN;
  }
  if (g->kind == OGV_GEOMETRY_DISTANCE && reg->unit_x == OGV_UNIT_S) return M_SQRT2 * e->sd_point_mm;
  if (ogv_region_mm(reg, &mm_x, &mm_y, NULL) != OGV_OK) return NAN;
  if (g->kind == OGV_GEOMETRY_OUTLINE) return outline_sd(g, mm_x, mm_y, e->sd_point_mm, r->scale_power == 2);
  return moved_sd(q, g, reg, mm_x, mm_y, e->sd_point_mm);
}

/* --- the whole ---------------------------------------------------------------------------------------------- */

static ogv_status measure_in(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *reg, size_t index,
                             ogv_measurement *out, ogv_error *err) {
  ogv_measurement m = {.region = index};
  reading r;
  OGV_TRY(ogv_geometry_measure(g, reg, &m.extent, err));
  OGV_TRY(read_extent(q, g, reg, &m.extent, &r, err));
  double one;
  OGV_TRY(ogv_unit_convert(r.value, r.unit, q->unit, &m.value, err));
  OGV_TRY(ogv_unit_convert(1, r.unit, q->unit, &one, err));
  OGV_TRY(ogv_quantity_plausible(q, m.value, err));
  m.sd_observer = ogv_quantity_sd(q, m.value);
  m.sd_caliper = caliper_sd(q, g, reg, &m.extent, &r) * one;
  m.sd_calibration = fabs(r.scale_power) * m.value * (isfinite(reg->calibration_sd) ? reg->calibration_sd : NAN);
  if (r.scale_power == 0) m.sd_calibration = 0;
  if (!isfinite(m.sd_caliper) || !isfinite(m.sd_calibration))
    return ogv_fail(err, OGV_E_CALIBRATION, "Use a calibrated picture.", "no uncertainty can be given for %s here",
                    q->name);
  /* Where no two-observer SD is known the sum is a lower bound; evidence then says null for that part. */
  double observer = isfinite(m.sd_observer) ? m.sd_observer : 0;
  m.sd = sqrt(observer * observer + m.sd_caliper * m.sd_caliper + m.sd_calibration * m.sd_calibration);
  snprintf(m.method, sizeof m.method, "%s", r.method);
  *out = m;
  return OGV_OK;
}

ogv_status ogv_measure_quantity(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *regions,
                                size_t n_regions, ogv_measurement *out, ogv_error *err) {
  size_t index;
  OGV_TRY(ogv_region_for(regions, n_regions, g->points, g->n, &index, err));
  return measure_in(q, g, &regions[index], index, out, err);
}

json_t *ogv_measurement_sd_json(const ogv_measurement *m) {
  return json_pack("{s:o,s:o,s:o}", "observer", ogv_json_real(m->sd_observer), "caliper", ogv_json_real(m->sd_caliper),
                   "calibration", ogv_json_real(m->sd_calibration));
}

json_t *ogv_measurement_evidence(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *r,
                                 const ogv_measurement *m) {
  json_t *region = ogv_region_to_json(r), *v = json_object();
  json_object_set_new(region, "index", json_integer((json_int_t)m->region));
  json_object_set_new(v, "type", json_string("geometry"));
  json_object_set_new(v, "geometry", ogv_geometry_to_json(g));
  json_object_set_new(v, "region", region);
  json_object_set_new(v, "method", json_string(m->method));
  json_object_set_new(v, "convention", json_string(q->convention));
  json_object_set_new(v, "sd", ogv_measurement_sd_json(m));
  return v;
}

ogv_status ogv_measure_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                     ogv_error *err) {
  const char *type = json_string_value(json_object_get(evidence, "type"));
  if (type && !strcmp(type, "spectrum")) return ogv_site_from_evidence(q, evidence, value, sd, err);
  if (type && !strcmp(type, "clip")) return ogv_clip_from_evidence(q, evidence, value, sd, err);
  if (type && !strcmp(type, "rate")) return ogv_rate_from_evidence(evidence, value, sd, err);
  if (type && !strcmp(type, "av-interval")) return ogv_av_from_evidence(q, evidence, value, sd, err);
  if (!type || strcmp(type, "geometry") != 0)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the evidence is no geometry on a picture (type \"%.40s\")",
                    type ? type : "");
  ogv_region r;
  ogv_geometry g;
  OGV_TRY(ogv_region_from_json(json_object_get(evidence, "region"), &r, err));
  OGV_TRY(ogv_geometry_from_json(json_object_get(evidence, "geometry"), &g, err));
  ogv_measurement m;
  ogv_status s = ogv_measure_quantity(q, &g, &r, 1, &m, err);
  ogv_geometry_free(&g);
  if (s != OGV_OK) return s;
  *value = m.value;
  *sd = m.sd;
  return OGV_OK;
}
