/* Growth charts: see private/report_plot.h. */
#include "private/report_plot.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "charts_chart.h"
#include "core_json.h"
#include "obstetrics_growth.h"
#include "obstetrics_quantity.h"

#define SERIES_MAX 8

typedef struct frame { /* data to page */
  plot_box plot;
  double x0, x1, y0, y1;
} frame;

static double px(const frame *f, double x) { return f->plot.x + (x - f->x0) / (f->x1 - f->x0) * f->plot.w; }
static double py(const frame *f, double y) { return f->plot.y + f->plot.h - (y - f->y0) / (f->y1 - f->y0) * f->plot.h; }

double plot_step(double span, int n) {
  double raw = span / n, p = pow(10, floor(log10(raw)));
  double m = raw / p;
  return p * (m < 1.5 ? 1 : m < 3.5 ? 2 : m < 7.5 ? 5 : 10);
}

static const double lines_z[5] = {-1.880793608151251, -1.2815515655446004, 0, 1.2815515655446004, 1.880793608151251};
static const char *const lines_name[5] = {"3", "10", "50", "90", "97"};

typedef struct growth {
  const json_t *values[SERIES_MAX]; /* one for each fetus */
  size_t n;
  const ogv_chart *chart, *compare;
  const ogv_quantity *quantity;
  const char *chart_id;
  bool dated;
} growth;

static double number(const json_t *o, const char *key) { return ogv_json_number_or(o, key, NAN); }

static ogv_status find_values(const json_t *facts, const plot_growth_request *r, growth *g, ogv_error *err) {
  size_t i;
  json_t *v;
  memset(g, 0, sizeof *g);
  bool one = json_array_size(json_object_get(json_object_get(facts, "pregnancy"), "fetuses")) <
             2; /* its label does not matter */
  json_array_foreach(json_object_get(facts, "values"), i, v) {
    if (strcmp(ogv_json_string_or(v, "quantity", ""), r->quantity)) continue;
    if (!one && r->fetus && *r->fetus && strcmp(ogv_json_string_or(v, "fetus", ""), r->fetus)) continue;
    if (g->n < SERIES_MAX) g->values[g->n++] = v;
  }
  if (!g->n)
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the facts of this exam hold no \"%.40s\"%s%.10s", r->quantity,
                    r->fetus && *r->fetus ? " of fetus " : "", r->fetus ? r->fetus : "");
  g->quantity = ogv_quantity_find(r->quantity);
  g->chart_id = r->chart && *r->chart
                    ? r->chart
                    : ogv_json_string_or(json_array_get(json_object_get(g->values[0], "centiles"), 0), "chart", "");
  if (*g->chart_id) OGV_TRY(ogv_chart_find(g->chart_id, &g->chart, err));
  if (r->compare && *r->compare) OGV_TRY(ogv_chart_find(r->compare, &g->compare, err));
  /* Charts read against something else than gestation (crown-rump length) are not drawn here. */
  const ogv_chart *both[2] = {g->chart, g->compare};
  for (int k = 0; k < 2; k++) {
    if (!both[k]) continue;
    const ogv_chart_info *a = ogv_chart_about(both[k]);
    if (strcmp(a->quantity, r->quantity))
      return ogv_fail(err, OGV_E_INVALID, NULL, "chart \"%.40s\" is for %s, not for %.40s", a->id, a->quantity,
                      r->quantity);
    if (strcmp(a->x_unit, "d")) {
      if (k == 0) g->chart = NULL;
      else g->compare = NULL;
    }
  }
  return OGV_OK;
}

static void widen(double v, double *lo, double *hi) {
  if (!isfinite(v)) return;
  if (v < *lo) *lo = v;
  if (v > *hi) *hi = v;
}

