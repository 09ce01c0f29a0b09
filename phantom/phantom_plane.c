#include "phantom_plane.h"

#include <string.h>

#include "private/phantom_anatomy.h"
#include "private/phantom_layout.h"
#include "private/phantom_plane_frame.h"

void ogv_phantom_plane_defaults(ogv_phantom_plane_options *o, ogv_phantom_plane_kind kind) {
  memset(o, 0, sizeof *o);
  o->seed = 1;
  o->kind = kind;
  o->width = 1024;
  o->height = 768;
  o->channels = 3;
  o->ga_weeks = 20;
  o->length_mm = kind == OGV_PHANTOM_HEAD ? 61 : kind == OGV_PHANTOM_ABDOMEN ? 49 : 33;
  o->breadth_mm = kind == OGV_PHANTOM_HEAD ? 48 : kind == OGV_PHANTOM_ABDOMEN ? 50 : 0;
  o->angle_deg = o->centre_x = o->centre_y = NAN;
  o->shadow = 1;
  o->dropout = 0.15;
  o->resolution = 1;
}

/* Options where NaN means "not given". */
static double or_zero(double v) { return v == v ? v : 0; }

static ogv_status check(const ogv_phantom_plane_options *o, ogv_error *err) {
  struct {
    const char *name;
    double v, lo, hi;
  } c[] = {{"width", o->width, 96, 4096},
           {"height", o->height, 64, 4096},
           {"ga_weeks", o->ga_weeks, 8, 44},
           {"length_mm", o->length_mm, 3, 200},
           {"breadth_mm", o->kind == OGV_PHANTOM_FEMUR ? 3 : o->breadth_mm, 3, 200},
           {"resolution", o->resolution, 0.2, 5},
           {"dropout", o->dropout, 0, 1},
           {"looks", o->looks, 0, 3},
           {"fill", o->fill, 0, 1.5},
           {"mm_per_px", o->mm_per_px, 0, 2},
           {"channels", o->channels, 1, 3},
           {"shadow", o->shadow, 0, 3},
           {"radius_mm", o->radius_mm != 0 ? o->radius_mm : 52, 10, 100},
           {"sector_deg", o->sector_deg != 0 ? o->sector_deg : 70, 20, 120},
           {"shadowed_end", o->shadowed_end, 0, 0.4},
           {"gain_db", o->gain_db, -60, 60},
           {"noise_db", o->noise_db, -60, 60},
           {"dynamic_range_db", o->dynamic_range_db, 0, 120},
           {"angle_deg", or_zero(o->angle_deg), -3600, 3600},
           {"centre_x", or_zero(o->centre_x), -20000, 20000},
           {"centre_y", or_zero(o->centre_y), -20000, 20000}};
  for (size_t i = 0; i < sizeof c / sizeof *c; i++)
    if (!(c[i].v >= c[i].lo && c[i].v <= c[i].hi) || o->channels == 2)
      return ogv_fail(err, OGV_E_INVALID, NULL, "phantom plane: %s is %g, allowed is %g to %g", c[i].name, c[i].v,
                      c[i].lo, c[i].hi);
  return OGV_OK;
}

/* Where the object lies: in pixels first, then in mm. */
static ph_frame place_object(const ogv_phantom_plane_options *o, ph_rng *r, ph_view *v, ogv_phantom_plane_truth *t) {
  double spread = o->kind == OGV_PHANTOM_FEMUR ? 25 : 35;
  double wanted = ph_range(r, -spread, spread), fill = ph_range(r, 0.5, 0.68), deep = ph_range(r, 0.9, 1.25);
  double jx = ph_range(r, -0.05, 0.05), jy = ph_range(r, -0.05, 0.05);
  if (o->kind == OGV_PHANTOM_ABDOMEN) wanted = ph_range(r, 0, 360);
  if (o->angle_deg == o->angle_deg) wanted = o->angle_deg;
  if (o->fill > 0) fill = o->fill;
  double wide = o->length_mm, high = o->breadth_mm > 0 ? o->breadth_mm : o->length_mm * 0.7;
  double ang = wanted * PH_PI / 180, c = ph_cos(ang), s = ph_sin(ang);
  double need = sqrt((wide * c) * (wide * c) + (high * s) * (high * s)); /* width of the turned ellipse */
  double tall = sqrt((wide * s) * (wide * s) + (high * c) * (high * c));
  double mm = o->mm_per_px;
  if (mm <= 0) {
    double by_width = need / (fill * o->width * (o->whole_sector ? 0.62 : 0.92)),
           by_height = tall / (fill * 1.1 * o->height * 0.9);
    mm = by_width > by_height ? by_width : by_height;
    if (o->whole_sector && mm < 70.0 / o->height) mm = 70.0 / o->height;
    mm = ph_round(mm, 4);
  }
  double depth = tall / 2 * deep + ph_range(r, 12, 24);
  ph_probe probe = ph_usual_probe;
  if (o->radius_mm != 0) probe.radius_mm = o->radius_mm;
  if (o->sector_deg != 0) probe.sector_deg = o->sector_deg;
  ph_make_view(v, &probe, o->width, o->height, mm, o->whole_sector, depth);
  double cx = o->centre_x == o->centre_x ? o->centre_x : ph_round(o->width * (0.5 + jx), 2);
  double cy = o->centre_y == o->centre_y
                  ? o->centre_y
                  : ph_round((v->y0 + v->y1) / 2.0 + o->height * (jy + (o->whole_sector ? 0.02 : 0)), 2);
  t->mm_per_px = mm;
  t->centre_x = cx;
  t->centre_y = cy;
  t->angle_rad = ang;
  double x, z;
  ph_to_mm(v, cx, cy, &x, &z);
  return ph_frame_at(x, z, ang);
}

