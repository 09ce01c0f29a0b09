/* Bringing a picture to the scale the networks were trained at. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/auto_shape.h"

/* Box filter along one axis: out pixel j covers [j, j+1)/scale of the input. For scale >= 1 linear interpolation. */
static void resample_line(const float *in, int n, long step_in, float *out, int m, long step_out, double scale) {
  for (int j = 0; j < m; j++) {
    double v = 0;
    if (scale < 1) {
      double lo = j / scale, hi = (j + 1) / scale;
      int i0 = (int)lo, i1 = (int)ceil(hi);
      if (i1 > n) i1 = n;
      double total = 0;
      for (int i = i0; i < i1; i++) {
        double part = fmin(hi, i + 1.0) - fmax(lo, (double)i);
        if (part <= 0) continue;
        v += part * (double)in[i * step_in];
        total += part;
      }
      v = total > 0 ? v / total : 0;
    } else {
      double x = (j + 0.5) / scale - 0.5;
      int i = (int)floor(x);
      double f = x - i;
      int a = i < 0 ? 0 : i >= n ? n - 1 : i, b = i + 1 < 0 ? 0 : i + 1 >= n ? n - 1 : i + 1;
      v = (1 - f) * (double)in[a * step_in] + f * (double)in[b * step_in];
    }
    out[j * step_out] = (float)v;
  }
}

static void grey_rows(const ogv_image *img, int x0, int y0, int w, int h, float *out) {
  for (int y = 0; y < h; y++) {
    const uint8_t *row = img->pixels + (size_t)(y0 + y) * img->stride + (size_t)x0 * (size_t)img->channels;
    float *o = out + (size_t)y * (size_t)w;
    if (img->channels == 1)
      for (int x = 0; x < w; x++) o[x] = row[x] * (1.0f / 255.0f);
    else
      for (int x = 0; x < w; x++)
        o[x] = (0.299f * row[3 * x] + 0.587f * row[3 * x + 1] + 0.114f * row[3 * x + 2]) * (1.0f / 255.0f);
  }
}

/* Rows become columns. */
static void turn_over(float *v, int w, int h, float *room) {
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) room[(size_t)x * (size_t)h + (size_t)y] = v[(size_t)y * (size_t)w + (size_t)x];
  memcpy(v, room, sizeof *v * (size_t)w * (size_t)h);
}

