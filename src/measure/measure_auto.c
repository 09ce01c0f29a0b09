#include "measure_auto.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_resource.h"
#include "measure_abdomen.h"
#include "measure_femur.h"
#include "measure_head.h"
#include "obstetrics_quantity.h"
#include "private/auto_shape.h"

static const char *const plane_words[OGV_PLANES] = {"head",   "abdomen",  "femur", "thorax",
                                                    "cervix", "spectrum", "other"};
const char *ogv_plane_word(ogv_plane p) { return p < OGV_PLANES ? plane_words[p] : "other"; }

static ogv_status open_net(const char *weights, const char *part, ogv_net **out, ogv_error *err) {
  char path[1024];
  snprintf(path, sizeof path, "%s%s.ogvnet", weights ? weights : "models/reader-", part);
  if (!weights) {
    ogv_resource res;
    OGV_TRY(ogv_resource_get(path, &res, err));
    return ogv_net_open(res.data, res.size, path, out, err);
  }
  uint8_t *data;
  size_t size;
  OGV_TRY(ogv_file_read(path, (size_t)64 << 20, &data, &size, err));
  ogv_status s = ogv_net_open(data, size, path, out, err);
  free(data);
  return s;
}

static ogv_status check_outputs(const ogv_net_plan *p, const char *name, int h0, int w0, int c0, int c1,
                                ogv_error *err) {
  ogv_net_view a, b = {1, 1, c1, NULL};
  OGV_TRY(ogv_net_plan_output(p, 0, &a, err));
  if (c1) OGV_TRY(ogv_net_plan_output(p, 1, &b, err));
  if (a.height != h0 || a.width != w0 || a.channels != c0 || b.width * b.height != 1 || b.channels != c1)
    return ogv_fail(err, OGV_E_CORRUPT, "Use the files that belong to this version.",
                    "%s: the network gives %dx%dx%d and %d, not what the reader needs", name, a.width, a.height,
                    a.channels, b.channels);
  return OGV_OK;
}

static ogv_status open_polar(const ogv_net *n, const auto_polar *g, const char *name, ogv_net_backend backend,
                             ogv_net_plan **out, ogv_error *err) {
  OGV_TRY(ogv_net_plan_new(n, g->rays + 2 * g->wrap, g->rows, backend, out, err));
  return check_outputs(*out, name, g->rows, g->rays + 2 * g->wrap, 2, 2, err);
}

ogv_status ogv_reader_open(const char *weights, ogv_net_backend backend, ogv_reader **out, ogv_error *err) {
  *out = NULL;
  ogv_reader *r = calloc(1, sizeof *r);
  if (r) r->label = malloc(sizeof(int) * (AUTO_IN_W / 2) * (AUTO_IN_H / 2));
  if (!r || !r->label) {
    ogv_reader_free(r);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the second reader");
  }
  ogv_status s = open_net(weights, "maps", &r->maps_net, err);
  if (s == OGV_OK) s = open_net(weights, "outline", &r->outline_net, err);
  if (s == OGV_OK) s = open_net(weights, "fine", &r->fine_net, err);
  if (s == OGV_OK) s = open_net(weights, "frame", &r->frame_net, err);
  if (s == OGV_OK) s = open_net(weights, "ends", &r->ends_net, err);
  if (s == OGV_OK && (ogv_net_input_channels(r->maps_net) != 1 || ogv_net_input_channels(r->outline_net) != 3 ||
                      ogv_net_input_channels(r->fine_net) != 3 || ogv_net_input_channels(r->frame_net) != 5 ||
                      ogv_net_input_channels(r->ends_net) != 2))
    s = ogv_fail(err, OGV_E_CORRUPT, "Use the files that belong to this version.",
                 "these are not the second reader's networks");
  if (s == OGV_OK) s = ogv_net_plan_new(r->maps_net, AUTO_IN_W, AUTO_IN_H, backend, &r->maps, err);
  if (s == OGV_OK) s = open_polar(r->outline_net, &auto_polar_outline, "outline", backend, &r->outline, err);
  if (s == OGV_OK) s = open_polar(r->fine_net, &auto_polar_fine, "fine", backend, &r->fine, err);
  if (s == OGV_OK) s = ogv_net_plan_new(r->frame_net, AUTO_FRAME, AUTO_FRAME, backend, &r->frame, err);
  if (s == OGV_OK) s = ogv_net_plan_new(r->ends_net, AUTO_STRIP_W, AUTO_STRIP_H, backend, &r->ends, err);
  if (s == OGV_OK) s = check_outputs(r->maps, "maps", AUTO_IN_H / 2, AUTO_IN_W / 2, 4, OGV_PLANES, err);
  if (s == OGV_OK) s = check_outputs(r->frame, "frame", 5, 5, 8, 0, err);
  if (s == OGV_OK) s = check_outputs(r->ends, "ends", AUTO_STRIP_H, AUTO_STRIP_W, 2, 2, err);
  if (s != OGV_OK) {
    ogv_reader_free(r);
    return s;
  }
  *out = r;
  return OGV_OK;
}

