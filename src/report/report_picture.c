/* Pictures on the page: see private/report_picture.h. */
#include "private/report_picture.h"

#include <math.h>
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "core_json.h"
#include "imaging_geometry.h"
#include "private/report_parts.h"
#include "report_burned.h"

#define DOTS_PER_POINT 3.0 /* 216 to the inch: what a good print shows of an ultrasound picture */
#define JPEG_QUALITY 88

/* Mean over the source pixels that fall on each target pixel. Never enlarges. */
static ogv_status shrink(const ogv_image *src, int w, int h, ogv_image *out, ogv_error *err) {
  OGV_TRY(ogv_image_new(w, h, src->channels, out, err));
  int ch = src->channels;
  for (int y = 0; y < h; y++) {
    int y0 = (int)((long)y * src->height / h), y1 = (int)((long)(y + 1) * src->height / h);
    for (int x = 0; x < w; x++) {
      int x0 = (int)((long)x * src->width / w), x1 = (int)((long)(x + 1) * src->width / w);
      uint32_t sum[3] = {0}, n = (uint32_t)((x1 - x0) * (y1 - y0));
      for (int sy = y0; sy < y1; sy++) {
        const uint8_t *p = src->pixels + (size_t)sy * src->stride + (size_t)x0 * (size_t)ch;
        for (int sx = x0; sx < x1; sx++)
          for (int k = 0; k < ch; k++) sum[k] += *p++;
      }
      uint8_t *d = out->pixels + (size_t)y * out->stride + (size_t)x * (size_t)ch;
      for (int k = 0; k < ch; k++) d[k] = (uint8_t)((sum[k] + n / 2) / n);
    }
  }
  return OGV_OK;
}

/* A colour picture whose channels agree everywhere is kept as grey: half the size, and no colour noise. */
static bool is_grey(const ogv_image *img) {
  if (img->channels == 1) return true;
  for (int y = 0; y < img->height; y++) {
    const uint8_t *p = img->pixels + (size_t)y * img->stride;
    for (int x = 0; x < img->width; x++, p += 3)
      if (abs(p[0] - p[1]) > 3 || abs(p[1] - p[2]) > 3) return false;
  }
  return true;
}

typedef struct jpeg_trouble {
  struct jpeg_error_mgr base;
  jmp_buf out;
} jpeg_trouble;
static void jpeg_leave(j_common_ptr c) { longjmp(((jpeg_trouble *)c->err)->out, 1); }

/* *data is malloc'ed by the library. */
static bool jpeg_of(const ogv_image *img, unsigned char **data, unsigned long *size) {
  struct jpeg_compress_struct c;
  jpeg_trouble trouble;
  unsigned char *volatile row = NULL;
  c.err = jpeg_std_error(&trouble.base);
  trouble.base.error_exit = jpeg_leave;
  *data = NULL;
  if (setjmp(trouble.out)) {
    jpeg_destroy_compress(&c);
    free(row);
    free(*data);
    *data = NULL;
    return false;
  }
  bool grey = is_grey(img);
  jpeg_create_compress(&c);
  jpeg_mem_dest(&c, data, size);
  c.image_width = (JDIMENSION)img->width;
  c.image_height = (JDIMENSION)img->height;
  c.input_components = grey ? 1 : 3;
  c.in_color_space = grey ? JCS_GRAYSCALE : JCS_RGB;
  jpeg_set_defaults(&c);
  jpeg_set_quality(&c, JPEG_QUALITY, TRUE);
  jpeg_start_compress(&c, TRUE);
  row = malloc((size_t)img->width * 3);
  if (!row) longjmp(trouble.out, 1);
  while (c.next_scanline < c.image_height) {
    const uint8_t *p = img->pixels + (size_t)c.next_scanline * img->stride;
    if (grey && img->channels == 3)
      for (int x = 0; x < img->width; x++) row[x] = p[3 * x + 1];
    else memcpy((unsigned char *)row, p, (size_t)img->width * (size_t)img->channels);
    JSAMPROW r = (unsigned char *)row;
    jpeg_write_scanlines(&c, &r, 1);
  }
  jpeg_finish_compress(&c);
  jpeg_destroy_compress(&c);
  free(row);
  return true;
}

static void release_pixels(void *p) { free(p); }

