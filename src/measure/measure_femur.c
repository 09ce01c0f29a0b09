#include "measure_femur.h"

#include <math.h>
#include <stdlib.h>

#include "private/auto_shape.h"

typedef struct bone {
  double x[2], y[2]; /* ends, canvas */
  double peak[2];    /* how clearly each end was seen, 0..1 */
  double mean;       /* mean certainty along the bone */
  double length;     /* canvas units */
} bone;

/* Extremes of a part along its long axis. false when the part is a blob. */
static bool extremes(const auto_map *m, const int *label, const auto_part *p, double ex[2], double ey[2],
                     double *length) {
  double sxx = 0, sxy = 0, syy = 0;
  for (int y = 0; y < m->h; y++)
    for (int x = 0; x < m->w; x++)
      if (label[y * m->w + x] == p->label) {
        sxx += (x - p->cx) * (x - p->cx);
        sxy += (x - p->cx) * (y - p->cy);
        syy += (y - p->cy) * (y - p->cy);
      }
  const double th = 0.5 * atan2(2 * sxy, sxx - syy), c = cos(th), s = sin(th);
  double lo = 1e9, hi = -1e9;
  for (int pass = 0; pass < 2; pass++) {
    double n[2] = {0, 0};
    if (pass) ex[0] = ex[1] = ey[0] = ey[1] = 0;
    for (int y = 0; y < m->h; y++)
      for (int x = 0; x < m->w; x++) {
        if (label[y * m->w + x] != p->label) continue;
        double t = (x - p->cx) * c + (y - p->cy) * s;
        if (!pass) {
          lo = fmin(lo, t);
          hi = fmax(hi, t);
          continue;
        }
        for (int k = 0; k < 2; k++)
          if (fabs(t - (k ? hi : lo)) < 1.5) {
            ex[k] += x;
            ey[k] += y;
            n[k]++;
          }
      }
    for (int k = 0; k < 2 && pass; k++) {
      ex[k] /= n[k];
      ey[k] /= n[k];
    }
  }
  *length = hi - lo;
  return *length > 8 && p->pixels < 0.35 * *length * *length + 30;
}

static double end_probability(const auto_map *m, int x, int y) {
  return 1 / (1 + exp(-(double)m->v[((long)y * m->w + x) * m->stride]));
}

/* Moves an extreme to the nearest peak of the map of ends, to a fraction of a pixel. */
static double settle(const auto_map *m, double reach, double *x, double *y) {
  int bx = -1, by = -1;
  double best = 0.15;
  for (int v = 0; v < m->h; v++)
    for (int u = 0; u < m->w; u++) {
      if (hypot(u - *x, v - *y) >= reach) continue;
      double p = end_probability(m, u, v);
      if (p > best) {
        best = p;
        bx = u;
        by = v;
      }
    }
  if (bx < 0) return 0;
  double sx = 0, sy = 0, sw = 0;
  for (int v = by - 3; v <= by + 3; v++)
    for (int u = bx - 3; u <= bx + 3; u++) {
      if (u < 0 || v < 0 || u >= m->w || v >= m->h || hypot(u - bx, v - by) > 3) continue;
      double p = end_probability(m, u, v);
      sx += p * p * u;
      sy += p * p * v;
      sw += p * p;
    }
  *x = sx / sw;
  *y = sy / sw;
  return best;
}

/* The best bone on the maps: the longest sure one, or the one nearest to the prompt. */
static bool find_bone(ogv_reader *r, const auto_letter *l, const auto_map *region, const auto_map *ends, double px,
                      double py, bone *out) {
  enum { MOST = 64 };
  auto_part parts[MOST];
  int n = auto_map_parts(region, r->label, parts, MOST);
  double best = 0;
  for (int i = 0; i < n; i++) {
    double ex[2], ey[2], length;
    if (parts[i].pixels < 15 || !extremes(region, r->label, &parts[i], ex, ey, &length)) continue;
    bone b = {.mean = parts[i].sum / parts[i].pixels};
    for (int k = 0; k < 2; k++) {
      b.peak[k] = settle(ends, fmax(4, 0.12 * length), &ex[k], &ey[k]);
      b.x[k] = ((ex[k] + 0.5) * 2 - l->tx) / l->scale;
      b.y[k] = ((ey[k] + 0.5) * 2 - l->ty) / l->scale;
    }
    b.length = hypot(b.x[1] - b.x[0], b.y[1] - b.y[0]);
    double score = b.length * b.mean;
    if (!isnan(px)) score = 1 / (1 + fabs((b.x[0] + b.x[1]) / 2 - px) + fabs((b.y[0] + b.y[1]) / 2 - py));
    if (score > best) {
      best = score;
      if (b.x[0] > b.x[1] || (b.x[0] == b.x[1] && b.y[0] > b.y[1])) {
        b = (bone){{b.x[1], b.x[0]}, {b.y[1], b.y[0]}, {b.peak[1], b.peak[0]}, b.mean, b.length};
      }
      *out = b;
    }
  }
  return best > 0;
}

/* Both ends again, begun from ends drawn in by a fifth of the length each: where the bone goes on into its neighbour,
 * or an end lies in a shadow, the search stops elsewhere. *change: |log| of the ratio of the lengths. */