void ogv_reader_free(ogv_reader *r) {
  if (!r) return;
  ogv_net_plan_free(r->maps);
  ogv_net_plan_free(r->outline);
  ogv_net_plan_free(r->fine);
  ogv_net_plan_free(r->frame);
  ogv_net_plan_free(r->ends);
  ogv_net_free(r->maps_net);
  ogv_net_free(r->outline_net);
  ogv_net_free(r->fine_net);
  ogv_net_free(r->frame_net);
  ogv_net_free(r->ends_net);
  free(r->label);
  free(r);
}

ogv_still ogv_still_of(const ogv_image *image) {
  return (ogv_still){.image = image, .prompt_x = NAN, .prompt_y = NAN, .ga_days = -1};
}

void ogv_still_use_region(ogv_still *s, const ogv_region *r) {
  double x, y;
  if (ogv_region_mm(r, &x, &y, NULL) != OGV_OK || r->format != OGV_FORMAT_2D) return;
  s->x0 = r->x0;
  s->y0 = r->y0;
  s->x1 = r->x1;
  s->y1 = r->y1;
  s->mm_x = x;
  s->mm_y = y;
  s->calibration_sd = r->calibration_sd;
}

ogv_status auto_reader_maps(ogv_reader *r, const auto_canvas *c, bool mirrored, auto_letter *letter, auto_map maps[4],
                            double p[OGV_PLANES], ogv_error *err) {
  ogv_net_view o, g;
  *letter = auto_letter_fill(c, ogv_net_plan_input(r->maps), mirrored);
  OGV_TRY(ogv_net_plan_run(r->maps, err));
  OGV_TRY(ogv_net_plan_output(r->maps, 0, &o, err));
  OGV_TRY(ogv_net_plan_output(r->maps, 1, &g, err));
  for (int k = 0; k < 4; k++) maps[k] = (auto_map){o.width, o.height, o.channels, o.data + k};
  double top = -1e30, sum = 0;
  for (int k = 0; k < OGV_PLANES; k++) top = fmax(top, (double)g.data[k]);
  for (int k = 0; k < OGV_PLANES; k++) sum += p[k] = exp((double)g.data[k] - top);
  for (int k = 0; k < OGV_PLANES; k++) p[k] /= sum;
  return OGV_OK;
}

/* The part that the prompt lies in or nearest to; without a prompt the largest. */
static const auto_part *choose(const auto_part *parts, int n, const auto_map *m, const int *label, double px,
                               double py) {
  const auto_part *best = NULL;
  for (int i = 0; i < n; i++)
    if (parts[i].pixels >= 60 && (!best || parts[i].pixels > best->pixels)) best = &parts[i];
  if (isnan(px) || isnan(py)) return best;
  double near = 1e30;
  const auto_part *chosen = NULL;
  for (int y = 0; y < m->h; y++)
    for (int x = 0; x < m->w; x++) {
      int l = label[y * m->w + x];
      double d = hypot(x - px, y - py);
      if (l == 0 || d >= near) continue;
      for (int i = 0; i < n; i++)
        if (parts[i].label == l && parts[i].pixels >= 60) {
          near = d;
          chosen = &parts[i];
        }
    }
  return near < 12 ? chosen : NULL;
}

