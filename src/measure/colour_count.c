/* Flow counted within an outline, and where it wraps round the end of the bar. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "measure_colour.h"

static bool inside(const double *p, size_t n, double x, double y) {
  bool in = false;
  for (size_t i = 0, j = n - 1; i < n; j = i++) {
    double yi = p[2 * i + 1], yj = p[2 * j + 1];
    if ((yi > y) != (yj > y) && x < (p[2 * j] - p[2 * i]) * (y - yi) / (yj - yi) + p[2 * i]) in = !in;
  }
  return in;
}

/* The part of the flow map that the outline's box holds; NaN outside the outline too. */
typedef struct part {
  int x0, y0, w, h;
  size_t pixels;
  float *flow; /* w * h, owned */
} part;

static ogv_status cut(const float *flow, int width, int height, const double *outline, size_t n, part *p,
                      ogv_error *err) {
  if (n < 3) return ogv_fail(err, OGV_E_INVALID, "Outline the region.", "an outline needs 3 points");
  double x0 = INFINITY, y0 = INFINITY, x1 = -INFINITY, y1 = -INFINITY;
  for (size_t i = 0; i < n; i++) {
    x0 = fmin(x0, outline[2 * i]);
    x1 = fmax(x1, outline[2 * i]);
    y0 = fmin(y0, outline[2 * i + 1]);
    y1 = fmax(y1, outline[2 * i + 1]);
  }
  x0 = fmax(0, ceil(x0));
  y0 = fmax(0, ceil(y0));
  x1 = fmin(width - 1, x1);
  y1 = fmin(height - 1, y1);
  if (!(x1 >= x0) || !(y1 >= y0))
    return ogv_fail(err, OGV_E_INVALID, "Outline the region.", "the outline holds no pixel of the picture");
  *p = (part){(int)x0, (int)y0, (int)x1 - (int)x0 + 1, (int)y1 - (int)y0 + 1, 0, NULL};
  p->flow = malloc(sizeof *p->flow * (size_t)p->w * (size_t)p->h);
  if (!p->flow) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int y = 0; y < p->h; y++)
    for (int x = 0; x < p->w; x++) {
      bool in = inside(outline, n, p->x0 + x, p->y0 + y);
      p->pixels += in;
      p->flow[(size_t)y * (size_t)p->w + (size_t)x] =
          in ? flow[(size_t)(p->y0 + y) * (size_t)width + (size_t)(p->x0 + x)] : NAN;
    }
  if (p->pixels) return OGV_OK;
  free(p->flow);
  p->flow = NULL;
  return ogv_fail(err, OGV_E_INVALID, "Outline the region.", "the outline holds no pixel of the picture");
}

/* --- aliasing ----------------------------------------------------------------------------------------------------- */

/* A patch of one direction: connected pixels of one sign. */
typedef struct patch {
  size_t area, wraps, border; /* pixels; contacts with the other sign across a wrap, and with anything */
  size_t bare;                /* contacts with what does not flow */
  size_t beside;              /* most bare contacts of a patch across a wrap */
} patch;

static int sign_of(float f) { return f > 0 ? 1 : f < 0 ? -1 : 0; } /* NaN: 0 */

/* Numbers the patches, from 1; 0 where nothing flows. stack holds w*h places. Returns their number. */
static int label(const part *p, int *id, int *stack) {
  int n = p->w * p->h, count = 0;
  memset(id, 0, sizeof *id * (size_t)n);
  for (int k = 0; k < n; k++) {
    int s = sign_of(p->flow[k]), top = 0;
    if (!s || id[k]) continue;
    id[k] = ++count;
    stack[top++] = k;
    while (top) {
      int at = stack[--top], x = at % p->w, y = at / p->w;
      const int next[4] = {x > 0 ? at - 1 : -1, x + 1 < p->w ? at + 1 : -1, y > 0 ? at - p->w : -1,
                           y + 1 < p->h ? at + p->w : -1};
      for (int d = 0; d < 4; d++)
        if (next[d] >= 0 && !id[next[d]] && sign_of(p->flow[next[d]]) == s) {
          id[next[d]] = count;
          stack[top++] = next[d];
        }
    }
  }
  return count;
}

#define BLURRED 4 /* pixels that compression may blur a wrap over */

