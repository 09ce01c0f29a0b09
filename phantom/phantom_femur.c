#include "private/phantom_anatomy.h"

static void bone(ph_scene *s, ph_rng *r, const ph_frame *f, int n, const double *uv, double thick, double db,
                 double shadow) {
  ph_edge *e = ph_add_line_in(s, f, n, uv, thick, db);
  e->warped = false;
  e->power = 1;
  e->floor = 0.35;
  e->diffuse = 0.3 * e->specular;
  e->loss = shadow * 7;
  e->vary_db = ph_range(r, 2, 6);
  e->fade_mm = 3;
  e->gap_mm = 8;
}

/* The other thigh, on the far side or the near side, turned a little; and its bone, often less square to the beam. */
static void neighbour(ph_scene *s, ph_rng *r, const ph_frame *place, double fl, const ph_look_of *l) {
  double side = ph_uniform(r) < 0.7 ? 1 : -1, away = fl * ph_range(r, 0.5, 0.8) + 4, turn = ph_range(r, -0.45, 0.45);
  ph_frame f = ph_frame_in(place, ph_range(r, -0.25, 0.25) * fl, side * away, turn);
  ph_shape *p = ph_add_shape(s, f, 0.62 * fl, 0.22 * fl + 1, ph_range(r, -14, -8));
  p->mod_db = 3;
  p->mod_u = 10;
  p->mod_v = 1.5;
  ph_add_arc(s, f, 0.62 * fl, 0.22 * fl + 1, 0, 1, 0.7, ph_range(r, 4, 10))->gaps = 0.35;
  double h = fl * ph_range(r, 0.3, 0.48), bow = ph_range(r, -0.04, 0.04) * fl, line[] = {-h, 0, 0, bow, h, 0};
  bone(s, r, &f, 3, line, ph_femur_thick_mm(l->weeks) * 0.9, ph_range(r, 12, 24), l->shadow);
}

/* The lower leg behind a bent knee: two bones, the nearer one brighter. */
static void lower_leg(ph_scene *s, ph_rng *r, const ph_frame *place, double fl, const ph_look_of *l) {
  double end = ph_uniform(r) < 0.5 ? -1 : 1, gap = ph_range(r, 0.16, 0.24) * fl, bend = ph_range(r, 0.6, 2.2) * end;
  double dir = end > 0 ? 0 : PH_PI; /* onwards along the shaft, then bent towards or away from the probe */
  if (ph_uniform(r) < 0.5) bend = -bend;
  ph_frame knee = ph_frame_in(place, end * (fl / 2 + gap * 0.5), 0, dir + bend);
  double len = fl * ph_range(r, 0.7, 0.88), half = fl * 0.17 + 1;
  ph_frame leg = ph_frame_in(&knee, gap * 0.6 + len / 2, 0, 0);
  ph_shape *p = ph_add_shape(s, leg, len * 0.62, half, ph_range(r, -14, -8));
  p->mod_db = 3;
  p->mod_u = 10;
  p->mod_v = 1.5;
  double apart = 0.055 * fl + 0.6, one[] = {-len / 2, -apart, len / 2, -apart * 0.7},
         two[] = {-len / 2 * 0.95, apart, len / 2, apart * 0.8};
  bone(s, r, &leg, 2, one, ph_femur_thick_mm(l->weeks) * 0.7, ph_range(r, 12, 22), l->shadow);
  bone(s, r, &leg, 2, two, ph_femur_thick_mm(l->weeks) * 0.5, ph_range(r, 8, 18), l->shadow);
}

/* Something that takes sound away (a hand's bones, a cord, gas in the mother) above one end. The shadow falls along the
 * beams, which meet in the middle of the probe's curvature, so the bar is laid between it and the end. */
static void end_in_shadow(ph_scene *s, ph_rng *r, const ph_frame *place, double fl, double part, double radius_mm) {
  double end = ph_uniform(r) < 0.5 ? -1 : 1, x[2], z[2], xz[4], up = ph_range(r, 0.45, 0.8);
  for (int i = 0; i < 2; i++) {
    ph_frame_out(place, end * fl / 2 * (i ? 1.25 : 1 - 2 * part), 0, &x[i], &z[i]);
    xz[2 * i] = x[i] * up;
    xz[2 * i + 1] = (z[i] + radius_mm) * up - radius_mm;
    if (xz[2 * i + 1] < 2) { /* not above the skin */
      double k = (2 + radius_mm) / (z[i] + radius_mm);
      xz[2 * i] = x[i] * k;
      xz[2 * i + 1] = 2;
    }
  }
  ph_edge *e = ph_add_line(s, 2, xz, 1.2, ph_range(r, -6, 8));
  e->warped = false;
  e->loss = ph_range(r, 8, 18);
  e->soft = 1.0;
}

