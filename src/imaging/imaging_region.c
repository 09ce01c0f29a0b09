#include "imaging_region.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Relative SD of the scale. Quality-control programmes act when a scanner's distances are off by 1.5 % in depth or 2 %
 * across (AAPM ultrasound task group, Goodsitt et al., Med Phys 1998;25:1385; figures from memory). Taken as three SD,
 * a maintained scanner has 0.5 %. The larger ones are ours, for scales that somebody could have changed on the way. */
#define SD_PROTECTED 0.005
#define SD_UNPROTECTED 0.01
#define SD_SPACING 0.015
#define SD_BY_HAND 0.02

/* Deeper than any scanner looks: such a scale belongs to another picture or another unit. Panoramas are wide, not deep.
 * The limits are ours; one echocardiogram of our test files claims 46 cm by a scale that its own depth marks deny. */
#define DEPTH_MAX_CM 40.0
#define WIDTH_MAX_CM 100.0

__attribute__((format(printf, 2, 3))) static void add_note(ogv_region *r, const char *fmt, ...) {
  char text[160];
  va_list ap;
  va_start(ap, fmt);
  vsnprintf(text, sizeof text, fmt, ap);
  va_end(ap);
  size_t n = strlen(r->note);
  if (strstr(r->note, text)) return;
  snprintf(r->note + n, sizeof r->note - n, "%s%s", n ? "; " : "", text);
}

static bool bar(const ogv_region *r) {
  return r->data_type == OGV_DATA_GREY_BAR || r->data_type == OGV_DATA_COLOUR_BAR;
}

static bool unit_measures(int unit) {
  return unit == OGV_UNIT_CM || unit == OGV_UNIT_S || unit == OGV_UNIT_HZ || unit == OGV_UNIT_CM_S;
}

/* True when the box fits the picture, or nearly. */
static bool judge_box(ogv_region *r, int rows, int columns) {
  if (r->x1 <= r->x0 || r->y1 <= r->y0) {
    add_note(r, "the region's box is empty");
    return false;
  }
  if (r->x0 < 0 || r->y0 < 0 || r->x1 > columns || r->y1 > rows) {
    add_note(
        r,
        "the region's box (%d,%d to %d,%d) leaves the picture of %d x %d: it was scaled or cropped after calibration",
        r->x0, r->y0, r->x1, r->y1, columns, rows);
    return false;
  }
  if (r->x1 == columns || r->y1 == rows) add_note(r, "the region's box is one pixel too large");
  return true;
}

static bool judge_axis(ogv_region *r, char axis, int unit, double delta) {
  if (!unit_measures(unit)) {
    add_note(r, "no usable unit along %c", axis);
    return false;
  }
  if (!isfinite(delta) || delta == 0) {
    add_note(r, "no pixel size along %c", axis);
    return false;
  }
  return true;
}

/* Depth-like and time-like axes grow to the right and downwards; only velocities and frequencies may run upwards. */
static void judge_signs(ogv_region *r) {
  if (r->measurable_x && r->delta_x < 0) add_note(r, "negative pixel size along x, used by its amount");
  if (r->measurable_y && r->unit_y == OGV_UNIT_CM && r->delta_y < 0)
    add_note(r, "negative pixel size along y, used by its amount");
}

static void judge_scale(ogv_region *r) {
  if (r->unit_x == OGV_UNIT_CM && r->measurable_x) {
    double cm = fabs(r->delta_x) * (r->x1 - r->x0 + 1);
    if (cm > WIDTH_MAX_CM) {
      add_note(r, "%.0f cm wide: not a scale of ultrasound", cm);
      r->measurable_x = r->measurable_y = false;
    }
  }
  if (r->unit_y == OGV_UNIT_CM && r->measurable_y) {
    double cm = fabs(r->delta_y) * (r->y1 - r->y0 + 1);
    if (cm > DEPTH_MAX_CM) {
      add_note(r, "%.0f cm deep: not a scale of ultrasound", cm);
      r->measurable_x = r->measurable_y = false;
    }
  }
  if (r->measurable_x && r->measurable_y && r->unit_x == OGV_UNIT_CM && r->unit_y == OGV_UNIT_CM) {
    double ratio = fabs(r->delta_x / r->delta_y);
    if (ratio > 1.02 || ratio < 1 / 1.02)
      add_note(r, "pixels are not square (x/y %.3f), each direction has its own scale", ratio);
  }
}

