/* Flow drawn as a lit relief: a display only. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "measure_colour.h"

static double height_at(const float *flow, int w, int h, int x, int y) {
  /* Mean over 3x3: single pixels do not make cliffs. */
  double sum = 0;
  for (int j = -1; j <= 1; j++)
    for (int i = -1; i <= 1; i++) {
      int xx = x + i < 0 ? 0 : x + i >= w ? w - 1 : x + i, yy = y + j < 0 ? 0 : y + j >= h ? h - 1 : y + j;
      float f = flow[(size_t)yy * (size_t)w + (size_t)xx];
      sum += isnan(f) ? 0 : fabs(f);
    }
  return sum / 9;
}

ogv_status ogv_colour_relief(const ogv_image *picture, const float *flow, ogv_image *out, ogv_error *err) {
  int w = picture->width, h = picture->height;
  OGV_TRY(ogv_image_new(w, h, 3, out, err));
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      const uint8_t *q = picture->pixels + (size_t)y * picture->stride + (size_t)x * 3;
      uint8_t *o = out->pixels + (size_t)y * out->stride + (size_t)x * 3;
      memcpy(o, q, 3);
      if (isnan(flow[(size_t)y * (size_t)w + (size_t)x])) continue;
      double dx = 12 * (height_at(flow, w, h, x + 1, y) - height_at(flow, w, h, x - 1, y));
      double dy = 12 * (height_at(flow, w, h, x, y + 1) - height_at(flow, w, h, x, y - 1));
      double n = sqrt(dx * dx + dy * dy + 1);
      double light = (0.5 * dx + 0.5 * dy + 0.7071) / n; /* light from the upper left, above the picture */
      double shine = light > 0.95 ? (light - 0.95) * 20 * 60 : 0;
      double k = 0.35 + 0.75 * (light > 0 ? light : 0);
      for (int c = 0; c < 3; c++) {
        double v = q[c] * k + shine;
        o[c] = (uint8_t)(v > 255 ? 255 : v);
      }
    }
  return OGV_OK;
}

ogv_status ogv_colour_relief_on(const ogv_image *stored, const ogv_image *shown, const ogv_region *regions, size_t n,
                                ogv_image *out, ogv_error *err) {
  ogv_colour_bar bar;
  if (shown->width != stored->width || shown->height != stored->height || shown->channels != 3)
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the picture is grey: it shows no colour flow");
  OGV_TRY(ogv_colour_bar_find(stored, regions, n, &bar, err));
  float *flow = malloc(sizeof *flow * (size_t)stored->width * (size_t)stored->height);
  if (!flow) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = ogv_colour_flow(stored, &bar, flow, err);
  if (s == OGV_OK) s = ogv_colour_relief(shown, flow, out, err);
  free(flow);
  return s;
}