bool auto_reader_ellipse(ogv_reader *r, const auto_map *m, const auto_letter *l, const auto_canvas *c,
                         const ogv_still *still, auto_ellipse *out, double *residual, double *coverage) {
  enum { MOST = 64 };
  auto_part parts[MOST];
  double xy[240], px = NAN, py = NAN;
  int n = auto_map_parts(m, r->label, parts, MOST);
  if (!isnan(still->prompt_x) && !isnan(still->prompt_y)) {
    double x, y;
    auto_canvas_from_picture(c, still->prompt_x, still->prompt_y, &x, &y);
    px = (x * l->scale + l->tx) / 2 - 0.5;
    py = (y * l->scale + l->ty) / 2 - 0.5;
  }
  const auto_part *p = choose(parts, n, m, r->label, px, py);
  if (!p) return false;
  size_t points = auto_map_outline(m, r->label, p, xy);
  auto_ellipse e;
  if (points < 30 || !auto_ellipse_fit_robust(xy, NULL, points, &e, residual)) return false;
  if (e.a > 2 * m->w || e.b < 4) return false;
  *coverage = (double)points / 120;
  *out = (auto_ellipse){((e.cx + 0.5) * 2 - l->tx) / l->scale, ((e.cy + 0.5) * 2 - l->ty) / l->scale,
                        e.a * 2 / l->scale, e.b * 2 / l->scale, e.theta};
  return true;
}

double auto_reading_angle(const ogv_reading *g) {
  double a = atan2(g->points[3] - g->points[1], g->points[2] - g->points[0]) * 180 / M_PI;
  return a > 90 ? a - 180 : a <= -90 ? a + 180 : a;
}

void auto_reading_ellipse(ogv_reading *out, const auto_canvas *c, const auto_ellipse *e) {
  const double t[4] = {0, M_PI, M_PI / 2, -M_PI / 2}, cs = cos(e->theta), sn = sin(e->theta);
  out->geometry = OGV_GEOMETRY_ELLIPSE;
  out->n_points = 4;
  out->found = true;
  for (int k = 0; k < 4; k++) {
    double x = e->a * cos(t[k]), y = e->b * sin(t[k]);
    auto_canvas_to_picture(c, e->cx + cs * x - sn * y, e->cy + sn * x + cs * y, &out->points[2 * k],
                           &out->points[2 * k + 1]);
  }
  out->angle_deg = auto_reading_angle(out);
  out->size_px = auto_ellipse_perimeter(e) / c->sx;
}

void auto_reading_value(ogv_reading *out, const char *id, double value, double sd) {
  if (out->n_values >= OGV_READING_VALUES) return;
  ogv_reading_value *v = &out->value[out->n_values++];
  snprintf(v->id, sizeof v->id, "%s", id);
  v->value = value;
  v->sd = sd;
}

void auto_reading_refuse(ogv_reading *out, const char *fmt, ...) {
  va_list ap;
  out->accepted = false;
  if (*out->reason) return; /* the first reason is the one that matters most */
  va_start(ap, fmt);
  vsnprintf(out->reason, sizeof out->reason, fmt, ap);
  va_end(ap);
}

const ogv_reading_value *ogv_reading_find(const ogv_reading *r, const char *id) {
  for (int i = 0; i < r->n_values; i++)
    if (!strcmp(r->value[i].id, id)) return &r->value[i];
  return NULL;
}

static json_t *rounded(double v, double unit) { return ogv_json_real(isfinite(v) ? round(v / unit) * unit : v); }

