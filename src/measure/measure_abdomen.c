#include "measure_abdomen.h"

#include <math.h>

#include "private/auto_shape.h"

ogv_status ogv_abdomen_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                               ogv_error *err) {
  auto_ellipse e;
  double sd;
  bool found;
  out->accepted = true;
  OGV_TRY(auto_round_measure(r, c, s, out, &e, &sd, &found, err));
  if (!found) return OGV_OK;
  if (c->mm > 0) {
    const double ac = auto_ellipse_perimeter(&e) * c->mm;
    auto_reading_value(out, "ac", ac, hypot(sd, s->calibration_sd) * ac);
    /* Where the spine lies is not read from the picture, so the axes are not named front to back and side to side: the
     * longer and the shorter diameter bound both. TAD and APAD are their mean with a spread that covers either. */
    const double mean = (e.a + e.b) * c->mm, half = (e.a - e.b) * c->mm;
    const double spread = hypot(half, hypot(1.5 * sd, s->calibration_sd) * mean);
    auto_reading_value(out, "tad", mean, spread);
    auto_reading_value(out, "apad", mean, spread);
  }
  if (e.b / e.a < 0.6)
    auto_reading_refuse(out, "the outline is %.2f times as wide as long: an oblique section", e.b / e.a);
  auto_reading_check(out, "ac");
  return OGV_OK;
}
