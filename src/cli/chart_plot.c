/* `ogive chart plot`: the centile curves of one chart as an SVG picture, with points on it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"
#include "core_file.h"
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
  ogv_text_addf(t, "<text x='%d' y='%d' text-anchor='middle'>%s, %s</text>\n", (LEFT + WIDTH - RIGHT) / 2, bottom + 42,
                i->x_name, in_weeks(f->c) ? "weeks" : i->x_unit);
}

static void axis_y(ogv_text *t, const frame *f) {
  double step = nice_step(f->y_high - f->y_low, 8);
  for (double v = ceil(f->y_low / step - 1e-9) * step; v <= f->y_high + 1e-9 * step; v += step) {
    double y = py(f, v);
    ogv_text_addf(t, "<path class='grid' d='M%d %.1f H%d'/><text x='%d' y='%.1f' text-anchor='end'>%.6g</text>\n", LEFT,
                  y, WIDTH - RIGHT, LEFT - 8, y + 4, fabs(v) < 1e-9 * step ? 0 : v);
  }
  const char *unit = ogv_chart_about(f->c)->unit;
  ogv_text_addf(t, "<text x='%d' y='%d' text-anchor='end'>%s</text>\n", LEFT - 8, TOP - 14,
                strcmp(unit, "1") ? unit : "ratio");
}

/* The label of a curve stands at its right end, but not nearer than a line to the label of the curve below it. */
static bool curve(ogv_text *t, const frame *f, double z, double *label_y, ogv_error *err) {
  enum { STEPS = 180, LINE = 13 };
  double last = 0;
  ogv_text_addf(t, "<path class='%s' d='", fabs(z) < 1e-9 ? "middle" : "curve");
  for (int i = 0; i <= STEPS; i++) {
    double x = f->x_low + (f->x_high - f->x_low) * i / STEPS;
    if (ogv_chart_at_z(f->c, x, z, &last, err) != OGV_OK) return false;
    ogv_text_addf(t, "%c%.1f %.1f", i ? 'L' : 'M', px(f, x), py(f, last));
  }
  double p = round(1e4 * 100 * ogv_normal_cdf(z)) / 1e4;
  *label_y = fmin(py(f, last) + 4, *label_y - LINE);
  ogv_text_addf(t, "'/><text class='label' x='%d' y='%.1f'>%.4g %%</text>\n", WIDTH - RIGHT + 6, *label_y, p);
  return true;
}

/* "20w3d:172" */
static ogv_status point_read(const ogv_chart *c, const char *text, const chart_options *o, double *x, double *y,
                             ogv_error *err) {
  char age[64];
  const char *colon = strrchr(text, ':');
  if (!colon || (size_t)(colon - text) >= sizeof age)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a point is written AGE:VALUE, not \"%.60s\"", text);
  snprintf(age, sizeof age, "%.*s", (int)(colon - text), text);
  OGV_TRY(ogv_cli_chart_read_x(c, age, o->x_unit, x, err));
  OGV_TRY(ogv_cli_chart_read_value(c, ogv_cli_chart_quantity(c, o), colon + 1, y, err));
  ogv_chart_value v;
  return ogv_chart_eval(c, *x, *y, &v, err);
}

/* Lowest and highest value of the curves and points, a little widened. */
static ogv_status fit(frame *f, const double *z, int n, const double *point_y, size_t n_points, ogv_error *err) {
  f->y_low = INFINITY;
  f->y_high = -INFINITY;
  for (int i = 0; i <= 60; i++)
    for (int j = 0; j < n; j++) {
      double v;
      OGV_TRY(ogv_chart_at_z(f->c, f->x_low + (f->x_high - f->x_low) * i / 60, z[j], &v, err));
      f->y_low = fmin(f->y_low, v);
      f->y_high = fmax(f->y_high, v);
    }
  for (size_t i = 0; i < n_points; i++) {
    f->y_low = fmin(f->y_low, point_y[i]);
    f->y_high = fmax(f->y_high, point_y[i]);
  }
  double margin = fmax((f->y_high - f->y_low) * 0.04, 1e-9);
  f->y_low -= margin;
  f->y_high += margin;
  return OGV_OK;
}