json_t *ogv_reading_json(const ogv_reading *r) {
  json_t *o = json_object(), *p = json_object(), *q = json_array(), *points = json_array(), *f = json_array();
  json_object_set_new(o, "looked_for", json_string(ogv_plane_word(r->kind)));
  json_object_set_new(o, "accepted", json_boolean(r->accepted));
  json_object_set_new(o, "reason", json_string(r->reason));
  json_object_set_new(o, "acceptance", rounded(r->acceptance, 1e-4));
  json_object_set_new(o, "plane", json_string(ogv_plane_word(r->plane)));
  for (int i = 0; i < OGV_PLANES; i++) json_object_set_new(p, plane_words[i], rounded(r->plane_p[i], 1e-4));
  json_object_set_new(o, "plane_probability", p);
  for (int i = 0; i < r->n_values; i++) {
    const ogv_reading_value *v = &r->value[i];
    char key[32];
    const bool ratio = !strcmp(v->id, "ci");
    for (int sd = 0; sd < 2; sd++) {
      snprintf(key, sizeof key, "%s%s%s", v->id, sd ? "_sd" : "", ratio ? "" : "_mm");
      for (char *k = key; *k; k++)
        if (*k == '-') *k = '_';
      json_object_set_new(o, key, rounded(sd ? v->sd : v->value, 1e-4));
    }
  }
  if (r->found) {
    for (int i = 0; i < r->n_points; i++)
      json_array_append_new(points,
                            json_pack("[o,o]", rounded(r->points[2 * i], 1e-3), rounded(r->points[2 * i + 1], 1e-3)));
    json_object_set_new(o, "geometry",
                        json_pack("{s:s,s:O}", "kind", ogv_geometry_word(r->geometry), "points", points));
    json_object_set_new(o, "angle_deg", rounded(r->angle_deg, 1e-3));
    if (isfinite(r->spine_deg)) json_object_set_new(o, "spine_deg", rounded(r->spine_deg, 0.1));
    json_object_set_new(o, "size_px", rounded(r->size_px, 1e-3));
  }
  for (int i = 0; i < r->n_criteria; i++) {
    const ogv_criterion *c = &r->criterion[i];
    json_array_append_new(q, json_pack("{s:s,s:s,s:s}", "id", c->id, "text", c->text, "state",
                                       c->state > 0    ? "met"
                                       : c->state == 0 ? "not met"
                                                       : "for a person to judge"));
  }
  if (r->plausible.chart_id && *r->plausible.chart_id)
    json_object_set_new(
        o, "plausibility",
        json_pack("{s:o,s:o,s:s,s:s}", "acceptance_from_the_picture", rounded(r->acceptance_before, 1e-4), "z",
                  rounded(r->plausible.z, 1e-2), "against", r->plausible.against, "chart", r->plausible.chart_id));
  json_object_set_new(o, "plane_quality", q);
  for (int i = 0; i < 8; i++) json_array_append_new(f, rounded(r->feature[i], 1e-6));
  json_object_set_new(o, "features", f);
  json_decref(points);
  return o;
}

ogv_status ogv_reader_measure(ogv_reader *r, ogv_plane kind, const ogv_still *s, ogv_reading *out, ogv_error *err) {
  *out = (ogv_reading){.kind = kind, .spine_deg = NAN};
  if (!s->image || !s->image->pixels) return ogv_fail(err, OGV_E_INVALID, NULL, "there is no picture to measure");
  if (kind != OGV_PLANE_HEAD && kind != OGV_PLANE_ABDOMEN && kind != OGV_PLANE_FEMUR)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Head, abdomen and femur can be measured.",
                    "the program measures nothing on a %s plane", ogv_plane_word(kind));
  auto_canvas c;
  OGV_TRY(auto_canvas_make(s, &c, err));
  ogv_status st = kind == OGV_PLANE_HEAD      ? ogv_head_measure(r, &c, s, out, err)
                  : kind == OGV_PLANE_ABDOMEN ? ogv_abdomen_measure(r, &c, s, out, err)
                                              : ogv_femur_measure(r, &c, s, out, err);
  auto_canvas_free(&c);
  return st;
}

