/* Burned-in lines that have no colour of their own: upright ones (cursor, grid; whole or dotted) and a traced curve.
 * All limits here are our own choice; docs/doppler.md says what they did on independent drawings. */
#include <stdlib.h>
#include <string.h>

#include "private/spectrum_int.h"

#define BRIGHT 100
#define EVEN 6 /* a drawn line is of one grey, up to what compression does to it */

typedef struct {
  const uint8_t *grey;
  uint8_t *mask;
  int w, h;
} field;

/* ---- upright lines ---- */

/* Share of the rows from y0 up to y1 that have about the level v in column x; 0 outside of the box. */
static double column_share(const field *f, int x, int y0, int y1, int v) {
  if (x < 0 || x >= f->w) return 0;
  int n = 0;
  for (int y = y0; y < y1; y++) n += abs(f->grey[(size_t)y * (size_t)f->w + (size_t)x] - v) <= EVEN;
  return (double)n / (y1 - y0);
}

/* Of one bright grey in each third of the column's height, which the columns beside it do not have. Flow does not reach
 * from end to end on both sides of the baseline. */
static bool upright(const field *f, int x, int v) {
  enum { BESIDE = 4 };
  for (int third = 0; third < 3; third++)
    if (column_share(f, x, f->h * third / 3, f->h * (third + 1) / 3, v) < 0.25) return false;
  double own = column_share(f, x, 0, f->h, v);
  return column_share(f, x - BESIDE, 0, f->h, v) < 0.4 * own && column_share(f, x + BESIDE, 0, f->h, v) < 0.4 * own;
}

void spectrum_mask_uprights(const uint8_t *grey, int w, int h, uint8_t *mask) {
  enum { STRIP = 32 };
  const field f = {grey, mask, w, h};
  uint16_t histogram[STRIP][256];
  for (int x0 = 0; x0 < w && h >= 12; x0 += STRIP) {
    int n = x0 + STRIP < w ? STRIP : w - x0;
    memset(histogram, 0, sizeof histogram);
    for (int y = 0; y < h; y++)
      for (int i = 0; i < n; i++) histogram[i][grey[(size_t)y * (size_t)w + (size_t)(x0 + i)]]++;
    for (int i = 0; i < n; i++) {
      int best = 0, v = 0;
      for (int k = BRIGHT; k < 256; k++) {
        int m = histogram[i][k - 1] + histogram[i][k] + (k < 255 ? histogram[i][k + 1] : 0);
        if (m > best) best = m, v = k;
      }
      if (best * 4 < h || !upright(&f, x0 + i, v)) continue;
      for (int y = 0; y < h; y++) {
        size_t at = (size_t)y * (size_t)w + (size_t)(x0 + i);
        if (abs(grey[at] - v) <= EVEN) mask[at] = 1;
      }
    }
  }
}

/* ---- a curve ---- */

#define STEP 16 /* grey levels between neighbours on one line */
#define STANDS 40
#define ONE_GREY 12 /* SD within a curve: compression makes thin lines uneven */
#define HALF 3      /* pixels from a line's middle to where it stands out */
enum { HIDDEN = 1, RIDGE = 2, SEEN = 4, CURVE = 8 };

typedef struct {
  int n, x0, x1, y0, y1;
  double sum, squares;
} piece;

/* Marks what is bright and stands out on both sides, up and down or left and right. */
static void mark_ridges(const field *f) {
  const int w = f->w, h = f->h;
  for (int y = 0; y < h; y++) {
    const uint8_t *p = f->grey + (size_t)y * (size_t)w;
    uint8_t *mask = f->mask + (size_t)y * (size_t)w;
    for (int x = 0; x < w; x++) {
      if (p[x] < BRIGHT + 20 || mask[x]) continue;
      int below = p[x] - STANDS;
      bool tall = (y < HALF || p[x - HALF * w] <= below) && (y + HALF >= h || p[x + HALF * w] <= below);
      if (tall || ((x < HALF || p[x - HALF] <= below) && (x + HALF >= w || p[x + HALF] <= below))) mask[x] = RIDGE;
    }
  }
}

