/* The filters that look at neighbourhoods. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/filter_internal.h"

static ogv_status no_memory(ogv_error *err) {
  return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to filter the picture");
}

/* --- means over windows by summed areas; windows are cut at the border ------------------------------------------- */

/* sum: (width + 1) x (height + 1) */
static void summed(const float *v, int width, int height, double *sum) {
  size_t w = (size_t)width + 1;
  memset(sum, 0, w * sizeof *sum);
  for (int y = 0; y < height; y++) {
    double row = 0;
    sum[((size_t)y + 1) * w] = 0;
    for (int x = 0; x < width; x++) {
      row += v[(size_t)y * (size_t)width + (size_t)x];
      sum[((size_t)y + 1) * w + (size_t)x + 1] = sum[(size_t)y * w + (size_t)x + 1] + row;
    }
  }
}

/* out = mean of v over windows of (2 rx + 1) x (2 ry + 1). out may be v. */
static void box_mean(const float *v, int width, int height, int rx, int ry, double *sum, float *out) {
  summed(v, width, height, sum);
  size_t w = (size_t)width + 1;
  for (int y = 0; y < height; y++) {
    int a = y - ry < 0 ? 0 : y - ry, b = y + ry + 1 > height ? height : y + ry + 1;
    for (int x = 0; x < width; x++) {
      int l = x - rx < 0 ? 0 : x - rx, r = x + rx + 1 > width ? width : x + rx + 1;
      double s = sum[(size_t)b * w + (size_t)r] - sum[(size_t)a * w + (size_t)r] - sum[(size_t)b * w + (size_t)l] +
                 sum[(size_t)a * w + (size_t)l];
      out[(size_t)y * (size_t)width + (size_t)x] = (float)(s / ((double)(b - a) * (r - l)));
    }
  }
}

/* --- speckle: guided filter with the picture as its own guide ------------------------------------------------------
 */

ogv_status ogv_filter_speckle(ogv_plane *p, double strength, ogv_error *err) {
  size_t n = (size_t)p->width * (size_t)p->height;
  int radius = 2 + (int)lround(4 * strength);
  float edge = (float)(6 + 24 * strength), eps = edge * edge;
  float *a = calloc(n, sizeof *a), *b = calloc(n, sizeof *b);
  double *sum = malloc(((size_t)p->width + 1) * ((size_t)p->height + 1) * sizeof *sum);
  if (!a || !b || !sum) {
    free(a), free(b), free(sum);
    return no_memory(err);
  }
  for (size_t i = 0; i < n; i++) a[i] = p->v[i] * p->v[i];
  box_mean(p->v, p->width, p->height, radius, radius, sum, b);
  box_mean(a, p->width, p->height, radius, radius, sum, a);
  for (size_t i = 0; i < n; i++) {
    float variance = a[i] - b[i] * b[i];
    if (variance < 0) variance = 0;
    a[i] = variance / (variance + eps);
    b[i] *= 1 - a[i];
  }
  box_mean(a, p->width, p->height, radius, radius, sum, a);
  box_mean(b, p->width, p->height, radius, radius, sum, b);
  for (size_t i = 0; i < n; i++) { /* black stays, and what is nearly black all round: no haze around the sector */
    float smooth = a[i] * p->v[i] + b[i], echo = smooth < 8 ? smooth / 8 : 1;
    if (p->v[i] > 0) p->v[i] += echo * (smooth - p->v[i]);
  }
  free(a), free(b), free(sum);
  return OGV_OK;
}

/* --- shading: what is darker than its row is lifted -----------------------------------------------------------------
 */

