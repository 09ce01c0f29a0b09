/* Periodicity of many signals at once: pixels of a clip, depths of an M-mode strip. */
#ifndef PERIOD_INT_H
#define PERIOD_INT_H

#include "measure_rate.h"

/* rows signals of n samples each, value[r*n + i], dt seconds apart. Slow changes (over some 0.8 s) are taken out;
 * signals count by their variance. Fills out. */
ogv_status period_of_rows(float *value, size_t rows, size_t n, double dt, ogv_rate *out, ogv_error *err);

#endif