ogv_status ogv_reader_auto(ogv_reader *r, const ogv_still *s, ogv_reading *out, ogv_error *err) {
  *out = (ogv_reading){.kind = OGV_PLANE_OTHER, .spine_deg = NAN};
  if (!s->image || !s->image->pixels) return ogv_fail(err, OGV_E_INVALID, NULL, "there is no picture to measure");
  auto_canvas c;
  auto_letter l;
  auto_map maps[4];
  double p[OGV_PLANES];
  OGV_TRY(auto_canvas_make(s, &c, err));
  ogv_status st = auto_reader_maps(r, &c, false, &l, maps, p, err);
  auto_canvas_free(&c);
  if (st != OGV_OK) return st;
  int best = 0;
  for (int k = 1; k < OGV_PLANES; k++)
    if (p[k] > p[best]) best = k;
  if (best <= OGV_PLANE_FEMUR) return ogv_reader_measure(r, (ogv_plane)best, s, out, err);
  out->plane = (ogv_plane)best;
  memcpy(out->plane_p, p, sizeof p);
  if (out->plane == OGV_PLANE_OTHER) auto_reading_refuse(out, "no plane that the program measures was recognised");
  else
    auto_reading_refuse(out, "the plane looks like %s, on which the program measures nothing",
                        ogv_plane_word(out->plane));
  return OGV_OK;
}

static bool measures(const char *quantity, ogv_plane *kind) {
  static const struct {
    const char *id;
    ogv_plane kind;
  } known[] = {{"hc", OGV_PLANE_HEAD},
               {"bpd", OGV_PLANE_HEAD},
               {"ofd", OGV_PLANE_HEAD},
               {"ac", OGV_PLANE_ABDOMEN},
               {"fl", OGV_PLANE_FEMUR}};
  for (size_t i = 0; i < sizeof known / sizeof *known; i++)
    if (!strcmp(known[i].id, quantity)) {
      *kind = known[i].kind;
      return true;
    }
  return false;
}

ogv_status ogv_reader_reread(ogv_reader *r, const char *quantity, double value, const ogv_geometry *geometry,
                             const ogv_still *s, ogv_reread *out, ogv_error *err) {
  *out = (ogv_reread){.value = NAN, .sd = NAN, .limit = NAN};
  ogv_plane kind;
  const ogv_quantity *q = ogv_quantity_find(quantity);
  if (!q || !measures(quantity, &kind))
    return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "the second reader does not read \"%s\"", quantity);
  ogv_still blind = *s;
  if (geometry && geometry->n) {
    blind.prompt_x = blind.prompt_y = 0;
    for (size_t i = 0; i < geometry->n; i++) {
      blind.prompt_x += geometry->points[2 * i] / (double)geometry->n;
      blind.prompt_y += geometry->points[2 * i + 1] / (double)geometry->n;
    }
  }
  OGV_TRY(ogv_reader_measure(r, kind, &blind, &out->reading, err));
  const ogv_reading_value *v = ogv_reading_find(&out->reading, quantity);
  out->read = out->reading.accepted && v;
  if (!out->read) {
    snprintf(out->reason, sizeof out->reason, "%s",
             *out->reading.reason ? out->reading.reason : "nothing was measured");
    return OGV_OK;
  }
  out->value = v->value;
  out->sd = v->sd;
  /* Two readings differ by sqrt(2) SD; the reader's own SD replaces one of the two where it is the larger. */
  double sd = ogv_quantity_sd(q, (value + v->value) / 2), own = fmax(v->sd, sd);
  out->limit = 1.96 * hypot(sd, own);
  out->disagrees = fabs(v->value - value) > out->limit;
  return OGV_OK;
}
