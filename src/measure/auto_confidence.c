/* From what the networks saw to an SD and a probability. The coefficients are fitted by training/calibrate.py on
 * out-of-fold readings (every picture read by networks that never saw its patient); docs/second-reader.md has the fit.
 */
#include <math.h>

#include "obstetrics_quantity.h"
#include "private/auto_shape.h"

/* Constant, then one coefficient for each feature. */
static const double sd_model[3][9] = {
#include "private/auto_confidence_sd.inc"
};
static const double accept_model[3][9] = {
#include "private/auto_confidence_accept.inc"
};
static const double threshold[3] = {
#include "private/auto_confidence_threshold.inc"
};

static double linear(const double *k, const double f[8]) {
  double v = k[0];
  for (int i = 0; i < 8; i++) v += k[1 + i] * f[i];
  return v;
}

double auto_confidence_sd(ogv_plane kind, const double feature[8]) {
  return fmin(0.5, fmax(0.002, exp(linear(sd_model[kind], feature))));
}

double auto_confidence_accept(ogv_plane kind, const double feature[8]) {
  return 1 / (1 + exp(-linear(accept_model[kind], feature)));
}

double auto_confidence_threshold(ogv_plane kind) { return threshold[kind]; }

void auto_reading_check(ogv_reading *out, const char *quantity) {
  const ogv_reading_value *v = ogv_reading_find(out, quantity);
  if (!v) {
    auto_reading_refuse(out, "the picture has no calibration in millimetres");
    return;
  }
  const ogv_quantity *q = ogv_quantity_find(quantity);
  if (q && (v->value < q->low || v->value > q->high))
    auto_reading_refuse(out, "%s of %.1f mm lies outside %.0f to %.0f mm, the plausible range", q->symbol, v->value,
                        q->low, q->high);
}
