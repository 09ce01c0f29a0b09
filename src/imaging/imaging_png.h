/* PNG files (libpng): pictures that come without DICOM, and pictures for people to look at. */
#ifndef IMAGING_PNG_H
#define IMAGING_PNG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"
#include "imaging_image.h"

/* True when the bytes start as a PNG file does. */
bool ogv_png_is(const void *data, size_t size);
/* Decodes to grey8 (grey files) or RGB8 (all others); alpha is laid over black. OGV_E_CORRUPT with libpng's reason. */
ogv_status ogv_png_decode(const void *data, size_t size, ogv_image *out, ogv_error *err);
/* Encodes without any time or text chunk: same picture, same bytes. *data is malloc'ed. */
ogv_status ogv_png_encode(const ogv_image *img, uint8_t **data, size_t *size, ogv_error *err);
/* Both with files. */
ogv_status ogv_png_read(const char *path, ogv_image *out, ogv_error *err);
ogv_status ogv_png_write(const char *path, const ogv_image *img, ogv_error *err);

#endif