static void judge_reference(ogv_region *r, int rows, int columns) {
  /* A reference pixel may lie outside the picture, but a wrapped negative (65530 for -6) lies absurdly far off. */
  long far_off = 4L * (rows > columns ? rows : columns);
  r->absolute_x = r->measurable_x && r->has_ref_x && isfinite(r->ref_value_x);
  r->absolute_y = r->measurable_y && r->has_ref_y && isfinite(r->ref_value_y);
  if (r->absolute_x && labs((long)r->ref_x) > far_off)
    r->absolute_x = false, add_note(r, "reference pixel along x is absurd");
  if (r->absolute_y && labs((long)r->ref_y) > far_off)
    r->absolute_y = false, add_note(r, "reference pixel along y is absurd");
  /* Time or width running backwards: the scanner's sign is in doubt, so only differences count. */
  if (r->delta_x < 0) r->absolute_x = false;
  if (r->unit_y == OGV_UNIT_CM && r->delta_y < 0) r->absolute_y = false;
}

static void judge_one(ogv_region *r, int rows, int columns) {
  r->measurable_x = r->measurable_y = r->absolute_x = r->absolute_y = false;
  r->note[0] = 0;
  r->calibration_sd = NAN;
  if (bar(r)) {
    add_note(r, "a %s bar", r->data_type == OGV_DATA_GREY_BAR ? "grey" : "colour");
    return;
  }
  if (r->unit_x == OGV_UNIT_NONE && r->unit_y == OGV_UNIT_NONE) {
    add_note(r, "the region names no units");
    return;
  }
  if (!judge_box(r, rows, columns)) return;
  r->measurable_x = judge_axis(r, 'x', r->unit_x, r->delta_x);
  r->measurable_y = judge_axis(r, 'y', r->unit_y, r->delta_y);
  judge_signs(r);
  judge_scale(r);
  judge_reference(r, rows, columns);
  bool one_off = r->x1 == columns || r->y1 == rows;
  bool is_protected = (r->flags & 2u) != 0;
  if (!is_protected && !r->by_hand && (r->measurable_x || r->measurable_y))
    add_note(r, "scale not protected by the scanner");
  r->calibration_sd = r->by_hand ? SD_BY_HAND : is_protected && !one_off ? SD_PROTECTED : SD_UNPROTECTED;
}

static bool overlap(const ogv_region *a, const ogv_region *b) {
  return a->x0 <= b->x1 && b->x0 <= a->x1 && a->y0 <= b->y1 && b->y0 <= a->y1;
}

static bool plain_2d(const ogv_region *r) {
  return r->format == OGV_FORMAT_2D && r->measurable_x && r->measurable_y && r->unit_x == OGV_UNIT_CM &&
         r->unit_y == OGV_UNIT_CM;
}

void ogv_regions_judge(ogv_region *regions, size_t n, int rows, int columns) {
  for (size_t i = 0; i < n; i++) judge_one(&regions[i], rows, columns);
  /* A colour box and the tissue under it share one scale; where they do not, the caliper's scale depends on which one
   * is asked, so both carry the warning and a scale SD of half their difference. */
  for (size_t i = 0; i < n; i++)
    for (size_t k = i + 1; k < n; k++) {
      ogv_region *a = &regions[i], *b = &regions[k];
      if (!plain_2d(a) || !plain_2d(b) || !overlap(a, b)) continue;
      double dx = fabs(fabs(a->delta_x / b->delta_x) - 1), dy = fabs(fabs(a->delta_y / b->delta_y) - 1);
      double worst = dx > dy ? dx : dy;
      if (worst <= 0.01) continue;
      add_note(a, "overlapping regions %zu and %zu differ in scale by %.1f %%", i + 1, k + 1, worst * 100);
      add_note(b, "overlapping regions %zu and %zu differ in scale by %.1f %%", i + 1, k + 1, worst * 100);
      if (a->calibration_sd < worst / 2) a->calibration_sd = worst / 2;
      if (b->calibration_sd < worst / 2) b->calibration_sd = worst / 2;
    }
}

ogv_region ogv_region_from_spacing(double spacing_row_mm, double spacing_column_mm, int rows, int columns) {
  ogv_region r = {.format = OGV_FORMAT_2D,
                  .data_type = OGV_DATA_TISSUE,
                  .unit_x = OGV_UNIT_CM,
                  .unit_y = OGV_UNIT_CM,
                  .flags = 0,
                  .x1 = columns - 1,
                  .y1 = rows - 1,
                  .delta_x = spacing_column_mm / 10,
                  .delta_y = spacing_row_mm / 10,
                  .transducer_khz = NAN,
                  .prf_hz = NAN,
                  .correction_angle_deg = NAN,
                  .steering_angle_deg = NAN};
  ogv_regions_judge(&r, 1, rows, columns);
  char why[sizeof r.note];
  memcpy(why, r.note, sizeof why);
  snprintf(r.note, sizeof r.note, "scale from Pixel Spacing (0028,0030), no region%s%.80s", *why ? "; " : "", why);
  if (isfinite(r.calibration_sd)) r.calibration_sd = SD_SPACING;
  return r;
}

static bool holds(const ogv_region *r, double x, double y) {
  return x >= r->x0 - 0.5 && x <= r->x1 + 0.5 && y >= r->y0 - 0.5 && y <= r->y1 + 0.5;
}

