/* A picture in memory: 8-bit grey or interleaved RGB, top row first. */
#ifndef IMAGING_IMAGE_H
#define IMAGING_IMAGE_H

#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

typedef struct ogv_image {
  int width, height;
  int channels;  /* 1 grey, 3 RGB */
  size_t stride; /* bytes from row to row, at least width*channels */
  uint8_t *pixels;
} ogv_image;

/* Allocates zeroed pixels; 1..32768 a side. Free with ogv_image_free. */
ogv_status ogv_image_new(int width, int height, int channels, ogv_image *out, ogv_error *err);
void ogv_image_free(ogv_image *img); /* leaves it empty; safe to call twice */

/* Grey copy: luminance by Rec. 601 (0.299 R + 0.587 G + 0.114 B). A grey picture is copied. */
ogv_status ogv_image_to_grey(const ogv_image *src, ogv_image *out, ogv_error *err);

#endif
