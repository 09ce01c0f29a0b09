#include "measure_colour.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

#define CHROMA 40 /* largest minus smallest channel: below it a pixel is grey */

static int chroma(const uint8_t *q) {
  int hi = q[0], lo = q[0];
  for (int k = 1; k < 3; k++) {
    if (q[k] > hi) hi = q[k];
    if (q[k] < lo) lo = q[k];
  }
  return hi - lo;
}

static const uint8_t *at(const ogv_image *p, int x, int y) { return p->pixels + (size_t)y * p->stride + (size_t)x * 3; }

/* --- finding the bar ---------------------------------------------------------------------------------------------- */

/* Rows [top, bottom] of the longest upright run at column x whose pixels equal their right neighbours and are coloured
 * but for a dark or white gap (the baseline). Returns its length. */
static int run_at(const ogv_image *p, int x, int *top, int *bottom) {
  int best = 0, start = -1, gap = 0, coloured = 0;
  for (int y = 0; y <= p->height; y++) {
    bool same = false, colour = false;
    if (y < p->height) {
      const uint8_t *a = at(p, x, y), *b = at(p, x + 1, y), *c = at(p, x + 3, y);
      same = abs(a[0] - b[0]) + abs(a[1] - b[1]) + abs(a[2] - b[2]) < 40 &&
             abs(a[0] - c[0]) + abs(a[1] - c[1]) + abs(a[2] - c[2]) < 60;
      colour = same && chroma(a) > CHROMA;
    }
    if (colour) {
      if (start < 0) {
        start = y;
        coloured = 0;
      }
      coloured++;
      gap = 0;
    } else if (start >= 0 && ++gap > (same ? 24 : 3)) {
      int end = y - gap, length = end - start + 1;
      if (length > best && coloured > length * 0.6) {
        best = length;
        *top = start;
        *bottom = end;
      }
      start = -1;
      gap = 0;
    } else if (start >= 0 && y == p->height) {
      int end = y - gap, length = end - start + 1;
      if (length > best && coloured > length * 0.6) {
        best = length;
        *top = start;
        *bottom = end;
      }
    }
  }
  return best;
}

/* How much the colour changes from step to step along the run, and overall: a bar changes slowly and a lot. */
static bool is_gradient(const ogv_image *p, int x, int top, int bottom) {
  int jumps = 0, far = 0;
  const uint8_t *first = at(p, x, top);
  for (int y = top + 1; y <= bottom; y++) {
    const uint8_t *a = at(p, x, y - 1), *b = at(p, x, y);
    int d = abs(a[0] - b[0]) + abs(a[1] - b[1]) + abs(a[2] - b[2]),
        e = abs(first[0] - b[0]) + abs(first[1] - b[1]) + abs(first[2] - b[2]);
    jumps += d > 120;
    if (e > far) far = e;
  }
  return jumps <= 4 && far > 120;
}

static bool search_bar(const ogv_image *p, int *x0, int *y0, int *x1, int *y1) {
  int best = 40, found = -1, ft = 0, fb = 0;
  for (int x = 0; x + 4 < p->width; x++) {
    int top = 0, bottom = 0, length = run_at(p, x, &top, &bottom);
    if (length > best && is_gradient(p, x, top, bottom)) {
      best = length;
      found = x;
      ft = top;
      fb = bottom;
    }
  }
  if (found < 0) return false;
  *x0 = found;
  *y0 = ft;
  *y1 = fb;
  *x1 = found;
  /* As wide as the columns stay alike at three heights. */
  while (*x1 + 1 < p->width && *x1 - *x0 < 60) {
    int far = 0;
    for (int k = 1; k <= 3; k++) {
      int y = ft + (fb - ft) * k / 4;
      const uint8_t *a = at(p, *x0, y), *b = at(p, *x1 + 1, y);
      far += abs(a[0] - b[0]) + abs(a[1] - b[1]) + abs(a[2] - b[2]) > 60;
    }
    if (far) break;
    ++*x1;
  }
  return *x1 - *x0 >= 3;
}

