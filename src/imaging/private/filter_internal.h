/* One rectangle of grey values on which the filters work, 0..255. */
#ifndef FILTER_INTERNAL_H
#define FILTER_INTERNAL_H

#include "core_status.h"

typedef struct ogv_plane {
  int width, height;
  float *v;
} ogv_plane;

ogv_status ogv_filter_speckle(ogv_plane *p, double strength, ogv_error *err);
ogv_status ogv_filter_shading(ogv_plane *p, double strength, ogv_error *err);
ogv_status ogv_filter_contrast(ogv_plane *p, double strength, ogv_error *err);

#endif
