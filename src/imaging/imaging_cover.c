/* Burned-in text: tiles of the picture outside the scanned area that are not dark, and lines of text in colour inside.
 */
#include "imaging_cover.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TILE 8
#define DARK 40      /* grey levels that JPEG leaves in black lie below */
#define SATURATED 72 /* between channels: drawn in colour. JPEG leaves grey within about 10 */
#define TINTED 0.05  /* above this part of saturated pixels the picture itself is in colour */
#define GAP 10       /* columns between letters and words of one line */
#define TEXT_LOW 6   /* heights of a line of text, pixels */
#define TEXT_HIGH 48
#define FILLED 0.08 /* part of a line's box that letters fill at least */
#define MARGIN 3
#define ALONG 48    /* a word or number this near a line of text, at its height, belongs to it */
#define INWARDS 24  /* cells that a line of text may run on from outside into a scanned region */
#define TISSUE 0.55 /* a cell lit above this part is picture, not letters on black */
#define RUN_ON 4    /* a cell of a scanned region that a line from outside runs on into */
#define REST_MAX 256
#define CUTS_MAX 8192 /* tiles of a side of 32768 pixels and the borders of regions */

bool ogv_region_scanned(const ogv_region *r) {
  if (r->data_type == OGV_DATA_GREY_BAR || r->data_type == OGV_DATA_COLOUR_BAR) return false;
  return r->format >= OGV_FORMAT_2D && r->format <= OGV_FORMAT_WAVEFORM && r->x1 > r->x0 && r->y1 > r->y0;
}

static bool in_scanned(const ogv_region *regions, size_t n, int x, int y) {
  for (size_t i = 0; i < n; i++)
    if (ogv_region_scanned(&regions[i]) && x >= regions[i].x0 && x <= regions[i].x1 && y >= regions[i].y0 &&
        y <= regions[i].y1)
      return true;
  return false;
}

