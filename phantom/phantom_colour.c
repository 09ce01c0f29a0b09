/* Colour Doppler of a loop of cord: velocity towards the probe in a box, with its bar. */
#include <stdio.h>

#include "private/phantom_session.h"

/* Colour of a velocity as a part of the largest one shown: towards the probe warm, away from it cold. */
static ph_ink flow_ink(double t) {
  double m = t < 0 ? -t : t;
  m = ph_clamp(m, 0, 1);
  double a = 70 + 185 * (m < 0.5 ? m * 2 : 1), b = m < 0.35 ? 0 : 235 * (m - 0.35) / 0.65,
         c = m < 0.7 ? 0 : 170 * (m - 0.7) / 0.3;
  if (t >= 0) return (ph_ink){(uint8_t)a, (uint8_t)b, (uint8_t)c};
  return (ph_ink){(uint8_t)c, (uint8_t)b, (uint8_t)a};
}

typedef struct flow {
  const ph_cord *cord;
  const ph_view *v;
  double nyquist, speed[3];
  uint64_t seed;
} flow;

/* Velocity towards the probe at a place, 0 outside the vessels. */
static double flow_at(const flow *f, double x, double z) {
  for (int k = 0; k < 3; k++) {
    double best = 1e9;
    int at = 0;
    for (int i = 0; i < f->cord->n; i++) {
      double dx = x - f->cord->x[k][i], dz = z - f->cord->z[k][i], d = dx * dx + dz * dz;
      if (d < best) best = d, at = i;
    }
    double rho2 = best / (f->cord->radius[k] * f->cord->radius[k]);
    if (rho2 > 1) continue;
    int a = at > 0 ? at - 1 : 0, b = at < f->cord->n - 1 ? at + 1 : at;
    double tx = f->cord->x[k][b] - f->cord->x[k][a], tz = f->cord->z[k][b] - f->cord->z[k][a],
           tl = sqrt(tx * tx + tz * tz);
    double bx = x, bz = z + f->v->radius_mm, bl = sqrt(bx * bx + bz * bz);
    double away = (tx * bx + tz * bz) / (tl * bl);
    return -f->speed[k] * (1 - 0.85 * rho2) * away;
  }
  return 0;
}

typedef struct colour_box {
  int x0, y0, x1, y1;
} colour_box;
typedef struct colour_sums {
  int inside, coloured;
  double speed;
} colour_sums;

static void paint_flow(const flow *f, const colour_box *b, ogv_image *img, colour_sums *sum) {
  for (int y = b->y0; y <= b->y1; y++)
    for (int x = b->x0; x <= b->x1; x++) {
      double mx, mz;
      ph_to_mm(f->v, x, y, &mx, &mz);
      sum->inside++;
      double v = flow_at(f, mx, mz);
      if (v == 0) continue;
      v += 0.06 * f->nyquist * ph_value_noise(mx * 2.2, mz * 2.2, f->seed); /* estimates vary from sample to sample */
      if (v > -0.06 * f->nyquist && v < 0.06 * f->nyquist) continue;        /* wall filter */
      sum->coloured++;
      sum->speed += v < 0 ? -v : v;
      while (v > f->nyquist) v -= 2 * f->nyquist; /* aliasing wraps */
      while (v < -f->nyquist) v += 2 * f->nyquist;
      ph_dot(img, x, y, flow_ink(v / f->nyquist));
    }
}

static colour_box colour_bar(ogv_image *img, double nyquist) {
  colour_box bar = {10, img->height * 120 / 768, 10 + img->width * 14 / 1024, img->height * 330 / 768};
  for (int y = bar.y0; y <= bar.y1; y++) {
    ph_ink c = flow_ink(1 - 2.0 * (y - bar.y0) / (bar.y1 - bar.y0));
    ph_fill(img, bar.x0, y, bar.x1, y, c);
  }
  char text[24];
  int k = img->height >= 700 ? 2 : 1;
  snprintf(text, sizeof text, "+%.0f", nyquist);
  ph_text(img, bar.x1 + 5, bar.y0, k, text, ph_grey);
  snprintf(text, sizeof text, "-%.0f cm/s", nyquist);
  ph_text(img, bar.x1 + 5, bar.y1 - 7 * k, k, text, ph_grey);
  return bar;
}

static void draw_box(ogv_image *img, const colour_box *b) {
  ph_line(img, b->x0, b->y0, b->x1, b->y0, 1.2, ph_grey);
  ph_line(img, b->x0, b->y1, b->x1, b->y1, 1.2, ph_grey);
  ph_line(img, b->x0, b->y0, b->x0, b->y1, 1.2, ph_grey);
  ph_line(img, b->x1, b->y0, b->x1, b->y1, 1.2, ph_grey);
}