static ogv_status draw(ogv_text *t, frame *f, const chart_options *o, const double *z, int n, ogv_error *err) {
  double x[OGV_ARG_LIST], y[OGV_ARG_LIST];
  for (size_t i = 0; i < o->points.n; i++) OGV_TRY(point_read(f->c, o->points.value[i], o, &x[i], &y[i], err));
  OGV_TRY(fit(f, z, n, y, o->points.n, err));
  const ogv_chart_info *info = ogv_chart_about(f->c);
  ogv_text_addf(t,
                "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 %d %d' font-family='sans-serif' font-size='13'>\n"
                "<style>.grid{stroke:#ddd;fill:none}.curve{stroke:#555;fill:none;stroke-width:1.2}"
                ".middle{stroke:#000;fill:none;stroke-width:2.2}.label{font-size:12px}.point{fill:#d55e00;stroke:#000}"
                "</style>\n<rect width='%d' height='%d' fill='#fff'/>\n<text x='%d' y='24' font-size='17'>",
                WIDTH, HEIGHT, WIDTH, HEIGHT, LEFT);
  add_escaped(t, info->title);
  ogv_text_add(t, "</text>\n");
  axis_x(t, f);
  axis_y(t, f);
  double label_y = HEIGHT;
  for (int j = 0; j < n; j++)
    if (!curve(t, f, z[j], &label_y, err)) return err->code;
  for (size_t i = 0; i < o->points.n; i++) {
    char text[OGV_CHART_X_TEXT];
    ogv_text_addf(t, "<circle class='point' cx='%.1f' cy='%.1f' r='5'><title>%s, %.6g %s</title></circle>\n",
                  px(f, x[i]), py(f, y[i]), ogv_chart_x_text(f->c, x[i], text), y[i], info->unit);
  }
  char cut[140];
  snprintf(cut, sizeof cut, "%.120s%s", info->citation, strlen(info->citation) > 120 ? "..." : "");
  ogv_text_addf(t, "<text x='%d' y='%d' font-size='11'>", LEFT, HEIGHT - 30);
  add_escaped(t, cut);
  ogv_text_addf(t, "</text>\n<text x='%d' y='%d' font-size='11'>chart %s, %s</text>\n</svg>\n", LEFT, HEIGHT - 14,
                info->id, info->status);
  return OGV_OK;
}

int ogv_cli_chart_run_plot(const chart_options *o) {
  static const double usual[] = {-1.880793608151251, -1.281551565544600, 0, 1.281551565544600, 1.880793608151251};
  static const double narrow[] = {-1.6448536269514722, 0, 1.6448536269514722}, middle[] = {0};
  ogv_error e;
  frame f = {0};
  if (o->n_words != 2) return ogv_cli_usage(&ogv_cmd_chart, "plot wants one chart");
  if (ogv_cli_chart_pick(o->words[1], o->unverified, &f.c, &e) != OGV_OK) return ogv_cli_fail("chart", &e, o->json);
  const ogv_chart_info *info = ogv_chart_about(f.c);
  const double *z = o->n_deviates                    ? o->deviates
                    : !strcmp(info->model, "median") ? middle
                    : info->z_limit < 1.88           ? narrow
                                                     : usual;
  int n = o->n_deviates ? o->n_deviates : z == middle ? 1 : z == narrow ? 3 : 5;
  f.x_low = info->x_low;
  f.x_high = info->x_high;
  ogv_text t;
  ogv_text_init(&t, 4u << 20);
  ogv_status s = draw(&t, &f, o, z, n, &e);
  if (s == OGV_OK && t.failed) s = ogv_fail(&e, OGV_E_MEMORY, NULL, "the picture is too large");
  if (s == OGV_OK && o->out) s = ogv_file_write(o->out, t.data, t.length, &e);
  if (s == OGV_OK && !o->out && (fwrite(t.data, 1, t.length, stdout) != t.length || fflush(stdout)))
    s = ogv_fail(&e, OGV_E_IO, NULL, "the picture could not be written");
  ogv_text_free(&t);
  return s == OGV_OK ? 0 : ogv_cli_fail("chart", &e, o->json);
}
