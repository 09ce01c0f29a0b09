/* Periodicity of many signals at once: pixels of a clip, depths of an M-mode strip; and what reads such a strip. */
#ifndef PERIOD_INT_H
#define PERIOD_INT_H

#include "measure_rate.h"

/* rows signals of n samples each, value[r*n + i], dt seconds apart. Slow changes (over some 0.8 s) are taken out;
 * signals count by their variance. Fills out. */
ogv_status period_of_rows(float *value, size_t rows, size_t n, double dt, ogv_rate *out, ogv_error *err);

/* OGV_E_CALIBRATION unless the region is an M-mode strip with a time scale, some size, inside the picture. */
ogv_status mmode_check(const ogv_image *p, const ogv_region *r, ogv_error *err);
/* Brightness of a pixel inside the picture, 0..255. */
int mmode_grey(const ogv_image *p, int x, int y);

#endif
