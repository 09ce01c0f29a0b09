#include "private/phantom_anatomy.h"

/* Crown at u = +crl/2, rump at u = -crl/2 (the truth: outer borders of the skin on the long axis); the back is at v <
 * 0. */
void ph_add_early(ph_scene *s, ph_rng *r, ph_frame place, double crl, double nt, const ph_look_of *l) {
  double h = crl / 2, ha = 0.235 * crl, hb = 0.195 * crl, ba = 0.33 * crl, bb = 0.165 * crl;
  ph_frame head = ph_frame_in(&place, h - ha, 0, 0), body = ph_frame_in(&place, -h + ba, 0, 0);
  s->base_echo = ph_db(-5);
  ph_shape *p = ph_add_shape(s, ph_frame_in(&place, 0, 0.06 * crl, 0), crl * 0.86, crl * 0.5, -48); /* the sac */
  p->mod_db = 0;
  p->soft = 0.6;
  ph_edge *e = ph_add_arc(s, ph_frame_in(&place, 0, 0.03 * crl, 0), crl * 0.72, crl * 0.38, 0, 1, 0.3, 2); /* amnion */
  e->gaps = 0.45;
  for (int i = 0; i < 4; i++) { /* limbs */
    double u = (i < 2 ? 0.05 : -0.3) * crl + ph_range(r, -0.03, 0.03) * crl;
    ph_frame f = ph_frame_in(&place, u, (i % 2 ? 0.2 : 0.24) * crl, ph_range(r, 0.3, 1.2));
    p = ph_add_shape(s, f, 0.1 * crl, 0.03 * crl, -4);
    double bone[] = {-0.07 * crl, 0, 0.06 * crl, 0};
    ph_add_line_in(s, &f, 2, bone, 0.7, 12);
  }
  struct {
    ph_frame f;
    double a, b;
  } parts[2] = {{head, ha, hb}, {body, ba, bb}};
  for (int i = 0; i < 2; i++) {
    p = ph_add_shape(s, parts[i].f, parts[i].a, parts[i].b, i ? -5 : -9);
    p->warped = false;
    p->soft = 0.15;
    e = ph_add_arc(s, parts[i].f, parts[i].a, parts[i].b, i ? 0.2 : 0.72, i ? 0.95 : 1.28, 0.5,
                   12); /* skin, open at the neck */
    e->warped = false;
    e->floor = 0.15;
  }
  p = ph_add_shape(s, ph_frame_in(&place, 0.06 * crl, 0.01 * crl, 0), 0.16 * crl, 0.11 * crl, -6); /* neck */
  p->warped = false;
  e = ph_add_arc(s, ph_frame_in(&head, -0.01 * crl, 0, 0), ha * 0.86, hb * 0.86, 0.62, 1.3, 0.7, 17); /* skull */
  e->warped = false;
  e->loss = 0.7 * l->shadow;
  e->floor = 0.2;
  p = ph_add_shape(s, head, ha * 0.74, hb * 0.74, -24);
  p->warped = false;
  p = ph_add_shape(s, ph_frame_in(&head, -0.02 * crl, 0.02 * crl, 0), ha * 0.42, hb * 0.3, -8); /* choroid plexus */
  double face[] = {0.13 * crl, 0.185 * crl, 0.06 * crl, 0.2 * crl, 0.04 * crl, 0.13 * crl};
  ph_add_line_in(s, &place, 3, face, 0.8, 13)->warped = false;
  double back[] = {0.1 * crl, -0.09 * crl, -0.1 * crl, -0.115 * crl, -0.3 * crl, -0.1 * crl, -0.42 * crl, -0.03 * crl};
  for (int i = 0; i < 2; i++) { /* spine: two broken lines */
    double q[8];
    for (int j = 0; j < 4; j++) {
      q[2 * j] = back[2 * j];
      q[2 * j + 1] = back[2 * j + 1] + i * 0.022 * crl;
    }
    e = ph_add_line_in(s, &place, 4, q, 0.7, 14);
    e->gaps = 0.35;
    e->gap_mm = 1.2;
    e->floor = 0.4;
    e->warped = false;
  }
  p = ph_add_shape(s, ph_frame_in(&place, -0.2 * crl, 0.03 * crl, 0), 0.04 * crl, 0.03 * crl, PH_FLUID); /* stomach */
  /* Nuchal translucency: fluid between two lines whose facing edges are nt apart. */
  double w = 0.45, v0 = -0.162 * crl;
  for (int i = 0; i < 2; i++) {
    double v = v0 - (i ? nt + w : 0);
    double line[] = {0.12 * crl, v + 0.012 * crl, 0.03 * crl, v, -0.08 * crl, v + 0.006 * crl};
    e = ph_add_line_in(s, &place, 3, line, w, 12);
    e->warped = false;
    e->floor = 0.3;
  }
  p = ph_add_shape(s, ph_frame_in(&place, 0.02 * crl, v0 - nt / 2 - w / 2, 0), 0.11 * crl, nt / 2, PH_FLUID);
  p->warped = false;
  p->soft = 0.1;
}
