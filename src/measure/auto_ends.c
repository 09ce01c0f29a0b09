/* The refiner of bone ends: the picture is straightened along a rough bone, the third network says where each end is,
 * and that is done three times, each time read from the left and from the right. training/train_ends.py is the other
 * half. */
#include <math.h>

#include "private/auto_shape.h"

static double along(int column) { return -0.35 + (column + 0.5) / AUTO_STRIP_W * 1.7; }
static double across(int row) { return (row + 0.5) / AUTO_STRIP_H * 0.3 - 0.15; }

/* The straightened strip starts at end `from`; rows always run the same way across the bone. */
typedef struct strip {
  double ax, ay, vx, vy, nx, ny;
} strip;

static strip strip_of(const double x[2], const double y[2], int from) {
  strip s = {x[from], y[from], x[1 - from] - x[from], y[1 - from] - y[from], 0, 0};
  const double side = from ? -1 : 1;
  s.nx = -s.vy * side;
  s.ny = s.vx * side;
  return s;
}

static void straighten(const auto_canvas *c, const strip *s, float *in) {
  for (int r = 0; r < AUTO_STRIP_H; r++)
    for (int k = 0; k < AUTO_STRIP_W; k++) {
      double x = s->ax + along(k) * s->vx + across(r) * s->nx, y = s->ay + along(k) * s->vy + across(r) * s->ny;
      auto_canvas_look(c, x, y, in + 2 * ((long)r * AUTO_STRIP_W + k));
    }
}

static void decode(const ogv_net_view *o, int channel, const strip *s, double *x, double *y) {
  double top = -1e30, sum = 0, t = 0, a = 0;
  for (long i = 0; i < (long)o->width * o->height; i++) top = fmax(top, (double)o->data[i * o->channels + channel]);
  for (int r = 0; r < o->height; r++)
    for (int k = 0; k < o->width; k++) {
      double p = exp((double)o->data[((long)r * o->width + k) * o->channels + channel] - top);
      sum += p;
      t += p * along(k);
      a += p * across(r);
    }
  t /= sum;
  a /= sum;
  *x = s->ax + t * s->vx + a * s->nx;
  *y = s->ay + t * s->vy + a * s->ny;
}

ogv_status auto_ends_refine(ogv_net_plan *plan, const auto_canvas *c, const double x[2], const double y[2],
                            auto_ends *out, ogv_error *err) {
  *out = (auto_ends){{x[0], x[1]}, {y[0], y[1]}, 0, 0, 0};
  for (int round = 0; round < 3; round++) {
    double vx[2][2], vy[2][2];
    out->log_scale = out->is_logit = 0;
    for (int from = 0; from < 2; from++) {
      const strip s = strip_of(out->x, out->y, from);
      ogv_net_view o, g;
      straighten(c, &s, ogv_net_plan_input(plan));
      OGV_TRY(ogv_net_plan_run(plan, err));
      OGV_TRY(ogv_net_plan_output(plan, 0, &o, err));
      OGV_TRY(ogv_net_plan_output(plan, 1, &g, err));
      for (int k = 0; k < 2; k++) decode(&o, from ? 1 - k : k, &s, &vx[from][k], &vy[from][k]);
      out->log_scale += (double)g.data[0] / 2;
      out->is_logit += (double)g.data[1] / 2;
    }
    const double length = hypot(vx[0][1] - vx[0][0], vy[0][1] - vy[0][0]);
    out->mirror = 0;
    for (int k = 0; k < 2; k++) {
      out->mirror += hypot(vx[0][k] - vx[1][k], vy[0][k] - vy[1][k]) / fmax(length, 1);
      out->x[k] = (vx[0][k] + vx[1][k]) / 2;
      out->y[k] = (vy[0][k] + vy[1][k]) / 2;
    }
  }
  return OGV_OK;
}
