/* Head and abdomen are found alike: a rough ellipse from the first network's map, then the outline refiner. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/auto_shape.h"

/* What each network's ellipse weighs in the final one. Chosen on out-of-fold readings. */
typedef struct shares {
  double maps, outline, fine, frame;
} shares;
static const shares share[2] = {{0.05, 0.35, 0.35, 0.25}, {0.45, 0.275, 0, 0.275}};

/* Left to themselves the networks make long heads too large and round ones too small, and people draw the outline a
 * little further out on pictures of large pixels. Both axes are put right by one factor, linear in width over length
 * and in the logarithms of circumference and pixel size, each held within what the open set shows; fitted on
 * out-of-fold readings (training/calibrate.py). */
static const double head_shape[4] = {
#include "private/auto_head_shape.inc"
};
static double within(double low, double v, double high) { return fmin(high, fmax(low, v)); }
static double head_factor(const auto_ellipse *e, double mm) {
  double f = 1 + head_shape[0] + head_shape[1] * (within(0.65, e->b / e->a, 0.95) - 0.787);
  if (mm > 0)
    f += head_shape[2] * log(within(60, auto_ellipse_perimeter(e) * mm, 350) / 175) +
         head_shape[3] * log(within(0.12, mm, 0.55) / 0.26);
  return f;
}

static auto_ellipse stretched(const auto_ellipse *e, double by) {
  return (auto_ellipse){e->cx, e->cy, e->a * by, e->b * by, e->theta};
}

/* A published circumference is that of an annotated ellipse, not of the curve; the curve's length predicts it better
 * all the same, so the ellipses of the two unrolled views are scaled to their curves' lengths. */
static auto_ellipse together(const auto_ellipse *first, const auto_outline *o, int channel, double mm) {
  const shares s = share[channel];
  const auto_ellipse outline = channel ? o->ellipse : stretched(&o->ellipse, o->stretch);
  auto_ellipse e = auto_ellipse_mean(first, &outline, s.outline / (s.maps + s.outline));
  e = auto_ellipse_mean(&e, &o->framed.ellipse, s.frame / (s.maps + s.outline + s.frame));
  if (channel) return e;
  const auto_ellipse fine = stretched(&o->fine, o->fine_stretch);
  e = auto_ellipse_mean(&e, &fine, s.fine);
  return stretched(&e, head_factor(&e, mm));
}

/* Relative spread of the refining networks' circumferences. */
static double disagreement(const auto_outline *o, int channel) {
  const double p[3] = {auto_ellipse_perimeter(&o->ellipse), auto_ellipse_perimeter(&o->framed.ellipse),
                       channel ? 0 : auto_ellipse_perimeter(&o->fine)};
  const int n = channel ? 2 : 3;
  double mean = 0, sum = 0;
  for (int i = 0; i < n; i++) mean += p[i] / n;
  for (int i = 0; i < n; i++) sum += (p[i] - mean) * (p[i] - mean) / n;
  return sqrt(sum) / mean;
}

/* A head whose circumference is not known to this, either way, with 95 % is refused however sure its outline is: sides
 * of the skull that are not seen at all (our own choice, made on the out-of-fold readings). */
static const double head_within_mm = 12;

/* Whether all within 0.6 of the ellipse is one grey, to three steps of 256: a drawn ring, not tissue. The 803 open
 * heads differ there by 41 steps at least. */
static bool blank_inside(const auto_canvas *c, const auto_ellipse *e) {
  enum { SIDE = 48 };
  const double cs = cos(e->theta), sn = sin(e->theta);
  double low = 1, high = 0;
  for (int j = 0; j < SIDE; j++)
    for (int i = 0; i < SIDE; i++) {
      const double x = 2 * (i + 0.5) / SIDE - 1, y = 2 * (j + 0.5) / SIDE - 1;
      if (hypot(x, y) > 1) continue;
      const double u = 0.6 * e->a * x, v = 0.6 * e->b * y;
      const double grey = (double)auto_canvas_at(c, e->cx + cs * u - sn * v, e->cy + sn * u + cs * v);
      low = fmin(low, grey);
      high = fmax(high, grey);
    }
  return high - low < 3.0 / 255;
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
                              auto_ellipse *e, auto_framed *framed, double *sd_relative, bool *found, ogv_error *err) {
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
  if (auto_outline_refine(r, c, &first, channel, &o, &odd) != OGV_OK) {
    if (odd.code && odd.code != OGV_E_RANGE) {
      if (err) *err = odd;
      return odd.code;
    }
    *found = false;
    auto_reading_refuse(out, "the outline of the %s could not be followed; click inside it and try again", name);
    return OGV_OK;
  }
  *framed = o.framed;
  const double around = auto_ellipse_perimeter(&o.ellipse), around_first = auto_ellipse_perimeter(&first);
  *e = together(&first, &o, channel, c->mm);
  out->feature[0] = (o.log_scale + o.framed.log_scale) / 2;
  out->feature[1] = log(disagreement(&o, channel) + 1e-3);
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
    auto_reading_refuse(out, "the plane looks like %s, not %s", ogv_plane_word(out->plane), name);
  if (blank_inside(c, e))
    auto_reading_refuse(out, "there is nothing inside the outline of the %s: this is no picture of tissue", name);
  if (o.outside > 0.25)
    auto_reading_refuse(out, "%.0f %% of the outline of the %s lies outside the picture", 100 * o.outside, name);
  const double within_mm = 1.96 * *sd_relative * auto_ellipse_perimeter(e) * c->mm;
  if (out->kind == OGV_PLANE_HEAD && within_mm > head_within_mm)
    auto_reading_refuse(out,
                        "the circumference of the head is only known to +-%.0f mm: part of the skull is not seen; "
                        "measure it by hand or take another picture",
                        within_mm);
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