/* What the axes must hold. */
static void range_of(const growth *g, frame *f) {
  double x0 = INFINITY, x1 = -INFINITY, y0 = INFINITY, y1 = -INFINITY;
  const ogv_chart *both[2] = {g->chart, g->compare};
  for (int k = 0; k < 2; k++) {
    if (!both[k]) continue;
    const ogv_chart_info *a = ogv_chart_about(both[k]);
    widen(a->x_low, &x0, &x1);
    widen(a->x_high, &x0, &x1);
    for (int e = 0; e <= 40; e++)
      for (int i = 0; i < 5; i += 4) {
        double v, x = a->x_low + (a->x_high - a->x_low) * e / 40;
        if (ogv_chart_at_z(both[k], x, lines_z[i], &v, NULL) == OGV_OK) widen(v, &y0, &y1);
      }
  }
  for (size_t k = 0; k < g->n; k++) {
    size_t i;
    json_t *s;
    json_array_foreach(json_object_get(g->values[k], "series"), i, s) {
      double x = number(s, "ga_days"), v = number(s, "value"), sd = number(s, "sd");
      if (!isfinite(x) || !isfinite(v)) continue;
      widen(x, &x0, &x1);
      widen(v - 1.96 * (isfinite(sd) ? sd : 0), &y0, &y1);
      widen(v + 1.96 * (isfinite(sd) ? sd : 0), &y0, &y1);
    }
  }
  if (!isfinite(x0)) x0 = 14 * 7, x1 = 40 * 7;
  if (x1 - x0 < 28) x0 -= 14, x1 += 14;
  if (!isfinite(y0)) y0 = 0, y1 = 1;
  if (y1 - y0 < 1e-9) y0 -= 1, y1 += 1;
  double step = plot_step(y1 - y0, 5);
  f->x0 = floor(x0 / 14) * 14;
  f->x1 = ceil(x1 / 14) * 14;
  f->y0 = floor(y0 / step) * step;
  f->y1 = ceil(y1 / step) * step;
}

static void curve(pen *p, const frame *f, const ogv_chart *c, double z, bool move) {
  const ogv_chart_info *a = ogv_chart_about(c);
  bool on = move;
  for (double x = a->x_low;; x += 2) {
    if (x > a->x_high) x = a->x_high;
    double v;
    if (ogv_chart_at_z(c, x, z, &v, NULL) == OGV_OK) {
      if (on) cairo_move_to(p->cr, px(f, x), py(f, v));
      else cairo_line_to(p->cr, px(f, x), py(f, v));
      on = false;
    }
    if (x >= a->x_high) break;
  }
}

static void curve_back(pen *p, const frame *f, const ogv_chart *c, double z) {
  const ogv_chart_info *a = ogv_chart_about(c);
  for (double x = a->x_high; x >= a->x_low; x -= 2) {
    double v;
    if (ogv_chart_at_z(c, x, z, &v, NULL) == OGV_OK) cairo_line_to(p->cr, px(f, x), py(f, v));
  }
}

static void axes(pen *p, const frame *f, const ogv_messages *m, double size) {
  pen_style s = {.size = size, .colour = p->theme->soft};
  char buf[OGV_MESSAGE_TEXT];
  double ystep = plot_step(f->y1 - f->y0, 5);
  int decimals = ystep < 0.995 ? (int)ceil(-log10(ystep) - 1e-9) : 0;
  for (double y = f->y0; y <= f->y1 + ystep * 1e-6; y += ystep) {
    pen_line(p, f->plot.x, py(f, y), f->plot.x + f->plot.w, py(f, y), 0.3, p->theme->grid);
    pen_label(p, f->plot.x - 3, py(f, y), 1, &s, ogv_message_number(m, y, decimals, buf));
  }
  double per_week = f->plot.w / ((f->x1 - f->x0) / 7);
  int every = per_week * 2 > size * 2.6 ? 2 : 4;
  for (int w = (int)(f->x0 / 7); w <= (int)(f->x1 / 7); w++) {
    if (w % every) continue;
    double x = px(f, w * 7);
    pen_line(p, x, f->plot.y, x, f->plot.y + f->plot.h, 0.3, p->theme->grid);
    snprintf(buf, sizeof buf, "%d", w);
    pen_label(p, x, f->plot.y + f->plot.h + size * 0.85, 0.5, &s, buf);
  }
  pen_line(p, f->plot.x, f->plot.y, f->plot.x, f->plot.y + f->plot.h, 0.6, p->theme->faint);
  pen_line(p, f->plot.x, f->plot.y + f->plot.h, f->plot.x + f->plot.w, f->plot.y + f->plot.h, 0.6, p->theme->faint);
}

