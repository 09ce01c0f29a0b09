#include "imaging_image.h"

#include <stdlib.h>
#include <string.h>

#define SIDE_MAX 32768

ogv_status ogv_image_new(int width, int height, int channels, ogv_image *out, ogv_error *err) {
  *out = (ogv_image){0};
  if (width < 1 || height < 1 || width > SIDE_MAX || height > SIDE_MAX)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a picture of %d x %d pixels is not possible (1..%d a side)", width,
                    height, SIDE_MAX);
  if (channels != 1 && channels != 3)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a picture has 1 or 3 channels, not %d", channels);
  size_t stride = (size_t)width * (size_t)channels;
  uint8_t *p = calloc((size_t)height, stride);
  if (!p)
    return ogv_fail(err, OGV_E_MEMORY, "Close other programs, or use a machine with more memory.",
                    "no memory for a picture of %d x %d pixels", width, height);
  *out = (ogv_image){.width = width, .height = height, .channels = channels, .stride = stride, .pixels = p};
  return OGV_OK;
}

void ogv_image_free(ogv_image *img) {
  if (!img) return;
  free(img->pixels);
  *img = (ogv_image){0};
}

ogv_status ogv_image_to_grey(const ogv_image *src, ogv_image *out, ogv_error *err) {
  OGV_TRY(ogv_image_new(src->width, src->height, 1, out, err));
  for (int y = 0; y < src->height; y++) {
    const uint8_t *s = src->pixels + (size_t)y * src->stride;
    uint8_t *d = out->pixels + (size_t)y * out->stride;
    if (src->channels == 1) {
      memcpy(d, s, (size_t)src->width);
      continue;
    }
    /* Rec. 601 weights in 16-bit fixed point; they add up to 65536, so grey RGB keeps its value exactly. */
    for (int x = 0; x < src->width; x++, s += 3)
      d[x] = (uint8_t)((19595u * s[0] + 38470u * s[1] + 7471u * s[2] + 32768u) >> 16);
  }
  return OGV_OK;
}
