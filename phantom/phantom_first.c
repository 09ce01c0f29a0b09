/* First-trimester stills: crown-rump (turn 0 bare, then measured) and nuchal translucency (turn 2). */
#include <stdio.h>

#include "imaging_geometry.h"
#include "private/phantom_session.h"

#define LINE_MM 0.45 /* thickness of the two lines beside the nuchal translucency; as in phantom_early.c */

typedef struct first {
  ph_exam *x;
  const ph_size *s;
  uint64_t seed;
  ph_rng r;
  bool nuchal;
  ph_view v;
  ph_frame place;
  ph_set set;
  double crl[4], nt[4], read[4], value;
  double mi, tib;
} first;

static void place_first(first *f) {
  int w = ph_width(f->x), h = ph_height(f->x);
  double mm = ph_round((f->s->crl_mm / (f->nuchal ? 0.9 : 0.6)) / w, 4), turned = ph_range(&f->r, -0.2, 0.2), mx, mz;
  ph_make_view(&f->v, &ph_usual_probe, w, h, mm, false, h / 2.0 * mm + 8);
  ph_to_mm(&f->v, ph_round(w * 0.5, 1), ph_round(h * 0.54, 1), &mx, &mz);
  f->place = ph_frame_at(mx, mz, turned);
  ph_set_defaults(&f->set);
  f->set.seed = f->seed;
  f->set.pulse_mm = 0.2;
  f->set.beam_mm = 0.45;
  f->set.focus_mm = mz;
  f->set.looks = f->x->o->quick ? 1 : 2;
  f->set.beams = f->x->o->quick ? 160 : 320;
  f->set.samples = f->x->o->quick ? 300 : 800;
}

static ogv_status shoot_first(const first *f, ogv_image *img, ogv_error *err) {
  ph_scene *scene = ph_scene_new(ph_mix(f->seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_rng inside = ph_rng_of(f->seed, 62);
  ph_look_of look = {.weeks = f->s->ga_days / 7.0, .shadow = 1, .dropout = 0.1};
  ph_add_early(scene, &inside, f->place, f->s->crl_mm, f->s->nt_mm, &look);
  ogv_status st = ogv_image_new(ph_width(f->x), ph_height(f->x), 3, img, err);
  if (st == OGV_OK) st = ph_shoot(scene, &f->v, &f->set, img, err);
  ph_scene_free(scene);
  return st;
}

static void points_first(first *f) {
  double half = f->s->crl_mm / 2, u = 0.03 * f->s->crl_mm, v0 = -0.162 * f->s->crl_mm - LINE_MM / 2;
  double uv[2][4] = {{-half, 0, half, 0}, {u, v0, u, v0 - f->s->nt_mm}};
  for (int k = 0; k < 2; k++)
    for (int i = 0; i < 2; i++) {
      double x, z, *to = k ? f->nt : f->crl;
      ph_frame_out(&f->place, uv[k][2 * i], uv[k][2 * i + 1], &x, &z);
      ph_to_pixel(&f->v, x, z, &to[2 * i], &to[2 * i + 1]);
    }
  double sd = (f->nuchal ? 0.06 : 0.45) / f->v.mm_per_px; /* the operator's hand */
  for (int i = 0; i < 4; i++) f->read[i] = ph_round((f->nuchal ? f->nt : f->crl)[i] + ph_gauss(&f->r) * sd, 2);
  double dx = f->read[2] - f->read[0], dy = f->read[3] - f->read[1];
  f->value = ph_round(sqrt(dx * dx + dy * dy) * f->v.mm_per_px, f->nuchal ? 2 : 1);
}

static void burn_in(const first *f, ogv_image *img) {
  char text[40];
  const char *line = text;
  snprintf(text, sizeof text, f->nuchal ? "NT   %.2f mm" : "CRL  %.1f mm", f->value);
  if (!f->nuchal) ph_dotted(img, f->read[0], f->read[1], f->read[2], f->read[3], 6, ph_amber);
  ph_cross(img, f->read[0], f->read[1], f->nuchal ? 4 : 8, 0, ph_amber);
  ph_cross(img, f->read[2], f->read[3], f->nuchal ? 4 : 8, 0, ph_amber);
  ph_layout_values(img, &line, 1);
}

static json_t *pair(const double p[4]) {
  return json_pack("[[f,f],[f,f]]", ph_round(p[0], 3), ph_round(p[1], 3), ph_round(p[2], 3), ph_round(p[3], 3));
}

static json_t *truth_first(const first *f, bool burned) {
  json_t *t = json_object(), *o = json_object();
  json_object_set_new(t, "plane", json_string(f->nuchal ? "nuchal" : "crown-rump"));
  json_object_set_new(t, "mm_per_px", json_real(f->v.mm_per_px));
  json_object_set_new(t, "crl_mm", json_real(f->s->crl_mm));
  json_object_set_new(t, "nt_mm", json_real(f->s->nt_mm));
  json_object_set_new(t, "crl_points", pair(f->crl));
  json_object_set_new(t, "nt_points", pair(f->nt));
  json_object_set_new(o, f->nuchal ? "nt_mm" : "crl_mm", json_real(f->value));
  json_object_set_new(o, "points", pair(f->read));
  json_object_set_new(o, "burned_in", json_boolean(burned));
  json_object_set_new(t, "operator", o);
  return t;
}

ogv_status ph_write_early(ph_exam *x, int fetus, int turn, ogv_error *err) {
  first f = {.x = x,
             .s = &x->size[fetus],
             .seed = ph_mix(x->seed ^ (uint64_t)(9000 + fetus * 100 + turn)),
             .nuchal = turn == 2,
             .mi = 0.8,
             .tib = 0.2};
  f.r = ph_rng_of(f.seed, 61);
  place_first(&f);
  points_first(&f);
  ogv_image img = {0};
  ogv_status st = shoot_first(&f, &img, err);
  if (st == OGV_OK) {
    const char *view = f.nuchal ? "nuchal" : "crown-rump", *instance = NULL, *series = NULL;
    ph_caption_text cap;
    ph_caption_of(x, view, fetus, f.mi, f.tib, &cap);
    ph_layout_plain(&img, &f.v, &f.set, &cap.c);
    if (turn) burn_in(&f, &img);
    ogv_region region = ph_view_region(&f.v);
    ph_object obj = {.kind = "still",
                     .view = view,
                     .fetus = fetus,
                     .frames = &img,
                     .n_frames = 1,
                     .regions = &region,
                     .n_regions = 1,
                     .syntax = turn ? OGV_WRITE_RLE : OGV_WRITE_EXPLICIT_LE,
                     .depth_mm = f.v.depth_mm,
                     .mi = f.mi,
                     .tib = f.tib,
                     .tis = f.tib,
                     .truth = truth_first(&f, turn > 0)};
    st = ph_store(x, &obj, &instance, &series, err);
    if (st == OGV_OK && turn < 3)
      ph_measure(x, f.nuchal ? "nt" : "crl", f.value, "mm", fetus, instance, series, "", OGV_GEOMETRY_DISTANCE, f.read,
                 4);
  }
  ogv_image_free(&img);
  return st;
}
