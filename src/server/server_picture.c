/* Pictures as bytes: lossless PNG (libpng), JPEG for previews (libjpeg-turbo), scaling down by averaging. */
#include <png.h>
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "server_internal.h"

typedef struct sink {
  uint8_t *data;
  size_t size, capacity;
} sink;

static void sink_write(png_structp png, png_bytep bytes, png_size_t n) {
  sink *s = png_get_io_ptr(png);
  if (s->size + n > s->capacity) {
    size_t capacity = (s->size + n) * 3 / 2 + 65536;
    uint8_t *p = realloc(s->data, capacity);
    if (!p) png_error(png, "out of memory");
    s->data = p;
    s->capacity = capacity;
  }
  memcpy(s->data + s->size, bytes, n);
  s->size += n;
}

static void sink_flush(png_structp png) { (void)png; }
static void png_quiet(png_structp png, png_const_charp text) { (void)png, (void)text; }
static void png_stop(png_structp png, png_const_charp text) {
  (void)text;
  png_longjmp(png, 1);
}

ogv_status ogv_picture_png(const ogv_image *img, uint8_t **data, size_t *size, ogv_error *err) {
  sink s = {0};
  png_infop info = NULL;
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, png_stop, png_quiet);
  if (png) info = png_create_info_struct(png);
  if (!info || setjmp(png_jmpbuf(png))) {
    png_destroy_write_struct(&png, &info);
    free(s.data);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while a picture was written");
  }
  png_set_write_fn(png, &s, sink_write, sink_flush);
  /* Speed matters more than size here: the browser is on the same machine or network. */
  png_set_compression_level(png, 1);
  png_set_filter(png, 0, PNG_FILTER_SUB);
  png_set_IHDR(png, info, (png_uint_32)img->width, (png_uint_32)img->height, 8,
               img->channels == 3 ? PNG_COLOR_TYPE_RGB : PNG_COLOR_TYPE_GRAY, PNG_INTERLACE_NONE,
               PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_write_info(png, info);
  for (int y = 0; y < img->height; y++) png_write_row(png, img->pixels + (size_t)y * img->stride);
  png_write_end(png, NULL);
  png_destroy_write_struct(&png, &info);
  *data = s.data;
  *size = s.size;
  return OGV_OK;
}

typedef struct jpeg_trouble {
  struct jpeg_error_mgr base;
  jmp_buf out;
} jpeg_trouble;

static void jpeg_stop(j_common_ptr c) { longjmp(((jpeg_trouble *)c->err)->out, 1); }

ogv_status ogv_picture_jpeg(const ogv_image *img, int quality, uint8_t **data, size_t *size, ogv_error *err) {
  struct jpeg_compress_struct c;
  jpeg_trouble trouble;
  unsigned char *bytes = NULL;
  unsigned long n = 0;
  c.err = jpeg_std_error(&trouble.base);
  trouble.base.error_exit = jpeg_stop;
  if (setjmp(trouble.out)) {
    jpeg_destroy_compress(&c);
    free(bytes);
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "a preview could not be written");
  }
  jpeg_create_compress(&c);
  jpeg_mem_dest(&c, &bytes, &n);
  c.image_width = (JDIMENSION)img->width;
  c.image_height = (JDIMENSION)img->height;
  c.input_components = img->channels;
  c.in_color_space = img->channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
  jpeg_set_defaults(&c);
  jpeg_set_quality(&c, quality, TRUE);
  jpeg_start_compress(&c, TRUE);
  while (c.next_scanline < c.image_height) {
    JSAMPROW row = img->pixels + (size_t)c.next_scanline * img->stride;
    jpeg_write_scanlines(&c, &row, 1);
  }
  jpeg_finish_compress(&c);
  jpeg_destroy_compress(&c);
  *data = bytes;
  *size = n;
  return OGV_OK;
}

ogv_status ogv_picture_shrink(const ogv_image *img, int max_width, int max_height, ogv_image *out, ogv_error *err) {
  double scale = 1;
  if (img->width * scale > max_width) scale = (double)max_width / img->width;
  if (img->height * scale > max_height) scale = (double)max_height / img->height;
  int w = (int)(img->width * scale + 0.5), h = (int)(img->height * scale + 0.5);
  if (w < 1) w = 1;
  if (h < 1) h = 1;
  OGV_TRY(ogv_image_new(w, h, img->channels, out, err));
  for (int y = 0; y < h; y++) {
    int sy0 = (int)((long)y * img->height / h), sy1 = (int)(((long)y + 1) * img->height / h);
    if (sy1 <= sy0) sy1 = sy0 + 1;
    for (int x = 0; x < w; x++) {
      int sx0 = (int)((long)x * img->width / w), sx1 = (int)(((long)x + 1) * img->width / w);
      if (sx1 <= sx0) sx1 = sx0 + 1;
      unsigned sum[3] = {0, 0, 0}, n = (unsigned)((sx1 - sx0) * (sy1 - sy0));
      for (int sy = sy0; sy < sy1; sy++) {
        const uint8_t *p = img->pixels + (size_t)sy * img->stride + (size_t)sx0 * (size_t)img->channels;
        for (int sx = sx0; sx < sx1; sx++)
          for (int c = 0; c < img->channels; c++) sum[c] += *p++;
      }
      for (int c = 0; c < img->channels; c++)
        out->pixels[(size_t)y * out->stride + (size_t)(x * img->channels + c)] = (uint8_t)((sum[c] + n / 2) / n);
    }
  }
  return OGV_OK;
}
