#include "measure_colour.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

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

#define BAR_WIDEST 60 /* columns */

/* Whether columns a and b are alike at three heights. */
static bool alike(const ogv_image *p, int a, int b, int top, int bottom) {
  for (int k = 1; k <= 3; k++) {
    int y = top + (bottom - top) * k / 4;
    const uint8_t *q = at(p, a, y), *r = at(p, b, y);
    if (abs(q[0] - r[0]) + abs(q[1] - r[1]) + abs(q[2] - r[2]) > 60) return false;
  }
  return true;
}

/* A bar stands beside the flow, never in it. */
static bool in_colour_box(const ogv_region *regions, size_t n, int x, int top, int bottom) {
  for (size_t i = 0; i < n; i++)
    if (regions[i].format == OGV_FORMAT_2D && regions[i].data_type == OGV_DATA_COLOUR_FLOW && x >= regions[i].x0 &&
        x <= regions[i].x1 && bottom >= regions[i].y0 && top <= regions[i].y1)
      return true;
  return false;
}

/* The longest run of a colour that changes slowly along it and is as narrow as a bar: a vessel lying across the picture
 * is alike over more columns. */
static bool search_bar(const ogv_image *p, const ogv_region *regions, size_t n, ogv_colour_bar *out) {
  int best = 40;
  for (int x = 0; x + 4 < p->width; x++) {
    int top = 0, bottom = 0, length = run_at(p, x, &top, &bottom);
    if (length <= best || in_colour_box(regions, n, x, top, bottom) || !is_gradient(p, x, top, bottom)) continue;
    int x0 = x, x1 = x;
    while (x0 > 0 && x1 - x0 <= BAR_WIDEST && alike(p, x, x0 - 1, top, bottom)) x0--;
    while (x1 + 1 < p->width && x1 - x0 <= BAR_WIDEST && alike(p, x, x1 + 1, top, bottom)) x1++;
    if (x1 - x0 < 3 || x1 - x0 > BAR_WIDEST) continue;
    best = length;
    out->x0 = x0;
    out->y0 = top;
    out->x1 = x1;
    out->y1 = bottom;
  }
  return best > 40;
}

static int light_of(const unsigned char *q) { return q[0] + q[1] + q[2]; }

/* Values down the bar. A velocity bar is linear in velocity (common practice), so with a shifted baseline the shorter
 * side ends below 1; a baseline within 3 % of the middle is the middle, and both sides end at 1. */
static void velocity_values(ogv_colour_bar *bar, int base) {
  int above = base, below = bar->steps - 1 - base, longer = above > below ? above : below;
  bool middle = abs(above - below) <= 0.03 * bar->steps;
  for (int i = 0; i < bar->steps; i++)
    bar->value[i] =
        i <= base ? (double)(base - i) / (middle ? above : longer) : -(double)(i - base) / (middle ? below : longer);
}

/* A power bar gets dark where there is no flow: at one end, whichever way up it is drawn, or in the middle. */
static void power_values(ogv_colour_bar *bar, bool inner, int base) {
  int last = bar->steps - 1, top = light_of(bar->colour[0]), bottom = light_of(bar->colour[last]);
  bool middle = inner && 2 * light_of(bar->colour[base]) < (top < bottom ? top : bottom);
  if (!middle) base = bottom <= top ? last : 0;
  int longer = base > last - base ? base : last - base;
  for (int i = 0; i <= last; i++) bar->value[i] = (double)abs(i - base) / longer;
}

/* Colours down the middle of the bar, and where its baseline is: the darkest stretch between two coloured halves. */
static bool read_bar(const ogv_image *p, ogv_colour_bar *bar) {
  int h = bar->y1 - bar->y0 + 1, xm = (bar->x0 + bar->x1) / 2;
  bar->steps = h < OGV_BAR_STEPS ? h : OGV_BAR_STEPS;
  if (bar->steps < 16) return false;
  double darkest = 1e9;
  int first = -1, last = -1, coloured = 0; /* the darkest stretch; steps that are not grey */
  for (int i = 0; i < bar->steps; i++) {
    int y = bar->y0 + (int)((i + 0.5) * h / bar->steps);
    memcpy(bar->colour[i], at(p, xm, y), 3);
    double light = light_of(bar->colour[i]);
    coloured += chroma(bar->colour[i]) > CHROMA;
    if (chroma(bar->colour[i]) < CHROMA && light > 300) light = 0; /* a white baseline mark */
    if (i > 0 && light < darkest) {
      darkest = light;
      first = last = i;
    } else if (light == darkest && i == last + 1) last = i;
  }
  if (2 * coloured < bar->steps) return false; /* a region that holds no bar */
  int base = (first + last) / 2;
  const unsigned char *top = bar->colour[0], *bottom = bar->colour[bar->steps - 1];
  /* A velocity bar has another hue at each end: red over blue or, inverted, blue over red. */
  int swap = abs((top[0] - top[2]) - (bottom[0] - bottom[2]));
  bool inner = base > bar->steps / 8 && base < bar->steps * 7 / 8;
  bar->power = !(inner && swap > 80);
  if (bar->power) power_values(bar, inner, base);
  else velocity_values(bar, base);
  return true;
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
  if (search_bar(picture, regions, n, out) && read_bar(picture, out)) return OGV_OK;
  return ogv_fail(err, OGV_E_NOT_FOUND, "Flow can be seen but not counted on this picture.",
                  "no colour bar was found in the picture");
}

/* --- flow --------------------------------------------------------------------------------------------------------- */

/* Value of the nearest bar colour; colours far from all of them are annotation. */
static float flow_of(int red, int green, int blue, const ogv_colour_bar *bar) {
  int best = 60 * 60, k = -1;
  for (int i = 0; i < bar->steps; i++) {
    int r = red - bar->colour[i][0], g = green - bar->colour[i][1], b = blue - bar->colour[i][2];
    int d = r * r + g * g + b * b;
    if (d < best) {
      best = d;
      k = i;
    }
  }
  return k < 0 ? NAN : (float)bar->value[k];
}

ogv_status ogv_colour_flow(const ogv_image *picture, const ogv_colour_bar *bar, float *flow, ogv_error *err) {
  if (picture->channels != 3) return ogv_fail(err, OGV_E_INVALID, NULL, "the picture is grey: it shows no colour flow");
  /* Nearest bar colour for each colour quantised to 6 bits a channel, by the middle of its cell, filled when first met.
   */
  enum { CUBE = 64 * 64 * 64 };
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
      size_t key = (size_t)(q[0] >> 2) << 12 | (size_t)(q[1] >> 2) << 6 | (size_t)(q[2] >> 2);
      if (!known[key]) {
        cube[key] = flow_of((q[0] & ~3) + 2, (q[1] & ~3) + 2, (q[2] & ~3) + 2, bar);
        known[key] = 1;
      }
      *f = cube[key];
    }
  free(cube);
  free(known);
  return OGV_OK;
}
