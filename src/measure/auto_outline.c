/* The outline refiner: the picture is unrolled along a rough ellipse, the second network says on every ray where the
 * outline is and how far that can be trusted, and an ellipse is fitted to the places found. Three rounds, the last one
 * with a mirrored view as well. training/refine_net.py is the other half of this file. */
#include <math.h>
#include <string.h>

#include "private/auto_shape.h"

enum { COLUMNS = AUTO_RAYS + 2 * AUTO_WRAP };

static void ray(const auto_ellipse *e, int column, int mirror, double *vx, double *vy) {
  double ph = (column - AUTO_WRAP + 0.5) * (2 * M_PI / AUTO_RAYS) * mirror, c = cos(e->theta), s = sin(e->theta);
  double x = e->a * cos(ph), y = e->b * sin(ph);
  *vx = c * x - s * y;
  *vy = s * x + c * y;
}

static double rho(int row) { return 0.5 + row / (double)(AUTO_RHO - 1); }

static void unroll(const auto_canvas *c, const auto_ellipse *e, int mirror, int kind, float *in) {
  for (int col = 0; col < COLUMNS; col++) {
    double vx, vy;
    ray(e, col, mirror, &vx, &vy);
    for (int row = 0; row < AUTO_RHO; row++) {
      double x = e->cx + rho(row) * vx, y = e->cy + rho(row) * vy;
      bool inside = x > 0 && y > 0 && x < c->w && y < c->h;
      float *p = in + 3 * ((long)row * COLUMNS + col);
      p[0] = inside ? auto_canvas_at(c, x, y) : 0;
      p[1] = inside;
      p[2] = (float)kind;
    }
  }
}

/* Places and trusts of one view into xy (AUTO_RAYS pairs) and w. */
static void decode(const ogv_net_view *o, const auto_ellipse *e, int mirror, double *xy, double *w) {
  for (int k = 0; k < AUTO_RAYS; k++) {
    const float *z = o->data + (long)(k + AUTO_WRAP) * o->channels;
    const long step = (long)o->width * o->channels;
    double top = -1e30, sum = 0, place = 0, trust = 0;
    for (int r = 0; r < AUTO_RHO; r++) top = fmax(top, (double)z[r * step]);
    for (int r = 0; r < AUTO_RHO; r++) {
      double p = exp((double)z[r * step] - top);
      sum += p;
      place += p * rho(r);
      trust += (double)z[r * step + 1];
    }
    double vx, vy;
    ray(e, k + AUTO_WRAP, mirror, &vx, &vy);
    xy[2 * k] = e->cx + place / sum * vx;
    xy[2 * k + 1] = e->cy + place / sum * vy;
    w[k] = 1 / (1 + exp(-trust / AUTO_RHO)) + 1e-3;
  }
}

static double low_mean(const double *w, int n, int lowest) {
  double best = 0;
  bool used[2 * AUTO_RAYS] = {false};
  for (int k = 0; k < lowest; k++) {
    int at = -1;
    for (int i = 0; i < n; i++)
      if (!used[i] && (at < 0 || w[i] < w[at])) at = i;
    used[at] = true;
    best += w[at];
  }
  return best / lowest;
}

static double part_outside(const auto_canvas *c, const auto_ellipse *e) {
  int out = 0;
  for (int k = 0; k < 180; k++) {
    double t = M_PI * k / 90, cs = cos(e->theta), sn = sin(e->theta), x = e->a * cos(t), y = e->b * sin(t);
    double px = e->cx + cs * x - sn * y, py = e->cy + sn * x + cs * y;
    if (px < 0 || py < 0 || px > c->w || py > c->h) out++;
  }
  return out / 180.0;
}

ogv_status auto_outline_refine(ogv_net_plan *plan, const auto_canvas *c, const auto_ellipse *start, int kind,
                               auto_outline *out, ogv_error *err) {
  auto_ellipse e = *start;
  double xy[4 * AUTO_RAYS], w[2 * AUTO_RAYS], around[2] = {0, 0};
  *out = (auto_outline){.ellipse = e, .log_scale = 0, .is_logit = 0};
  for (int round = 0; round < 3; round++) {
    const int views = round == 2 ? 2 : 1;
    out->log_scale = out->is_logit = 0;
    for (int v = 0; v < views; v++) {
      const int mirror = v ? -1 : 1;
      ogv_net_view o, g;
      auto_ellipse one;
      unroll(c, &e, mirror, kind, ogv_net_plan_input(plan));
      OGV_TRY(ogv_net_plan_run(plan, err));
      OGV_TRY(ogv_net_plan_output(plan, 0, &o, err));
      OGV_TRY(ogv_net_plan_output(plan, 1, &g, err));
      decode(&o, &e, mirror, xy + 2 * AUTO_RAYS * v, w + AUTO_RAYS * v);
      out->log_scale += (double)g.data[0] / views;
      out->is_logit += (double)g.data[1] / views;
      if (!auto_ellipse_fit(xy + 2 * AUTO_RAYS * v, w + AUTO_RAYS * v, AUTO_RAYS, &one))
        return ogv_fail(err, OGV_E_RANGE, NULL, "the outline found is no ellipse");
      around[v] = auto_ellipse_perimeter(&one);
    }
    const size_t n = (size_t)(AUTO_RAYS * views);
    if (!auto_ellipse_fit(xy, w, n, &e)) return ogv_fail(err, OGV_E_RANGE, NULL, "the outline found is no ellipse");
    double sum = 0, total = 0;
    for (size_t i = 0; i < n; i++) {
      double d = auto_ellipse_distance(&e, xy[2 * i], xy[2 * i + 1]);
      sum += w[i] * d * d;
      total += w[i];
    }
    out->rms = sqrt(sum / total);
    out->trust_mean = total / (double)n;
  }
  out->ellipse = e;
  out->stretch = auto_curve_stretch(&e, xy, w, sizeof w / sizeof *w);
  out->trust_low = low_mean(w, AUTO_RAYS, 32);
  out->mirror = fabs(around[0] - around[1]) / auto_ellipse_perimeter(&e);
  out->outside = part_outside(c, &e);
  return OGV_OK;
}
