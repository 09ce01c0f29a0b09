#include "imaging_geometry.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

static const struct {
  ogv_geometry_kind kind;
  const char *word;
  size_t least, most;
} kinds[] = {
    {OGV_GEOMETRY_DISTANCE, "distance", 2, 2},  {OGV_GEOMETRY_ELLIPSE, "ellipse", 4, 4},
    {OGV_GEOMETRY_OUTLINE, "outline", 3, 4096}, {OGV_GEOMETRY_ANGLE, "angle", 3, 3},
    {OGV_GEOMETRY_POINT, "point", 1, 1},        {OGV_GEOMETRY_TRACE, "trace", 2, OGV_GEOMETRY_MAX_POINTS},
    {OGV_GEOMETRY_INTERVAL, "interval", 2, 2},
};
#define N_KINDS (sizeof kinds / sizeof kinds[0])

/* Farther than any picture reaches; keeps squares and products finite. */
#define COORDINATE_MAX 1e6

const char *ogv_geometry_word(ogv_geometry_kind k) {
  for (size_t i = 0; i < N_KINDS; i++)
    if (kinds[i].kind == k) return kinds[i].word;
  return "unknown";
}

void ogv_geometry_free(ogv_geometry *g) {
  if (!g) return;
  free(g->points);
  *g = (ogv_geometry){0};
}

static ogv_status check_count(ogv_geometry_kind kind, size_t n, ogv_error *err) {
  for (size_t i = 0; i < N_KINDS; i++) {
    if (kinds[i].kind != kind) continue;
    if (n >= kinds[i].least && n <= kinds[i].most) return OGV_OK;
    if (kinds[i].least == kinds[i].most)
      return ogv_fail(err, OGV_E_INVALID, NULL, "a geometry of kind \"%s\" has %zu points, not %zu", kinds[i].word,
                      kinds[i].least, n);
    return ogv_fail(err, OGV_E_INVALID, NULL, "a geometry of kind \"%s\" has %zu to %zu points, not %zu", kinds[i].word,
                    kinds[i].least, kinds[i].most, n);
  }
  return ogv_fail(err, OGV_E_INVALID, NULL, "geometry kind %d does not exist", (int)kind);
}

ogv_status ogv_geometry_from_json(const json_t *v, ogv_geometry *out, ogv_error *err) {
  static const char *todo = "Write {\"kind\":\"distance\",\"points\":[[x,y],[x,y]]}.";
  *out = (ogv_geometry){0};
  const char *word = json_string_value(json_object_get(v, "kind"));
  const json_t *points = json_object_get(v, "points");
  if (!word || !json_is_array(points))
    return ogv_fail(err, OGV_E_INVALID, todo, "a geometry needs \"kind\" (text) and \"points\" (a list)");
  size_t i = 0;
  while (i < N_KINDS && strcmp(kinds[i].word, word) != 0) i++;
  if (i == N_KINDS)
    return ogv_fail(err, OGV_E_INVALID, "Kinds: distance ellipse outline angle point trace interval.",
                    "geometry kind \"%.40s\" does not exist", word);
  size_t n = json_array_size(points);
  OGV_TRY(check_count(kinds[i].kind, n, err));
  double *p = malloc(n * 2 * sizeof *p);
  if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for a geometry of %zu points", n);
  for (size_t k = 0; k < n; k++) {
    const json_t *pt = json_array_get(points, k);
    const json_t *x = json_array_get(pt, 0), *y = json_array_get(pt, 1);
    double vx = json_number_value(x), vy = json_number_value(y);
    if (json_array_size(pt) != 2 || !json_is_number(x) || !json_is_number(y) || !(fabs(vx) <= COORDINATE_MAX) ||
        !(fabs(vy) <= COORDINATE_MAX)) {
      free(p);
      return ogv_fail(err, OGV_E_INVALID, todo, "point %zu of the geometry is not a pair of pixel coordinates", k + 1);
    }
    p[2 * k] = vx;
    p[2 * k + 1] = vy;
  }
  *out = (ogv_geometry){.kind = kinds[i].kind, .n = n, .points = p};
  return OGV_OK;
}

json_t *ogv_geometry_to_json(const ogv_geometry *g) {
  json_t *points = json_array();
  for (size_t i = 0; i < g->n; i++) {
    json_t *pt = json_array();
    json_array_append_new(pt, json_real(g->points[2 * i]));
    json_array_append_new(pt, json_real(g->points[2 * i + 1]));
    json_array_append_new(points, pt);
  }
  json_t *v = json_object();
  json_object_set_new(v, "kind", json_string(ogv_geometry_word(g->kind)));
  json_object_set_new(v, "points", points);
  return v;
}

