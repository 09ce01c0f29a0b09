/* Bringing a picture to the scale the networks were trained at. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/auto_shape.h"

/* Which inputs make output j, and how much of each: box filter over [j, j+1)/scale of the input; for scale >= 1 linear
 * interpolation. */
typedef struct tap {
  int first, count;
  double *part; /* count shares; the sum is `total` */
  double total;
} tap;

static void taps_of_output(int n, int j, double scale, tap *t) {
  if (scale < 1) {
    const double lo = j / scale, hi = (j + 1) / scale;
    int i0 = (int)lo, i1 = (int)ceil(hi);
    if (i1 > n) i1 = n;
    t->first = i0;
    t->count = 0;
    t->total = 0;
    for (int i = i0; i < i1; i++) {
      const double part = fmin(hi, i + 1.0) - fmax(lo, (double)i);
      t->part[t->count++] = part > 0 ? part : 0;
      t->total += t->part[t->count - 1];
    }
    if (!(t->total > 0)) t->total = 1;
  } else {
    const double x = (j + 0.5) / scale - 0.5;
    const int i = (int)floor(x);
    const bool edge = i < 0 || i + 1 >= n;
    t->first = i < 0 ? 0 : i >= n ? n - 1 : i;
    t->count = edge ? 1 : 2;
    t->part[0] = edge ? 1 : 1 - (x - i);
    t->part[1] = edge ? 0 : x - i;
    t->total = 1;
  }
}

/* Taps of m outputs from n inputs; one allocation, freed with free(). */
static tap *taps_make(int n, int m, double scale) {
  const size_t most = scale < 1 ? (size_t)(1 / scale) + 3 : 2;
  tap *t = malloc((size_t)m * (sizeof *t + most * sizeof(double)));
  if (!t) return NULL;
  double *room = (double *)(t + m);
  for (int j = 0; j < m; j++) {
    t[j].part = room + most * (size_t)j;
    taps_of_output(n, j, scale, &t[j]);
  }
  return t;
}

/* Rows of w pixels become rows of m. */
static void resample_rows(const float *in, int w, int h, const tap *t, int m, float *out) {
  for (int y = 0; y < h; y++) {
    const float *row = in + (size_t)y * (size_t)w;
    float *to = out + (size_t)y * (size_t)m;
    for (int j = 0; j < m; j++) {
      double v = 0;
      for (int i = 0; i < t[j].count; i++) v += t[j].part[i] * (double)row[t[j].first + i];
      to[j] = (float)(v / t[j].total);
    }
  }
}

/* Columns likewise, a whole row at a time so that memory is read in order. sum: room for w. */
static void resample_columns(const float *in, int w, const tap *t, int m, double *sum, float *out) {
  for (int j = 0; j < m; j++) {
    for (int x = 0; x < w; x++) sum[x] = 0;
    for (int i = 0; i < t[j].count; i++) {
      const float *row = in + (size_t)(t[j].first + i) * (size_t)w;
      const double part = t[j].part[i];
      for (int x = 0; x < w; x++) sum[x] += part * (double)row[x];
    }
    for (int x = 0; x < w; x++) out[(size_t)j * (size_t)w + (size_t)x] = (float)(sum[x] / t[j].total);
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
  double *sum = malloc(sizeof *sum * (size_t)out->w);
  tap *across = taps_make(w, out->w, out->sx), *down = taps_make(h, out->h, out->sy);
  out->v = malloc(sizeof *out->v * (size_t)out->w * (size_t)out->h);
  const bool room = grey && wide && sum && across && down && out->v;
  if (room) {
    grey_rows(img, x0, y0, rows_w, rows_h, grey);
    if (out->turned) turn_over(grey, rows_w, rows_h, wide);
    resample_rows(grey, w, h, across, out->w, wide);
    resample_columns(wide, out->w, down, out->h, sum, out->v);
  } else auto_canvas_free(out);
  free(grey);
  free(wide);
  free(sum);
  free(across);
  free(down);
  return room ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to measure a picture of %d x %d", w, h);
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

void auto_canvas_look(const auto_canvas *c, double x, double y, float out[2]) {
  const bool inside = x > 0 && y > 0 && x < c->w && y < c->h;
  out[0] = inside ? auto_canvas_at(c, x, y) : 0;
  out[1] = inside;
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

/* The same as auto_canvas_at on every pixel, with what columns and rows share worked out once. */
auto_letter auto_letter_fill(const auto_canvas *c, float *input, bool mirrored) {
  auto_letter l;
  int at[AUTO_IN_W];
  float u[AUTO_IN_W];
  l.scale = fmin(AUTO_IN_W / (double)c->w, AUTO_IN_H / (double)c->h);
  l.tx = (AUTO_IN_W - c->w * l.scale) / 2;
  l.ty = (AUTO_IN_H - c->h * l.scale) / 2;
  for (int x = 0; x < AUTO_IN_W; x++) {
    const double cx = (x + 0.5 - l.tx) / l.scale - 0.5, fx = floor(cx);
    at[x] = (int)fx;
    u[x] = (float)(cx - fx);
  }
  for (int y = 0; y < AUTO_IN_H; y++) {
    const double cy = (y + 0.5 - l.ty) / l.scale - 0.5, fy = floor(cy);
    const int j = (int)fy;
    const float v = (float)(cy - fy);
    float *to = input + (long)y * AUTO_IN_W;
    const float *row = c->v + (long)j * c->w;
    const bool inside = j >= 0 && j + 1 < c->h;
    for (int x = 0; x < AUTO_IN_W; x++) {
      const int i = at[x];
      float value;
      if (inside && i >= 0 && i + 1 < c->w) {
        const float *p = row + i;
        value = (1 - v) * ((1 - u[x]) * p[0] + u[x] * p[1]) + v * ((1 - u[x]) * p[c->w] + u[x] * p[c->w + 1]);
      } else value = auto_canvas_at(c, (x + 0.5 - l.tx) / l.scale, (y + 0.5 - l.ty) / l.scale);
      to[mirrored ? AUTO_IN_W - 1 - x : x] = value;
    }
  }
  return l;
}
