#include <string.h>

#include "private/phantom_anatomy.h"

/* Places inside the head in units of its half axes: u along the long axis (front positive), v across (far from the
 * probe positive in the usual lie). Sizes are typical of what pictures show; nothing here is a reference value. */
typedef struct brain {
  ph_scene *s;
  ph_rng *r;
  ph_frame f;
  double a, b; /* inner half axes */
  double w;    /* weeks */
  double dim;  /* dB taken from its lines: many heads show few of them */
  double off;  /* distance from the standard plane */
} brain;

static ph_shape *blob(const brain *k, double u, double v, double a, double b, double turn, double echo) {
  return ph_add_shape(k->s, ph_frame_in(&k->f, u * k->a, v * k->b, turn), a * k->a, b * k->b, echo);
}
/* A line through its points; three points are joined by a curve. */
static ph_edge *stroke(const brain *k, int n, const double *uv, double thick, double db) {
  double p[12];
  if (n == 3) {
    double cu = 2 * uv[2] - (uv[0] + uv[4]) / 2, cv = 2 * uv[3] - (uv[1] + uv[5]) / 2;
    for (int i = 0; i < 6; i++) {
      double t = i / 5.0, q = 1 - t;
      p[2 * i] = (q * q * uv[0] + 2 * q * t * cu + t * t * uv[4]) * k->a;
      p[2 * i + 1] = (q * q * uv[1] + 2 * q * t * cv + t * t * uv[5]) * k->b;
    }
    n = 6;
  } else
    for (int i = 0; i < n; i++) {
      p[2 * i] = uv[2 * i] * k->a;
      p[2 * i + 1] = uv[2 * i + 1] * k->b;
    }
  ph_edge *e = ph_add_line_in(k->s, &k->f, n, p, thick, db - k->dim);
  e->floor = 0.25;
  return e;
}

static void midline(const brain *k) {
  double bend = ph_range(k->r, -0.03, 0.03);
  double back[] = {-0.93, 0, -0.6, bend, -0.28, bend * 0.5}, front[] = {0.55, 0, 0.75, -bend * 0.5, 0.93, 0};
  double db = ph_range(k->r, 12, 18);
  ph_edge *e = stroke(k, 3, back, 0.5, db);
  e->gaps = 0.25;
  e = stroke(k, 3, front, 0.5, db);
  e->gaps = 0.2;
  double third[] = {-0.14, 0.012, 0.16, 0.012};
  e = stroke(k, 2, third, 0.4, 9);
  e->gaps = 0.3;
}

static void cavum(const brain *k) {
  double w = ph_clamp(0.075 - 0.0006 * (k->w - 18), 0.05, 0.085);
  ph_shape *p = blob(k, 0.44, 0, 0.115, w, 0, -46 + 28 * k->off);
  p->soft = 0.35;
  p->warped = false;
  double up[] = {0.33, -w, 0.55, -w * 0.9}, down[] = {0.33, w, 0.55, w * 0.9};
  stroke(k, 2, up, 0.45, 15)->warped = false;
  stroke(k, 2, down, 0.45, 15)->warped = false;
}

static void thalami(const brain *k) {
  for (int side = -1; side <= 1; side += 2) {
    ph_shape *p = blob(k, 0.03, side * 0.17, 0.2, 0.15, side * 0.22, -27);
    p->soft = 1.0;
    double wall[] = {-0.17, side * 0.27, 0.0, side * 0.33, 0.2, side * 0.24};
    ph_edge *e = stroke(k, 3, wall, 0.6, 5);
    e->gaps = 0.35;
    double cistern[] = {-0.2, side * 0.03, -0.28, side * 0.12, -0.3, side * 0.24};
    e = stroke(k, 3, cistern, 0.8, 9);
    e->gaps = 0.2;
  }
}

static void ventricles(const brain *k) {
  double big = ph_clamp(1.35 - 0.04 * (k->w - 14), 0.6, 1.35);
  for (int side = -1; side <= 1; side += 2) {
    double v = side * 0.44;
    ph_shape *p = blob(k, -0.36, v, 0.3 * big, 0.12 * big, side * -0.22, -42);
    p->soft = 0.6;
    p = blob(k, -0.36, v, 0.22 * big, 0.085 * big, side * -0.22, -9); /* choroid plexus */
    p->mod_db = 3;
    p->mod_u = p->mod_v = 2;
    double out[] = {-0.68, v + side * 0.06, -0.4, v + side * 0.13 * big, -0.05, v + side * 0.02};
    double in[] = {-0.62, v - side * 0.05, -0.36, v - side * 0.1 * big, -0.08, v - side * 0.08};
    ph_edge *e = stroke(k, 3, out, 0.5, 12);
    e->gaps = 0.2;
    e = stroke(k, 3, in, 0.5, 8);
    e->gaps = 0.35;
    double horn[] = {0.48, side * 0.14, 0.62, side * 0.2, 0.68, side * 0.27}; /* frontal horn */
    stroke(k, 3, horn, 0.4, 8)->gaps = 0.2;
  }
}

