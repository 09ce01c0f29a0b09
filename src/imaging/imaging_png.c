#include "imaging_png.h"

#include <png.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"

bool ogv_png_is(const void *data, size_t size) { return size >= 8 && !memcmp(data, "\x89PNG\r\n\x1a\n", 8); }

ogv_status ogv_png_decode(const void *data, size_t size, ogv_image *out, ogv_error *err) {
  png_image png = {.version = PNG_IMAGE_VERSION};
  *out = (ogv_image){0};
  if (!png_image_begin_read_from_memory(&png, data, size)) {
    ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "not a readable PNG file: %s", png.message);
    png_image_free(&png);
    return OGV_E_CORRUPT;
  }
  bool grey = !(png.format & PNG_FORMAT_FLAG_COLOR);
  png.format = grey ? PNG_FORMAT_GRAY : PNG_FORMAT_RGB;
  if (png.width > 32768 || png.height > 32768) {
    png_image_free(&png);
    return ogv_fail(err, OGV_E_RANGE, NULL, "the PNG file is too large (%u by %u)", png.width, png.height);
  }
  ogv_status s = ogv_image_new((int)png.width, (int)png.height, grey ? 1 : 3, out, err);
  if (s != OGV_OK) {
    png_image_free(&png);
    return s;
  }
  png_color black = {0, 0, 0};
  if (!png_image_finish_read(&png, &black, out->pixels, (png_int_32)out->stride, NULL)) {
    ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "the PNG file is damaged: %s", png.message);
    png_image_free(&png);
    ogv_image_free(out);
    return OGV_E_CORRUPT;
  }
  return OGV_OK;
}

ogv_status ogv_png_encode(const ogv_image *img, uint8_t **data, size_t *size, ogv_error *err) {
  png_image png = {.version = PNG_IMAGE_VERSION,
                   .width = (png_uint_32)img->width,
                   .height = (png_uint_32)img->height,
                   .format = img->channels == 1 ? PNG_FORMAT_GRAY : PNG_FORMAT_RGB};
  png_alloc_size_t n = PNG_IMAGE_PNG_SIZE_MAX(png);
  *data = malloc(n);
  if (!*data) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory writing a PNG file");
  if (!png_image_write_to_memory(&png, *data, &n, 0, img->pixels, (png_int_32)img->stride, NULL)) {
    free(*data);
    *data = NULL;
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "cannot write a PNG file: %s", png.message);
  }
  *size = n;
  return OGV_OK;
}

ogv_status ogv_png_read(const char *path, ogv_image *out, ogv_error *err) {
  uint8_t *data;
  size_t n;
  OGV_TRY(ogv_file_read(path, 256u << 20, &data, &n, err));
  ogv_status s = ogv_png_decode(data, n, out, err);
  free(data);
  return s == OGV_OK ? s : ogv_error_at(err, s, "%s", path);
}

ogv_status ogv_png_write(const char *path, const ogv_image *img, ogv_error *err) {
  uint8_t *data;
  size_t n;
  OGV_TRY(ogv_png_encode(img, &data, &n, err));
  ogv_status s = ogv_file_write(path, data, n, err);
  free(data);
  return s;
}
