/* A hand-drawn trace read, and the volume of an outline about its axis. */
#include "measure_trace.h"

#include <math.h>
#include <stdlib.h>

#include "obstetrics_ratio.h"

/* Signed velocities and times of the points; the caller frees v. */
static ogv_status ordinates(const ogv_geometry *g, const ogv_region *r, double **v, double **t, ogv_error *err) {
  if (r->unit_x != OGV_UNIT_S || r->unit_y != OGV_UNIT_CM_S || !r->measurable_x || !r->absolute_y)
    return ogv_fail(err, OGV_E_CALIBRATION, "Use a spectrum with its scales and baseline.",
                    "the %s region has no velocity and time scale", ogv_region_word(r));
  if (g->n < 4)
    return ogv_fail(err, OGV_E_INVALID, "Draw one whole cycle.", "a trace of %zu points is too short", g->n);
  double *a = malloc(2 * g->n * sizeof *a);
  if (!a) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < g->n; i++) {
    ogv_status s = ogv_region_value_y(r, g->points[2 * i + 1], &a[i], err);
    a[g->n + i] = (g->points[2 * i] - g->points[0]) * fabs(r->delta_x);
    if (s == OGV_OK && i > 0 && a[g->n + i] < a[g->n + i - 1])
      s = ogv_fail(err, OGV_E_INVALID, "Draw from left to right.", "the trace runs back in time at point %zu", i + 1);
    if (s != OGV_OK) {
      free(a);
      return s;
    }
  }
  *v = a;
  *t = a + g->n;
  return OGV_OK;
}

/* Area under the trace by the trapezium rule. */
static double area(const double *v, const double *t, size_t n) {
  double s = 0;
  for (size_t i = 1; i < n; i++) s += 0.5 * (v[i] + v[i - 1]) * (t[i] - t[i - 1]);
  return s;
}

static void indices(ogv_trace *o, double mean_share) {
  double s = o->psv, d = o->edv, m = o->tamax, u = o->sd_velocity;
  o->sd_tamax = u * mean_share;
  o->pi = (s - d) / m;
  o->sd_pi = hypot(M_SQRT2 * u / m, o->pi * o->sd_tamax / m);
  o->piv = (s - o->mdv) / m;
  o->sd_piv = hypot(M_SQRT2 * u / m, o->piv * o->sd_tamax / m);
  o->ri = (s - d) / s;
  o->sd_ri = hypot(u / s, d * u / (s * s));
  o->sd_ratio = d > 0 ? s / d : NAN;
  o->sd_sd_ratio = d > 0 ? hypot(u / d, s * u / (d * d)) : NAN;
}

ogv_status ogv_trace_read(const ogv_geometry *g, const ogv_region *r, ogv_trace *out, ogv_error *err) {
  double *v = NULL, *t = NULL;
  OGV_TRY(ordinates(g, r, &v, &t, err));
  ogv_trace o = {.time_s = t[g->n - 1], .sd_velocity = 0.5 * fabs(r->delta_y)};
  double whole = area(v, t, g->n);
  double sign = whole < 0 ? -1 : 1;
  o.psv = -INFINITY;
  o.mdv = INFINITY;
  for (size_t i = 0; i < g->n; i++) {
    o.psv = fmax(o.psv, sign * v[i]);
    o.mdv = fmin(o.mdv, sign * v[i]);
  }
  o.edv = sign * v[g->n - 1];
  o.tamax = o.time_s > 0 ? sign * whole / o.time_s : 0;
  free(v);
  if (!(o.time_s > 0) || !(o.tamax > 0))
    return ogv_fail(err, OGV_E_INVALID, "Draw along the envelope of one cycle.", "the trace holds no flow");
  /* Independent errors of the points shrink in their mean; a drawn line has about one per pixel column. */
  indices(&o, 1 / sqrt((double)g->n));
  *out = o;
  return OGV_OK;
}

typedef struct frame { /* millimetres along and across the axis */
  double ox, oy, ux, uy, mm_x, mm_y, length;
} frame;

static void place(const frame *f, const double *p, double *along, double *across) {
  double x = p[0] * f->mm_x - f->ox, y = p[1] * f->mm_y - f->oy;
  *along = x * f->ux + y * f->uy;
  *across = x * f->uy - y * f->ux;
}

/* Width of the outline where it crosses the plane at `at`; 0 when it does not. */
static double width_at(const frame *f, const ogv_geometry *g, double at) {
  double low = INFINITY, high = -INFINITY;
  for (size_t i = 0; i < g->n; i++) {
    double a0, b0, a1, b1;
    place(f, &g->points[2 * i], &a0, &b0);
    place(f, &g->points[2 * ((i + 1) % g->n)], &a1, &b1);
    if ((a0 <= at) == (a1 <= at)) continue;
    double b = b0 + (b1 - b0) * (at - a0) / (a1 - a0);
    low = fmin(low, b);
    high = fmax(high, b);
  }
  return high > low ? high - low : 0;
}

ogv_status ogv_outline_volume(const ogv_geometry *outline, const ogv_geometry *axis, const ogv_region *r, int discs,
                              double *ml, ogv_error *err) {
  if (outline->kind != OGV_GEOMETRY_OUTLINE || outline->n < 3 || axis->kind != OGV_GEOMETRY_DISTANCE || axis->n != 2)
    return ogv_fail(err, OGV_E_INVALID, "Give an outline and a distance along it.",
                    "stacked discs need an outline and its axis");
  enum { MOST = 1000 };
  if (discs < 4 || discs > MOST) return ogv_fail(err, OGV_E_RANGE, NULL, "%d discs are not 4 to %d", discs, MOST);
  frame f;
  OGV_TRY(ogv_region_mm(r, &f.mm_x, &f.mm_y, err));
  const double *p = axis->points;
  f.ox = p[0] * f.mm_x;
  f.oy = p[1] * f.mm_y;
  f.ux = p[2] * f.mm_x - f.ox;
  f.uy = p[3] * f.mm_y - f.oy;
  f.length = hypot(f.ux, f.uy);
  if (!(f.length > 0)) return ogv_fail(err, OGV_E_INVALID, NULL, "the axis has no length");
  f.ux /= f.length;
  f.uy /= f.length;
  double width[MOST];
  int crossed = 0;
  for (int k = 0; k < discs; k++) {
    width[k] = width_at(&f, outline, (k + 0.5) * f.length / discs);
    if (width[k] > 0) crossed++;
  }
  if (crossed < discs / 2)
    return ogv_fail(err, OGV_E_INVALID, "Lay the axis through the outline.",
                    "the axis does not run through the outline");
  return ogv_volume_discs(width, NULL, (size_t)discs, f.length, ml, err);
}