double ogv_ellipse_perimeter(double a, double b) {
  /* Gauss: P = 2 pi (A^2 - sum 2^(n-1) c_n^2) / M(A, B) with semi-axes A >= B, c_0^2 = A^2 - B^2, c_n the half
   * differences of the arithmetic-geometric mean M (NIST Digital Library of Mathematical Functions 19.8.6). */
  a = fabs(a) / 2;
  b = fabs(b) / 2;
  if (!(a > 0) || !(b > 0)) return a > b ? 4 * a : 4 * b; /* flat: there and back */
  if (b > a) {
    double t = a;
    a = b;
    b = t;
  }
  double x = a, y = b, sum = 0.5 * (a * a - b * b), weight = 0.5;
  for (int i = 0; i < 40 && x - y > 1e-16 * x; i++) {
    double c = (x - y) / 2, m = (x + y) / 2;
    y = sqrt(x * y);
    x = m;
    weight *= 2;
    sum += weight * c * c;
  }
  return 2 * M_PI * (a * a - sum) / x;
}

typedef struct {
  double x, y;
} vec;

static vec mm_at(const ogv_geometry *g, size_t i, double mm_x, double mm_y) {
  return (vec){g->points[2 * i] * mm_x, g->points[2 * i + 1] * mm_y};
}
static double apart(vec a, vec b) { return hypot(b.x - a.x, b.y - a.y); }
static double side(vec a, vec b, vec p) { return (b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x); }
/* Proper crossing, ends excluded. */
static bool cross(vec a, vec b, vec c, vec d) {
  double s1 = side(a, b, c), s2 = side(a, b, d), s3 = side(c, d, a), s4 = side(c, d, b);
  return ((s1 > 0) != (s2 > 0)) && ((s3 > 0) != (s4 > 0)) && s1 != 0 && s2 != 0 && s3 != 0 && s4 != 0;
}

static ogv_status measure_ellipse(const ogv_geometry *g, double mm_x, double mm_y, ogv_extent *out, ogv_error *err) {
  vec p[4];
  for (size_t i = 0; i < 4; i++) p[i] = mm_at(g, i, mm_x, mm_y);
  double a = apart(p[0], p[1]), b = apart(p[2], p[3]);
  if (!(a > 0) || !(b > 0))
    return ogv_fail(err, OGV_E_INVALID, "Draw both axes.", "an axis of the ellipse has no length");
  double dot = ((p[1].x - p[0].x) * (p[3].x - p[2].x) + (p[1].y - p[0].y) * (p[3].y - p[2].y)) / (a * b);
  double off_deg = asin(fmin(1, fabs(dot))) * 180 / M_PI;
  if (off_deg > 20)
    return ogv_fail(err, OGV_E_INVALID, "Draw the second axis across the first.",
                    "the axes of the ellipse are %.0f degrees away from a right angle", off_deg);
  if (!cross(p[0], p[1], p[2], p[3]))
    return ogv_fail(err, OGV_E_INVALID, "Draw the second axis across the first.",
                    "the axes of the ellipse do not cross");
  out->axis1_mm = a > b ? a : b;
  out->axis2_mm = a > b ? b : a;
  out->perimeter_mm = ogv_ellipse_perimeter(a, b);
  out->area_mm2 = M_PI * a * b / 4;
  return OGV_OK;
}

static ogv_status measure_outline(const ogv_geometry *g, double mm_x, double mm_y, ogv_extent *out, ogv_error *err) {
  double perimeter = 0, area = 0;
  vec origin = mm_at(g, 0, mm_x, mm_y);
  for (size_t i = 0; i < g->n; i++) {
    vec a = mm_at(g, i, mm_x, mm_y), b = mm_at(g, (i + 1) % g->n, mm_x, mm_y);
    perimeter += apart(a, b);
    area += side(origin, a, b);
  }
  for (size_t i = 0; i < g->n; i++)
    for (size_t k = i + 2; k < g->n; k++) {
      if (i == 0 && k == g->n - 1) continue; /* neighbours round the end */
      if (cross(mm_at(g, i, mm_x, mm_y), mm_at(g, i + 1, mm_x, mm_y), mm_at(g, k, mm_x, mm_y),
                mm_at(g, (k + 1) % g->n, mm_x, mm_y)))
        return ogv_fail(err, OGV_E_INVALID, "Draw the outline again without crossing itself.",
                        "the outline crosses itself (sides %zu and %zu)", i + 1, k + 1);
    }
  if (!(fabs(area) > 0)) return ogv_fail(err, OGV_E_INVALID, NULL, "the outline has no area");
  out->perimeter_mm = perimeter;
  out->area_mm2 = fabs(area) / 2;
  return OGV_OK;
}