/* The ridge pixels that hang together with `at` and differ little from neighbour to neighbour: list[0..n). */
static piece follow(const field *f, int at, int *list) {
  piece p = {.n = 1, .x0 = f->w, .y0 = f->h};
  list[0] = at;
  f->mask[at] |= SEEN;
  for (int i = 0; i < p.n; i++) {
    int x = list[i] % f->w, y = list[i] / f->w, v = f->grey[list[i]];
    p.x0 = x < p.x0 ? x : p.x0;
    p.x1 = x > p.x1 ? x : p.x1;
    p.y0 = y < p.y0 ? y : p.y0;
    p.y1 = y > p.y1 ? y : p.y1;
    p.sum += v;
    p.squares += (double)v * v;
    for (int k = 0; k < 9; k++) {
      int xx = x + k % 3 - 1, yy = y + k / 3 - 1;
      if (xx < 0 || yy < 0 || xx >= f->w || yy >= f->h) continue;
      int to = yy * f->w + xx;
      if (f->mask[to] != RIDGE || abs(f->grey[to] - v) > STEP) continue;
      f->mask[to] |= SEEN;
      list[p.n++] = to;
    }
  }
  return p;
}

/* Of one grey, long and not level (that is a baseline). */
static bool drawn(const piece *p) {
  double mean = p->sum / p->n;
  return p->x1 - p->x0 >= 11 && p->y1 - p->y0 >= 7 && p->squares / p->n - mean * mean <= ONE_GREY * ONE_GREY;
}

/* Which grey long pieces of lines have over a third of the box's columns, that of most; 0: none. No grain of flow does
 * that. */
static int curve_level(const field *f, int *list) {
  int columns[256] = {0}, best = 0, level = 0;
  for (int at = 0; at < f->w * f->h; at++) {
    if (f->mask[at] != RIDGE) continue;
    piece p = follow(f, at, list);
    if (drawn(&p)) columns[(int)(p.sum / p.n)] += p.x1 - p.x0 + 1;
  }
  for (int v = 6; v < 250; v++) {
    int n = 0;
    for (int k = -6; k <= 6; k++) n += columns[v + k];
    if (n > best) best = n, level = v;
  }
  return best * 3 >= f->w ? level : 0;
}

/* All pieces of that grey, and what has it and hangs together with them: where a line is steep or turns it stands out
 * less. */
static void take_curve(const field *f, int level, int *list) {
  enum { STEPS = 8, LEAST = 4 };
  int area = f->w * f->h, n = 0;
  for (int at = 0; at < area; at++) f->mask[at] &= (uint8_t)~SEEN;
  for (int at = 0; at < area; at++) {
    if (f->mask[at] != RIDGE) continue;
    piece p = follow(f, at, list);
    for (int i = 0; i < p.n && p.n >= LEAST; i++)
      if (abs(f->grey[list[i]] - level) <= ONE_GREY) f->mask[list[i]] |= CURVE;
  }
  for (int at = 0; at < area; at++)
    if (f->mask[at] & CURVE) list[n++] = at;
  for (int step = 0, from = 0; step < STEPS; step++)
    for (int end = n; from < end; from++)
      for (int k = 0; k < 9; k++) {
        int x = list[from] % f->w + k % 3 - 1, y = list[from] / f->w + k / 3 - 1, to = y * f->w + x;
        if (x < 0 || y < 0 || x >= f->w || y >= f->h || f->mask[to] & CURVE || abs(f->grey[to] - level) > ONE_GREY)
          continue;
        f->mask[to] |= CURVE;
        list[n++] = to;
      }
}

/* The pixels of a curve and those beside them, which are its rim, are annotation. */
static void wipe(const field *f) {
  for (int y = 0; y < f->h; y++)
    for (int x = 0; x < f->w; x++) {
      if (!(f->mask[y * f->w + x] & CURVE)) continue;
      for (int k = 0; k < 9; k++) {
        int xx = x + k % 3 - 1, yy = y + k / 3 - 1;
        if (xx >= 0 && yy >= 0 && xx < f->w && yy < f->h) f->mask[yy * f->w + xx] |= HIDDEN;
      }
    }
}

bool spectrum_mask_curve(const uint8_t *grey, int w, int h, uint8_t *mask, bool *curve) {
  const field f = {grey, mask, w, h};
  size_t area = (size_t)w * (size_t)h;
  int *list = malloc(area * sizeof *list);
  if (!list) return false;
  mark_ridges(&f);
  int level = curve_level(&f, list);
  if (level) {
    take_curve(&f, level, list);
    wipe(&f);
  }
  free(list);
  for (size_t i = 0; i < area; i++) mask[i] &= HIDDEN;
  *curve = level != 0;
  return true;
}
