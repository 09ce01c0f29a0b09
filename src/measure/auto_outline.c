/* Refining a rough ellipse of a head or an abdomen. The first network looks at the unrolled picture, its ellipse is the
 * start of a second look of its own, straight and mirrored, and of one look each of two networks that see it in another
 * way: finer around the outline (heads), and the whole of it in a frame. They err differently, so that their mean is
 * better than each (docs/second-reader.md). */
#include <math.h>
#include <string.h>

#include "private/auto_shape.h"

static ogv_status not_round(ogv_error *err) {
  return ogv_fail(err, OGV_E_RANGE, NULL, "the outline found is no ellipse");
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

/* A view's ellipse; false when it is not one that a head or an abdomen could have. */
static bool fit(const double *xy, const double *w, size_t n, auto_ellipse *e) {
  return auto_ellipse_fit(xy, w, n, e) && e->b > 4 && e->a <= 3 * AUTO_CANVAS_W && e->a <= 2.5 * e->b;
}

/* The first network's second look, straight and mirrored, from e. */
static ogv_status both_ways(ogv_reader *r, const auto_canvas *c, const auto_ellipse *e, int kind, auto_outline *out,
                            ogv_error *err) {
  double xy[4 * AUTO_RAYS], w[2 * AUTO_RAYS];
  out->log_scale = out->is_logit = 0;
  for (int v = 0; v < 2; v++) {
    auto_view one;
    OGV_TRY(auto_polar_view(r->outline, &auto_polar_outline, c, e, v ? -1 : 1, kind, &one, err));
    memcpy(xy + 2 * AUTO_RAYS * v, one.xy, 2 * AUTO_RAYS * sizeof *xy);
    memcpy(w + AUTO_RAYS * v, one.w, AUTO_RAYS * sizeof *w);
    out->log_scale += one.log_scale / 2;
    out->is_logit += one.is_logit / 2;
  }
  const size_t n = sizeof w / sizeof *w;
  if (!fit(xy, w, n, &out->ellipse)) return not_round(err);
  double sum = 0, total = 0;
  for (size_t i = 0; i < n; i++) {
    double d = auto_ellipse_distance(&out->ellipse, xy[2 * i], xy[2 * i + 1]);
    sum += w[i] * d * d;
    total += w[i];
  }
  out->rms = sqrt(sum / total);
  out->trust_mean = total / (double)n;
  out->stretch = auto_curve_stretch(&out->ellipse, xy, w, n);
  return OGV_OK;
}

ogv_status auto_outline_refine(ogv_reader *r, const auto_canvas *c, const auto_ellipse *start, int kind,
                               auto_outline *out, ogv_error *err) {
  auto_view one;
  auto_ellipse e;
  *out = (auto_outline){.fine_stretch = 1};
  OGV_TRY(auto_polar_view(r->outline, &auto_polar_outline, c, start, 1, kind, &one, err));
  if (!fit(one.xy, one.w, AUTO_RAYS, &e)) return not_round(err);
  OGV_TRY(both_ways(r, c, &e, kind, out, err));
  OGV_TRY(auto_frame_view(r->frame, c, &e, kind, &out->framed, err));
  if (kind == 0) {
    OGV_TRY(auto_polar_view(r->fine, &auto_polar_fine, c, &e, 1, kind, &one, err));
    if (!fit(one.xy, one.w, AUTO_FINE_RAYS, &out->fine)) return not_round(err);
    out->fine_stretch = auto_curve_stretch(&out->fine, one.xy, one.w, AUTO_FINE_RAYS);
  }
  out->outside = part_outside(c, &out->ellipse);
  return OGV_OK;
}