/* The shaft lies along u, from -fl/2 to fl/2, slightly bowed away from the probe in its middle third; its ends are the
 * truth. */
double ph_add_femur(ph_scene *s, ph_rng *r, ph_frame place, double fl, const ph_look_of *l, double radius_mm) {
  double h = fl / 2, thick = ph_femur_thick_mm(l->weeks), bow = ph_range(r, -0.035, 0.05) * fl;
  if (l->flip) bow = -bow * 0.5;
  ph_rng more = ph_rng_of(ph_next(r), 31); /* own draws, so that these leave the rest as it is */
  if (l->neighbour) neighbour(s, &more, &place, fl, l);
  if (l->flexed) lower_leg(s, &more, &place, fl, l);
  /* Thigh: skin, fat, muscle. */
  double len = h * ph_range(r, 1.25, 1.45), half = fl * ph_range(r, 0.26, 0.36) + 2;
  double tu = ph_range(r, -0.08, 0.08) * fl, tv = ph_range(r, -0.02, 0.06) * fl, turn = ph_range(r, -0.06, 0.06);
  ph_frame thigh = ph_frame_in(&place, tu, tv, turn);
  ph_shape *p = ph_add_shape(s, thigh, len, half, ph_range(r, -8, -4));
  p->soft = 0.3;
  p->mod_db = 2.5;
  p->mod_u = 12;
  p->mod_v = 1.6;
  p = ph_add_shape(s, ph_frame_in(&thigh, 0, 0, 0), len * 0.94, half - ph_skin_mm(l->weeks) * 1.3,
                   ph_range(r, -17, -12));
  p->mod_db = 4;
  p->mod_u = 14;
  p->mod_v = 1.3;
  ph_edge *e = ph_add_arc(s, thigh, len, half, 0, 1, 0.8, ph_range(r, 8, 14));
  e->gaps = 0.25;
  e->gap_mm = 12;
  e->power = 3;
  for (int i = 0; i < 3; i++) { /* fasciae */
    double v = -half * ph_range(r, 0.25, 0.75), u0 = ph_range(r, -0.9, -0.2) * h;
    double mid = v * ph_range(r, 0.85, 1.1), end = v * ph_range(r, 0.8, 1.1);
    double line[] = {u0, v, u0 + 0.5 * h, mid, u0 + h, end};
    ph_add_line_in(s, &thigh, 3, line, 0.5, ph_range(r, 4, 9))->gaps = 0.3;
  }
  /* Cartilage at both ends: dark, with a thin bright surface. */
  for (int side = -1; side <= 1; side += 2) {
    double w = thick * ph_range(r, 1.3, 1.9);
    ph_frame c = ph_frame_in(&place, side * (h + w * 0.85), 0, 0);
    p = ph_add_shape(s, c, w, w * 1.1, -22);
    p->soft = 0.5;
    e = ph_add_arc(s, c, w, w * 1.1, 0, 1, 0.5, 5);
    e->gaps = 0.4;
  }
  double shaft[] = {-h, 0, -0.55 * h, bow * 0.75, 0, bow, 0.55 * h, bow * 0.75, h, 0};
  /* Capsules have round ends of half the thickness: drawn with square ends by shortening, see docs/phantom.md. */
  double cut = thick / 2 - 0.15;
  shaft[0] += cut;
  shaft[8] -= cut;
  e = ph_add_line_in(s, &place, 5, shaft, thick, ph_range(r, 19, 27) - 26 * l->off);
  e->warped = false;
  e->soft = 0.15;
  e->power = 1;
  e->floor = 0.35;
  e->diffuse = 0.3 * e->specular;
  e->loss = l->shadow * 7;
  e->gaps = ph_clamp(0.3 * l->dropout, 0, 0.3);
  e->gap_mm = fl * 0.2;
  e->vary_db = ph_range(r, 1, 5);
  e->fade_mm = ph_clamp(ph_range(r, 0.04, 0.12) * fl, 0.8, 5);
  if (l->shadowed_end > 0) end_in_shadow(s, r, &place, fl, l->shadowed_end, radius_mm);
  return bow;
}