static void folds(const brain *k) {
  for (int side = -1; side <= 1; side += 2) { /* insula and Sylvian fissure */
    double d = ph_clamp(0.62 + 0.006 * (k->w - 20), 0.55, 0.74);
    double ins[] = {-0.08, side * d, 0.12, side * (d + 0.05), 0.32, side * (d - 0.02)};
    ph_edge *e = stroke(k, 3, ins, 0.7, 11);
    e->gaps = 0.2;
    double edge[] = {-0.08, side * d, -0.1, side * (d + 0.18)};
    stroke(k, 2, edge, 0.6, 6)->gaps = 0.3;
  }
  int n = (int)ph_clamp((k->w - 16) * 1.3, 2, 26);
  for (int i = 0; i < n; i++) {
    double t = ph_range(k->r, 0, 2 * PH_PI), q = ph_range(k->r, 0.6, 0.92), l = ph_range(k->r, 0.03, 0.09);
    double u = q * ph_cos(t), v = q * ph_sin(t), turn = t + ph_range(k->r, -0.6, 0.6);
    double p[] = {u, v, u + l * ph_cos(turn), v + l * ph_sin(turn)};
    stroke(k, 2, p, 0.5, ph_range(k->r, -2, 8))->floor = 0.4;
  }
  ph_shape *p = blob(k, -0.62, 0, 0.2, 0.3, 0, -24); /* behind: cerebellum's shade in part */
  p->soft = 2;
}

/* The bone: dim where the beam runs along it, uneven, broken at the sutures. */
static void skull(ph_scene *s, ph_rng *r, const ph_frame *place, double a, double b, const double *wave,
                  const ph_look_of *l) {
  ph_edge *e = ph_add_arc(s, *place, a, b, 0, 1, ph_skull_mm(l->weeks), ph_range(r, 18, 29));
  e->warped = false;
  e->soft = 0.12;
  e->floor = ph_range(r, 0.03, 0.12);
  e->power = ph_range(r, 1.6, 3.4);
  e->diffuse = e->specular * 0.22;
  e->loss = l->shadow * ph_clamp(1.6 + 0.3 * (l->weeks - 14), 1.6, 6);
  e->gaps = ph_clamp(0.05 + 0.45 * l->dropout, 0, 0.6);
  e->gap_mm = 0.36 * b;
  e->vary_db = ph_range(r, 4, 10);
  memcpy(e->wave, wave, sizeof e->wave);
}

/* Scalp, hair and what lies on it. */
static void scalp(ph_scene *s, ph_rng *r, const ph_frame *place, double a, double b, const double *wave, double weeks) {
  double thick = ph_range(r, 0.6, 1.4) + 0.04 * weeks;
  ph_shape *p = ph_add_shape(s, *place, a + thick, b + thick, ph_range(r, -26, -9));
  p->warped = false;
  p->soft = 0.9;
  memcpy(p->wave, wave, sizeof p->wave);
  ph_edge *e = ph_add_arc(s, *place, a + thick, b + thick, 0, 1, 0.4, ph_range(r, -14, 6));
  e->warped = false;
  e->gaps = 0.5;
  e->gap_mm = 14;
  memcpy(e->wave, wave, sizeof e->wave);
}

void ph_add_head(ph_scene *s, ph_rng *r, ph_frame place, double ofd, double bpd, const ph_look_of *l) {
  double t = ph_skull_mm(l->weeks), edge = ph_skull_middle_mm(l->weeks) - t / 2, a = ofd / 2 - edge, b = bpd / 2 - edge;
  if (l->flip) { /* front to the other side: turned by half a circle would also swap near and far */
    place.c = -place.c;
    place.s = -place.s;
  }
  double wave[PH_WAVES] = {ph_range(r, 0, 0.016), ph_range(r, -0.008, 0.008), ph_range(r, -0.007, 0.007),
                           ph_range(r, -0.007, 0.007)}; /* narrower in front, and not quite regular */
  for (int i = 0; i < PH_WAVES; i++) wave[i] *= b;
  scalp(s, r, &place, a, b, wave, l->weeks);
  brain k = {.s = s, .r = r, .f = place, .a = a - t, .b = b - t, .w = l->weeks, .off = l->off};
  k.dim = ph_range(r, 1, 9) + 22 * l->off; /* other planes show none of these lines */
  ph_shape *p = ph_add_shape(s, place, a - t * 0.5, b - t * 0.5, ph_range(r, -23, -11));
  p->warped = false;
  p->soft = 0.3;
  p->mod_db = 3.5;
  p->mod_u = 7;
  p->mod_v = 4;
  memcpy(p->wave, wave, sizeof p->wave);
  int patches = 4 + ph_pick(r, 6); /* uneven brightness, as brains have */
  for (int i = 0; i < patches; i++) {
    double t0 = ph_range(r, 0, 2 * PH_PI), q = ph_range(r, 0.1, 0.7);
    double pa = ph_range(r, 0.12, 0.35), pb = ph_range(r, 0.12, 0.3), turn = ph_range(r, 0, PH_PI),
           db = ph_range(r, -26, -8);
    p = blob(&k, q * ph_cos(t0), q * ph_sin(t0), pa, pb, turn, db);
    p->soft = ph_range(r, 1.5, 4);
  }
  ventricles(&k);
  thalami(&k);
  folds(&k);
  midline(&k);
  cavum(&k);
  for (int i = s->n_edges - 1; i >= 0 && s->edges[i].line; i--) s->edges[i].diffuse = 0.5 * s->edges[i].specular;
  skull(s, r, &place, a, b, wave, l);
}
