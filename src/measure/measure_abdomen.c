#include "measure_abdomen.h"

#include <math.h>

#include "private/auto_shape.h"

/* How sure the direction of the spine must be for the two diameters to be told apart, and its SD then: out of fold, 171
 * of 222 abdomens pass and none of them lies more than 30 degrees off (our own landmarks, docs/second-reader.md). */
static const double spine_sure = 0.9, spine_sd_deg = 9;

/* Length of the chord through the centre in a direction of the canvas. */
static double chord(const auto_ellipse *e, double direction) {
  const double t = direction - e->theta;
  return 2 / hypot(cos(t) / e->a, sin(t) / e->b);
}

/* Front to back along the spine's direction, side to side across it. Where the spine is not seen surely both are the
 * mean diameter with a spread that covers the longer and the shorter axis. */
static void diameters(ogv_reading *out, const auto_ellipse *e, const auto_framed *f, double sd, double mm,
                      double calibration_sd) {
  const double mean = (e->a + e->b) * mm, half = (e->a - e->b) * mm, of_outline = hypot(1.5 * sd, calibration_sd);
  double tad = mean, apad = mean, tad_sd = hypot(half, of_outline * mean), apad_sd = tad_sd;
  if (f->spine_trust >= spine_sure) {
    const double at = atan2(f->spine_y, f->spine_x), turn = spine_sd_deg * M_PI / 180;
    apad = chord(e, at) * mm;
    tad = chord(e, at + M_PI / 2) * mm;
    const double moved = fmax(fabs(chord(e, at + turn) * mm - apad), fabs(chord(e, at - turn) * mm - apad));
    apad_sd = hypot(moved, of_outline * apad);
    tad_sd = hypot(moved, of_outline * tad);
  }
  auto_reading_value(out, "tad", tad, tad_sd);
  auto_reading_value(out, "apad", apad, apad_sd);
}

ogv_status ogv_abdomen_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                               ogv_error *err) {
  auto_ellipse e;
  auto_framed framed;
  double sd;
  bool found;
  out->accepted = true;
  OGV_TRY(auto_round_measure(r, c, s, out, &e, &framed, &sd, &found, err));
  if (!found) return OGV_OK;
  if (framed.spine_trust >= spine_sure) {
    double x0, y0, x1, y1;
    auto_canvas_to_picture(c, e.cx, e.cy, &x0, &y0);
    auto_canvas_to_picture(c, e.cx + e.a * framed.spine_x, e.cy + e.a * framed.spine_y, &x1, &y1);
    out->spine_deg = atan2(y1 - y0, x1 - x0) * 180 / M_PI;
  }
  if (c->mm > 0) {
    const double ac = auto_ellipse_perimeter(&e) * c->mm;
    auto_reading_value(out, "ac", ac, hypot(sd, s->calibration_sd) * ac);
    diameters(out, &e, &framed, sd, c->mm, s->calibration_sd);
  }
  if (e.b / e.a < 0.6)
    auto_reading_refuse(out, "the outline is %.2f times as wide as long: an oblique section", e.b / e.a);
  auto_reading_check(out, "ac");
  return OGV_OK;
}