/* Colours down the middle of the bar, and where its baseline is: the darkest stretch between two coloured halves. */
static bool read_bar(const ogv_image *p, ogv_colour_bar *bar) {
  int h = bar->y1 - bar->y0 + 1, xm = (bar->x0 + bar->x1) / 2;
  bar->steps = h < OGV_BAR_STEPS ? h : OGV_BAR_STEPS;
  double darkest = 1e9;
  int base = -1;
  for (int i = 0; i < bar->steps; i++) {
    int y = bar->y0 + (int)((i + 0.5) * h / bar->steps);
    memcpy(bar->colour[i], at(p, xm, y), 3);
    double light = bar->colour[i][0] + bar->colour[i][1] + bar->colour[i][2];
    if (chroma(bar->colour[i]) < CHROMA && light > 300) light = 0; /* a white baseline mark */
    if (light <= darkest && i > 0) {
      if (light < darkest) base = i;
      darkest = light;
    }
  }
  const unsigned char *top = bar->colour[0], *bottom = bar->colour[bar->steps - 1];
  /* A velocity bar has another hue at each end: red over blue or the like. A power bar gets dark at one end. */
  int swap = abs((top[0] - top[2]) - (bottom[0] - bottom[2]));
  bool inner = base > bar->steps / 8 && base < bar->steps * 7 / 8;
  bar->power = !(inner && swap > 80);
  if (bar->power) base = bar->steps - 1;
  if (base <= 0) return false;
  for (int i = 0; i < bar->steps; i++)
    bar->value[i] = i <= base ? (double)(base - i) / base : -(double)(i - base) / (bar->steps - 1 - base);
  return bar->steps >= 16;
}

ogv_status ogv_colour_bar_find(const ogv_image *picture, const ogv_region *regions, size_t n, ogv_colour_bar *out,
                               ogv_error *err) {
  memset(out, 0, sizeof *out);
  if (picture->channels != 3) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the picture is grey: it has no colour bar");
  for (size_t i = 0; i < n; i++)
    if (regions[i].data_type == OGV_DATA_COLOUR_BAR && regions[i].x0 >= 0 && regions[i].y0 >= 0 &&
        regions[i].x1 < picture->width && regions[i].y1 < picture->height && regions[i].y1 > regions[i].y0 + 16) {
      out->x0 = regions[i].x0;
      out->y0 = regions[i].y0;
      out->x1 = regions[i].x1;
      out->y1 = regions[i].y1;
      if (read_bar(picture, out)) return OGV_OK;
    }
  if (search_bar(picture, &out->x0, &out->y0, &out->x1, &out->y1) && read_bar(picture, out)) return OGV_OK;
  return ogv_fail(err, OGV_E_NOT_FOUND, "Flow can be seen but not counted on this picture.",
                  "no colour bar was found in the picture");
}

/* --- flow --------------------------------------------------------------------------------------------------------- */