static void shade(pen *p, const frame *f, const growth *g) {
  if (!g->chart || p->dry) return;
  cairo_new_path(p->cr);
  curve(p, f, g->chart, lines_z[1], true);
  curve_back(p, f, g->chart, lines_z[3]);
  cairo_close_path(p->cr);
  pen_ink(p, p->theme->shade);
  cairo_fill(p->cr);
}

static void reference(pen *p, const frame *f, const growth *g, double size) {
  if (!g->chart || p->dry) return;
  cairo_t *cr = p->cr;
  const ogv_chart_info *a = ogv_chart_about(g->chart);
  static const double on[5] = {1, 4, 0, 4, 1}, off[5] = {1.6, 2, 0, 2, 1.6}, wide[5] = {0.8, 0.7, 1.1, 0.7, 0.8};
  double last = INFINITY;
  pen_style s = {.size = size, .colour = p->theme->soft};
  for (int i = 0; i < 5; i++) {
    cairo_new_path(cr);
    curve(p, f, g->chart, lines_z[i], true);
    pen_ink(p, i == 2 ? p->theme->soft : p->theme->faint);
    cairo_set_line_width(cr, wide[i]);
    pen_dashed(p, on[i], off[i]);
    cairo_stroke(cr);
    pen_dashed(p, 0, 0);
    double v;
    if (ogv_chart_at_z(g->chart, a->x_high, lines_z[i], &v, NULL) != OGV_OK) continue;
    double y = py(f, v);
    if (y > last - size * 0.92) y = last - size * 0.92; /* labels never on top of each other */
    last = y;
    pen_label(p, px(f, a->x_high) + 2.5, y, 0, &s, lines_name[i]);
  }
  if (!g->compare) return;
  for (int i = 1; i < 4; i++) {
    cairo_new_path(cr);
    curve(p, f, g->compare, lines_z[i], true);
    pen_ink(p, p->theme->warn);
    cairo_set_line_width(cr, i == 2 ? 0.9 : 0.6);
    pen_dashed(p, 6, 1.5);
    cairo_stroke(cr);
    pen_dashed(p, 0, 0);
  }
}

static void bar(pen *p, double x0, double y0, double x1, double y1, pen_colour c) {
  bool vertical = x0 == x1;
  double cap = 2.2;
  pen_line(p, x0, y0, x1, y1, 0.9, c);
  for (int e = 0; e < 2; e++) {
    double x = e ? x1 : x0, y = e ? y1 : y0;
    if (vertical) pen_line(p, x - cap, y, x + cap, y, 0.9, c);
    else pen_line(p, x, y - cap, x, y + cap, 0.9, c);
  }
}

/* Where the scan before would lead: a pale wedge up to this exam. Only for one fetus; two wedges would hide each other.
 */