static ogv_status measure_angle(const ogv_geometry *g, double mm_x, double mm_y, ogv_extent *out, ogv_error *err) {
  vec a = mm_at(g, 0, mm_x, mm_y), c = mm_at(g, 1, mm_x, mm_y), b = mm_at(g, 2, mm_x, mm_y);
  vec u = {a.x - c.x, a.y - c.y}, v = {b.x - c.x, b.y - c.y};
  if ((u.x == 0 && u.y == 0) || (v.x == 0 && v.y == 0))
    return ogv_fail(err, OGV_E_INVALID, NULL, "an arm of the angle has no length");
  out->angle_deg = fabs(atan2(u.x * v.y - u.y * v.x, u.x * v.x + u.y * v.y)) * 180 / M_PI;
  return OGV_OK;
}

/* Regions whose x axis is time: M-mode, spectrum, waveform. */
static ogv_status measure_timed(const ogv_geometry *g, const ogv_region *r, ogv_extent *out, ogv_error *err) {
  double lo = g->points[0], hi = lo;
  for (size_t i = 1; i < g->n; i++) {
    lo = fmin(lo, g->points[2 * i]);
    hi = fmax(hi, g->points[2 * i]);
  }
  if (!r->measurable_x)
    return ogv_fail(err, OGV_E_CALIBRATION, NULL, "the %s region has no time scale: %s", ogv_region_word(r), r->note);
  out->time_s = (hi - lo) * fabs(r->delta_x);
  /* Along depth only: an oblique line in an M-mode has no length. */
  if (g->kind == OGV_GEOMETRY_DISTANCE && r->measurable_y && r->unit_y == OGV_UNIT_CM)
    out->length_mm = fabs(g->points[3] - g->points[1]) * fabs(r->delta_y) * 10;
  if (g->kind == OGV_GEOMETRY_TRACE && !(out->time_s > 0))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the trace covers no time");
  return OGV_OK;
}

static ogv_status measure_point(const ogv_geometry *g, const ogv_region *r, ogv_extent *out, ogv_error *err) {
  if (!r->absolute_x && !r->absolute_y) return ogv_region_value_y(r, g->points[1], &out->value_y, err);
  if (r->absolute_x) OGV_TRY(ogv_region_value_x(r, g->points[0], &out->value_x, err));
  if (r->absolute_y) OGV_TRY(ogv_region_value_y(r, g->points[1], &out->value_y, err));
  return OGV_OK;
}

ogv_status ogv_geometry_measure(const ogv_geometry *g, const ogv_region *r, ogv_extent *out, ogv_error *err) {
  *out = (ogv_extent){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
  OGV_TRY(check_count(g->kind, g->n, err));
  for (size_t i = 0; i < 2 * g->n; i++)
    if (!(fabs(g->points[i]) <= COORDINATE_MAX))
      return ogv_fail(err, OGV_E_INVALID, NULL, "point %zu of the geometry is not a place on the picture", i / 2 + 1);
  double mm_x = NAN, mm_y = NAN;
  bool metric = ogv_region_mm(r, &mm_x, &mm_y, NULL) == OGV_OK;
  if (metric) out->sd_point_mm = 0.5 * hypot(mm_x, mm_y);
  else if (r->measurable_y && r->unit_y == OGV_UNIT_CM) out->sd_point_mm = 0.5 * fabs(r->delta_y) * 10;
  bool timed = r->unit_x == OGV_UNIT_S;
  switch (g->kind) {
    case OGV_GEOMETRY_INTERVAL:
      if (!timed)
        return ogv_fail(err, OGV_E_CALIBRATION, "Use an M-mode or a spectrum.", "a %s region has no time axis",
                        ogv_region_word(r));
      return measure_timed(g, r, out, err);
    case OGV_GEOMETRY_POINT: return measure_point(g, r, out, err);
    case OGV_GEOMETRY_DISTANCE:
    case OGV_GEOMETRY_TRACE:
      if (timed) return measure_timed(g, r, out, err);
      break;
    default: break;
  }
  OGV_TRY(ogv_region_mm(r, &mm_x, &mm_y, err));
  switch (g->kind) {
    case OGV_GEOMETRY_ELLIPSE: return measure_ellipse(g, mm_x, mm_y, out, err);
    case OGV_GEOMETRY_OUTLINE: return measure_outline(g, mm_x, mm_y, out, err);
    case OGV_GEOMETRY_ANGLE: return measure_angle(g, mm_x, mm_y, out, err);
    default: break;
  }
  double length = 0;
  for (size_t i = 1; i < g->n; i++) length += apart(mm_at(g, i - 1, mm_x, mm_y), mm_at(g, i, mm_x, mm_y));
  if (!(length > 0))
    return ogv_fail(err, OGV_E_INVALID, "Place the two ends apart.", "the %s has no length",
                    ogv_geometry_word(g->kind));
  out->length_mm = length;
  return OGV_OK;
}
