#include "private/dicom_jpeg.h"

#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jerror.h>
#include <jpeglib.h>

typedef struct {
  struct jpeg_error_mgr base;
  jmp_buf back;
  char text[JMSG_LENGTH_MAX];
  long warnings;
  unsigned char *made; /* what the encoder has written; kept here so that a jump back still finds it */
  unsigned long made_size;
} jpeg_trouble;

static void on_error(j_common_ptr info) {
  jpeg_trouble *t = (jpeg_trouble *)info->err;
  t->base.format_message(info, t->text);
  longjmp(t->back, 1);
}
static void on_message(j_common_ptr info, int level) {
  jpeg_trouble *t = (jpeg_trouble *)info->err;
  /* Bytes between two markers are padding that some writers leave; nothing of the picture is lost by them. */
  if (level >= 0 || t->base.msg_code == JWRN_EXTRANEOUS_DATA) return;
  if (t->warnings++ == 0) t->base.format_message(info, t->text);
}
static void on_output(j_common_ptr info) { (void)info; }

static struct jpeg_error_mgr *trouble(jpeg_trouble *t) {
  struct jpeg_error_mgr *m = jpeg_std_error(&t->base);
  m->error_exit = on_error;
  m->emit_message = on_message;
  m->output_message = on_output;
  t->text[0] = 0;
  t->warnings = 0;
  t->made = NULL;
  t->made_size = 0;
  return m;
}

static void encode_rows(struct jpeg_compress_struct *c, const ogv_image *img) {
  while (c->next_scanline < c->image_height) {
    JSAMPROW row = img->pixels + (size_t)c->next_scanline * img->stride;
    jpeg_write_scanlines(c, &row, 1);
  }
}

ogv_status ogv_dicom_jpeg_encode(const ogv_image *img, int quality, uint8_t **data, size_t *size, ogv_error *err) {
  struct jpeg_compress_struct c;
  jpeg_trouble t;
  memset(&c, 0, sizeof c);
  c.err = trouble(&t);
  if (setjmp(t.back)) {
    jpeg_destroy_compress(&c);
    free(t.made);
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "the picture cannot be written as JPEG: %s", t.text);
  }
  jpeg_create_compress(&c);
  jpeg_mem_dest(&c, &t.made, &t.made_size);
  c.image_width = (JDIMENSION)img->width;
  c.image_height = (JDIMENSION)img->height;
  c.input_components = img->channels;
  c.in_color_space = img->channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
  jpeg_set_defaults(&c);
  jpeg_set_quality(&c, quality, TRUE);
  c.dct_method = JDCT_ISLOW;
  if (img->channels == 3) { /* 4:2:2, as YBR_FULL_422 says */
    c.comp_info[0].h_samp_factor = 2;
    c.comp_info[0].v_samp_factor = 1;
  }
  jpeg_start_compress(&c, TRUE);
  encode_rows(&c, img);
  jpeg_finish_compress(&c);
  jpeg_destroy_compress(&c);
  *data = t.made;
  *size = t.made_size;
  return OGV_OK;
}

static void read_sof(const uint8_t *p, size_t n, int sof, ogv_jpeg_head *out) {
  if (n < 8) return;
  out->sof = sof;
  out->precision = p[2];
  out->height = p[3] << 8 | p[4];
  out->width = p[5] << 8 | p[6];
  out->components = p[7];
  for (int i = 0; i < 4 && i < out->components && 8 + 3 * (size_t)i < n; i++) out->ids[i] = (char)p[8 + 3 * i];
}

