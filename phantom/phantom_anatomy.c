#include "private/phantom_anatomy.h"

double ph_skull_mm(double weeks) { return ph_clamp(0.75 + 0.05 * (weeks - 12), 0.75, 1.3); }
double ph_skull_middle_mm(double weeks) { return ph_clamp(0.72 + 0.03 * (weeks - 12), 0.7, 1.5); }
double ph_skin_mm(double weeks) { return ph_clamp(1.0 + 0.09 * (weeks - 14), 1.0, 3.6); }
double ph_femur_thick_mm(double weeks) { return ph_clamp(1.2 + 0.13 * (weeks - 14), 1.0, 4.8); }

const ph_probe ph_usual_probe = {52, 70};

void ph_make_view(ph_view *v, const ph_probe *probe, int width, int height, double mm_per_px, bool whole,
                  double object_depth_mm) {
  v->mm_per_px = mm_per_px;
  v->radius_mm = probe->radius_mm;
  v->half_angle = probe->sector_deg / 2 * PH_PI / 180;
  int left = width / 24, top = height * 46 / 768;
  v->x0 = left;
  v->x1 = width - 1 - left;
  v->y0 = top;
  v->y1 = height - 1 - height * 20 / 768;
  if (whole) {
    v->oy = top + 8;
    v->depth_mm = (v->y1 - v->oy) * mm_per_px;
  } else { /* the object's depth lies in the middle of the box */
    v->oy = (double)(int)((v->y0 + v->y1) / 2.0 - object_depth_mm / mm_per_px);
    if (v->oy > top + 8) v->oy = top + 8;
    v->depth_mm = (v->y1 - v->oy) * mm_per_px;
  }
  v->ox = (double)(width / 2);
}

void ph_small_view(ph_view *v, int width, int height, double depth_mm) {
  v->radius_mm = 52;
  v->half_angle = 30 * PH_PI / 180;
  v->x0 = width * 330 / 1024;
  v->x1 = width * 630 / 1024;
  v->y0 = height * 54 / 768;
  v->y1 = height * 316 / 768;
  v->ox = (double)((v->x0 + v->x1) / 2);
  v->oy = v->y0 + 2;
  v->mm_per_px = ph_round(depth_mm / (v->y1 - v->oy), 4);
  v->depth_mm = (v->y1 - v->oy) * v->mm_per_px;
}

/* Layers parallel to the probe's face, drawn as rings about the centre of its curvature. */
static void add_wall(ph_scene *s, const ph_view *v, ph_rng *r, double wall) {
  ph_frame centre = ph_frame_at(0, -v->radius_mm, 0);
  double depth = 0;
  double d0 = v->radius_mm + wall;
  ph_shape *p = ph_add_shape(s, centre, d0, d0, -4); /* muscle down to the uterus */
  p->mod_db = ph_range(r, 4, 7);
  p->mod_u = ph_range(r, 9, 18);
  p->mod_v = ph_range(r, 0.9, 1.8);
  int layers = 2 + ph_pick(r, 2);
  for (int i = 0; i < layers; i++) {
    depth += ph_range(r, 0.12, 0.3) * wall;
    double q = v->radius_mm + depth;
    double x = ph_range(r, -6, 6), z = -v->radius_mm + ph_range(r, -1.5, 1.5), thick = ph_range(r, 0.5, 1.3),
           db = ph_range(r, -2, 7);
    ph_edge *e = ph_add_arc(s, ph_frame_at(x, z, 0), q, q, 0, 1, thick, db);
    e->gaps = 0.35;
    e->gap_mm = 22;
  }
  ph_edge *e = ph_add_arc(s, centre, d0, d0, 0, 1, 1.0, ph_range(r, 0, 8));
  e->gaps = 0.2;
  e->gap_mm = 30;
}

void ph_add_mother(ph_scene *s, const ph_view *v, ph_rng *r, double cx, double cz, double reach) {
  double top = cz - reach, wall = ph_clamp(top - ph_range(r, 1, 10), 6, 32);
  s->base_echo = ph_db(ph_range(r, -11, -4));
  s->base_mod_db = ph_range(r, 5, 9);
  double fluid = ph_range(r, -36, -25);
  /* The uterine cavity: fluid in an irregular space around the object. */
  int lumps = 2 + ph_pick(r, 2);
  for (int i = 0; i < lumps; i++) {
    double a = reach * ph_range(r, 0.7, 1.45), b = reach * ph_range(r, 0.6, 1.15);
    double x = cx + reach * ph_range(r, -0.45, 0.45), z = cz + reach * ph_range(r, -0.2, 0.2),
           turn = ph_range(r, -0.5, 0.5);
    ph_shape *p = ph_add_shape(s, ph_frame_at(x, z, turn), a, b, fluid);
    p->soft = 0.8;
    p->mod_db = 2;
  }
  if (ph_uniform(r) < 0.55) { /* placenta on the near or the far wall, or beside */
    double side = ph_uniform(r) < 0.5 ? -1 : 1, where = ph_range(r, -0.8, 0.8);
    double half = reach * ph_range(r, 0.25, 0.4), db = ph_range(r, -2, 3);
    ph_frame f = ph_frame_at(cx + where * reach * 1.3, cz + side * reach * 1.22, where * -0.5 * side);
    ph_shape *p = ph_add_shape(s, f, reach * 1.1, half, db);
    p->mod_db = 1.5;
    p->mod_u = 6;
    p->mod_v = 5;
  }
  /* Limbs or folds that touch the object. */
  int bits = ph_pick(r, 4);
  for (int i = 0; i < bits; i++) {
    double t = ph_range(r, 0, 2 * PH_PI), q = reach * ph_range(r, 1.05, 1.35);
    ph_frame f = ph_frame_at(cx + q * ph_cos(t), cz + q * ph_sin(t), ph_range(r, 0, PH_PI));
    double a = reach * ph_range(r, 0.15, 0.3), b = reach * ph_range(r, 0.1, 0.18), db = ph_range(r, -8, 0);
    ph_shape *p = ph_add_shape(s, f, a, b, db);
    p->soft = 0.6;
    ph_add_arc(s, f, p->a, p->b, 0, 1, 0.5, ph_range(r, 2, 10));
    if (ph_uniform(r) < 0.5) {
      double line[] = {-0.6 * p->a, 0, 0.6 * p->a, 0};
      ph_edge *bone = ph_add_line_in(s, &f, 2, line, 1.0, 16);
      bone->loss = 5;
    }
  }
  double far = v->radius_mm + cz + reach * ph_range(r, 1.12, 1.3);
  double far_x = ph_range(r, -10, 10), far_db = ph_range(r, 6, 14);
  ph_edge *e = ph_add_arc(s, ph_frame_at(far_x, -v->radius_mm, 0), far, far, 0, 1, 1.2, far_db);
  e->gaps = 0.35;
  e->gap_mm = 26;
  add_wall(s, v, r, wall);
}