static json_t *colour_truth(const colour_box *box, const colour_box *bar, double nyquist, const colour_sums *sum) {
  json_t *t = json_object();
  json_object_set_new(t, "box", json_pack("[i,i,i,i]", box->x0, box->y0, box->x1, box->y1));
  json_object_set_new(t, "bar", json_pack("[i,i,i,i]", bar->x0, bar->y0, bar->x1, bar->y1));
  json_object_set_new(t, "bar_top_cm_s", json_real(nyquist));
  json_object_set_new(t, "bar_bottom_cm_s", json_real(-nyquist));
  json_object_set_new(t, "coloured_pixels", json_integer(sum->coloured));
  json_object_set_new(t, "box_pixels", json_integer(sum->inside));
  json_object_set_new(t, "fraction", ph_real((double)sum->coloured / sum->inside, 5));
  json_object_set_new(t, "mean_speed_cm_s", ph_real(sum->coloured ? sum->speed / sum->coloured : 0, 3));
  return t;
}

/* The grey picture with the cord in it. */
static ogv_status cord_picture(ph_exam *x, const ph_size *s, uint64_t seed, ph_rng *r, const ph_view *v, ph_cord *cord,
                               ogv_image *img, ogv_error *err) {
  ph_scene *scene = ph_scene_new(ph_mix(seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  double cx, cz;
  ph_to_mm(v, ph_width(x) * 0.5, ph_height(x) * 0.55, &cx, &cz);
  ph_add_mother(scene, v, r, cx, cz, 24);
  ph_add_cord(scene, r, ph_frame_at(cx, cz, ph_range(r, -0.6, 0.6)), 46, s->ga_days / 7.0, cord);
  ph_set set;
  ph_set_defaults(&set);
  set.seed = seed;
  set.looks = 1;
  set.focus_mm = cz;
  if (x->o->quick) set.beams = 160, set.samples = 300;
  ogv_status st = ogv_image_new(ph_width(x), ph_height(x), 3, img, err);
  if (st == OGV_OK) st = ph_shoot(scene, v, &set, img, err);
  ph_scene_free(scene);
  return st;
}

/* The colour box as its own region: same scale, lower priority for what pixels mean. */
static ogv_region box_region(const ph_view *v, const colour_box *box) {
  ogv_region r = ph_view_region(v);
  r.data_type = OGV_DATA_COLOUR_FLOW;
  r.flags = 3;
  r.ref_x += r.x0 - box->x0;
  r.ref_y += r.y0 - box->y0;
  r.x0 = box->x0;
  r.y0 = box->y0;
  r.x1 = box->x1;
  r.y1 = box->y1;
  return r;
}

ogv_status ph_write_colour(ph_exam *x, int fetus, int turn, ogv_error *err) {
  const ph_size *s = &x->size[fetus];
  uint64_t seed = ph_mix(x->seed ^ (uint64_t)(7000 + fetus * 100 + turn));
  ph_rng r = ph_rng_of(seed, 91);
  int w = ph_width(x), h = ph_height(x);
  ph_view v;
  ph_make_view(&v, &ph_usual_probe, w, h, ph_round(85.0 / h, 4), true, 45);
  ph_cord cord;
  ogv_image img = {0};
  ogv_status st = cord_picture(x, s, seed, &r, &v, &cord, &img, err);
  if (st == OGV_OK) {
    flow f = {.cord = &cord, .v = &v, .nyquist = ph_round(ph_range(&r, 22, 34), 0), .seed = seed};
    f.speed[0] = -ph_range(&r, 9, 14);
    f.speed[1] = f.speed[2] = s->ua_psv * 0.8;
    colour_box box = {w * 300 / 1024, h * 250 / 768, w * 724 / 1024, h * 590 / 768};
    colour_sums sum = {0};
    paint_flow(&f, &box, &img, &sum);
    draw_box(&img, &box);
    double mi = 0.8, tib = 0.6;
    ph_caption_text cap;
    ph_caption_of(x, "cord", fetus, mi, tib, &cap);
    ph_layout_title(&img, &cap.c);
    colour_box bar = colour_bar(&img, f.nyquist);
    ogv_region regions[2] = {ph_view_region(&v), box_region(&v, &box)};
    ph_object obj = {.kind = "colour",
                     .view = "cord",
                     .fetus = fetus,
                     .frames = &img,
                     .n_frames = 1,
                     .regions = regions,
                     .n_regions = 2,
                     .syntax = OGV_WRITE_RLE,
                     .depth_mm = v.depth_mm,
                     .mi = mi,
                     .tib = tib,
                     .tis = tib,
                     .colour = true,
                     .truth = colour_truth(&box, &bar, f.nyquist, &sum),
                     .image_type = "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0011"};
    st = ph_store(x, &obj, NULL, NULL, err);
  }
  ogv_image_free(&img);
  return st;
}