/* Local level and row level are means over echoes only (grey above 0): sum of values over sum of counts. */
ogv_status ogv_filter_shading(ogv_plane *p, double strength, ogv_error *err) {
  size_t n = (size_t)p->width * (size_t)p->height;
  int rx = p->width / 24 + 1, ry = p->height / 10 + 1, band = p->height / 20 + 1;
  float *level = calloc(n, sizeof *level), *count = calloc(n, sizeof *count), *row = calloc(n, sizeof *row),
        *row_count = calloc(n, sizeof *row_count);
  double *sum = malloc(((size_t)p->width + 1) * ((size_t)p->height + 1) * sizeof *sum);
  if (!level || !count || !row || !row_count || !sum) {
    free(level), free(count), free(row), free(row_count), free(sum);
    return no_memory(err);
  }
  for (size_t i = 0; i < n; i++) count[i] = p->v[i] > 0;
  box_mean(p->v, p->width, p->height, rx, ry, sum, level);
  box_mean(p->v, p->width, p->height, p->width, band, sum, row);
  box_mean(count, p->width, p->height, p->width, band, sum, row_count);
  box_mean(count, p->width, p->height, rx, ry, sum, count);
  for (size_t i = 0; i < n; i++) {
    if (!(p->v[i] > 0) || count[i] <= 0 || row_count[i] <= 0) continue;
    float lack = row[i] / row_count[i] - level[i] / count[i];
    lack = lack < 0 ? 0 : lack > 40 ? 40 : lack;
    float echo = p->v[i] < 16 ? p->v[i] / 16 : 1; /* noise just above black is not lifted into a fog */
    float v = p->v[i] + (float)strength * lack * echo;
    p->v[i] = v > 255 ? 255 : v;
  }
  free(level), free(count), free(row), free(row_count), free(sum);
  return OGV_OK;
}

/* --- local contrast ----------------------------------------------------------------------------------------------- */

#define TILES 8

/* Mapping of one tile: equalization of its histogram of echoes, clipped at three times the mean and the excess spread.
 */
static void tile_map(const ogv_plane *p, int x0, int y0, int x1, int y1, float map[256]) {
  unsigned h[256] = {0}, total = 0;
  for (int y = y0; y < y1; y++)
    for (int x = x0; x < x1; x++) {
      float v = p->v[(size_t)y * (size_t)p->width + (size_t)x];
      if (v > 0) h[(int)v > 255 ? 255 : (int)v]++, total++;
    }
  if (total < 64) { /* too few echoes to say anything */
    for (int i = 0; i < 256; i++) map[i] = (float)i;
    return;
  }
  float limit = 3.0f * (float)total / 256, excess = 0, clipped[256];
  for (int i = 0; i < 256; i++) {
    clipped[i] = (float)h[i] > limit ? limit : (float)h[i];
    excess += (float)h[i] - clipped[i];
  }
  float sum = 0;
  for (int i = 0; i < 256; i++) {
    sum += clipped[i] + excess / 256;
    map[i] = 255 * sum / (float)total;
  }
  map[0] = 0;
}

static void tile_at(float at, int *i, float *t) {
  float f = at < 0 ? 0 : at > TILES - 1 ? TILES - 1 : at;
  *i = (int)f < TILES - 1 ? (int)f : TILES - 2;
  *t = f - (float)*i;
}

ogv_status ogv_filter_contrast(ogv_plane *p, double strength, ogv_error *err) {
  if (p->width < 4 * TILES || p->height < 4 * TILES) return OGV_OK; /* too small for tiles */
  float(*map)[256] = malloc(sizeof *map * TILES * TILES);
  if (!map) return no_memory(err);
  for (int ty = 0; ty < TILES; ty++)
    for (int tx = 0; tx < TILES; tx++)
      tile_map(p, tx * p->width / TILES, ty * p->height / TILES, (tx + 1) * p->width / TILES,
               (ty + 1) * p->height / TILES, map[ty * TILES + tx]);
  for (int y = 0; y < p->height; y++) {
    int iy;
    float fy;
    tile_at(((float)y + 0.5f) * TILES / (float)p->height - 0.5f, &iy, &fy);
    for (int x = 0; x < p->width; x++) {
      float *v = &p->v[(size_t)y * (size_t)p->width + (size_t)x];
      if (!(*v > 0)) continue;
      int ix, g = (int)*v > 255 ? 255 : (int)*v;
      float fx;
      tile_at(((float)x + 0.5f) * TILES / (float)p->width - 0.5f, &ix, &fx);
      float top = map[iy * TILES + ix][g] * (1 - fx) + map[iy * TILES + ix + 1][g] * fx;
      float bottom = map[(iy + 1) * TILES + ix][g] * (1 - fx) + map[(iy + 1) * TILES + ix + 1][g] * fx;
      *v += (float)strength * (top * (1 - fy) + bottom * fy - *v);
    }
  }
  free(map);
  return OGV_OK;
}