static void wedge(pen *p, const frame *f, const growth *g) {
  enum { STEPS = 12 };
  if (!g->chart || g->n != 1 || p->dry) return;
  const json_t *list = json_object_get(g->values[0], "series"), *before = NULL, *now = NULL, *s;
  size_t i;
  json_array_foreach(list, i, s) {
    if (json_is_true(json_object_get(s, "current"))) {
      now = s;
      break;
    }
    before = s;
  }
  if (!now || !before) return;
  ogv_correlation k;
  bool known = ogv_correlation_find(ogv_chart_about(g->chart)->id, &k, NULL) == OGV_OK;
  ogv_growth_point from = {number(before, "ga_days"), number(before, "value"), number(before, "sd")};
  double to = number(now, "ga_days"), x[STEPS], low[STEPS], high[STEPS];
  int n = 0;
  if (!(to - from.ga_days >= 14) || !(from.sd > 0)) return;
  for (int j = 1; j <= STEPS; j++) {
    ogv_growth_projection q;
    x[n] = from.ga_days + (to - from.ga_days) * j / STEPS;
    if (ogv_growth_project(g->chart, &from, x[n], known ? &k : NULL, &q, NULL) != OGV_OK || !isfinite(q.low)) continue;
    low[n] = q.low;
    high[n] = q.high;
    n++;
  }
  if (n < 2) return;
  cairo_new_path(p->cr);
  cairo_move_to(p->cr, px(f, from.ga_days), py(f, from.value - 1.96 * from.sd));
  for (int j = 0; j < n; j++) cairo_line_to(p->cr, px(f, x[j]), py(f, low[j]));
  for (int j = n - 1; j >= 0; j--) cairo_line_to(p->cr, px(f, x[j]), py(f, high[j]));
  cairo_line_to(p->cr, px(f, from.ga_days), py(f, from.value + 1.96 * from.sd));
  cairo_close_path(p->cr);
  pen_ink(p, p->theme->accent_pale);
  cairo_fill_preserve(p->cr);
  pen_ink(p, p->theme->hair);
  cairo_set_line_width(p->cr, 0.4);
  cairo_stroke(p->cr);
}

static void series(pen *p, const frame *f, const growth *g, double ga_sd) {
  static const pen_shape shapes[3] = {PEN_CIRCLE, PEN_SQUARE, PEN_TRIANGLE};
  for (size_t k = 0; k < g->n; k++) {
    pen_colour c = p->theme->series[k % 3];
    const json_t *list = json_object_get(g->values[k], "series");
    size_t i;
    json_t *s;
    double last_x = NAN, last_y = NAN;
    json_array_foreach(list, i, s) {
      double x = number(s, "ga_days"), v = number(s, "value");
      if (!isfinite(x) || !isfinite(v)) continue;
      if (isfinite(last_x)) pen_line(p, last_x, last_y, px(f, x), py(f, v), 0.8, c);
      last_x = px(f, x);
      last_y = py(f, v);
    }
    json_array_foreach(list, i, s) {
      double x = number(s, "ga_days"), v = number(s, "value"), sd = number(s, "sd");
      bool now = json_is_true(json_object_get(s, "current"));
      if (!isfinite(x) || !isfinite(v)) continue;
      if (isfinite(sd) && sd > 0) bar(p, px(f, x), py(f, v - 1.96 * sd), px(f, x), py(f, v + 1.96 * sd), c);
      if (now && ga_sd > 0) bar(p, px(f, x - 1.96 * ga_sd), py(f, v), px(f, x + 1.96 * ga_sd), py(f, v), c);
      pen_marker(p, shapes[k % 3], px(f, x), py(f, v), 2.9, now, c);
    }
  }
}

