/* Femur: FL between the ends of the ossified shaft. Called through measure_auto.h. */
#ifndef MEASURE_FEMUR_H
#define MEASURE_FEMUR_H

#include "measure_auto.h"

struct auto_canvas;
/* Fills `out` from a canvas made of `s`; used by ogv_reader_measure. */
ogv_status ogv_femur_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                             ogv_error *err);

#endif
