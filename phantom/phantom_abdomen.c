#include <string.h>

#include "private/phantom_anatomy.h"

/* u runs from the spine (-1) to the umbilicus (+1) in units of the half axes; v < 0 is the fetus's left in the
 * unflipped lie. */
static void spine(ph_scene *s, const ph_frame *f, double a, double b, const ph_look_of *l) {
  double size = 0.055 * (a + b) / 2 + 0.6;
  ph_shape *p = ph_add_shape(s, ph_frame_in(f, -0.76 * a, 0, 0), 0.14 * a, 0.16 * b, -14);
  p->warped = false;
  double at[3][2] = {{-0.68, 0}, {-0.85, -0.085}, {-0.85, 0.085}}; /* body and the two arches */
  for (int i = 0; i < 3; i++) {
    ph_frame c = ph_frame_in(f, at[i][0] * a, at[i][1] * b, 0);
    ph_edge *e = ph_add_arc(s, c, size * (i ? 0.75 : 1.15), size * (i ? 0.8 : 1.0), 0, 1, size * 0.95, 20);
    e->warped = false;
    e->floor = 0.5;
    e->diffuse = 0.4 * e->specular;
    e->loss = l->shadow * 4.5;
  }
  ph_shape *aorta = ph_add_shape(s, ph_frame_in(f, -0.5 * a, -0.1 * b, 0), 0.05 * a + 0.3, 0.05 * b + 0.3, PH_FLUID);
  aorta->soft = 0.4;
  ph_shape *cava = ph_add_shape(s, ph_frame_in(f, -0.38 * a, 0.15 * b, 0), 0.045 * a + 0.3, 0.06 * b + 0.3, PH_FLUID);
  cava->soft = 0.4;
}

static void ribs(ph_scene *s, ph_rng *r, const ph_frame *f, double a, double b, const ph_look_of *l) {
  for (int side = -1; side <= 1; side += 2) {
    double from = ph_range(r, 0.30, 0.36), len = ph_range(r, 0.06, 0.11); /* turns from the umbilicus */
    double lo = side > 0 ? from : 1 - from - len;
    ph_edge *e = ph_add_arc(s, *f, a * 0.9, b * 0.9, lo, lo + len, 0.9 + 0.02 * l->weeks, 19);
    e->warped = false;
    e->loss = l->shadow * 3.2;
    e->floor = 0.25;
  }
}

static void vein(ph_scene *s, ph_rng *r, const ph_frame *f, double a, double b, double off) {
  double w = 0.035 * (a + b) / 2 + 0.6;
  /* Umbilical vein from a third of the way in, curving to the right portal branch: capsules of fluid. */
  double from = ph_range(r, 0.72, 0.82), bend = ph_range(r, 0.2, 0.3);
  double pts[5][2] = {{from, -0.02}, {0.5, 0.0}, {bend, 0.03}, {bend - 0.1, 0.16}, {bend - 0.12, 0.32}};
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 12; j++) { /* quadratic pieces between the middles, so that the bend is round */
      double t = j / 12.0, q0 = (1 - t) * (1 - t) / 2, q1 = 0.5 + t - t * t, q2 = t * t / 2;
      double u = (pts[i][0] * q0 + pts[i + 1][0] * q1 + pts[i + 2][0] * q2) * a;
      double v = (pts[i][1] * q0 + pts[i + 1][1] * q1 + pts[i + 2][1] * q2) * b;
      ph_shape *p =
          ph_add_shape(s, ph_frame_in(f, u, v, 0), w * (i > 1 ? 0.8 : 1), w * (i > 1 ? 0.8 : 1), PH_FLUID + 62 * off);
      p->soft = 0.35;
      p->warped = false;
    }
  for (int side = -1; side <= 1; side += 2) {
    double line[] = {from * a, side * w - 0.02 * b, 0.5 * a, side * w, bend * a, side * w + 0.03 * b};
    ph_edge *e = ph_add_line_in(s, f, 3, line, 0.5, 10 - 24 * off);
    e->warped = false;
    e->gaps = 0.25;
  }
}

void ph_add_abdomen(ph_scene *s, ph_rng *r, ph_frame place, double apad, double tad, const ph_look_of *l) {
  double a = apad / 2, b = tad / 2, skin = ph_skin_mm(l->weeks);
  if (l->flip) { /* spine to the other side */
    place.c = -place.c;
    place.s = -place.s;
  }
  double wave[PH_WAVES];
  for (int i = 0; i < PH_WAVES; i++) wave[i] = ph_range(r, -0.011, 0.011) * b;
  ph_shape *p = ph_add_shape(s, place, a, b, ph_range(r, -14, -3)); /* skin and fat */
  p->warped = false;
  p->soft = 0.35;
  memcpy(p->wave, wave, sizeof p->wave);
  p = ph_add_shape(s, place, a - skin, b - skin, ph_range(r, -20, -10)); /* muscle: darker rim */
  p->warped = false;
  p->soft = 0.4;
  memcpy(p->wave, wave, sizeof p->wave);
  p = ph_add_shape(s, place, a - skin * 1.9, b - skin * 1.9, ph_range(r, -13, -4)); /* liver and bowel */
  p->soft = 0.8;
  p->mod_db = ph_range(r, 1.5, 4);
  p->mod_u = p->mod_v = ph_range(r, 3, 7);
  p = ph_add_shape(s, ph_frame_in(&place, -0.1 * a, -0.52 * b, 0.3), 0.42 * a, 0.32 * b,
                   ph_range(r, -10, -6)); /* spleen, bowel */
  p->mod_db = 3;
  p->mod_u = p->mod_v = 3;
  double stretch = ph_range(r, 0.75, 1.25); /* the stomach is more or less full */
  double st_u = ph_range(r, 0.05, 0.2) * a, st_turn = ph_range(r, -0.6, 0.3);
  ph_frame st = ph_frame_in(&place, st_u, -0.47 * b, st_turn);
  p = ph_add_shape(s, st, 0.2 * a * stretch, 0.12 * b * stretch + 1, PH_FLUID + 55 * l->off);
  p->soft = 0.6;
  ph_edge *e = ph_add_arc(s, st, p->a + 0.6, p->b + 0.6, 0, 1, 0.7, 2);
  e->gaps = 0.3;
  for (int i = 0; i < 7; i++) { /* vessels in the liver */
    double u = ph_range(r, -0.3, 0.75) * a, across = ph_range(r, 0.1, 0.7) * b, turn = ph_range(r, 0, PH_PI);
    ph_frame v = ph_frame_in(&place, u, across, turn);
    p = ph_add_shape(s, v, ph_range(r, 0.02, 0.09) * a, 0.012 * b + 0.35, -32);
    p->soft = 0.5;
  }
  vein(s, r, &place, a, b, l->off);
  spine(s, &place, a, b, l);
  ribs(s, r, &place, a, b, l);
  /* The skin's echo: its outer half-maximum is the truth, so that the bright line lies a little inside. */
  e = ph_add_arc(s, place, a - PH_SKIN_INSET, b - PH_SKIN_INSET, 0, 1, skin * 0.8, ph_range(r, 8, 17));
  e->warped = false;
  e->soft = 0.2;
  e->floor = ph_range(r, 0.03, 0.1);
  e->power = ph_range(r, 2, 4);
  e->diffuse = e->specular * 0.1;
  e->gaps = ph_clamp(0.12 + 0.45 * l->dropout, 0, 0.6);
  e->gap_mm = 0.2 * tad;
  e->vary_db = ph_range(r, 4, 9);
  memcpy(e->wave, wave, sizeof e->wave);
}
