/* The centile curves of one chart as an SVG picture, with marks on it. */
#include "charts_answer.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_text.h"

enum { WIDTH = 820, HEIGHT = 560, LEFT = 74, RIGHT = 66, TOP = 52, BOTTOM = 96 };

typedef struct frame {
  const ogv_chart *c;
  double x_low, x_high, y_low, y_high;
} frame;

static double px(const frame *f, double x) {
  return LEFT + (x - f->x_low) / (f->x_high - f->x_low) * (WIDTH - LEFT - RIGHT);
}

static double py(const frame *f, double y) {
  return HEIGHT - BOTTOM - (y - f->y_low) / (f->y_high - f->y_low) * (HEIGHT - TOP - BOTTOM);
}

static void add_escaped(ogv_text *t, const char *s) {
  for (; *s; s++) {
    if (*s == '&') ogv_text_add(t, "&amp;");
    else if (*s == '<') ogv_text_add(t, "&lt;");
    else if (*s == '>') ogv_text_add(t, "&gt;");
    else ogv_text_add_bytes(t, s, 1);
  }
}

/* A step of 1, 2 or 5 times a power of ten that gives about n marks. */
static double nice_step(double span, int n) {
  double raw = span / n, p = pow(10, floor(log10(raw))), m = raw / p;
  return p * (m <= 1 ? 1 : m <= 2 ? 2 : m <= 5 ? 5 : 10);
}

static bool in_weeks(const ogv_chart *c) { return !strcmp(ogv_chart_about(c)->x_unit, "d"); }

static void axis_x(ogv_text *t, const frame *f) {
  double unit = in_weeks(f->c) ? 7 : 1, span = (f->x_high - f->x_low) / unit;
  double step = in_weeks(f->c) ? (span > 20 ? 4 : span > 8 ? 2 : 1) : nice_step(span, 8);
  int bottom = HEIGHT - BOTTOM;
  for (double v = ceil(f->x_low / unit / step - 1e-9) * step; v <= f->x_high / unit + 1e-9; v += step) {
    double x = px(f, v * unit);
    ogv_text_addf(t, "<path class='grid' d='M%.1f %d V%d'/><text x='%.1f' y='%d' text-anchor='middle'>%g</text>\n", x,
                  TOP, bottom, x, bottom + 20, v);
  }
  const ogv_chart_info *i = ogv_chart_about(f->c);
  ogv_text_addf(t, "<text x='%d' y='%d' text-anchor='middle'>", (LEFT + WIDTH - RIGHT) / 2, bottom + 42);
  /* "gestational age", but "CRL": sizes are named by their symbols. */
  for (const char *p = i->x_name; *p; p++) {
    char letter[2] = {in_weeks(f->c) ? *p : (char)toupper((unsigned char)*p), 0};
    add_escaped(t, letter);
  }
  ogv_text_add(t, ", ");
  add_escaped(t, in_weeks(f->c) ? "weeks" : i->x_unit);
  ogv_text_add(t, "</text>\n");
}

static void axis_y(ogv_text *t, const frame *f) {
  double step = nice_step(f->y_high - f->y_low, 8);
  for (double v = ceil(f->y_low / step - 1e-9) * step; v <= f->y_high + 1e-9 * step; v += step) {
    double y = py(f, v);
    ogv_text_addf(t, "<path class='grid' d='M%d %.1f H%d'/><text x='%d' y='%.1f' text-anchor='end'>%.6g</text>\n", LEFT,
                  y, WIDTH - RIGHT, LEFT - 8, y + 4, fabs(v) < 1e-9 * step ? 0 : v);
  }
  const char *unit = ogv_chart_about(f->c)->unit;
  ogv_text_addf(t, "<text x='%d' y='%d' text-anchor='end'>", LEFT - 8, TOP - 14);
  add_escaped(t, strcmp(unit, "1") ? unit : "ratio");
  ogv_text_add(t, "</text>\n");
}

/* The label of a curve stands at its right end, but not nearer than a line to the label of the curve below it. */
static ogv_status curve(ogv_text *t, const frame *f, double z, double *label_y, ogv_error *err) {
  enum { STEPS = 180, LINE = 13 };
  double last = 0;
  ogv_text_addf(t, "<path class='%s' d='", fabs(z) < 1e-9 ? "middle" : "curve");
  for (int i = 0; i <= STEPS; i++) {
    double x = f->x_low + (f->x_high - f->x_low) * i / STEPS;
    OGV_TRY(ogv_chart_at_z(f->c, x, z, &last, err));
    ogv_text_addf(t, "%c%.1f %.1f", i ? 'L' : 'M', px(f, x), py(f, last));
  }
  double p = round(1e4 * 100 * ogv_normal_cdf(z)) / 1e4;
  *label_y = fmin(py(f, last) + 4, *label_y - LINE);
  ogv_text_addf(t, "'/><text class='label' x='%d' y='%.1f'>%.4g %%</text>\n", WIDTH - RIGHT + 6, *label_y, p);
  return OGV_OK;
}