static bool usable(const ogv_region *r) { return r->measurable_x || r->measurable_y; }

/* Better: both axes known before one, then the smaller box, then the earlier one. */
static bool better(const ogv_region *a, const ogv_region *b) {
  bool both_a = a->measurable_x && a->measurable_y, both_b = b->measurable_x && b->measurable_y;
  if (both_a != both_b) return both_a;
  double area_a = (a->x1 - a->x0 + 1.0) * (a->y1 - a->y0 + 1.0), area_b = (b->x1 - b->x0 + 1.0) * (b->y1 - b->y0 + 1.0);
  return area_a < area_b;
}

/* Says why no single region serves: a point outside all of them, a region that cannot be trusted, or a spread. */
static ogv_status explain(const ogv_region *regions, size_t n, const double *points, size_t n_points, ogv_error *err) {
  static const char *todo = "Use a picture with a calibrated region, or calibrate it on its depth scale.";
  if (n == 0) return ogv_fail(err, OGV_E_CALIBRATION, todo, "the picture has no calibrated region");
  for (size_t p = 0; p < n_points; p++) {
    double x = points[2 * p], y = points[2 * p + 1];
    const ogv_region *bad = NULL;
    bool good = false;
    for (size_t i = 0; i < n; i++) {
      if (!holds(&regions[i], x, y)) continue;
      if (usable(&regions[i])) good = true;
      else if (!bad) bad = &regions[i];
    }
    if (good) continue;
    if (bad)
      return ogv_fail(err, OGV_E_CALIBRATION, todo, "the region under point %zu cannot be measured: %s", p + 1,
                      bad->note);
    return ogv_fail(err, OGV_E_CALIBRATION, "Place all points inside one calibrated region.",
                    "point %zu (%.1f, %.1f) lies in no calibrated region", p + 1, x, y);
  }
  return ogv_fail(err, OGV_E_INVALID, "Place all points inside one region.", "the points lie in different regions");
}

ogv_status ogv_region_for(const ogv_region *regions, size_t n, const double *points, size_t n_points, size_t *index,
                          ogv_error *err) {
  const ogv_region *best = NULL;
  for (size_t i = 0; i < n; i++) {
    const ogv_region *r = &regions[i];
    if (!usable(r)) continue;
    bool all = n_points > 0;
    for (size_t p = 0; p < n_points && all; p++) all = holds(r, points[2 * p], points[2 * p + 1]);
    if (all && (!best || better(r, best))) best = r;
  }
  if (!best) return explain(regions, n, points, n_points, err);
  *index = (size_t)(best - regions);
  return OGV_OK;
}

ogv_status ogv_region_mm(const ogv_region *r, double *mm_x, double *mm_y, ogv_error *err) {
  if (!r->measurable_x || !r->measurable_y || r->unit_x != OGV_UNIT_CM || r->unit_y != OGV_UNIT_CM)
    return ogv_fail(err, OGV_E_CALIBRATION, "Use a two-dimensional picture with calibration.",
                    "the %s region does not give millimetres in both directions%s%s", ogv_region_word(r),
                    r->note[0] ? ": " : "", r->note);
  *mm_x = fabs(r->delta_x) * 10;
  *mm_y = fabs(r->delta_y) * 10;
  return OGV_OK;
}

ogv_status ogv_region_value_x(const ogv_region *r, double px, double *out, ogv_error *err) {
  if (!r->absolute_x)
    return ogv_fail(err, OGV_E_CALIBRATION, "Only differences along x can be measured here.",
                    "the %s region has no trustworthy zero along x%s%s", ogv_region_word(r), r->note[0] ? ": " : "",
                    r->note);
  *out = r->ref_value_x + (px - ((double)r->x0 + r->ref_x)) * r->delta_x;
  return OGV_OK;
}

ogv_status ogv_region_value_y(const ogv_region *r, double py, double *out, ogv_error *err) {
  if (!r->absolute_y)
    return ogv_fail(err, OGV_E_CALIBRATION, "Only differences along y can be measured here; mark the baseline first.",
                    "the %s region has no trustworthy zero along y%s%s", ogv_region_word(r), r->note[0] ? ": " : "",
                    r->note);
  *out = r->ref_value_y + (py - ((double)r->y0 + r->ref_y)) * r->delta_y;
  return OGV_OK;
}

const char *ogv_region_word(const ogv_region *r) {
  if (bar(r)) return "bar";
  switch (r->format) {
    case OGV_FORMAT_2D: return "2d";
    case OGV_FORMAT_MMODE: return "m-mode";
    case OGV_FORMAT_SPECTRAL: return "spectrum";
    case OGV_FORMAT_WAVEFORM: return "waveform";
    case OGV_FORMAT_GRAPHICS: return "graphics";
    default: return "other";
  }
}
