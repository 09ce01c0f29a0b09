/* The picture unrolled along a rough ellipse, and the network's answer brought back: a place and a trust on every ray.
 * training/round_net.py is the other half. */
#include <math.h>

#include "private/auto_shape.h"

const auto_polar auto_polar_outline = {96, AUTO_RAYS, AUTO_RAYS / 8, 0.75, 1.25};
const auto_polar auto_polar_fine = {96, AUTO_FINE_RAYS, AUTO_FINE_RAYS / 8, 0.7, 1.3};

static void ray(const auto_polar *g, const auto_ellipse *e, int column, int mirror, double *vx, double *vy) {
  const double ph = (column - g->wrap + 0.5) * (2 * M_PI / g->rays) * mirror, c = cos(e->theta), s = sin(e->theta);
  const double x = e->a * cos(ph), y = e->b * sin(ph);
  *vx = c * x - s * y;
  *vy = s * x + c * y;
}

static double rho(const auto_polar *g, int row) { return g->r0 + (g->r1 - g->r0) * row / (g->rows - 1); }

static void unroll(const auto_polar *g, const auto_canvas *c, const auto_ellipse *e, int mirror, int kind, float *in) {
  const int columns = g->rays + 2 * g->wrap;
  for (int col = 0; col < columns; col++) {
    double vx, vy;
    ray(g, e, col, mirror, &vx, &vy);
    for (int row = 0; row < g->rows; row++) {
      const double x = e->cx + rho(g, row) * vx, y = e->cy + rho(g, row) * vy;
      float *p = in + 3 * ((long)row * columns + col);
      auto_canvas_look(c, x, y, p);
      p[2] = (float)kind;
    }
  }
}

static void decode(const auto_polar *g, const ogv_net_view *o, const auto_ellipse *e, int mirror, auto_view *out) {
  for (int k = 0; k < g->rays; k++) {
    const float *z = o->data + (long)(k + g->wrap) * o->channels;
    const long step = (long)o->width * o->channels;
    double top = -1e30, sum = 0, place = 0, trust = 0, vx, vy;
    for (int r = 0; r < g->rows; r++) top = fmax(top, (double)z[r * step]);
    for (int r = 0; r < g->rows; r++) {
      const double p = exp((double)z[r * step] - top);
      sum += p;
      place += p * rho(g, r);
      trust += (double)z[r * step + 1];
    }
    ray(g, e, k + g->wrap, mirror, &vx, &vy);
    out->xy[2 * k] = e->cx + place / sum * vx;
    out->xy[2 * k + 1] = e->cy + place / sum * vy;
    out->w[k] = 1 / (1 + exp(-trust / g->rows)) + 1e-3;
  }
}

ogv_status auto_polar_view(ogv_net_plan *plan, const auto_polar *g, const auto_canvas *c, const auto_ellipse *e,
                           int mirror, int kind, auto_view *out, ogv_error *err) {
  ogv_net_view o, v;
  unroll(g, c, e, mirror, kind, ogv_net_plan_input(plan));
  OGV_TRY(ogv_net_plan_run(plan, err));
  OGV_TRY(ogv_net_plan_output(plan, 0, &o, err));
  OGV_TRY(ogv_net_plan_output(plan, 1, &v, err));
  decode(g, &o, e, mirror, out);
  out->log_scale = (double)v.data[0];
  out->is_logit = (double)v.data[1];
  return OGV_OK;
}
