/* Lettering in pictures: see report_burned.h. */
#include "report_burned.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define OPEN 4      /* half width of the opening: what is thinner than 9 pixels stands out */
#define GLYPH_LOW 5 /* height of a letter in pixels */
#define GLYPH_HIGH 48
#define GLYPHS_MAX 4000
#define ROW_LETTERS 3 /* fewer are not called lettering; faint ones, which echoes can look like, need two more */
#define FAINT 90
#define STRENGTH 32     /* letters of one row differ by less */
#define FLAT_CHROMA 5   /* in a picture whose tissue is exactly grey */
#define LOSSY_CHROMA 40 /* compression colours tissue a little */

typedef struct glyph {
  int x0, y0, x1, y1; /* x1, y1 behind the last */
  int strength;
  int row; /* index of the row's first glyph (a forest) */
} glyph;

typedef struct plane {
  int w, h;
  uint8_t *grey, *above, *chroma, *spare; /* above: how far a pixel stands over the opening around it */
  int32_t *stack;
  glyph *glyphs;
  int n;
} plane;

/* Running least or greatest value over 2*OPEN+1 pixels, along rows (step 1) or columns (step w). */
static void extreme(const uint8_t *from, uint8_t *to, int n, size_t step, bool greatest) {
  for (int i = 0; i < n; i++) {
    int a = i < OPEN ? 0 : i - OPEN, b = i + OPEN >= n ? n - 1 : i + OPEN;
    uint8_t v = from[(size_t)a * step];
    for (int k = a + 1; k <= b; k++) {
      uint8_t x = from[(size_t)k * step];
      if (greatest ? x > v : x < v) v = x;
    }
    to[(size_t)i * step] = v;
  }
}

static void stand_out(plane *p) {
  size_t w = (size_t)p->w;
  for (int y = 0; y < p->h; y++) extreme(p->grey + (size_t)y * w, p->spare + (size_t)y * w, p->w, 1, false);
  for (int x = 0; x < p->w; x++) extreme(p->spare + x, p->above + x, p->h, w, false);
  for (int y = 0; y < p->h; y++) extreme(p->above + (size_t)y * w, p->spare + (size_t)y * w, p->w, 1, true);
  for (int x = 0; x < p->w; x++) extreme(p->spare + x, p->above + x, p->h, w, true);
  for (size_t i = 0; i < w * (size_t)p->h; i++)
    p->above[i] = p->grey[i] > p->above[i] ? (uint8_t)(p->grey[i] - p->above[i]) : 0;
}

static void split(const ogv_image *img, plane *p) {
  for (int y = 0; y < p->h; y++) {
    const uint8_t *s = img->pixels + (size_t)y * img->stride;
    size_t at = (size_t)y * (size_t)p->w;
    for (int x = 0; x < p->w; x++, s += img->channels) {
      int r = s[0], g = img->channels == 3 ? s[1] : r, b = img->channels == 3 ? s[2] : r;
      int most = r > g ? r : g, least = r < g ? r : g;
      if (b > most) most = b;
      if (b < least) least = b;
      p->grey[at + (size_t)x] = (uint8_t)((r + g + b) / 3);
      p->chroma[at + (size_t)x] = (uint8_t)(most - least);
    }
  }
}

/* The strength of a letter: what its stronger pixels have, thin edges apart. */
static int strength_of(const int counts[256], int n) {
  int left = n * 15 / 100, v = 255;
  for (; v > 0; v--) {
    left -= counts[v];
    if (left < 0) break;
  }
  return v;
}

/* The connected pixels of the mask from `seed` on; they leave the mask. */
static void take_glyph(plane *p, uint8_t *mask, int seed) {
  int depth = 0, n = 0, counts[256] = {0};
  glyph g = {p->w, p->h, 0, 0, 0, p->n};
  p->stack[depth++] = seed;
  mask[seed] = 0;
  while (depth) {
    int at = p->stack[--depth], x = at % p->w, y = at / p->w;
    n++;
    counts[p->grey[at]]++;
    if (x < g.x0) g.x0 = x;
    if (y < g.y0) g.y0 = y;
    if (x >= g.x1) g.x1 = x + 1;
    if (y >= g.y1) g.y1 = y + 1;
    for (int k = 0; k < 9; k++) {
      int nx = x + k % 3 - 1, ny = y + k / 3 - 1;
      if (nx < 0 || ny < 0 || nx >= p->w || ny >= p->h || !mask[ny * p->w + nx]) continue;
      mask[ny * p->w + nx] = 0;
      p->stack[depth++] = ny * p->w + nx;
    }
  }
  int w = g.x1 - g.x0, h = g.y1 - g.y0;
  if (h < GLYPH_LOW || h > GLYPH_HIGH || w > 3 * h || (n > 0.9 * w * h && w > 0.5 * h) || p->n == GLYPHS_MAX) return;
  g.strength = strength_of(counts, n);
  p->glyphs[p->n++] = g;
}

