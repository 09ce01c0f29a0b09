#include <math.h>

#include "phantom_plane.h"
#include "private/phantom_math.h"

json_t *ogv_phantom_plane_json(const ogv_phantom_plane_truth *t) {
  static const char *const words[] = {"head", "abdomen", "femur"}, *const lengths[] = {"ofd_mm", "apad_mm", "fl_mm"},
                           *const breadths[] = {"bpd_mm", "tad_mm", NULL}, *const rounds[] = {"hc_mm", "ac_mm", NULL};
  json_t *o = json_object(), *p = json_array();
  json_object_set_new(o, "plane", json_string(words[t->kind]));
  json_object_set_new(o, "mm_per_px", json_real(t->mm_per_px));
  json_object_set_new(o, "centre", json_pack("[f,f]", t->centre_x, t->centre_y));
  json_object_set_new(o, "angle_deg", json_real(ph_round(t->angle_rad * 180 / PH_PI, 4)));
  json_object_set_new(o, lengths[t->kind], json_real(t->length_mm));
  if (breadths[t->kind]) json_object_set_new(o, breadths[t->kind], json_real(t->breadth_mm));
  if (rounds[t->kind]) json_object_set_new(o, rounds[t->kind], json_real(ph_round(t->perimeter_mm, 3)));
  for (int i = 0; i < t->n_points; i++)
    json_array_append_new(p, json_pack("[f,f]", ph_round(t->points[2 * i], 3), ph_round(t->points[2 * i + 1], 3)));
  json_t *g = json_object();
  json_object_set_new(g, "kind", json_string(t->kind == OGV_PHANTOM_FEMUR ? "distance" : "ellipse"));
  json_object_set_new(g, "points", p);
  json_object_set_new(o, "geometry", g);
  if (t->kind == OGV_PHANTOM_FEMUR)
    json_object_set_new(o, "middle", json_pack("[f,f]", ph_round(t->middle[0], 3), ph_round(t->middle[1], 3)));
  json_object_set_new(o, "edge_peak_mm", json_real(ph_round(t->edge_peak_mm, 3)));
  json_object_set_new(o, "outside", json_real(ph_round(t->outside, 3)));
  return o;
}
