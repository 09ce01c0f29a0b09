/* Burned-in marks that have no colour of their own: crosses that a person or a scanner set on the trace. */
#include <stdlib.h>

#include "private/spectrum_int.h"

#define SHORTEST 7 /* pixels of an arm from end to end */
#define LONGEST 41
#define EVEN 12   /* a drawn stroke is of one grey, up to what compression does to it */
#define STANDS 20 /* grey levels by which a stroke stands out on both of its sides */
#define BRIGHT 110

typedef struct {
  const uint8_t *grey;
  int w, h;
} field;

static int level(const field *f, int x, int y) {
  x = x < 0 ? 0 : x >= f->w ? f->w - 1 : x;
  y = y < 0 ? 0 : y >= f->h ? f->h - 1 : y;
  return f->grey[(size_t)y * (size_t)f->w + (size_t)x];
}

/* The run of one grey through (x,y) along (dx,dy): from x - *back to x + *ahead. Whether it is a stroke: neither too
 * short nor too long, ending on both sides, and brighter than what lies three pixels to either side of it (but for the
 * middle, where the other arm crosses). */
static bool stroke(const field *f, int x, int y, int dx, int dy, int *back, int *ahead) {
  int v = level(f, x, y);
  *back = *ahead = 0;
  while (*ahead < LONGEST && abs(level(f, x + (*ahead + 1) * dx, y + (*ahead + 1) * dy) - v) <= EVEN) ++*ahead;
  while (*back < LONGEST && abs(level(f, x - (*back + 1) * dx, y - (*back + 1) * dy) - v) <= EVEN) ++*back;
  int length = *back + *ahead + 1;
  if (length < SHORTEST || length > LONGEST) return false;
  int left = 0, right = 0, n = 0;
  for (int k = -*back; k <= *ahead; k++) {
    if (abs(k) < 3) continue;
    left += level(f, x + k * dx - 3 * dy, y + k * dy - 3 * dx);
    right += level(f, x + k * dx + 3 * dy, y + k * dy + 3 * dx);
    n++;
  }
  return n >= 2 && left < n * (v - STANDS) && right < n * (v - STANDS);
}

static void wipe(const field *f, uint8_t *mask, int x, int y, int back, int ahead, int dx, int dy) {
  for (int k = -back - 1; k <= ahead + 1; k++)
    for (int s = -1; s <= 1; s++) {
      int xx = x + k * dx + s * dy, yy = y + k * dy + s * dx;
      if (xx >= 0 && yy >= 0 && xx < f->w && yy < f->h) mask[(size_t)yy * (size_t)f->w + (size_t)xx] = 1;
    }
}

void spectrum_mask_crosses(const uint8_t *grey, int w, int h, uint8_t *mask) {
  const field f = {grey, w, h};
  for (int y = 3; y + 3 < h; y++) {
    const uint8_t *row = grey + (size_t)y * (size_t)w;
    for (int x = 3; x + 3 < w; x++) {
      int v = row[x];
      /* Cheap look first: three pixels along each arm, three beside it. */
      if (v < BRIGHT || abs(row[x - 2] - v) > EVEN || abs(row[x + 2] - v) > EVEN) continue;
      if (abs(row[x - 2 * w] - v) > EVEN || abs(row[x + 2 * w] - v) > EVEN) continue;
      if (row[x + 3 * w + 3] > v - STANDS && row[x - 3 * w - 3] > v - STANDS) continue;
      int l, r, u, d;
      if (!stroke(&f, x, y, 1, 0, &l, &r) || !stroke(&f, x, y, 0, 1, &u, &d)) continue;
      if (abs(l - r) > 2 || abs(u - d) > 2) continue; /* the arms cross in their middles */
      wipe(&f, mask, x, y, l, r, 1, 0);
      wipe(&f, mask, x, y, u, d, 0, 1);
    }
  }
}
