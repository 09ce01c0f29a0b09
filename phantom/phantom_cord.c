#include "private/phantom_anatomy.h"

void ph_add_cord(ph_scene *s, ph_rng *r, ph_frame place, double length, double weeks, ph_cord *out) {
  double vein = ph_clamp(1.2 + 0.11 * (weeks - 16), 0.9, 4), artery = vein * 0.55, twist = ph_range(r, 1.6, 2.6),
         start = ph_range(r, 0, 6);
  double bend = ph_range(r, -0.12, 0.12) * length;
  out->n = 60;
  out->radius[0] = vein;
  out->radius[1] = out->radius[2] = artery;
  ph_shape *p = ph_add_shape(s, place, length * 0.75, length * 0.45, -60); /* fluid around the loop */
  p->soft = 1;
  p->mod_db = 0;
  for (int i = 0; i < 24; i++) { /* jelly */
    double t = i / 23.0, u = (t - 0.5) * length, v = bend * 4 * t * (1 - t);
    p = ph_add_shape(s, ph_frame_in(&place, u, v, 0), vein * 2.6, vein * 2.5, -13);
    p->warped = false;
  }
  for (int k = 0; k < 3; k++)
    for (int i = 0; i < out->n; i++) {
      double t = i / (out->n - 1.0), u = (t - 0.5) * length, v = bend * 4 * t * (1 - t);
      double phase = start + 2 * PH_PI * twist * t + k * 2 * PH_PI / 3;
      v += (k ? 1.5 : 0.8) * vein * ph_sin(phase);
      ph_frame_out(&place, u, v, &out->x[k][i], &out->z[k][i]);
      if (s->n_shapes < PH_SHAPES - 1 && i % (k ? 1 : 2) == 0) {
        p = ph_add_shape(s, ph_frame_at(out->x[k][i], out->z[k][i], 0), out->radius[k], out->radius[k], PH_FLUID);
        p->warped = false;
        p->soft = 0.3;
      }
    }
}
