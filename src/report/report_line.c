/* The pregnancy line and the small centile strip: see private/report_plot.h. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_date.h"
#include "core_json.h"
#include "private/report_plot.h"

#define MARKS_MAX 64
#define LINE_DAYS 294 /* 42 weeks */

void plot_strip(pen *p, plot_box b, double z, double u, double measurement, pen_colour c) {
  if (p->dry) return;
  double mid = b.y + b.h / 2;
#define AT(zz) (b.x + ((zz) + 3) / 6 * b.w)
  pen_fill(p, AT(-1.2816), b.y, AT(1.2816) - AT(-1.2816), b.h, p->theme->shade);
  pen_line(p, b.x, mid, b.x + b.w, mid, 0.4, p->theme->hair);
  static const double ticks[5] = {-1.8808, -1.2816, 0, 1.2816, 1.8808};
  for (int i = 0; i < 5; i++) {
    double h = i == 2 ? b.h : b.h * 0.7;
    pen_line(p, AT(ticks[i]), mid - h / 2, AT(ticks[i]), mid + h / 2, i == 2 ? 0.7 : 0.4, p->theme->faint);
  }
  if (!isfinite(z)) return;
  for (int i = 0; i < 2; i++) {
    double h = 1.96 * (i ? measurement : u);
    if (h > 0) pen_line(p, AT(fmax(-3, fmin(3, z - h))), mid, AT(fmax(-3, fmin(3, z + h))), mid, i ? 2.6 : 0.9, c);
  }
  if (fabs(z) <= 3) {
    pen_marker(p, PEN_DIAMOND, AT(z), mid, b.h * 0.27, true, c);
    return;
  }
  double x = z < 0 ? b.x : b.x + b.w, d = z < 0 ? b.h * 0.5 : -b.h * 0.5; /* beyond the scale: an arrow at its edge */
  cairo_move_to(p->cr, x, mid);
  cairo_line_to(p->cr, x + d, mid - b.h * 0.36);
  cairo_line_to(p->cr, x + d, mid + b.h * 0.36);
  cairo_close_path(p->cr);
  pen_ink(p, c);
  cairo_fill(p->cr);
#undef AT
}

typedef struct mark {
  int ga;
  char label[48];
  bool current;
} mark;

static bool day_of(const json_t *o, const char *key, ogv_date *out) {
  const char *s = json_string_value(json_object_get(o, key));
  return s && ogv_date_parse(s, out, NULL) == OGV_OK;
}

static size_t add_mark(mark *list, size_t n, int ga, const char *label, bool current) {
  for (size_t i = 0; i < n; i++)
    if (list[i].ga == ga && list[i].current == current && !strcmp(list[i].label, label)) return n;
  if (n == MARKS_MAX) return n;
  list[n].ga = ga;
  list[n].current = current;
  snprintf(list[n].label, sizeof list[n].label, "%s", label);
  return n + 1;
}

static int by_age(const void *a, const void *b) { return ((const mark *)a)->ga - ((const mark *)b)->ga; }

static size_t exam_marks(const json_t *facts, ogv_date edd, mark *list) {
  size_t n = 0, i;
  json_t *row;
  ogv_date d;
  char ga[OGV_GA_TEXT];
  json_array_foreach(json_object_get(facts, "history"), i, row) if (day_of(row, "date", &d)) n =
      add_mark(list, n, 280 - (int)(edd - d), ogv_ga_text(280 - (int)(edd - d), ga), false);
  if (day_of(json_object_get(facts, "exam"), "date", &d))
    n = add_mark(list, n, 280 - (int)(edd - d), ogv_ga_text(280 - (int)(edd - d), ga), true);
  qsort(list, n, sizeof *list, by_age);
  return n;
}