/* The pixel of the other sign beside (x,y) in one direction; -1: nothing flows there, -2: the same sign or the end of
 * the region, which is no border of the flow. */
static int across(const part *p, int x, int y, int dx, int dy) {
  const int s = sign_of(p->flow[y * p->w + x]);
  for (int step = 1; step <= BLURRED; step++) {
    int u = x + step * dx, v = y + step * dy;
    if (u < 0 || v < 0 || u >= p->w || v >= p->h) return -2;
    int t = sign_of(p->flow[v * p->w + u]);
    if (t) return t == s ? -2 : v * p->w + u;
  }
  return -1;
}

/* Counts the contacts of a pixel; in a second turn, when those of all patches are counted, what lies beside its own. */
static void contacts(const part *p, const int *id, patch *list, int at, double wrap, bool second) {
  static const int step[4][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
  patch *own = &list[id[at]];
  for (int d = 0; d < 4; d++) {
    int there = across(p, at % p->w, at / p->w, step[d][0], step[d][1]);
    bool wraps = there >= 0 && fabs(p->flow[at] - p->flow[there]) > wrap;
    if (second) {
      if (wraps && list[id[there]].bare > own->beside) own->beside = list[id[there]].bare;
      continue;
    }
    own->border += there != -2;
    own->bare += there == -1;
    own->wraps += wraps;
  }
}

/* Flow faster than the end of the bar goes on at its other end. Flow that turns goes through zero; where both signs
 * touch with more than half of the bar's range between them, one of them has wrapped: the one inside, for flow at the
 * wall is slow. A patch is inside when two thirds of its border are such contacts, and the patch across them meets the
 * wall more than it does (own rule). */
static ogv_status count_wrapped(const part *p, double range, size_t *wrapped, ogv_error *err) {
  size_t n = (size_t)p->w * (size_t)p->h;
  int *id = malloc(sizeof *id * 2 * n);
  patch *list = NULL;
  ogv_status s = OGV_OK;
  *wrapped = 0;
  int count = id ? label(p, id, id + n) : 0;
  if (id) list = calloc((size_t)count + 1, sizeof *list);
  if (!list) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t k = 0; s == OGV_OK && k < n; k++) list[id[k]].area += id[k] > 0;
  for (int turn = 0; turn < 2; turn++)
    for (size_t k = 0; s == OGV_OK && k < n; k++)
      if (id[k]) contacts(p, id, list, (int)k, range / 2, turn == 1);
  for (int k = 1; s == OGV_OK && k <= count; k++) {
    const patch *a = &list[k];
    if (3 * a->wraps >= 2 * a->border && a->bare < a->beside) *wrapped += a->area;
  }
  free(list);
  free(id);
  return s;
}

/* --- counting ----------------------------------------------------------------------------------------------------- */

ogv_status ogv_colour_in_outline(const float *flow, int width, int height, const ogv_colour_bar *bar,
                                 const double *outline, size_t n_points, ogv_colour_count *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  part p;
  OGV_TRY(cut(flow, width, height, outline, n_points, &p, err));
  out->pixels = p.pixels;
  for (size_t k = 0; k < (size_t)p.w * (size_t)p.h; k++) {
    if (isnan(p.flow[k])) continue;
    out->coloured++;
    out->positive += p.flow[k] > 0;
    out->sum += fabs(p.flow[k]);
  }
  ogv_status s = OGV_OK;
  if (!bar->power) s = count_wrapped(&p, bar->value[0] - bar->value[bar->steps - 1], &out->aliased, err);
  free(p.flow);
  out->fraction = (double)out->coloured / (double)out->pixels;
  out->mean_magnitude = out->coloured ? out->sum / (double)out->coloured : 0;
  return s;
}

ogv_status ogv_colour_levels(const float *flow, int width, int height, const double *outline, size_t n_points,
                             size_t *grey, size_t colour[101], ogv_error *err) {
  part p;
  OGV_TRY(cut(flow, width, height, outline, n_points, &p, err));
  size_t coloured = 0;
  for (size_t k = 0; k < (size_t)p.w * (size_t)p.h; k++) {
    if (isnan(p.flow[k])) continue;
    long level = lround(100 * fabs(p.flow[k]));
    colour[level < 1 ? 1 : level > 100 ? 100 : level]++;
    coloured++;
  }
  *grey += p.pixels - coloured;
  free(p.flow);
  return OGV_OK;
}
