#include "measure_head.h"

#include <math.h>

#include "obstetrics_ratio.h"
#include "private/auto_shape.h"

ogv_status ogv_head_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                            ogv_error *err) {
  auto_ellipse e;
  auto_framed framed;
  double sd;
  bool found;
  out->accepted = true;
  OGV_TRY(auto_round_measure(r, c, s, out, &e, &framed, &sd, &found, err));
  if (!found) return OGV_OK;
  if (c->mm > 0) {
    const double rel = hypot(sd, s->calibration_sd), hc = auto_ellipse_perimeter(&e) * c->mm, bpd = 2 * e.b * c->mm,
                 ofd = 2 * e.a * c->mm;
    auto_reading_value(out, "hc", hc, rel * hc);
    /* Single axes scatter more than the circumference: 1.5 and 1.6 times in cross-validation (model card). */
    auto_reading_value(out, "bpd", bpd, hypot(1.5 * sd, s->calibration_sd) * bpd);
    auto_reading_value(out, "ofd", ofd, hypot(1.6 * sd, s->calibration_sd) * ofd);
    /* The scatter of single heads about the conversion (data/conventions.json) is not in what was read; 1 % is our own
     * allowance. */
    double oi;
    if (ogv_bpd_convert(bpd, "outer-outer", "outer-inner", &oi, NULL, NULL) == OGV_OK && oi > 0)
      auto_reading_value(out, "bpd-oi", oi, hypot(hypot(1.5 * sd, 0.01), s->calibration_sd) * oi);
    auto_reading_value(out, "ci", e.b / e.a, 2.2 * sd * e.b / e.a);
  }
  if (e.b / e.a < 0.6 || e.b / e.a > 0.99)
    auto_reading_refuse(out, "the outline is %.2f times as wide as long: not a head in the measuring plane", e.b / e.a);
  auto_reading_check(out, "hc");
  return OGV_OK;
}
