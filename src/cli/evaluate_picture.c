/* The Bland-Altman picture of an evaluation. */
#include <cairo-svg.h>
#include <cairo.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli_evaluate.h"
#include "core_json.h"

enum { W = 720, H = 460, LEFT = 70, RIGHT = 20, TOP = 40, BOTTOM = 55 };

static double step_for(double range) {
  double s = pow(10, floor(log10(range / 5)));
  return range / s > 25 ? 5 * s : range / s > 10 ? 2 * s : s;
}

typedef struct axes {
  double x0, x1, y0, y1;
} axes;

static double px(const axes *a, double x) { return LEFT + (x - a->x0) / (a->x1 - a->x0) * (W - LEFT - RIGHT); }
static double py(const axes *a, double y) { return H - BOTTOM - (y - a->y0) / (a->y1 - a->y0) * (H - TOP - BOTTOM); }

static void label(cairo_t *c, double x, double y, double align, const char *t) {
  cairo_text_extents_t e;
  cairo_text_extents(c, t, &e);
  cairo_move_to(c, x - align * e.width, y);
  cairo_show_text(c, t);
}

static void draw_axes(cairo_t *c, const axes *a, const char *title) {
  char t[32];
  cairo_set_source_rgb(c, 1, 1, 1);
  cairo_paint(c);
  cairo_set_source_rgb(c, 0, 0, 0);
  cairo_select_font_face(c, "DejaVu Sans", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(c, 12);
  cairo_set_line_width(c, 1);
  label(c, W / 2.0, 22, 0.5, title);
  label(c, W / 2.0, H - 12, 0.5, "mean of truth and reading, mm");
  cairo_rectangle(c, LEFT, TOP, W - LEFT - RIGHT, H - TOP - BOTTOM);
  cairo_stroke(c);
  double sx = step_for(a->x1 - a->x0), sy = step_for(a->y1 - a->y0);
  for (double x = ceil(a->x0 / sx) * sx; x <= a->x1; x += sx) {
    snprintf(t, sizeof t, "%g", x);
    label(c, px(a, x), H - BOTTOM + 18, 0.5, t);
  }
  for (double y = ceil(a->y0 / sy) * sy; y <= a->y1 + 1e-9; y += sy) {
    snprintf(t, sizeof t, "%g", fabs(y) < 1e-9 ? 0 : y);
    label(c, LEFT - 8, py(a, y) + 4, 1, t);
  }
  cairo_save(c);
  cairo_translate(c, 18, H / 2.0);
  cairo_rotate(c, -M_PI / 2);
  label(c, 0, 0, 0.5, "reading minus truth, mm");
  cairo_restore(c);
}

static void line_at(cairo_t *c, const axes *a, double y, bool dashed) {
  const double dash[2] = {6, 4};
  char t[32];
  cairo_set_dash(c, dash, dashed ? 2 : 0, 0);
  cairo_move_to(c, LEFT, py(a, y));
  cairo_line_to(c, W - RIGHT, py(a, y));
  cairo_stroke(c);
  snprintf(t, sizeof t, "%+.2f", y);
  label(c, W - RIGHT - 4, py(a, y) - 4, 1, t);
}

ogv_status eval_picture(const eval_rows *rows, const char *title, const char *path, ogv_error *err) {
  axes a = {1e9, -1e9, 0, 0};
  for (size_t i = 0; i < rows->n; i++) {
    const eval_row *r = &rows->row[i];
    if (!r->accepted) continue;
    a.x0 = fmin(a.x0, (r->truth + r->value) / 2);
    a.x1 = fmax(a.x1, (r->truth + r->value) / 2);
    a.y1 = fmax(a.y1, fabs(r->value - r->truth));
  }
  if (!(a.x1 > a.x0)) return ogv_fail(err, OGV_E_INVALID, NULL, "too few accepted readings for a picture");
  double pad = 0.03 * (a.x1 - a.x0);
  a.x0 -= pad;
  a.x1 += pad;
  a.y1 = fmax(1, 1.1 * a.y1);
  a.y0 = -a.y1;
  const size_t len = strlen(path);
  const bool svg = len > 4 && !strcmp(path + len - 4, ".svg");
  cairo_surface_t *s =
      svg ? cairo_svg_surface_create(path, W, H) : cairo_image_surface_create(CAIRO_FORMAT_RGB24, W, H);
  cairo_t *c = cairo_create(s);
  draw_axes(c, &a, title);
  cairo_set_source_rgba(c, 0, 0.447, 0.698, 0.55); /* blue of Okabe and Ito's colour-blind-safe palette */
  for (size_t i = 0; i < rows->n; i++) {
    const eval_row *r = &rows->row[i];
    if (!r->accepted) continue;
    cairo_arc(c, px(&a, (r->truth + r->value) / 2), py(&a, r->value - r->truth), 2.5, 0, 2 * M_PI);
    cairo_fill(c);
  }
  json_t *sum = eval_summary(rows, NULL);
  cairo_set_source_rgb(c, 0.835, 0.369, 0);
  line_at(c, &a, ogv_json_number_or(sum, "mm_bias", 0), false);
  line_at(c, &a, ogv_json_number_or(sum, "mm_limit_low", 0), true);
  line_at(c, &a, ogv_json_number_or(sum, "mm_limit_high", 0), true);
  json_decref(sum);
  cairo_destroy(c);
  cairo_status_t st = svg ? CAIRO_STATUS_SUCCESS : cairo_surface_write_to_png(s, path);
  cairo_surface_finish(s);
  if (st == CAIRO_STATUS_SUCCESS) st = cairo_surface_status(s);
  cairo_surface_destroy(s);
  if (st != CAIRO_STATUS_SUCCESS)
    return ogv_fail(err, OGV_E_IO, NULL, "%s could not be written: %s", path, cairo_status_to_string(st));
  return OGV_OK;
}
