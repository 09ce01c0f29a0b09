#include "private/phantom_anatomy.h"

/* The shaft lies along u, from -fl/2 to fl/2, slightly bowed away from the probe in its middle third; its ends are the
 * truth. */
void ph_add_femur(ph_scene *s, ph_rng *r, ph_frame place, double fl, const ph_look_of *l) {
  double h = fl / 2, thick = ph_femur_thick_mm(l->weeks), bow = ph_range(r, -0.035, 0.05) * fl;
  if (l->flip) bow = -bow * 0.5;
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
  double bone[] = {-h, 0, -0.55 * h, bow * 0.75, 0, bow, 0.55 * h, bow * 0.75, h, 0};
  /* Capsules have round ends of half the thickness: drawn with square ends by shortening, see docs/phantom.md. */
  double cut = thick / 2 - 0.15;
  bone[0] += cut;
  bone[8] -= cut;
  e = ph_add_line_in(s, &place, 5, bone, thick, ph_range(r, 22, 27));
  e->warped = false;
  e->soft = 0.15;
  e->power = 1;
  e->floor = 0.35;
  e->diffuse = 0.3 * e->specular;
  e->loss = l->shadow * 7;
  e->gaps = ph_clamp(0.3 * l->dropout, 0, 0.3);
  e->gap_mm = fl * 0.2;
}