static int by_place(const void *a, const void *b) {
  const glyph *p = a, *q = b;
  return p->x0 != q->x0 ? (p->x0 > q->x0) - (p->x0 < q->x0) : (p->y0 > q->y0) - (p->y0 < q->y0);
}

static int row_of(plane *p, int i) {
  while (p->glyphs[i].row != i) i = p->glyphs[i].row;
  return i;
}

static bool same_row(const glyph *a, const glyph *b) {
  int h = a->y1 - a->y0, k = b->y1 - b->y0, most = h > k ? h : k, least = h < k ? h : k;
  double slack = fmax(1, 0.12 * most);
  return b->x0 - a->x1 <= h && most <= 1.7 * least && abs(a->strength - b->strength) <= STRENGTH &&
         (abs(a->y1 - b->y1) <= slack || abs(a->y0 - b->y0) <= slack);
}

static void join_rows(plane *p) {
  qsort(p->glyphs, (size_t)p->n, sizeof *p->glyphs, by_place);
  for (int i = 0; i < p->n; i++) p->glyphs[i].row = i;
  for (int i = 0; i < p->n; i++)
    for (int j = i + 1; j < p->n && p->glyphs[j].x0 - p->glyphs[i].x1 <= GLYPH_HIGH; j++)
      if (same_row(&p->glyphs[i], &p->glyphs[j])) p->glyphs[row_of(p, j)].row = row_of(p, i);
}

/* Is it lettering? Enough letters, most of them on one base line, two or more of full height. */
static bool is_lettering(plane *p, int row, bool faint, ogv_burned_box *box) {
  int n = 0, tall = 0, tallest = 0, best = 0;
  *box = (ogv_burned_box){p->w, p->h, -1, -1};
  for (int i = row; i < p->n; i++) {
    const glyph *g = &p->glyphs[i];
    if (row_of(p, i) != row) continue;
    n++;
    if (g->y1 - g->y0 > tallest) tallest = g->y1 - g->y0;
    if (g->x0 < box->x0) box->x0 = g->x0;
    if (g->y0 < box->y0) box->y0 = g->y0;
    if (g->x1 - 1 > box->x1) box->x1 = g->x1 - 1;
    if (g->y1 - 1 > box->y1) box->y1 = g->y1 - 1;
  }
  int least = faint ? ROW_LETTERS + 2 : ROW_LETTERS;
  if (n < least) return false;
  for (int i = row; i < p->n; i++) {
    if (row_of(p, i) != row) continue;
    int line = 0;
    tall += p->glyphs[i].y1 - p->glyphs[i].y0 > 0.75 * tallest;
    for (int j = row; j < p->n; j++)
      line += row_of(p, j) == row && abs(p->glyphs[j].y1 - p->glyphs[i].y1) <= fmax(1, 0.1 * tallest);
    if (line > best) best = line;
  }
  return tall >= 2 && best >= least && best >= 0.6 * n;
}

/* Points, hyphens and units beside a row belong to it: its box grows over what stands out near its ends. */
static void widen(const plane *p, int level, ogv_burned_box *b) {
  int h = b->y1 - b->y0 + 1;
  for (int side = 0; side < 2; side++) {
    int empty = 0;
    while (empty <= h) {
      int x = side ? b->x1 + 1 + empty : b->x0 - 1 - empty;
      bool found = false;
      if (x < 0 || x >= p->w) break;
      for (int y = b->y0; y <= b->y1 && !found; y++) found = p->above[(size_t)y * (size_t)p->w + (size_t)x] > level;
      if (!found) empty++;
      else if (side) b->x1 = x, empty = 0;
      else b->x0 = x, empty = 0;
      if (b->x1 - b->x0 > 60 * h) break;
    }
  }
}

static bool touch(const ogv_burned_box *a, const ogv_burned_box *b) {
  return a->x0 <= b->x1 + 2 && b->x0 <= a->x1 + 2 && a->y0 <= b->y1 + 1 && b->y0 <= a->y1 + 1;
}

static void keep(ogv_burned *out, ogv_burned_box b) {
  for (int i = 0; i < out->n; i++) {
    ogv_burned_box *o = &out->box[i];
    if (!touch(o, &b)) continue;
    if (o->x0 < b.x0) b.x0 = o->x0;
    if (o->y0 < b.y0) b.y0 = o->y0;
    if (o->x1 > b.x1) b.x1 = o->x1;
    if (o->y1 > b.y1) b.y1 = o->y1;
    *o = out->box[--out->n];
    i = -1;
  }
  if (out->n < OGV_BURNED_MAX) out->box[out->n++] = b;
  else out->more = true;
}

