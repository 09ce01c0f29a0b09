#include "private/phantom_anatomy.h"

/* Systole as a smooth pulse: 0 at the end of diastole, 1 at the end of systole (phase 0.35). */
static double systole(double phase) {
  phase -= floor(phase);
  if (phase < 0.35) return ph_smooth(phase / 0.35);
  if (phase < 0.55) return 1 - 0.75 * ph_smooth((phase - 0.35) / 0.2);
  return 0.25 * (1 - ph_smooth((phase - 0.55) / 0.35));
}

typedef struct heart {
  ph_scene *s;
  ph_frame f; /* heart's own frame: u towards the apex, v to its right */
  double l;   /* half length */
  double sys;
} heart;

static ph_shape *part(const heart *h, double u, double v, double a, double b, double turn, double db, double move) {
  double shift = move * h->l * h->sys; /* everything moves a little towards the apex in systole */
  ph_shape *p = ph_add_shape(h->s, ph_frame_in(&h->f, u * h->l + shift, v * h->l, turn), a * h->l, b * h->l, db);
  p->warped = false;
  p->move_u = shift * h->f.c;
  p->move_v = shift * h->f.s;
  p->soft = 0.4;
  return p;
}

static ph_edge *stroke(const heart *h, double u0, double v0, double u1, double v1, double thick, double db) {
  double uv[] = {u0 * h->l, v0 * h->l, u1 * h->l, v1 * h->l};
  ph_edge *e = ph_add_line_in(h->s, &h->f, 2, uv, thick, db);
  e->warped = false;
  e->floor = 0.45;
  e->diffuse = 0.4 * e->specular;
  return e;
}

static void chambers(const heart *h) {
  double s = h->sys, vent = 1 - 0.34 * s, atr = 1 + 0.22 * s, open = 1 - ph_smooth(s * 2);
  double turn = 0.0, av = 0.02 + 0.08 * s; /* the valve plane moves towards the apex */
  ph_shape *wall = part(h, 0.02, 0, 1.0, 0.74 - 0.08 * s, turn, -4, 0.05);
  wall->mod_db = 2;
  for (int side = -1; side <= 1; side += 2) {
    part(h, 0.4 + 0.06 * s, side * 0.29, 0.42 * vent, 0.225 * vent, side * -0.12, PH_FLUID, 0.04);
    part(h, -0.4 + 0.05 * s, side * 0.3, 0.31 * atr, 0.25 * atr, side * 0.1, PH_FLUID, 0.06);
    double hinge = side * 0.5, tip_u = av + 0.22 * open, tip_v = side * (0.3 + 0.0 * open);
    stroke(h, av, hinge, tip_u, tip_v + side * 0.12 * open, 0.5, 10);
    stroke(h, av, side * 0.07, tip_u, tip_v - side * 0.12 * open, 0.5, 10);
  }
  stroke(h, 0.86, 0, av, 0, 0.1 * h->l, 6)->loss = 0; /* interventricular septum */
  stroke(h, av, 0, -0.2, 0.02, 0.5, 10);
  stroke(h, -0.42, 0.02, -0.62, 0, 0.5, 10); /* between them the oval foramen */
  double flap[] = {-0.2 * h->l, 0.02 * h->l, -0.32 * h->l, (-0.06 - 0.06 * open) * h->l, -0.42 * h->l, 0.0};
  ph_add_line_in(h->s, &h->f, 3, flap, 0.4, 7)->warped = false;
  ph_edge *e = ph_add_arc(h->s, ph_frame_in(&h->f, 0.02 * h->l + 0.03 * h->l * s, 0, turn), 1.02 * h->l,
                          (0.76 - 0.08 * s) * h->l, 0, 1, 0.5, 9);
  e->warped = false;
  e->gaps = 0.2;
}

ph_frame ph_add_heart(ph_scene *s, ph_rng r, ph_frame place, double apad, double tad, double phase,
                      const ph_look_of *l) {
  double a = apad / 2, b = tad / 2, skin = ph_skin_mm(l->weeks);
  ph_shape *p = ph_add_shape(s, place, a, b, -5);
  p->warped = false;
  p->soft = 0.3;
  p = ph_add_shape(s, place, a - skin * 1.6, b - skin * 1.6, ph_range(&r, -7, -3)); /* lungs */
  p->warped = false;
  p->soft = 0.8;
  ph_edge *e = ph_add_arc(s, place, a, b, 0, 1, skin * 0.7, 14);
  e->warped = false;
  e->gaps = 0.15;
  e->floor = 0.06;
  e->vary_db = 4;
  for (int side = -1; side <= 1; side += 2) { /* one rib on each side, as in a true cross-section */
    double from = side > 0 ? 0.12 : 0.62, to = side > 0 ? 0.38 : 0.88;
    ph_edge *rib = ph_add_arc(s, place, a * 0.9, b * 0.9, from, to, 0.8 + 0.02 * l->weeks, 16);
    rib->warped = false;
    rib->loss = 0.8 * l->shadow;
    rib->gaps = 0.15;
  }
  ph_frame spine = ph_frame_in(&place, -0.74 * a, 0, 0);
  for (int i = -1; i <= 1; i++) {
    e = ph_add_arc(s, ph_frame_in(&spine, i ? -0.13 * a : 0, i * 0.09 * b, 0), 0.05 * a + 0.6, 0.05 * a + 0.6, 0, 1,
                   0.05 * a + 0.5, 19);
    e->warped = false;
    e->floor = 0.5;
    e->loss = 4 * l->shadow;
  }
  p = ph_add_shape(s, ph_frame_in(&place, -0.52 * a, -0.08 * b, 0), 0.06 * a + 0.3, 0.06 * b + 0.3,
                   PH_FLUID); /* aorta */
  p->warped = false;
  heart h = {.s = s, .l = 0.6 * a, .sys = systole(phase)};
  h.f = ph_frame_in(&place, 0.13 * a, -0.1 * b, -PH_HEART_TURN);
  (void)ph_uniform(&r);
  chambers(&h);
  return ph_frame_in(&h.f, 0.24 * h.l, -0.26 * h.l, 0);
}
