/* The picture around a rough ellipse, stretched so that the ellipse is a circle of radius 1 in a square of -1.5 to 1.5.
 * The network sees the whole of it and gives the outline as five harmonics, and where the spine lies on an abdomen.
 * training/round_net.py is the other half. */
#include <math.h>

#include "private/auto_shape.h"

static const double half = 1.5;

static void fill(const auto_canvas *c, const auto_ellipse *e, int kind, float *in) {
  const double cs = cos(e->theta), sn = sin(e->theta);
  for (int row = 0; row < AUTO_FRAME; row++)
    for (int col = 0; col < AUTO_FRAME; col++) {
      const double fx = ((col + 0.5) / AUTO_FRAME * 2 - 1) * half, fy = ((row + 0.5) / AUTO_FRAME * 2 - 1) * half;
      const double u = e->a * fx, v = e->b * fy;
      const double x = e->cx + cs * u - sn * v, y = e->cy + sn * u + cs * v;
      float *p = in + 5 * ((long)row * AUTO_FRAME + col);
      auto_canvas_look(c, x, y, p);
      p[2] = (float)fx;
      p[3] = (float)fy;
      p[4] = (float)kind;
    }
}

/* The circle with radius h0 + h1 cos + h2 sin + h3 cos 2 + h4 sin 2, to first order an ellipse, on the canvas. */
static auto_ellipse from_harmonics(const auto_ellipse *e, const double h[5]) {
  const double cs = cos(e->theta), sn = sin(e->theta), dx = e->a * h[1], dy = e->b * h[2];
  const double q = hypot(h[3], h[4]), t = 0.5 * atan2(h[4], h[3]), ct = cos(t), st = sin(t);
  /* columns of the matrix that takes the unit circle to the new ellipse */
  const double m00 = e->a * ct * (h[0] + q), m10 = e->b * st * (h[0] + q), m01 = -e->a * st * (h[0] - q),
               m11 = e->b * ct * (h[0] - q);
  const double xx = m00 * m00 + m01 * m01, yy = m10 * m10 + m11 * m11, xy = m00 * m10 + m01 * m11;
  const double mean = (xx + yy) / 2, spread = hypot((xx - yy) / 2, xy);
  return (auto_ellipse){e->cx + cs * dx - sn * dy, e->cy + sn * dx + cs * dy, sqrt(mean + spread),
                        sqrt(fmax(0, mean - spread)), e->theta + 0.5 * atan2(2 * xy, xx - yy)};
}

ogv_status auto_frame_view(ogv_net_plan *plan, const auto_canvas *c, const auto_ellipse *e, int kind, auto_framed *out,
                           ogv_error *err) {
  ogv_net_view o;
  fill(c, e, kind, ogv_net_plan_input(plan));
  OGV_TRY(ogv_net_plan_run(plan, err));
  OGV_TRY(ogv_net_plan_output(plan, 0, &o, err));
  const float *z = o.data + ((long)(o.height / 2) * o.width + o.width / 2) * o.channels;
  const double h[5] = {1 + 0.1 * (double)z[0], 0.1 * (double)z[1], 0.1 * (double)z[2], 0.1 * (double)z[3],
                       0.1 * (double)z[4]};
  const double sx = (double)z[6], sy = (double)z[7], cs = cos(e->theta), sn = sin(e->theta);
  out->ellipse = from_harmonics(e, h);
  out->log_scale = (double)z[5];
  out->spine_trust = hypot(sx, sy);
  const double u = e->a * sx, v = e->b * sy, x = cs * u - sn * v, y = sn * u + cs * v, n = hypot(x, y) + 1e-12;
  out->spine_x = x / n;
  out->spine_y = y / n;
  return OGV_OK;
}
