/* Head and abdomen are found alike: a rough ellipse from the first network's map, then the outline refiner. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/auto_shape.h"

/* How much of the final ellipse comes from the refiner; the rest is the first network's. Chosen by cross-validation. */
static const double refined_share[2] = {0.9, 0.5};

/* Left to themselves the networks make long heads too large and round ones too small, by about 0.05 for a unit of width
 * over length. Both axes are put right by the same factor; fitted on out-of-fold readings (training/calibrate.py). */
static const double head_shape[3] = {
#include "private/auto_head_shape.inc"
};
static double head_factor(const auto_ellipse *e) {
  return 1 + head_shape[0] + head_shape[1] * (fmin(0.95, fmax(0.65, e->b / e->a)) - head_shape[2]);
}

static ogv_plane likeliest(const double p[OGV_PLANES]) {
  int best = 0;
  for (int k = 1; k < OGV_PLANES; k++)
    if (p[k] > p[best]) best = k;
  return (ogv_plane)best;
}

/* The first network's ellipse, seen straight and mirrored; *spread is the relative difference of the two. */
static ogv_status rough(ogv_reader *r, const auto_canvas *c, const ogv_still *s, int channel, ogv_reading *out,
                        auto_ellipse *e, double *residual, double *coverage, bool *found, ogv_error *err) {
  auto_letter l;
  auto_map maps[4];
  OGV_TRY(auto_reader_maps(r, c, false, &l, maps, out->plane_p, err));
  out->plane = likeliest(out->plane_p);
  *found = auto_reader_ellipse(r, &maps[channel], &l, c, s, e, residual, coverage);
  return OGV_OK;
}

ogv_status auto_round_measure(ogv_reader *r, const auto_canvas *c, const ogv_still *s, ogv_reading *out,
                              auto_ellipse *e, double *sd_relative, bool *found, ogv_error *err) {
  const int channel = out->kind == OGV_PLANE_HEAD ? 0 : 1;
  const char *name = ogv_plane_word(out->kind);
  auto_ellipse first;
  auto_outline o;
  double residual = 9, coverage = 0;
  OGV_TRY(rough(r, c, s, channel, out, &first, &residual, &coverage, found, err));
  if (!*found) {
    auto_reading_refuse(out, "no %s was found on this picture; click inside it and try again", name);
    return OGV_OK;
  }
  ogv_error odd = {0};
  if (auto_outline_refine(r->outline, c, &first, channel, &o, &odd) != OGV_OK || !(o.ellipse.b > 4) ||
      o.ellipse.a > 3 * AUTO_CANVAS_W || o.ellipse.a > 2.5 * o.ellipse.b) {
    if (odd.code && odd.code != OGV_E_RANGE) {
      if (err) *err = odd;
      return odd.code;
    }
    *found = false;
    auto_reading_refuse(out, "the outline of the %s could not be followed; click inside it and try again", name);
    return OGV_OK;
  }
  const double around = auto_ellipse_perimeter(&o.ellipse), around_first = auto_ellipse_perimeter(&first);
  auto_ellipse refined = o.ellipse;
  if (out->kind == OGV_PLANE_HEAD) { /* a published circumference is that of an annotated ellipse, not of the curve; the
                                        curve's length predicts it better all the same */
    refined.a *= o.stretch;
    refined.b *= o.stretch;
  }
  *e = auto_ellipse_mean(&first, &refined, refined_share[channel]);
  if (out->kind == OGV_PLANE_HEAD) {
    const double f = head_factor(e);
    e->a *= f;
    e->b *= f;
  }
  out->feature[0] = o.log_scale;
  out->feature[1] = log(o.mirror + 1e-3);
  out->feature[2] = log(fabs(around - around_first) / around + 2e-3);
  out->feature[3] = log(o.rms / around + 1e-4);
  out->feature[4] = o.is_logit;
  out->feature[5] = o.trust_mean;
  out->feature[6] = log(out->plane_p[out->kind] + 1e-4);
  out->feature[7] = o.outside;
  *sd_relative = auto_confidence_sd(out->kind, out->feature);
  out->acceptance = auto_confidence_accept(out->kind, out->feature);
  auto_reading_ellipse(out, c, e);
  auto_reading_quality(out, 2 * e->a, c->w, o.outside < 0.01);
  if (out->plane_p[out->kind] < 0.15 && isnan(s->prompt_x))
    auto_reading_refuse(out, "this looks like a %s plane, not a %s plane", ogv_plane_word(out->plane), name);
  if (o.outside > 0.25)
    auto_reading_refuse(out, "%.0f %% of the outline of the %s lies outside the picture", 100 * o.outside, name);
  if (out->acceptance < auto_confidence_threshold(out->kind)) {
    if (o.outside > 0.05)
      auto_reading_refuse(out,
                          "%.0f %% of the outline of the %s lies outside the picture, and the rest is not sure enough",
                          100 * o.outside, name);
    else
      auto_reading_refuse(out, "not sure enough of the outline of the %s (%.0f %% sure)", name, 100 * out->acceptance);
  }
  return OGV_OK;
}