bool ogv_dicom_jpeg_head(const uint8_t *data, size_t size, ogv_jpeg_head *out) {
  *out = (ogv_jpeg_head){.sof = -1, .adobe = -1};
  if (size < 4 || data[0] != 0xFF || data[1] != 0xD8) return false;
  size_t i = 2;
  while (i + 4 <= size) {
    if (data[i] != 0xFF) return false;
    uint8_t m = data[i + 1];
    if (m == 0xFF) {
      i++;
      continue;
    }
    if (m == 0x01 || (m >= 0xD0 && m <= 0xD8)) {
      i += 2;
      continue;
    }
    if (m == 0xD9 || m == 0xDA) return false; /* image data before a frame header */
    size_t n = (size_t)data[i + 2] << 8 | data[i + 3];
    if (n < 2 || i + 2 + n > size) return false;
    const uint8_t *p = data + i + 2;
    if (m == 0xE0 && n >= 7 && !memcmp(p + 2, "JFIF", 5)) out->jfif = true;
    if (m == 0xEE && n >= 14 && !memcmp(p + 2, "Adobe", 5)) out->adobe = p[13];
    if (m >= 0xC0 && m <= 0xCF && m != 0xC4 && m != 0xC8 && m != 0xCC) {
      read_sof(p, n, m - 0xC0, out);
      return out->sof >= 0 && out->width > 0 && out->height > 0;
    }
    i += 2 + n;
  }
  return false;
}

bool ogv_dicom_jpeg_is_ycc(const ogv_jpeg_head *h, const char *photometric) {
  if (h->components != 3) return false;
  if (h->jfif) return true;
  if (h->adobe >= 0) return h->adobe != 0;
  if (h->ids[0] == 'R' && h->ids[1] == 'G' && h->ids[2] == 'B') return false;
  return strncmp(photometric, "RGB", 3) != 0;
}

static void decode_rows(struct jpeg_decompress_struct *d, ogv_image *img) {
  while (d->output_scanline < d->output_height) {
    JSAMPROW row = img->pixels + (size_t)d->output_scanline * img->stride;
    jpeg_read_scanlines(d, &row, 1);
  }
}

ogv_status ogv_dicom_jpeg_decode(const uint8_t *data, size_t size, bool ycc, int width, int height, ogv_image *out,
                                 ogv_error *err) {
  *out = (ogv_image){0};
  struct jpeg_decompress_struct d;
  jpeg_trouble t;
  memset(&d, 0, sizeof d);
  d.err = trouble(&t);
  if (setjmp(t.back)) {
    jpeg_destroy_decompress(&d);
    ogv_image_free(out);
    return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "Pixel Data (7FE0,0010): JPEG stream: %s", t.text);
  }
  jpeg_create_decompress(&d);
  jpeg_mem_src(&d, data, (unsigned long)size);
  jpeg_read_header(&d, TRUE);
  int channels = d.num_components == 1 ? 1 : 3;
  if ((d.num_components != 1 && d.num_components != 3) || (int)d.image_width != width ||
      (int)d.image_height != height) {
    unsigned w = d.image_width, h = d.image_height;
    int n = d.num_components;
    jpeg_destroy_decompress(&d);
    return ogv_fail(
        err, OGV_E_CORRUPT, "Export the picture again.",
        "Pixel Data (7FE0,0010): the JPEG stream holds %u x %u pixels of %d components, but Columns (0028,0011) "
        "and Rows (0028,0010) say %d x %d",
        w, h, n, width, height);
  }
  ogv_status s = ogv_image_new(width, height, channels, out, err);
  if (s != OGV_OK) {
    jpeg_destroy_decompress(&d);
    return s;
  }
  if (channels == 3) {
    d.jpeg_color_space = ycc ? JCS_YCbCr : JCS_RGB;
    d.out_color_space = JCS_RGB;
  }
  d.dct_method = JDCT_ISLOW;
  jpeg_start_decompress(&d);
  decode_rows(&d, out);
  jpeg_finish_decompress(&d);
  /* libjpeg fills what is missing with grey and only warns; a picture with an invented part must not pass. */
  long warnings = t.warnings;
  jpeg_destroy_decompress(&d);
  if (warnings > 0) {
    ogv_image_free(out);
    return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "Pixel Data (7FE0,0010): JPEG stream: %s", t.text);
  }
  return OGV_OK;
}