static void fill_truth(const ogv_phantom_plane_options *o, const ph_view *v, const ph_frame *f,
                       ogv_phantom_plane_truth *t) {
  t->kind = o->kind;
  t->length_mm = o->length_mm;
  t->breadth_mm = o->kind == OGV_PHANTOM_FEMUR ? 0 : o->breadth_mm;
  double a = o->length_mm / 2, b = t->breadth_mm / 2;
  double uv[8] = {-a, 0, a, 0, 0, -b, 0, b};
  t->n_points = o->kind == OGV_PHANTOM_FEMUR ? 2 : 4;
  for (int i = 0; i < t->n_points; i++) {
    double x, z;
    ph_frame_out(f, uv[2 * i], uv[2 * i + 1], &x, &z);
    ph_to_pixel(v, x, z, &t->points[2 * i], &t->points[2 * i + 1]);
  }
  t->perimeter_mm = o->kind == OGV_PHANTOM_FEMUR ? NAN : ph_ellipse_perimeter(o->length_mm, t->breadth_mm);
  t->edge_peak_mm = o->kind == OGV_PHANTOM_HEAD      ? ph_skull_middle_mm(o->ga_weeks)
                    : o->kind == OGV_PHANTOM_ABDOMEN ? PH_SKIN_INSET + 0.4 * ph_skin_mm(o->ga_weeks)
                                                     : 0;
  int out = 0, n = 72;
  for (int i = 0; i < n; i++) {
    double q = 2 * PH_PI * i / n, x, z, px, py;
    ph_frame_out(f, a * ph_cos(q), b * ph_sin(q), &x, &z);
    ph_to_pixel(v, x, z, &px, &py);
    double ang = ph_atan2(x, z + v->radius_mm);
    if (px < v->x0 || px > v->x1 || py < v->y0 || py > v->y1 || z < 0 || ang > v->half_angle || ang < -v->half_angle)
      out++;
  }
  t->outside = (double)out / n;
  t->region = ph_view_region(v);
}

static void settings(const ogv_phantom_plane_options *o, const ph_view *v, ph_rng *r, double depth, ph_set *s) {
  ph_set_defaults(s);
  s->seed = ph_mix(o->seed ^ 0xbead);
  s->gain_db = o->gain_db + ph_range(r, -3, 3);
  s->noise_db += o->noise_db;
  if (o->dynamic_range_db > 0) s->dynamic_range_db = o->dynamic_range_db;
  double res = o->resolution * ph_clamp(v->depth_mm / 100, 0.5, 1.15); /* a shallow view uses a higher frequency */
  s->pulse_mm = res * ph_range(r, 0.22, 0.36);
  s->beam_mm = res * ph_range(r, 0.55, 0.95);
  s->focus_mm = ph_clamp(depth * ph_range(r, 0.9, 1.2), 20, 150);
  s->looks = o->looks ? o->looks : 1 + ph_pick(r, 3);
  s->haze = ph_range(r, 0.2, 1.0);
  s->near_db = ph_range(r, -22, -8);
  s->samples = (int)ph_clamp(v->depth_mm / (s->pulse_mm * 0.42), 250, 1300);
  s->beams = 320;
  if (o->quick) {
    s->samples = (int)ph_clamp(s->samples / 2.0, 200, 420);
    s->beams = 160;
    s->looks = 1;
  }
}

/* What the section through a structure off its standard plane measures: a head is an egg that is cut higher or lower,
 * an abdomen a barrel, a bone is cut short. Our own rule. */