/* The cairo picture carries the JPEG, so that a PDF holds it as it is. */
static cairo_surface_t *surface_of(const ogv_image *img) {
  cairo_surface_t *s = cairo_image_surface_create(CAIRO_FORMAT_RGB24, img->width, img->height);
  if (cairo_surface_status(s) != CAIRO_STATUS_SUCCESS) return s;
  uint8_t *base = cairo_image_surface_get_data(s);
  int stride = cairo_image_surface_get_stride(s);
  for (int y = 0; y < img->height; y++) {
    const uint8_t *p = img->pixels + (size_t)y * img->stride;
    uint32_t *d = (uint32_t *)(void *)(base + (size_t)y * (size_t)stride);
    for (int x = 0; x < img->width; x++, p += img->channels)
      d[x] = img->channels == 3 ? (uint32_t)p[0] << 16 | (uint32_t)p[1] << 8 | p[2] : (uint32_t)p[0] * 0x010101u;
  }
  cairo_surface_mark_dirty(s);
  unsigned char *data;
  unsigned long size = 0;
  if (jpeg_of(img, &data, &size) &&
      cairo_surface_set_mime_data(s, CAIRO_MIME_TYPE_JPEG, data, size, release_pixels, data) != CAIRO_STATUS_SUCCESS)
    free(data);
  return s;
}

/* Calipers: dark outline under a light line, so that they are seen on any grey and in print. */
static void stroke_twice(cairo_t *cr, double width) {
  cairo_set_source_rgb(cr, 0, 0, 0);
  cairo_set_line_width(cr, width + 0.9);
  cairo_stroke_preserve(cr);
  cairo_set_source_rgb(cr, 0.94, 0.89, 0.26); /* Okabe-Ito yellow */
  cairo_set_line_width(cr, width);
  cairo_stroke(cr);
}

static void cross(cairo_t *cr, double x, double y) {
  cairo_move_to(cr, x - 2.6, y);
  cairo_line_to(cr, x + 2.6, y);
  cairo_move_to(cr, x, y - 2.6);
  cairo_line_to(cr, x, y + 2.6);
}

static void draw_mark(cairo_t *cr, const ogv_geometry *g, double x0, double y0, double k) {
#define X(i) (x0 + (g->points[2 * (i)] + 0.5) * k)
#define Y(i) (y0 + (g->points[2 * (i) + 1] + 0.5) * k)
  cairo_new_path(cr);
  size_t ends = g->kind == OGV_GEOMETRY_ELLIPSE ? 4 : g->n <= 3 ? g->n : 0;
  if (g->kind == OGV_GEOMETRY_ELLIPSE) {
    /* Conjugate half axes from the middle: exact for the affine image of an ellipse. */
    double cx = (X(0) + X(1)) / 2, cy = (Y(0) + Y(1)) / 2;
    cairo_matrix_t keep, m;
    cairo_get_matrix(cr, &keep);
    cairo_matrix_init(&m, (X(1) - X(0)) / 2, (Y(1) - Y(0)) / 2, (X(3) - X(2)) / 2, (Y(3) - Y(2)) / 2, cx, cy);
    if (fabs(m.xx * m.yy - m.xy * m.yx) > 1e-6) {
      cairo_transform(cr, &m);
      cairo_arc(cr, 0, 0, 1, 0, 2 * M_PI);
    }
    cairo_set_matrix(cr, &keep);
  } else {
    for (size_t i = 0; i < g->n; i++) {
      if (i) cairo_line_to(cr, X(i), Y(i));
      else cairo_move_to(cr, X(i), Y(i));
    }
    if (g->kind == OGV_GEOMETRY_OUTLINE) cairo_close_path(cr);
  }
  double dash[2] = {2.2, 1.8};
  cairo_set_dash(cr, dash, 2, 0);
  stroke_twice(cr, 0.55);
  cairo_set_dash(cr, NULL, 0, 0);
  for (size_t i = 0; i < ends; i++) cross(cr, X(i), Y(i));
  if (ends) stroke_twice(cr, 0.75);
#undef X
#undef Y
}

static void draw_marks(sheet *s, const json_t *marks, plot_box at, double k) {
  size_t i;
  json_t *mark;
  cairo_save(s->p.cr);
  cairo_rectangle(s->p.cr, at.x, at.y, at.w, at.h);
  cairo_clip(s->p.cr);
  json_array_foreach(marks, i, mark) {
    ogv_geometry g = {0};
    if (ogv_geometry_from_json(json_object_get(mark, "geometry"), &g, NULL) != OGV_OK) continue;
    draw_mark(s->p.cr, &g, at.x, at.y, k);
    ogv_geometry_free(&g);
  }
  cairo_restore(s->p.cr);
}

static void missing(sheet *s, plot_box b, const char *why) {
  pen_style small = {.size = 6.5, .colour = s->p.theme->soft, .align = PEN_MIDDLE, .lines = 5};
  pen_fill(&s->p, b.x, b.y, b.w, b.h, s->p.theme->shade);
  pen_frame(&s->p, b.x, b.y, b.w, b.h, 0.5, s->p.theme->hair);
  pen_text(&s->p, b.x + 6, b.y + b.h * 0.38, b.w - 12, &small, why);
}