/* Lowest and highest value of the curves and points, a little widened. */
static ogv_status fit(frame *f, const double *z, int n, const ogv_chart_mark *marks, size_t n_marks, ogv_error *err) {
  f->y_low = INFINITY;
  f->y_high = -INFINITY;
  for (int i = 0; i <= 60; i++)
    for (int j = 0; j < n; j++) {
      double v;
      OGV_TRY(ogv_chart_at_z(f->c, f->x_low + (f->x_high - f->x_low) * i / 60, z[j], &v, err));
      f->y_low = fmin(f->y_low, v);
      f->y_high = fmax(f->y_high, v);
    }
  for (size_t i = 0; i < n_marks; i++) {
    ogv_chart_value v;
    OGV_TRY(ogv_chart_eval(f->c, marks[i].x, marks[i].value, &v, err));
    f->y_low = fmin(f->y_low, marks[i].value);
    f->y_high = fmax(f->y_high, marks[i].value);
  }
  double margin = fmax((f->y_high - f->y_low) * 0.04, 1e-9);
  f->y_low -= margin;
  f->y_high += margin;
  return OGV_OK;
}

static void head(ogv_text *t, const ogv_chart_info *info) {
  ogv_text_addf(t,
                "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 %d %d' font-family='sans-serif' font-size='13'>\n"
                "<style>.grid{stroke:#ddd;fill:none}.curve{stroke:#555;fill:none;stroke-width:1.2}"
                ".middle{stroke:#000;fill:none;stroke-width:2.2}.label{font-size:12px}.point{fill:#d55e00;stroke:#000}"
                "</style>\n<rect width='%d' height='%d' fill='#fff'/>\n<text x='%d' y='24' font-size='17'>",
                WIDTH, HEIGHT, WIDTH, HEIGHT, LEFT);
  add_escaped(t, info->title);
  ogv_text_add(t, "</text>\n");
}

/* The source, cut to what fits a line (not inside a character), and the chart's id and status. */
static void foot(ogv_text *t, const ogv_chart_info *info) {
  char cut[140];
  size_t n = strnlen(info->citation, 120);
  while (n > 0 && n < strlen(info->citation) && ((unsigned char)info->citation[n] & 0xc0) == 0x80) n--;
  snprintf(cut, sizeof cut, "%.*s%s", (int)n, info->citation, info->citation[n] ? "..." : "");
  ogv_text_addf(t, "<text x='%d' y='%d' font-size='11'>", LEFT, HEIGHT - 30);
  add_escaped(t, cut);
  ogv_text_addf(t, "</text>\n<text x='%d' y='%d' font-size='11'>chart ", LEFT, HEIGHT - 14);
  add_escaped(t, info->id);
  ogv_text_addf(t, ", %s</text>\n</svg>\n", info->status);
}

static void add_mark(ogv_text *t, const frame *f, const ogv_chart_mark *m) {
  char x[OGV_CHART_X_TEXT];
  ogv_text_addf(t, "<circle class='point' cx='%.1f' cy='%.1f' r='5'><title>", px(f, m->x), py(f, m->value));
  add_escaped(t, ogv_chart_x_text(f->c, m->x, x));
  ogv_text_addf(t, ", %.6g ", m->value);
  add_escaped(t, ogv_chart_about(f->c)->unit);
  ogv_text_add(t, "</title></circle>\n");
}

ogv_status ogv_chart_svg(const ogv_chart *c, const double *z, int n, const ogv_chart_mark *marks, size_t n_marks,
                         char **svg, ogv_error *err) {
  const ogv_chart_info *info = ogv_chart_about(c);
  frame f = {.c = c, .x_low = info->x_low, .x_high = info->x_high};
  *svg = NULL;
  OGV_TRY(fit(&f, z, n, marks, n_marks, err));
  ogv_text t;
  ogv_text_init(&t, 4u << 20);
  head(&t, info);
  axis_x(&t, &f);
  axis_y(&t, &f);
  ogv_status s = OGV_OK;
  double label_y = HEIGHT;
  for (int j = 0; s == OGV_OK && j < n; j++) s = curve(&t, &f, z[j], &label_y, err);
  for (size_t i = 0; s == OGV_OK && i < n_marks; i++) add_mark(&t, &f, &marks[i]);
  foot(&t, info);
  if (s == OGV_OK) {
    *svg = ogv_text_take(&t);
    if (!*svg) s = ogv_fail(err, OGV_E_MEMORY, NULL, "the picture of %s is too large", info->id);
  }
  ogv_text_free(&t);
  return s;
}

int ogv_chart_usual_curves(const ogv_chart *c, double z[OGV_CHART_CURVES]) {
  static const double wide[] = {-1.880793608151251, -1.281551565544600, 0, 1.281551565544600, 1.880793608151251};
  static const double narrow[] = {-1.6448536269514722, 0, 1.6448536269514722};
  const ogv_chart_info *f = ogv_chart_about(c);
  bool is_narrow = f->z_limit < 1.88;
  int n = is_narrow ? 3 : 5, kept = 0;
  for (int i = 0; i < n; i++) {
    double v, d = is_narrow ? narrow[i] : wide[i];
    if (ogv_chart_at_z(c, f->x_low, d, &v, NULL) == OGV_OK) z[kept++] = d;
  }
  return kept;
}