static void find_rows(plane *p, uint8_t *mask, int level, int margin, ogv_burned *out) {
  p->n = 0;
  for (int i = 0; i < p->w * p->h; i++)
    if (mask[i]) take_glyph(p, mask, i);
  join_rows(p);
  for (int i = 0; i < p->n; i++) {
    ogv_burned_box b;
    if (p->glyphs[i].row != i || !is_lettering(p, i, level >= 0 && level < FAINT, &b)) continue;
    if (level >= 0) widen(p, level, &b);
    b.x0 = b.x0 < margin ? 0 : b.x0 - margin;
    b.y0 = b.y0 < margin ? 0 : b.y0 - margin;
    b.x1 = b.x1 + margin >= p->w ? p->w - 1 : b.x1 + margin;
    b.y1 = b.y1 + margin >= p->h ? p->h - 1 : b.y1 + margin;
    keep(out, b);
  }
}

static bool covered(const ogv_burned *b, int x, int y) {
  for (int i = 0; i < b->n; i++)
    if (x >= b->box[i].x0 && x <= b->box[i].x1 && y >= b->box[i].y0 && y <= b->box[i].y1) return true;
  return false;
}

/* Colour in a grey picture: rows of it are lettering; the rest are marks when there is more than a trace. */
static void find_coloured(plane *p, ogv_burned *out) {
  size_t n = (size_t)p->w * (size_t)p->h, flat = 0, found = 0, left = 0;
  for (size_t i = 0; i < n; i++) flat += p->chroma[i] <= 2;
  int level = flat > n - n / 10 ? FLAT_CHROMA : LOSSY_CHROMA;
  for (size_t i = 0; i < n; i++) {
    p->spare[i] = p->chroma[i] > level;
    found += p->spare[i];
  }
  if (!found || found > n / 5) return; /* a tinted picture */
  find_rows(p, p->spare, -1, 2, out);
  for (int y = 0; y < p->h; y++)
    for (int x = 0; x < p->w; x++)
      left += p->chroma[(size_t)y * (size_t)p->w + (size_t)x] > level && !covered(out, x, y);
  out->marks = left > 40;
}

ogv_status ogv_burned_find(const ogv_image *img, bool colour, ogv_burned *out, ogv_error *err) {
  static const int levels[] = {40, 70, 110, 150};
  size_t n = (size_t)img->width * (size_t)img->height;
  memset(out, 0, sizeof *out);
  if (img->width < 16 || img->height < 16 || n > (size_t)1 << 28) return OGV_OK;
  plane p = {.w = img->width, .h = img->height};
  uint8_t *bytes = malloc(n * 4);
  p.stack = malloc(n * sizeof *p.stack);
  p.glyphs = malloc(GLYPHS_MAX * sizeof *p.glyphs);
  if (!bytes || !p.stack || !p.glyphs) {
    free(bytes);
    free(p.stack);
    free(p.glyphs);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to look for text in a picture");
  }
  p.grey = bytes;
  p.above = bytes + n;
  p.chroma = bytes + 2 * n;
  p.spare = bytes + 3 * n;
  split(img, &p);
  stand_out(&p);
  for (size_t k = 0; k < sizeof levels / sizeof *levels; k++) {
    for (size_t i = 0; i < n; i++) p.spare[i] = p.above[i] > levels[k];
    find_rows(&p, p.spare, levels[k], 2, out);
  }
  if (!colour && img->channels == 3) find_coloured(&p, out);
  free(bytes);
  free(p.stack);
  free(p.glyphs);
  return OGV_OK;
}

/* Middle value of a channel along the border just outside the box. */
static uint8_t around(const ogv_image *img, const ogv_burned_box *b, int channel) {
  int counts[256] = {0}, n = 0;
  for (int y = b->y0 - 1; y <= b->y1 + 1; y++)
    for (int x = b->x0 - 1; x <= b->x1 + 1; x++) {
      bool inside = x >= b->x0 && x <= b->x1 && y >= b->y0 && y <= b->y1;
      if (inside || x < 0 || y < 0 || x >= img->width || y >= img->height) continue;
      counts[img->pixels[(size_t)y * img->stride + (size_t)(x * img->channels + channel)]]++;
      n++;
    }
  int v = 0, sum = counts[0];
  while (v < 255 && sum * 2 < n) sum += counts[++v];
  return (uint8_t)v;
}

void ogv_burned_cover(ogv_image *img, const ogv_burned *b) {
  for (int i = 0; i < b->n; i++) {
    const ogv_burned_box *o = &b->box[i];
    uint8_t with[3] = {0};
    for (int c = 0; c < img->channels && c < 3; c++) with[c] = around(img, o, c);
    for (int y = o->y0; y <= o->y1; y++)
      for (int x = o->x0; x <= o->x1; x++)
        memcpy(img->pixels + (size_t)y * img->stride + (size_t)(x * img->channels), with, (size_t)img->channels);
  }
}