ogv_status ogv_colour_flow(const ogv_image *picture, const ogv_colour_bar *bar, float *flow, ogv_error *err) {
  if (picture->channels != 3) return ogv_fail(err, OGV_E_INVALID, NULL, "the picture is grey: it shows no colour flow");
  /* Nearest bar colour for each colour quantised to 5 bits a channel, filled when first met. */
  enum { CUBE = 32 * 32 * 32 };
  float *cube = malloc(sizeof(float) * CUBE);
  unsigned char *known = calloc(CUBE, 1);
  if (!cube || !known) {
    free(cube);
    free(known);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  for (int y = 0; y < picture->height; y++)
    for (int x = 0; x < picture->width; x++) {
      const uint8_t *q = at(picture, x, y);
      float *f = flow + (size_t)y * (size_t)picture->width + (size_t)x;
      *f = NAN;
      bool in_bar = x >= bar->x0 - 1 && x <= bar->x1 + 1 && y >= bar->y0 - 1 && y <= bar->y1 + 1;
      if (in_bar || chroma(q) < CHROMA) continue;
      size_t key = (size_t)(q[0] >> 3) << 10 | (size_t)(q[1] >> 3) << 5 | (size_t)(q[2] >> 3);
      if (!known[key]) {
        int best = 1 << 30, k = 0;
        for (int i = 0; i < bar->steps; i++) {
          int r = q[0] - bar->colour[i][0], g = q[1] - bar->colour[i][1], b = q[2] - bar->colour[i][2];
          int d = r * r + g * g + b * b;
          if (d < best) {
            best = d;
            k = i;
          }
        }
        known[key] = 1;
        cube[key] = best < 60 * 60 ? (float)bar->value[k] : NAN; /* other colours are annotation */
      }
      *f = cube[key];
    }
  free(cube);
  free(known);
  return OGV_OK;
}

static bool inside(const double *p, size_t n, double x, double y) {
  bool in = false;
  for (size_t i = 0, j = n - 1; i < n; j = i++) {
    double yi = p[2 * i + 1], yj = p[2 * j + 1];
    if ((yi > y) != (yj > y) && x < (p[2 * j] - p[2 * i]) * (y - yi) / (yj - yi) + p[2 * i]) in = !in;
  }
  return in;
}

ogv_status ogv_colour_in_outline(const float *flow, int width, int height, const double *outline, size_t n_points,
                                 ogv_colour_count *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  if (n_points < 3) return ogv_fail(err, OGV_E_INVALID, "Outline the region.", "an outline needs 3 points");
  double x0 = INFINITY, y0 = INFINITY, x1 = -INFINITY, y1 = -INFINITY, sum = 0;
  for (size_t i = 0; i < n_points; i++) {
    x0 = fmin(x0, outline[2 * i]);
    x1 = fmax(x1, outline[2 * i]);
    y0 = fmin(y0, outline[2 * i + 1]);
    y1 = fmax(y1, outline[2 * i + 1]);
  }
  for (int y = (int)fmax(0, ceil(y0)); y <= fmin(height - 1, y1); y++)
    for (int x = (int)fmax(0, ceil(x0)); x <= fmin(width - 1, x1); x++) {
      if (!inside(outline, n_points, x, y)) continue;
      float f = flow[(size_t)y * (size_t)width + (size_t)x];
      out->pixels++;
      if (isnan(f)) continue;
      out->coloured++;
      out->positive += f > 0;
      sum += fabs(f);
    }
  if (!out->pixels)
    return ogv_fail(err, OGV_E_INVALID, "Outline the region.", "the outline holds no pixel of the picture");
  out->fraction = (double)out->coloured / (double)out->pixels;
  out->mean_magnitude = out->coloured ? sum / (double)out->coloured : 0;
  return OGV_OK;
}

/* --- relief ------------------------------------------------------------------------------------------------------- */

static double height_at(const float *flow, int w, int h, int x, int y) {
  /* Mean over 3x3: single pixels do not make cliffs. */
  double sum = 0;
  for (int j = -1; j <= 1; j++)
    for (int i = -1; i <= 1; i++) {
      int xx = x + i < 0 ? 0 : x + i >= w ? w - 1 : x + i, yy = y + j < 0 ? 0 : y + j >= h ? h - 1 : y + j;
      float f = flow[(size_t)yy * (size_t)w + (size_t)xx];
      sum += isnan(f) ? 0 : fabs(f);
    }
  return sum / 9;
}

ogv_status ogv_colour_relief(const ogv_image *picture, const float *flow, ogv_image *out, ogv_error *err) {
  int w = picture->width, h = picture->height;
  OGV_TRY(ogv_image_new(w, h, 3, out, err));
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      const uint8_t *q = at(picture, x, y);
      uint8_t *o = out->pixels + (size_t)y * out->stride + (size_t)x * 3;
      memcpy(o, q, 3);
      if (isnan(flow[(size_t)y * (size_t)w + (size_t)x])) continue;
      double dx = 12 * (height_at(flow, w, h, x + 1, y) - height_at(flow, w, h, x - 1, y));
      double dy = 12 * (height_at(flow, w, h, x, y + 1) - height_at(flow, w, h, x, y - 1));
      double n = sqrt(dx * dx + dy * dy + 1);
      double light = (0.5 * dx + 0.5 * dy + 0.7071) / n; /* light from the upper left, above the picture */
      double shine = light > 0.95 ? (light - 0.95) * 20 * 60 : 0;
      double k = 0.35 + 0.75 * (light > 0 ? light : 0);
      for (int c = 0; c < 3; c++) {
        double v = q[c] * k + shine;
        o[c] = (uint8_t)(v > 255 ? 255 : v);
      }
    }
  return OGV_OK;
}

ogv_status ogv_colour_relief_on(const ogv_image *stored, const ogv_image *shown, const ogv_region *regions, size_t n,
                                ogv_image *out, ogv_error *err) {
  ogv_colour_bar bar;
  if (shown->width != stored->width || shown->height != stored->height || shown->channels != 3)
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the picture is grey: it shows no colour flow");
  OGV_TRY(ogv_colour_bar_find(stored, regions, n, &bar, err));
  float *flow = malloc(sizeof *flow * (size_t)stored->width * (size_t)stored->height);
  if (!flow) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = ogv_colour_flow(stored, &bar, flow, err);
  if (s == OGV_OK) s = ogv_colour_relief(shown, flow, out, err);
  free(flow);
  return s;
}

json_t *ogv_colour_json(const ogv_colour_count *c, const ogv_colour_bar *bar) {
  json_t *o = json_object();
  json_object_set_new(o, "accepted", json_true());
  json_object_set_new(o, "reason", json_string(""));
  json_object_set_new(o, "kind", json_string(bar->power ? "power" : "velocity"));
  json_object_set_new(o, "bar", json_pack("[i,i,i,i]", bar->x0, bar->y0, bar->x1, bar->y1));
  json_object_set_new(o, "pixels", json_integer((json_int_t)c->pixels));
  json_object_set_new(o, "coloured_pixels", json_integer((json_int_t)c->coloured));
  json_object_set_new(o, "colour_fraction", ogv_json_real(c->fraction));
  json_object_set_new(o, "mean_magnitude", ogv_json_real(c->mean_magnitude));
  json_object_set_new(o, "towards_fraction",
                      ogv_json_real(c->coloured ? (double)c->positive / (double)c->coloured : NAN));
  return o;
}