ogv_status auto_canvas_make(const ogv_still *still, auto_canvas *out, ogv_error *err) {
  const ogv_image *img = still->image;
  int x0 = 0, y0 = 0, x1 = img->width - 1, y1 = img->height - 1;
  if (still->x1 > still->x0 && still->y1 > still->y0) {
    x0 = still->x0 > 0 ? still->x0 : 0;
    y0 = still->y0 > 0 ? still->y0 : 0;
    x1 = still->x1 < x1 ? still->x1 : x1;
    y1 = still->y1 < y1 ? still->y1 : y1;
  }
  int w = x1 - x0 + 1, h = y1 - y0 + 1;
  *out = (auto_canvas){0};
  if (w < 64 || h < 64)
    return ogv_fail(err, OGV_E_INVALID, "Use the picture itself, not a thumbnail.",
                    "the picture is %d x %d pixels, too small to be measured by the program", w, h);
  double aspect = still->mm_x > 0 && still->mm_y > 0 ? still->mm_y / still->mm_x : 1.0;
  if (!(aspect > 0.2 && aspect < 5))
    return ogv_fail(err, OGV_E_CALIBRATION, NULL, "the pixels are %g times as high as wide", aspect);
  out->turned = h * aspect > 1.2 * w;
  const int rows_w = w, rows_h = h;
  if (out->turned) {
    w = rows_h;
    h = rows_w;
    aspect = 1 / aspect;
  }
  double s = fmin(AUTO_CANVAS_W / (double)w, AUTO_CANVAS_H / (h * aspect));
  out->w = (int)lround(w * s);
  out->h = (int)lround(h * aspect * s);
  if (out->w < 16 || out->h < 16)
    return ogv_fail(err, OGV_E_INVALID, "Use the picture itself, not a strip of it.",
                    "the picture is too narrow to be measured by the program");
  out->sx = out->w / (double)w;
  out->sy = out->h / (double)h;
  out->ox = out->turned ? y0 : x0;
  out->oy = out->turned ? x0 : y0;
  out->mm = still->mm_x > 0 && still->mm_y > 0 ? sqrt(still->mm_x * still->mm_y / (out->sx * out->sy)) : 0;
  float *grey = malloc(sizeof *grey * (size_t)w * (size_t)h);
  size_t wide_n = (size_t)out->w * (size_t)h, grey_n = (size_t)w * (size_t)h;
  float *wide = malloc(sizeof *wide * (wide_n > grey_n ? wide_n : grey_n));
  out->v = malloc(sizeof *out->v * (size_t)out->w * (size_t)out->h);
  if (!grey || !wide || !out->v) {
    free(grey);
    free(wide);
    auto_canvas_free(out);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to measure a picture of %d x %d", w, h);
  }
  grey_rows(img, x0, y0, rows_w, rows_h, grey);
  if (out->turned) turn_over(grey, rows_w, rows_h, wide);
  for (int y = 0; y < h; y++)
    resample_line(grey + (size_t)y * (size_t)w, w, 1, wide + (size_t)y * (size_t)out->w, out->w, 1, out->sx);
  for (int x = 0; x < out->w; x++) resample_line(wide + x, h, out->w, out->v + x, out->h, out->w, out->sy);
  free(grey);
  free(wide);
  return OGV_OK;
}

void auto_canvas_free(auto_canvas *c) {
  free(c->v);
  c->v = NULL;
}

float auto_canvas_at(const auto_canvas *c, double x, double y) {
  x -= 0.5;
  y -= 0.5;
  double fx = floor(x), fy = floor(y);
  if (!(fx >= -1 && fy >= -1 && fx < c->w && fy < c->h)) return 0;
  int i = (int)fx, j = (int)fy;
  float u = (float)(x - fx), v = (float)(y - fy);
  const float *p = c->v + (long)j * c->w + i;
  float a = i >= 0 && j >= 0 ? p[0] : 0, b = i + 1 < c->w && j >= 0 ? p[1] : 0;
  float d = i >= 0 && j + 1 < c->h ? p[c->w] : 0, e = i + 1 < c->w && j + 1 < c->h ? p[c->w + 1] : 0;
  return (1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * d + u * e);
}

void auto_canvas_to_picture(const auto_canvas *c, double x, double y, double *px, double *py) {
  const double u = x / c->sx + c->ox - 0.5, v = y / c->sy + c->oy - 0.5;
  *px = c->turned ? v : u;
  *py = c->turned ? u : v;
}

void auto_canvas_from_picture(const auto_canvas *c, double px, double py, double *x, double *y) {
  *x = ((c->turned ? py : px) + 0.5 - c->ox) * c->sx;
  *y = ((c->turned ? px : py) + 0.5 - c->oy) * c->sy;
}

auto_letter auto_letter_fill(const auto_canvas *c, float *input, bool mirrored) {
  auto_letter l;
  l.scale = fmin(AUTO_IN_W / (double)c->w, AUTO_IN_H / (double)c->h);
  l.tx = (AUTO_IN_W - c->w * l.scale) / 2;
  l.ty = (AUTO_IN_H - c->h * l.scale) / 2;
  for (int y = 0; y < AUTO_IN_H; y++)
    for (int x = 0; x < AUTO_IN_W; x++) {
      float v = auto_canvas_at(c, (x + 0.5 - l.tx) / l.scale, (y + 0.5 - l.ty) / l.scale);
      input[(long)y * AUTO_IN_W + (mirrored ? AUTO_IN_W - 1 - x : x)] = v;
    }
  return l;
}