/* Title line: symbol and name at the start, what this exam says at the end. */
static double heading(pen *p, const growth *g, const ogv_messages *m, plot_box box) {
  pen_style bold = {.size = 9, .bold = true, .colour = p->theme->ink, .lines = 1};
  pen_style soft = {.size = 7, .colour = p->theme->soft, .lines = 1};
  const json_t *v = g->values[0];
  const char *unit = ogv_json_string_or(v, "unit", "");
  char text[256], said[160] = "";
  double w = pen_text_width(p, &bold, ogv_json_string_or(v, "symbol", ""));
  if (g->n == 1) {
    const json_t *c = json_array_get(json_object_get(v, "centiles"), 0);
    const char *word = ogv_json_string_or(c, "text", "");
    const char *interval = ogv_json_string_or(c, "interval_text", "");
    snprintf(said, sizeof said, "%s %s", ogv_json_string_or(v, "text", ""), ogv_json_string_or(v, "interval_text", ""));
    size_t used = strlen(said);
    if (*word && !json_is_true(json_object_get(c, "circular")))
      snprintf(said + used, sizeof said - used, " · %s %s%s%s%s", ogv_message_plain(m, "word.centile-short"), word,
               *interval ? " (" : "", interval, *interval ? ")" : "");
  }
  pen_style end = {.size = 7, .colour = p->theme->ink, .lines = 1, .align = PEN_END};
  double said_w = *said ? pen_text_width(p, &end, said) + 2 : 0;
  pen_text(p, box.x, box.y, w + 2, &bold, ogv_json_string_or(v, "symbol", ""));
  snprintf(text, sizeof text, "%s%s%s", ogv_json_string_or(v, "name", ""), *unit && strcmp(unit, "1") ? ", " : "",
           *unit && strcmp(unit, "1") ? unit : "");
  double room = box.w - w - 8 - said_w;
  if (room > 30) pen_text(p, box.x + w + 4, box.y + 1.9, room, &soft, text);
  if (*said) pen_text(p, box.x + box.w - said_w, box.y + 1.9, said_w, &end, said);
  return 13.5;
}

static void legend(pen *p, const growth *g, const ogv_messages *m, const frame *f) {
  if (g->n < 2) return;
  static const pen_shape shapes[3] = {PEN_CIRCLE, PEN_SQUARE, PEN_TRIANGLE};
  pen_style s = {.size = 7, .colour = p->theme->ink};
  for (size_t k = 0; k < g->n; k++) {
    char text[64];
    double y = f->plot.y + 8 + 10 * (double)k;
    snprintf(text, sizeof text, "%s %s  %s", ogv_message_plain(m, "word.fetus"),
             ogv_json_string_or(g->values[k], "fetus", ""), ogv_json_string_or(g->values[k], "text", ""));
    pen_marker(p, shapes[k % 3], f->plot.x + 8, y, 2.9, true, p->theme->series[k % 3]);
    pen_label(p, f->plot.x + 14, y, 0, &s, text);
  }
}

ogv_status plot_growth(pen *p, const json_t *facts, const ogv_messages *m, const plot_growth_request *r, plot_box box,
                       ogv_error *err) {
  growth g;
  OGV_TRY(find_values(facts, r, &g, err));
  double top = heading(p, &g, m, box), size = 6.3;
  frame f = {.plot = {box.x + 24, box.y + top + 2, box.w - 24 - 14, box.h - top - 2 - 22}};
  range_of(&g, &f);
  axes(p, &f, m, size);
  shade(p, &f, &g);
  wedge(p, &f, &g);
  reference(p, &f, &g, size);
  double ga_sd = number(json_object_get(facts, "pregnancy"), "sd_days");
  series(p, &f, &g, isfinite(ga_sd) ? ga_sd : 0);
  legend(p, &g, m, &f);
  char text[320];
  const char *reference_name = g.chart ? ogv_chart_about(g.chart)->title : ogv_message_plain(m, "plot.no-reference");
  snprintf(text, sizeof text, "%s   ·   %s", ogv_message_plain(m, "plot.weeks"), reference_name);
  if (g.compare)
    snprintf(text + strlen(text), sizeof text - strlen(text), "   ·   %s: %s", ogv_message_plain(m, "plot.compare"),
             ogv_chart_about(g.compare)->title);
  pen_style foot = {.size = 6.3, .colour = p->theme->soft, .lines = 1};
  pen_text(p, f.plot.x, f.plot.y + f.plot.h + 11, f.plot.w + 14, &foot, text);
  return OGV_OK;
}