static double section(ogv_phantom_plane_kind kind, double off) {
  double q = off * off;
  return kind == OGV_PHANTOM_HEAD ? sqrt(1 - 0.45 * q) : kind == OGV_PHANTOM_ABDOMEN ? 1 - 0.12 * q : 1 - 0.35 * q;
}

/* The object as seen in this pose; the truth is that of the section. */
static void add_object(ph_scene *scene, const ogv_phantom_plane_options *o, ph_rng *r, const ph_view *v,
                       const ph_frame *f, double off, ogv_phantom_plane_truth *truth) {
  ph_look_of look = {.weeks = o->ga_weeks,
                     .shadow = o->shadow,
                     .dropout = o->dropout,
                     .flip = o->flip,
                     .neighbour = o->neighbour,
                     .flexed = o->flexed,
                     .shadowed_end = o->shadowed_end,
                     .off = off};
  if (o->kind == OGV_PHANTOM_HEAD) ph_add_head(scene, r, *f, o->length_mm, o->breadth_mm, &look);
  else if (o->kind == OGV_PHANTOM_ABDOMEN) ph_add_abdomen(scene, r, *f, o->length_mm, o->breadth_mm, &look);
  else {
    double x, z, bow = ph_add_femur(scene, r, *f, o->length_mm, &look, v->radius_mm);
    ph_frame_out(f, 0, bow, &x, &z);
    ph_to_pixel(v, x, z, &truth->middle[0], &truth->middle[1]);
  }
}

/* The object moved, turned and cut elsewhere; its scatterers go with it. */
static void apply_pose(const ph_pose *pose, ogv_phantom_plane_options *o, const ph_view *v, ph_frame *f,
                       ogv_phantom_plane_truth *t) {
  double k = section(o->kind, pose->off);
  o->length_mm *= k;
  o->breadth_mm *= k;
  t->angle_rad += pose->turn;
  *f = ph_frame_at(f->cx + pose->dx_mm, f->cz + pose->dz_mm, t->angle_rad);
  ph_to_pixel(v, f->cx, f->cz, &t->centre_x, &t->centre_y);
}

ogv_status ph_plane_frame(const ogv_phantom_plane_options *wanted, const ph_pose *pose, ogv_image *picture,
                          ogv_phantom_plane_truth *truth, ogv_error *err) {
  memset(truth, 0, sizeof *truth);
  memset(picture, 0, sizeof *picture);
  OGV_TRY(check(wanted, err));
  ogv_phantom_plane_options own = *wanted, *o = &own;
  ph_scene *scene = ph_scene_new(ph_mix(o->seed ^ 0x5ce4e));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom plane: out of memory");
  ph_rng r = ph_rng_of(o->seed, 21), surroundings = ph_rng_of(o->seed, 22), inside = ph_rng_of(o->seed, 23),
         set_r = ph_rng_of(o->seed, 24);
  ph_view v;
  ph_frame f = place_object(o, &r, &v, truth);
  double reach = o->length_mm > o->breadth_mm ? o->length_mm / 2 : o->breadth_mm / 2;
  if (o->kind == OGV_PHANTOM_FEMUR) reach *= 0.9;
  ph_set set;
  settings(o, &v, &set_r, f.cz, &set);
  ph_add_mother(scene, &v, &surroundings, f.cx, f.cz, reach);
  int first = scene->n_shapes;
  if (pose) apply_pose(pose, o, &v, &f, truth);
  fill_truth(o, &v, &f, truth);
  add_object(scene, o, &inside, &v, &f, pose ? fabs(pose->off) : 0, truth);
  if (pose) {
    for (int i = first; i < scene->n_shapes; i++) scene->shapes[i].carried = true;
    set.elevation = pose->off * reach / 2; /* a beam is about 2 mm thick */
    set.noise_seed = ph_mix(set.seed + 1 + pose->frame);
  }
  ogv_status st = ogv_image_new(o->width, o->height, o->channels, picture, err);
  if (st == OGV_OK) st = ph_shoot(scene, &v, &set, picture, err);
  ph_scene_free(scene);
  if (st != OGV_OK) {
    ogv_image_free(picture);
    return st;
  }
  if (o->captions) ph_layout_plain(picture, &v, &set, NULL);
  if (o->calipers) ph_layout_calipers(picture, truth);
  return OGV_OK;
}

ogv_status ogv_phantom_plane(const ogv_phantom_plane_options *o, ogv_image *picture, ogv_phantom_plane_truth *truth,
                             ogv_error *err) {
  return ph_plane_frame(o, NULL, picture, truth, err);
}