static ogv_status add(ogv_covers *c, size_t *room, ogv_cover one, ogv_error *err) {
  if (c->n == *room) {
    size_t more = *room ? 2 * *room : 64;
    ogv_cover *p = realloc(c->list, more * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while text was looked for");
    c->list = p;
    *room = more;
  }
  c->list[c->n++] = one;
  return OGV_OK;
}

/* --- outside ---------------------------------------------------------------------------------------------------- */

static int ascending(const void *a, const void *b) { return *(const int *)a - *(const int *)b; }

/* Borders of tiles and of regions along one axis, so that each cell lies wholly inside or outside each region. */
static size_t cuts_of(const ogv_region *regions, size_t n, int size, bool rows, int *cuts) {
  size_t k = 0;
  for (int v = 0; v < size; v += TILE) cuts[k++] = v;
  for (size_t i = 0; i < n && k + 3 < CUTS_MAX; i++) {
    int a = rows ? regions[i].y0 : regions[i].x0, b = (rows ? regions[i].y1 : regions[i].x1) + 1;
    if (a > 0 && a < size) cuts[k++] = a;
    if (b > 0 && b < size) cuts[k++] = b;
  }
  cuts[k++] = size;
  qsort(cuts, k, sizeof *cuts, ascending);
  size_t m = 0;
  for (size_t i = 0; i < k; i++)
    if (!m || cuts[i] != cuts[m - 1]) cuts[m++] = cuts[i];
  return m;
}

static bool lit(const ogv_image *im, int x0, int y0, int x1, int y1) {
  for (int y = y0; y < y1; y++) {
    const uint8_t *p = im->pixels + (size_t)y * im->stride + (size_t)(x0 * im->channels);
    for (int i = 0; i < (x1 - x0) * im->channels; i++)
      if (p[i] > DARK) return true;
  }
  return false;
}

/* A run of cells that are to be covered, joined to the run above when it has the same columns. */
static ogv_status put_run(ogv_covers *c, size_t *room, size_t above, size_t end_above, ogv_cover run, ogv_error *err) {
  for (size_t i = above; i < end_above; i++)
    if (c->list[i].x0 == run.x0 && c->list[i].x1 == run.x1 && c->list[i].y1 == run.y0 - 1) {
      run.y0 = c->list[i].y0;
      c->list[i].x0 = -1; /* taken over */
      break;
    }
  return add(c, room, run, err);
}

static double lit_part(const ogv_image *im, int x0, int y0, int x1, int y1) {
  int n = 0;
  for (int y = y0; y < y1; y++)
    for (int x = x0; x < x1; x++) n += lit(im, x, y, x + 1, y + 1);
  return n / (double)((x1 - x0) * (y1 - y0));
}

/* A line of text that begins outside runs on over black into the region's box (the corners beside a sector): its cover
 * goes along, to the first two empty cells or to the picture itself. */
static void run_on(const ogv_image *im, const int *xs, int y0, int y1, long cells, long from, int step, uint8_t *on) {
  int empty = 0;
  long last = from;
  for (long k = from; k >= 0 && k < cells && !on[k] && labs(k - from) < INWARDS && empty < 2; k += step) {
    double part = lit_part(im, xs[k], y0, xs[k + 1], y1);
    if (part > TISSUE) break;
    empty = part > 0 ? 0 : empty + 1;
    if (part > 0) last = k + step;
  }
  for (long k = from; k != last; k += step) on[k] = RUN_ON;
}

/* A line of text is higher than a row of the grid, and the gaps between its letters are wider in one row than in the
 * next: where the row beside this one ran on, this one does too, up to its last cell that is lit. */
static void run_on_beside(const ogv_image *im, const int *xs, int y0, int y1, long cells, const uint8_t *beside,
                          uint8_t *on) {
  for (long a = 0, b; a < cells; a = b) {
    b = a + 1;
    if (beside[a] != RUN_ON) continue;
    while (b < cells && beside[b] == RUN_ON) b++;
    bool from_left = a > 0 && beside[a - 1] > 1;
    long k = from_left ? a : b - 1, step = from_left ? 1 : -1, last = k;
    for (; k >= a && k < b; k += step) {
      double part = on[k] ? 0 : lit_part(im, xs[k], y0, xs[k + 1], y1);
      if (part > TISSUE) break;
      if (part > 0) last = k + step;
    }
    for (k = from_left ? a : b - 1; k != last; k += step)
      if (!on[k]) on[k] = RUN_ON;
  }
}

/* Cells of one row of the grid that are outside and not dark in any frame, then widened by two cells to either side, so
 * that a line of text gets one cover whose shape says nothing of its letters. */
static void mark_row(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n,
                     const int *xs, size_t cells, int y0, int y1, uint8_t *on) {
  for (size_t i = 0; i < cells; i++) {
    on[i] = !in_scanned(regions, n, xs[i], y0);
    bool any = false;
    for (size_t f = 0; on[i] && f < n_frames && !any; f++) any = lit(frames[f], xs[i], y0, xs[i + 1], y1);
    on[i] = on[i] ? 1 + any : 0; /* 0 scanned, 1 dark, 2 lit */
  }
  for (size_t i = 0; i < cells; i++)
    for (size_t k = i > 2 ? i - 2 : 0; on[i] == 1 && k <= i + 2 && k < cells; k++)
      if (on[k] == 2) on[i] = 3;
  for (size_t i = 0; i < cells; i++) {
    if (on[i] != 2 && on[i] != 3) continue;
    if (i + 1 < cells && !on[i + 1]) run_on(frames[0], xs, y0, y1, (long)cells, (long)i + 1, 1, on);
    if (i && !on[i - 1]) run_on(frames[0], xs, y0, y1, (long)cells, (long)i - 1, -1, on);
  }
}

/* grid: rows of nx cells, the last of each unused. */
static void mark_rows(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n,
                      const int *xs, size_t nx, const int *ys, size_t ny, uint8_t *grid) {
  for (size_t j = 0; j + 1 < ny; j++)
    mark_row(frames, n_frames, regions, n, xs, nx - 1, ys[j], ys[j + 1], grid + j * nx);
  for (size_t j = 0; j + 2 < ny; j++)
    run_on_beside(frames[0], xs, ys[j + 1], ys[j + 2], (long)nx - 1, grid + j * nx, grid + (j + 1) * nx);
  for (size_t j = ny > 2 ? ny - 2 : 0; j > 0; j--)
    run_on_beside(frames[0], xs, ys[j - 1], ys[j], (long)nx - 1, grid + j * nx, grid + (j - 1) * nx);
}

static ogv_status outside(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n,
                          ogv_covers *c, size_t *room, ogv_error *err) {
  int *xs = malloc(2 * CUTS_MAX * sizeof *xs), *ys = xs ? xs + CUTS_MAX : NULL;
  size_t nx = xs ? cuts_of(regions, n, frames[0]->width, false, xs) : 0,
         ny = xs ? cuts_of(regions, n, frames[0]->height, true, ys) : 0;
  uint8_t *grid = xs ? malloc(nx * ny) : NULL; /* ny - 1 rows of nx - 1 cells */
  if (!grid) {
    free(xs);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while text was looked for");
  }
  mark_rows(frames, n_frames, regions, n, xs, nx, ys, ny, grid);
  size_t above = 0;
  ogv_status s = OGV_OK;
  for (size_t j = 0; j + 1 < ny && s == OGV_OK; j++) {
    size_t row_starts = c->n;
    const uint8_t *on = grid + j * nx;
    for (size_t i = 0; i + 1 < nx && s == OGV_OK;) {
      size_t k = i;
      while (k + 1 < nx && on[k] > 1) k++;
      if (k > i)
        s = put_run(c, room, above, row_starts, (ogv_cover){xs[i], ys[j], xs[k] - 1, ys[j + 1] - 1, false}, err);
      i = k + 1;
    }
    above = row_starts;
  }
  free(xs);
  free(grid);
  size_t kept = 0;
  for (size_t i = 0; i < c->n; i++)
    if (c->list[i].x0 >= 0) c->list[kept++] = c->list[i];
  c->n = kept;
  return s;
}

/* --- inside ----------------------------------------------------------------------------------------------------- */

typedef struct window {
  int x0, y0, width, height;
} window;

/* Saturated pixels of a region in any frame: 1. Returns their part of all pixels. */
static double saturated(const ogv_image *const *frames, size_t n_frames, window w, uint8_t *mask) {
  size_t count = 0;
  for (size_t f = 0; f < n_frames; f++)
    for (int y = 0; y < w.height; y++) {
      const uint8_t *p = frames[f]->pixels + (size_t)(w.y0 + y) * frames[f]->stride + (size_t)(w.x0 * 3);
      uint8_t *m = mask + (size_t)y * (size_t)w.width;
      for (int x = 0; x < w.width; x++, p += 3) {
        int hi = p[0] > p[1] ? p[0] : p[1], lo = p[0] < p[1] ? p[0] : p[1];
        hi = p[2] > hi ? p[2] : hi;
        lo = p[2] < lo ? p[2] : lo;
        if (hi - lo > SATURATED && !m[x]) {
          m[x] = 1;
          count++;
        }
      }
    }
  return (double)count / ((double)w.width * w.height);
}

/* Letters run together into lines: gaps of at most GAP columns are filled with 2. */
static void join_letters(uint8_t *mask, window w) {
  for (int y = 0; y < w.height; y++) {
    uint8_t *m = mask + (size_t)y * (size_t)w.width;
    int last = -1;
    for (int x = 0; x < w.width; x++) {
      if (m[x] != 1) continue;
      if (last >= 0 && x - last <= GAP) memset(m + last + 1, 2, (size_t)(x - last - 1));
      last = x;
    }
  }
}

typedef struct shape {
  int x0, y0, x1, y1;
  size_t ink; /* saturated pixels */
} shape;

/* Fills one joined shape by a stack of its own (4-neighbours), leaving 0. */
static shape take_shape(uint8_t *mask, window w, int x, int y, int *stack) {
  shape b = {x, y, x, y, 0};
  size_t n = 0;
  stack[n++] = y * w.width + x;
  b.ink += mask[y * w.width + x] == 1;
  mask[y * w.width + x] = 0;
  while (n) {
    int at = stack[--n], cx = at % w.width, cy = at / w.width;
    if (cx < b.x0) b.x0 = cx;
    if (cx > b.x1) b.x1 = cx;
    if (cy < b.y0) b.y0 = cy;
    if (cy > b.y1) b.y1 = cy;
    const int next[4][2] = {{cx - 1, cy}, {cx + 1, cy}, {cx, cy - 1}, {cx, cy + 1}};
    for (int k = 0; k < 4; k++) {
      int nx = next[k][0], ny = next[k][1];
      if (nx < 0 || ny < 0 || nx >= w.width || ny >= w.height) continue;
      uint8_t *m = &mask[ny * w.width + nx];
      if (!*m) continue;
      b.ink += *m == 1;
      *m = 0;
      stack[n++] = ny * w.width + nx;
    }
  }
  return b;
}

/* A line of text is low, wide and well filled. A caliper end is as high as wide; a dotted line, an outline or an arrow
 * is thin or large. */
static bool is_text(const shape *b) {
  int height = b->y1 - b->y0 + 1, width = b->x1 - b->x0 + 1;
  return height >= TEXT_LOW && height <= TEXT_HIGH && 2 * width >= 5 * height &&
         (double)b->ink >= FILLED * width * height;
}

static ogv_status put_shape(ogv_covers *c, size_t *room, window w, const shape *b, ogv_error *err) {
  ogv_cover one = {w.x0 + b->x0 - MARGIN, w.y0 + b->y0 - MARGIN, w.x0 + b->x1 + MARGIN, w.y0 + b->y1 + MARGIN, true};
  one.x0 = one.x0 < w.x0 ? w.x0 : one.x0;
  one.y0 = one.y0 < w.y0 ? w.y0 : one.y0;
  one.x1 = one.x1 >= w.x0 + w.width ? w.x0 + w.width - 1 : one.x1;
  one.y1 = one.y1 >= w.y0 + w.height ? w.y0 + w.height - 1 : one.y1;
  return add(c, room, one, err);
}

/* A short word or number on the line of a text that was found. */
static bool belongs(const ogv_cover *t, window w, const shape *b) {
  int top = w.y0 + b->y0 - MARGIN, end = w.y0 + b->y1 + MARGIN, left = w.x0 + b->x0, right = w.x0 + b->x1;
  int low = top > t->y0 ? top : t->y0, high = end < t->y1 ? end : t->y1;
  return 3 * (high - low) >= 2 * (end - top) && 3 * (high - low) >= 2 * (t->y1 - t->y0) && left - t->x1 <= ALONG &&
         t->x0 - right <= ALONG;
}

/* Adds the lines of text among the shapes of a mask, and the short words beside them. */
static ogv_status text_of(uint8_t *mask, window w, int *stack, ogv_covers *c, size_t *room, ogv_error *err) {
  shape rest[REST_MAX];
  size_t n_rest = 0, first = c->n;
  join_letters(mask, w);
  for (int y = 0; y < w.height; y++)
    for (int x = 0; x < w.width; x++) {
      if (!mask[(size_t)y * (size_t)w.width + (size_t)x]) continue;
      shape b = take_shape(mask, w, x, y, stack);
      int height = b.y1 - b.y0 + 1;
      if (is_text(&b)) OGV_TRY(put_shape(c, room, w, &b, err));
      else if (height >= TEXT_LOW && height <= TEXT_HIGH && n_rest < REST_MAX) rest[n_rest++] = b;
    }
  size_t found = c->n;
  for (size_t i = 0; i < n_rest; i++)
    for (size_t k = first; k < found; k++)
      if (belongs(&c->list[k], w, &rest[i])) {
        OGV_TRY(put_shape(c, room, w, &rest[i], err));
        break;
      }
  return OGV_OK;
}

static ogv_status lines_in(const ogv_image *const *frames, size_t n_frames, window w, ogv_covers *c, size_t *room,
                           ogv_error *err) {
  size_t pixels = (size_t)w.width * (size_t)w.height;
  uint8_t *mask = calloc(pixels, 1);
  int *stack = malloc(pixels * sizeof *stack);
  ogv_status s = mask && stack ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while text was looked for");
  if (s == OGV_OK && saturated(frames, n_frames, w, mask) > TINTED) {
    c->searched = false;
    snprintf(c->unsure, sizeof c->unsure, "the picture itself is in colour: text inside it is not found");
  } else if (s == OGV_OK) {
    s = text_of(mask, w, stack, c, room, err);
  }
  free(mask);
  free(stack);
  return s;
}

static window clipped(const ogv_region *r, const ogv_image *im) {
  window w = {r->x0 > 0 ? r->x0 : 0, r->y0 > 0 ? r->y0 : 0, 0, 0};
  w.width = (r->x1 < im->width ? r->x1 + 1 : im->width) - w.x0;
  w.height = (r->y1 < im->height ? r->y1 + 1 : im->height) - w.y0;
  return w;
}

static ogv_status inside(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n,
                         ogv_covers *c, size_t *room, ogv_error *err) {
  c->searched = true;
  for (size_t i = 0; i < n; i++) {
    if (!ogv_region_scanned(&regions[i])) continue;
    window w = clipped(&regions[i], frames[0]);
    if (w.width <= 0 || w.height <= 0) continue;
    if (frames[0]->channels != 3) {
      c->searched = false;
      snprintf(c->unsure, sizeof c->unsure, "the picture has no colour: text inside it is not found");
    } else if (regions[i].format != OGV_FORMAT_2D || regions[i].data_type != OGV_DATA_TISSUE) {
      c->searched = false;
      snprintf(c->unsure, sizeof c->unsure, "text over colour flow, spectra and M-mode is not found");
    } else {
      OGV_TRY(lines_in(frames, n_frames, w, c, room, err));
    }
  }
  return OGV_OK;
}

static int by_place(const void *a, const void *b) {
  const ogv_cover *p = a, *q = b;
  return p->y0 != q->y0 ? p->y0 - q->y0 : p->x0 - q->x0;
}

ogv_status ogv_covers_find(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n_regions,
                           ogv_covers *out, ogv_error *err) {
  *out = (ogv_covers){0};
  for (size_t f = 0; f < n_frames; f++)
    if (frames[f]->width != frames[0]->width || frames[f]->height != frames[0]->height ||
        frames[f]->channels != frames[0]->channels)
      return ogv_fail(err, OGV_E_INVALID, NULL, "the frames differ in size");
  for (size_t i = 0; i < n_regions; i++) out->scanned = out->scanned || ogv_region_scanned(&regions[i]);
  if (!out->scanned || !n_frames) {
    snprintf(out->unsure, sizeof out->unsure, "the file does not say where the scanned area is: nothing is covered");
    return OGV_OK;
  }
  size_t room = 0;
  ogv_status s = outside(frames, n_frames, regions, n_regions, out, &room, err);
  if (s == OGV_OK) s = inside(frames, n_frames, regions, n_regions, out, &room, err);
  if (s != OGV_OK) {
    ogv_covers_free(out);
    return s;
  }
  if (out->n) qsort(out->list, out->n, sizeof *out->list, by_place);
  return OGV_OK;
}

void ogv_covers_free(ogv_covers *c) {
  free(c->list);
  c->list = NULL;
  c->n = 0;
}
