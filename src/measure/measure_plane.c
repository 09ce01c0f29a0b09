#include "measure_plane.h"

#include <math.h>

#include "measure_auto.h"
#include "private/auto_shape.h"

static void add(ogv_reading *r, const char *id, const char *text, int state) {
  if (r->n_criteria < OGV_READING_CRITERIA) r->criterion[r->n_criteria++] = (ogv_criterion){id, text, state};
}

void auto_reading_quality(ogv_reading *out, double long_px, double view_px, bool whole) {
  const int large = long_px >= 0.5 * view_px;
  if (out->kind == OGV_PLANE_HEAD) {
    add(out, "size", "the head fills more than half of the picture's width", large);
    add(out, "outline", "the whole outline lies inside the picture", whole);
    add(out, "symmetry", "both halves of the brain are symmetrical about the midline", -1);
    add(out, "thalami", "the thalami are seen", -1);
    add(out, "cavum", "the cavum septi pellucidi is seen", -1);
    add(out, "no-cerebellum", "the cerebellum is not seen", -1);
  } else if (out->kind == OGV_PLANE_ABDOMEN) {
    add(out, "size", "the abdomen fills more than half of the picture's width", large);
    add(out, "outline", "the whole outline lies inside the picture", whole);
    add(out, "symmetry", "the section is round and symmetrical", -1);
    add(out, "stomach", "the stomach is seen", -1);
    add(out, "portal-sinus", "the umbilical vein is seen at the portal sinus", -1);
    add(out, "no-kidneys", "the kidneys are not seen", -1);
  } else if (out->kind == OGV_PLANE_FEMUR) {
    add(out, "size", "the bone fills more than half of the picture's width", large);
    add(out, "ends", "both ends of the bone are clearly seen", whole);
    add(out, "angle", "the bone lies at less than 45 degrees to the rows", fabs(out->angle_deg) < 45);
  }
}

void ogv_plane_score(const ogv_reading *r, int *judged, int *met, int *all) {
  *judged = *met = 0;
  *all = r->n_criteria;
  for (int i = 0; i < r->n_criteria; i++) {
    if (r->criterion[i].state >= 0) ++*judged;
    if (r->criterion[i].state > 0) ++*met;
  }
}
