/* A reading against what growth allows: the last step, after the value is settled. It never changes the value and never
 * makes a reading surer. The networks and the blind re-read know nothing of it.
 *
 * By Bayes' rule: of right readings the z of a fetus in a department is taken as normal with SD 1.3 (charts and
 * populations differ), and one in twenty as from a fetus grown abnormally, SD 3; of wrong readings (another structure,
 * a wrong plane, a wrong scale) z is taken as normal with SD 8, which is what errors of 10 to 40 % come to. The three
 * figures are our own choice, wide enough that a small or large fetus read surely is not refused before z is beyond
 * about 4. */
#include <math.h>

#include "private/auto_shape.h"

static double normal(double z, double sd) { return exp(-0.5 * z * z / (sd * sd)) / sd; }

double auto_plausible_acceptance(double acceptance, double z) {
  if (!isfinite(z)) return acceptance;
  const double right = 0.95 * normal(z, 1.3) + 0.05 * normal(z, 3), wrong = normal(z, 8);
  const double p = acceptance * right / (acceptance * right + (1 - acceptance) * wrong);
  return isfinite(p) ? fmin(acceptance, p) : 0;
}

static const char *main_quantity(ogv_plane k) {
  return k == OGV_PLANE_HEAD ? "hc" : k == OGV_PLANE_ABDOMEN ? "ac" : "fl";
}

void ogv_reading_plausible(ogv_reading *r, int ga_days, const ogv_known_size *others, size_t n) {
  r->plausible = (ogv_plausibility){NAN, NAN, NAN, "", ""};
  r->acceptance_before = r->acceptance;
  if (r->kind > OGV_PLANE_FEMUR) return;
  const ogv_reading_value *v = ogv_reading_find(r, main_quantity(r->kind));
  if (!v) return;
  ogv_plausibility_of(v->id, v->value, ga_days, others, n, &r->plausible);
  r->acceptance = auto_plausible_acceptance(r->acceptance, r->plausible.z);
  if (r->accepted && r->acceptance < auto_confidence_threshold(r->kind))
    /* Which way it lies is not said: the eye is not led. */
    auto_reading_refuse(r, "the size does not fit %s: look at plane, calibration, dates and which fetus it is",
                        r->plausible.against);
}