static size_t evidence_marks(const json_t *facts, ogv_date edd, const ogv_messages *m, mark *list) {
  size_t n = 0, i;
  json_t *e;
  json_array_foreach(json_object_get(json_object_get(facts, "dating"), "evidence"), i, e) {
    ogv_date d;
    char id[48], label[48];
    const char *basis = ogv_json_string_or(e, "basis", "");
    if (!day_of(e, "date", &d) || !strcmp(basis, "edd") || !json_object_get(e, "estimate")) continue;
    snprintf(id, sizeof id, "basis.%.30s", basis);
    snprintf(label, sizeof label, "%.44s", ogv_message_plain(m, id));
    n = add_mark(list, n, 280 - (int)(edd - d), label, json_is_true(json_object_get(e, "chosen")));
  }
  qsort(list, n, sizeof *list, by_age);
  return n;
}

/* Labels on one side of the line: a second row when the first is taken. */
static void labels(pen *p, const mark *list, size_t n, double x0, double per_day, double y, double row,
                   const pen_style *s, pen_shape shape, double line_y) {
  double end[2] = {-INFINITY, -INFINITY};
  for (size_t i = 0; i < n; i++) {
    double x = x0 + per_day * list[i].ga;
    if (list[i].ga < -14 || list[i].ga > LINE_DAYS) continue;
    pen_style style = *s;
    style.bold = list[i].current;
    double w = pen_text_width(p, &style, list[i].label), left = fmax(x - w / 2, x0 - 4);
    int k = left > end[0] + 4 ? 0 : left > end[1] + 4 ? 1 : -1;
    if (k >= 0) {
      end[k] = left + w;
      double ly = y + k * row;
      if (k) pen_line(p, x, line_y, x, ly - (row > 0 ? 4 : -4), 0.4, p->theme->faint);
      pen_label(p, left, ly, 0, &style, list[i].label);
    }
    pen_marker(p, list[i].current ? PEN_DIAMOND : shape, x, line_y, list[i].current ? 3.6 : 2.6, list[i].current,
               list[i].current ? p->theme->accent : p->theme->soft);
  }
}

void plot_pregnancy(pen *p, const json_t *facts, const ogv_messages *m, plot_box b) {
  ogv_date edd;
  pen_style soft = {.size = 6.3, .colour = p->theme->soft}, ink = {.size = 7, .colour = p->theme->ink};
  if (!day_of(json_object_get(facts, "pregnancy"), "edd", &edd)) {
    pen_text(p, b.x, b.y + b.h / 2 - 5, b.w, &ink, ogv_message_plain(m, "line.undated"));
    return;
  }
  double x0 = b.x + 6, per_day = (b.w - 12) / LINE_DAYS, y = b.y + b.h * 0.5;
  static const int borders[4] = {0, 14 * 7, 28 * 7, LINE_DAYS};
  for (int t = 0; t < 3; t++) {
    if (!p->dry) {
      pen_round(p, x0 + per_day * borders[t] + 0.4, y - 3, per_day * (borders[t + 1] - borders[t]) - 0.8, 6, 1.5);
      pen_ink(p, t == 1 ? p->theme->hair : p->theme->shade);
      cairo_fill(p->cr);
    }
  }
  char text[OGV_MESSAGE_TEXT + 32];
  for (int w = 0; w <= 40; w += 4) {
    snprintf(text, sizeof text, "%d", w);
    pen_line(p, x0 + per_day * w * 7, y - 3, x0 + per_day * w * 7, y + 3, 0.4, p->theme->faint);
    pen_label(p, x0 + per_day * w * 7, y + 8.5, 0.5, &soft, text);
  }
  mark list[MARKS_MAX];
  size_t n = evidence_marks(facts, edd, m, list);
  labels(p, list, n, x0, per_day, y + 18, 8.5, &soft, PEN_SQUARE, y);
  n = exam_marks(facts, edd, list);
  labels(p, list, n, x0, per_day, y - 11, -8.5, &ink, PEN_CIRCLE, y);
  char date[OGV_MESSAGE_TEXT];
  double x = x0 + per_day * 280;
  pen_line(p, x, y - 7, x, y + 4, 1, p->theme->ink);
  snprintf(text, sizeof text, "%s %s", ogv_message_plain(m, "word.edd"), ogv_message_date(m, edd, date));
  pen_style bold = ink;
  bold.bold = true;
  double w = pen_text_width(p, &bold, text);
  pen_label(p, fmin(x + 10, b.x + b.w) - w, y + 18, 0, &bold, text);
}
