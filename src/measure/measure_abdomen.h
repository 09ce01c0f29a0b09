/* Abdomen: AC and the two diameters of its ellipse. Called through measure_auto.h. */
#ifndef MEASURE_ABDOMEN_H
#define MEASURE_ABDOMEN_H

#include "measure_auto.h"

struct auto_canvas;
/* Fills `out` from a canvas made of `s`; used by ogv_reader_measure. */
ogv_status ogv_abdomen_measure(ogv_reader *r, const struct auto_canvas *c, const ogv_still *s, ogv_reading *out,
                               ogv_error *err);

#endif