/* The scanned area of the picture, as a view into its pixels. False when the facts do not know it. */
static bool crop(ogv_image *img, const json_t *area) {
  int v[4];
  for (size_t i = 0; i < 4; i++) {
    const json_t *n = json_array_get(area, i);
    if (!json_is_number(n)) return false;
    v[i] = (int)fmax(0, fmin(json_number_value(n), i % 2 ? img->height - 1 : img->width - 1));
  }
  if (v[2] - v[0] < 16 || v[3] - v[1] < 16) return false;
  img->pixels += (size_t)v[1] * img->stride + (size_t)v[0] * (size_t)img->channels;
  img->width = v[2] - v[0] + 1;
  img->height = v[3] - v[1] + 1;
  return true;
}

static bool shows_flow(const sheet *s, const json_t *picture) {
  size_t i, k;
  json_t *o, *mode;
  json_array_foreach(json_object_get(s->facts, "objects"), i, o) {
    if (strcmp(part_string(o, "id"), part_string(picture, "object"))) continue;
    json_array_foreach(json_object_get(o, "modes"), k,
                       mode) if (json_is_string(mode) && !strcmp(json_string_value(mode), "colour")) return true;
  }
  return false;
}

/* A picture as it will be drawn. */
typedef struct shot {
  ogv_image whole, img; /* whole owns the pixels; img is a view into them */
  ogv_burned burned;
  char why[700]; /* why there is none; "" */
} shot;

static void take(sheet *s, const json_t *picture, int how, shot *t) {
  ogv_error e = {0};
  memset(t, 0, sizeof *t);
  int frame = (int)json_integer_value(json_object_get(picture, "frame"));
  if (!s->pictures) snprintf(t->why, sizeof t->why, "%s", ogv_message_plain(s->m, "picture.none"));
  else if (s->pictures(s->user, part_string(picture, "object"), frame, &t->whole, &e) != OGV_OK || t->whole.width < 1 ||
           t->whole.height < 1)
    snprintf(t->why, sizeof t->why, "%s %s", ogv_message_plain(s->m, "picture.failed"), e.what);
  t->img = t->whole;
  if (*t->why || !(how & PICTURE_CROP)) return;
  if (!crop(&t->img, json_object_get(picture, "area")))
    snprintf(t->why, sizeof t->why, "%s", ogv_message_plain(s->m, "picture.no-area"));
  else if (ogv_burned_find(&t->img, shows_flow(s, picture), &t->burned, &e) != OGV_OK || t->burned.more)
    snprintf(t->why, sizeof t->why, "%s", ogv_message_plain(s->m, "picture.lettering"));
  else ogv_burned_cover(&t->img, &t->burned);
}

json_t *picture_look(sheet *s, const json_t *picture) {
  shot t;
  take(s, picture, PICTURE_CROP, &t);
  json_t *o = json_pack("{s:s,s:s,s:i,s:b,s:b,s:o}", "object", part_string(picture, "object"), "caption",
                        part_string(picture, "caption"), "covered", t.burned.n, "marks", t.burned.marks, "flow",
                        shows_flow(s, picture), "out", *t.why ? json_string(t.why) : json_null());
  ogv_image_free(&t.whole);
  return o;
}

plot_box picture_draw(sheet *s, const json_t *picture, plot_box b, int how) {
  if (s->p.dry) return b;
  ogv_image small = {0};
  ogv_error e = {0};
  shot t;
  take(s, picture, how, &t);
  if (*t.why) {
    missing(s, b, t.why);
    ogv_image_free(&t.whole);
    return b;
  }
  ogv_image img = t.img, whole = t.whole;
  double k = fmin(b.w / img.width, b.h / img.height); /* points a source pixel */
  plot_box at = {b.x + (b.w - k * img.width) / 2, b.y + (b.h - k * img.height) / 2, k * img.width, k * img.height};
  if (how & PICTURE_TOP) at.y = b.y;
  int w = (int)ceil(at.w * DOTS_PER_POINT), h = (int)ceil(at.h * DOTS_PER_POINT);
  const ogv_image *use = &img;
  if (w < img.width && h < img.height && w > 0 && h > 0 && shrink(&img, w, h, &small, &e) == OGV_OK) use = &small;
  if (!(how & PICTURE_TIGHT)) pen_fill(&s->p, b.x, b.y, b.w, b.h, (pen_colour){0.02, 0.02, 0.03});
  cairo_surface_t *surface = surface_of(use);
  cairo_t *cr = s->p.cr;
  cairo_save(cr);
  cairo_translate(cr, at.x, at.y);
  cairo_scale(cr, at.w / use->width, at.h / use->height);
  cairo_set_source_surface(cr, surface, 0, 0);
  cairo_paint(cr);
  cairo_restore(cr);
  cairo_surface_destroy(surface);
  if (how & PICTURE_MARKS && !(how & PICTURE_CROP)) draw_marks(s, json_object_get(picture, "marks"), at, k);
  ogv_image_free(&small);
  ogv_image_free(&whole);
  return at;
}