static ogv_status search_again(ogv_reader *r, const auto_canvas *c, const bone *begin, double length, double *change,
                               ogv_error *err) {
  const double dx = 0.2 * (begin->x[1] - begin->x[0]), dy = 0.2 * (begin->y[1] - begin->y[0]);
  const double x[2] = {begin->x[0] + dx, begin->x[1] - dx}, y[2] = {begin->y[0] + dy, begin->y[1] - dy};
  auto_ends e;
  OGV_TRY(auto_ends_refine(r->ends, c, x, y, &e, err));
  const double again = hypot(e.x[1] - e.x[0], e.y[1] - e.y[0]);
  *change = again > 1 ? fabs(log(again / length)) : 1;
  return OGV_OK;
}

/* Beyond this the two searches have found different ends: of 210 readings out of fold none beyond it was right. */
static const double most_change = 0.05;

/* Below this an end is so much dimmer than the shaft that the line runs on past it: our own choice, made on the 210
 * readings out of fold, where it refuses two that were wrong by 25 and 37 %; the next dimmest accepted end has 0.62. */
static const double least_fading = 0.55;

static void describe(const auto_canvas *c, const ogv_still *s, const bone *b, double change, ogv_reading *out) {
  out->geometry = OGV_GEOMETRY_DISTANCE;
  out->n_points = 2;
  out->found = true;
  bool whole = true;
  for (int k = 0; k < 2; k++) {
    auto_canvas_to_picture(c, b->x[k], b->y[k], &out->points[2 * k], &out->points[2 * k + 1]);
    if (b->x[k] < 3 || b->y[k] < 3 || b->x[k] > c->w - 3 || b->y[k] > c->h - 3) whole = false;
  }
  out->angle_deg = auto_reading_angle(out);
  out->size_px = b->length / c->sx;
  const double sd = auto_confidence_sd(OGV_PLANE_FEMUR, out->feature);
  out->acceptance = auto_confidence_accept(OGV_PLANE_FEMUR, out->feature);
  if (c->mm > 0) auto_reading_value(out, "fl", b->length * c->mm, hypot(sd, s->calibration_sd) * b->length * c->mm);
  auto_reading_quality(out, b->length, c->w, whole && fmin(b->peak[0], b->peak[1]) > 0.3);
  if (out->plane_p[OGV_PLANE_FEMUR] < 0.15 && isnan(s->prompt_x))
    auto_reading_refuse(out, "the plane looks like %s, not femur", ogv_plane_word(out->plane));
  if (!whole) auto_reading_refuse(out, "the bone runs out of the picture");
  if (change > most_change)
    auto_reading_refuse(out, "searched for twice, the ends of the bone come out %.0f %% apart", 100 * expm1(change));
  const double fading = auto_bone_fading(c, b->x, b->y);
  if (fading < least_fading)
    auto_reading_refuse(out,
                        "the bone is only %.0f %% as bright towards one end as in its middle: the end may lie in a "
                        "shadow, or the line run on past it",
                        100 * fading);
  if (out->acceptance < auto_confidence_threshold(OGV_PLANE_FEMUR)) {
    if (fmin(b->peak[0], b->peak[1]) < 0.3) auto_reading_refuse(out, "an end of the bone cannot be seen clearly");
    else auto_reading_refuse(out, "not sure enough of the ends of the bone (%.0f %% sure)", 100 * out->acceptance);
  }
  auto_reading_check(out, "fl");
}

ogv_status ogv_femur_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                             ogv_error *err) {
  auto_letter l;
  auto_map maps[4];
  bone b;
  auto_ends e;
  double px = NAN, py = NAN;
  out->accepted = true;
  if (!isnan(s->prompt_x) && !isnan(s->prompt_y)) auto_canvas_from_picture(c, s->prompt_x, s->prompt_y, &px, &py);
  OGV_TRY(auto_reader_maps(r, c, false, &l, maps, out->plane_p, err));
  for (int i = 0; i < OGV_PLANES; i++)
    if (out->plane_p[i] > out->plane_p[out->plane]) out->plane = (ogv_plane)i;
  if (!find_bone(r, &l, &maps[2], &maps[3], px, py, &b)) {
    auto_reading_refuse(out, "no femur was found on this picture; click on the bone and try again");
    return OGV_OK;
  }
  OGV_TRY(auto_ends_refine(r->ends, c, b.x, b.y, &e, err));
  const bone begin = b;
  for (int k = 0; k < 2; k++) {
    b.x[k] = e.x[k];
    b.y[k] = e.y[k];
  }
  b.length = hypot(b.x[1] - b.x[0], b.y[1] - b.y[0]);
  if (!(b.length > 8) || b.length > 2 * AUTO_CANVAS_W) {
    auto_reading_refuse(out, "the ends of the bone could not be told apart; click on the bone and try again");
    return OGV_OK;
  }
  double change;
  OGV_TRY(search_again(r, c, &begin, b.length, &change, err));
  out->feature[0] = e.log_scale;
  out->feature[1] = log(e.mirror + 5e-3);
  out->feature[2] = log(fabs(begin.length - b.length) / b.length + 1e-2);
  out->feature[3] = e.is_logit;
  out->feature[4] = log(change + 3e-3);
  out->feature[5] = log(out->plane_p[OGV_PLANE_FEMUR] + 1e-4);
  out->feature[6] = fmin(b.peak[0], b.peak[1]);
  out->feature[7] = log(b.length / AUTO_CANVAS_W);
  describe(c, s, &b, change, out);
  return OGV_OK;
}
