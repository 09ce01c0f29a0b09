/* From a picture to grey levels on both sides of the baseline, with annotations taken out, and what is noise. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/spectrum_int.h"

typedef struct {
  int w, h;
  uint8_t *grey, *mask;
} plane;

enum { MARK = 1, TINGE = 2, RIM = 3 };

static int by_float(const void *a, const void *b) {
  float x = *(const float *)a, y = *(const float *)b;
  return (x > y) - (x < y);
}

static int largest(const uint8_t *rgb) {
  int m = rgb[0] > rgb[1] ? rgb[0] : rgb[1];
  return rgb[2] > m ? rgb[2] : m;
}

/* The tint of the spectrum's own colour map: the median of normalised colour differences of bright pixels. */
static void tint_of(const ogv_image *p, const ogv_spectrum_scale *s, float *rg, float *gb) {
  float a[4096], b[4096];
  int n = 0;
  size_t w = (size_t)(s->x1 - s->x0 + 1), area = w * (size_t)(s->y1 - s->y0 + 1), step = area / 40000 + 1;
  for (size_t i = 0; i < area && n < 4096; i += step) {
    const uint8_t *q = p->pixels + ((size_t)s->y0 + i / w) * p->stride + ((size_t)s->x0 + i % w) * 3;
    int m = largest(q);
    if (m < 60) continue;
    a[n] = (float)(q[0] - q[1]) / (float)m;
    b[n++] = (float)(q[1] - q[2]) / (float)m;
  }
  *rg = *gb = 0;
  if (n < 16) return;
  qsort(a, (size_t)n, sizeof *a, by_float);
  qsort(b, (size_t)n, sizeof *b, by_float);
  *rg = a[n / 2];
  *gb = b[n / 2];
}

/* What a pixel of this colour is: annotation where the colour is not the spectrum's own (burned-in trace, ticks, text).
 */
static uint8_t tinge(const uint8_t *q, int m, float rg, float gb) {
  if (m < 32) return 0;
  float a = (float)(q[0] - q[1]) / (float)m - rg, b = (float)(q[1] - q[2]) / (float)m - gb;
  float tint = fabsf(a) + fabsf(b) + fabsf(a + b);
  return tint > 0.5f && m >= 48 ? MARK : tint > 0.16f ? TINGE : 0;
}

/* Grey levels of the box, and which of its pixels are annotation. */
static void read_grey(const ogv_image *p, const ogv_spectrum_scale *s, plane *g) {
  float rg = 0, gb = 0;
  uint8_t uncoloured[256]; /* most pixels of most pictures */
  if (p->channels == 3) tint_of(p, s, &rg, &gb);
  for (int v = 0; v < 256; v++) uncoloured[v] = tinge((uint8_t[]){(uint8_t)v, (uint8_t)v, (uint8_t)v}, v, rg, gb);
  for (int y = 0; y < g->h; y++) {
    const uint8_t *q = p->pixels + (size_t)(s->y0 + y) * p->stride + (size_t)s->x0 * (size_t)p->channels;
    uint8_t *out = g->grey + (size_t)y * (size_t)g->w, *mask = g->mask + (size_t)y * (size_t)g->w;
    if (p->channels == 1) {
      memcpy(out, q, (size_t)g->w);
      memset(mask, 0, (size_t)g->w);
      continue;
    }
    for (int x = 0; x < g->w; x++, q += 3) {
      int m = largest(q);
      out[x] = (uint8_t)m;
      mask[x] = q[0] == q[1] && q[1] == q[2] ? uncoloured[m] : tinge(q, m, rg, gb);
    }
  }
}

/* The soft rim of a drawn line has only some of its colour: pixels beside a mark that are tinged belong to it. */
static void grow_marks(plane *g) {
  for (int y = 0; y < g->h; y++)
    for (int x = 0; x < g->w; x++) {
      uint8_t *m = g->mask + (size_t)y * (size_t)g->w + (size_t)x;
      if (*m != TINGE) continue;
      bool beside = false;
      for (int j = -1; j <= 1; j++)
        for (int i = -1; i <= 1; i++)
          if (y + j >= 0 && y + j < g->h && x + i >= 0 && x + i < g->w) beside |= m[j * g->w + i] == MARK;
      if (beside) *m = RIM;
    }
  size_t area = (size_t)g->w * (size_t)g->h;
  for (size_t i = 0; i < area; i++) g->mask[i] = g->mask[i] == MARK || g->mask[i] == RIM;
}

/* Share of the pixels of a row that have about the grey level v; 0 outside of the box. */
static double share_at(const plane *g, int y, int v) {
  if (y < 0 || y >= g->h) return 0;
  const uint8_t *row = g->grey + (size_t)y * (size_t)g->w;
  int n = 0;
  for (int x = 0; x < g->w; x++) n += abs(row[x] - v) <= 4;
  return (double)n / g->w;
}

/* A drawn line along a row (baseline, grid): nearly one grey level over nearly all columns, which the rows beside it do
 * not have. With too much gain the flow itself is of one white. */
static void mask_rows(plane *g) {
  enum { BESIDE = 3 };
  for (int y = 0; y < g->h; y++) {
    const uint8_t *row = g->grey + (size_t)y * (size_t)g->w;
    int histogram[256] = {0}, best = 0, level = 0;
    for (int x = 0; x < g->w; x++) histogram[row[x]]++;
    for (int v = 40; v < 256; v++) {
      int n = histogram[v] + (v ? histogram[v - 1] : 0) + (v < 255 ? histogram[v + 1] : 0);
      if (n > best) best = n, level = v;
    }
    if (best <= g->w * 0.7) continue;
    if (share_at(g, y - BESIDE, level) > 0.4 || share_at(g, y + BESIDE, level) > 0.4) continue;
    memset(g->mask + (size_t)y * (size_t)g->w, 1, (size_t)g->w);
  }
}

/* How far the nearest clear pixel lies from (x,y) in direction (dx,dy); 0 when there is none within some rows. */
static int clear_at(const plane *g, int x, int y, int dx, int dy) {
  for (int r = 1; r <= 24; r++) {
    int xx = x + dx * r, yy = y + dy * r;
    if (xx < 0 || yy < 0 || xx >= g->w || yy >= g->h) return 0;
    if (!g->mask[(size_t)yy * (size_t)g->w + (size_t)xx]) return r;
  }
  return 0;
}

static int grey_of(const plane *g, int x, int y) { return g->grey[(size_t)y * (size_t)g->w + (size_t)x]; }

/* What lies between level a, `from` pixels away, and level b, `to` pixels away on the other side. */
static uint8_t between(int a, int from, int b, int to) {
  return (uint8_t)((2 * (a * to + b * from) + from + to) / (2 * (from + to)));
}

/* Annotation is replaced by what lies on both sides of it: within its own column, where that is near, for a column is a
 * spectrum of its own (from beside a narrow peak its line would be filled with dark); else along the axis where it is
 * thinner, across a steep line. */
#define UPRIGHT 18
static void fill_mask(plane *g) {
  for (int y = 0; y < g->h; y++)
    for (int x = 0; x < g->w; x++) {
      if (!g->mask[(size_t)y * (size_t)g->w + (size_t)x]) continue;
      int up = clear_at(g, x, y, 0, -1), down = clear_at(g, x, y, 0, 1), left = clear_at(g, x, y, -1, 0),
          right = clear_at(g, x, y, 1, 0);
      bool tall = up && down, wide = left && right;
      uint8_t *out = &g->grey[(size_t)y * (size_t)g->w + (size_t)x];
      if (tall && (!wide || up + down <= UPRIGHT || up + down <= left + right))
        *out = between(grey_of(g, x, y - up), up, grey_of(g, x, y + down), down);
      else if (wide) *out = between(grey_of(g, x - left, y), left, grey_of(g, x + right, y), right);
      else if (up || down) *out = (uint8_t)(up ? grey_of(g, x, y - up) : grey_of(g, x, y + down));
      else *out = (uint8_t)(left ? grey_of(g, x - left, y) : right ? grey_of(g, x + right, y) : 0);
    }
}

/* Lays everything out in one block. The plane is no longer needed when paths are sought: it lies where the scores will.
 */
static bool lay_out(spectrum_box *box, plane *g, int up_rows, int down_rows) {
  size_t w = (size_t)g->w, area = w * (size_t)g->h, up = w * (size_t)up_rows, down = w * (size_t)down_rows;
  size_t scores = (area + 2 * w) * sizeof *box->score, smooth = 2 * (up + down);
  uint8_t *at = box->block = malloc(scores + smooth * sizeof(uint16_t) + 2 * smooth);
  if (!at) return false;
  box->score = box->block;
  g->grey = at;
  g->mask = at + area;
  uint16_t *levels = (uint16_t *)(void *)(at + scores);
  uint8_t *raw = (uint8_t *)(levels + smooth), *seen = raw + smooth;
  spectrum_side *sides[] = {&box->up, &box->down, &box->whole};
  const size_t size[] = {up, down, up + down};
  for (int i = 0; i < 3; i++) {
    sides[i]->smooth = levels;
    sides[i]->raw = raw;
    sides[i]->seen = seen;
    levels += size[i];
    raw += size[i];
    seen += size[i];
  }
  box->up.rows = up_rows;
  box->down.rows = down_rows;
  return true;
}

/* Rows of the picture, from `first` in steps of `step`, become columns of a side; in strips that stay in the cache. */
static void turn(const plane *g, int first, int step, spectrum_side *s) {
  enum { STRIP = 16 };
  for (int c0 = 0; c0 < g->w; c0 += STRIP) {
    int c1 = c0 + STRIP < g->w ? c0 + STRIP : g->w;
    for (int k = 0; k < s->rows; k++) {
      const uint8_t *row = g->grey + (size_t)(first + step * k) * (size_t)g->w;
      const uint8_t *mask = g->mask + (size_t)(first + step * k) * (size_t)g->w;
      for (int c = c0; c < c1; c++) {
        s->raw[(size_t)c * (size_t)s->rows + (size_t)k] = row[c];
        s->seen[(size_t)c * (size_t)s->rows + (size_t)k] = mask[c] ? 0 : 1;
      }
    }
  }
}

/* Binomial smoothing: 1 2 1 over time, 1 4 6 4 1 over velocity; line: room for rows + 4. */
static void smooth_side(spectrum_side *s, int columns, uint16_t *line) {
  int n = s->rows;
  if (n < 1) return;
  for (int c = 0; c < columns; c++) {
    const uint8_t *l = s->raw + (size_t)(c ? c - 1 : c) * (size_t)n, *m = s->raw + (size_t)c * (size_t)n;
    const uint8_t *r = s->raw + (size_t)(c + 1 < columns ? c + 1 : c) * (size_t)n;
    uint16_t *in = line + 2, *out = s->smooth + (size_t)c * (size_t)n;
    for (int k = 0; k < n; k++) in[k] = (uint16_t)(l[k] + 2 * m[k] + r[k]);
    in[-2] = in[-1] = in[0];
    in[n] = in[n + 1] = in[n - 1];
    for (int k = 0; k < n; k++) out[k] = (uint16_t)(in[k - 2] + in[k + 2] + 4 * (in[k - 1] + in[k + 1]) + 6 * in[k]);
  }
}

/* Noise from the emptiest third of 8x8 blocks; signal as the median of what stands well above it. */
static ogv_status levels(spectrum_box *box, ogv_error *err) {
  size_t cap = ((size_t)box->columns / 8 + 1) * ((size_t)(box->up.rows + box->down.rows) / 8 + 2), n = 0;
  float *means = malloc(sizeof(float) * 2 * cap), *spreads = means ? means + cap : NULL;
  if (!means) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  const spectrum_side *sides[] = {&box->up, &box->down};
  int histogram[256] = {0};
  for (int s = 0; s < 2; s++)
    for (int c = 0; c + 8 <= box->columns; c += 8)
      for (int k = 0; k + 8 <= sides[s]->rows; k += 8) {
        int64_t whole = 0, squares = 0;
        for (int i = 0; i < 8; i++)
          for (int j = 0; j < 8; j++) {
            int v = sides[s]->smooth[(size_t)(c + i) * (size_t)sides[s]->rows + (size_t)(k + j)];
            whole += v;
            squares += v * v;
            histogram[v / SMOOTH_UNIT]++;
          }
        double mean = (double)whole / (64 * SMOOTH_UNIT);
        if (n < cap) {
          means[n] = (float)mean;
          spreads[n++] = (float)((double)squares / (64.0 * SMOOTH_UNIT * SMOOTH_UNIT) - mean * mean);
        }
      }
  if (n < 12) {
    free(means);
    return ogv_fail(err, OGV_E_INVALID, "Mark the box of the spectrum.", "the box is too small to hold a spectrum");
  }
  /* The blocks' own order is not needed; sort the means and pool the spread of the lowest third. */
  float *sorted = malloc(sizeof(float) * n);
  if (!sorted) {
    free(means);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  memcpy(sorted, means, sizeof(float) * n);
  qsort(sorted, n, sizeof *sorted, by_float);
  double limit = sorted[n / 3], sum = 0, var = 0;
  size_t m = 0;
  for (size_t i = 0; i < n; i++)
    if (means[i] <= limit) {
      sum += means[i];
      var += spreads[i] > 0 ? spreads[i] : 0;
      m++;
    }
  box->darkest = 0;
  for (size_t i = 0; i <= n / 20; i++) box->darkest += (double)sorted[i] / (double)(n / 20 + 1);
  free(sorted);
  free(means);
  box->noise_mean = sum / (double)m;
  box->noise_sd = sqrt(var / (double)m);
  if (box->noise_sd < 1.5) box->noise_sd = 1.5;
  double floor_level = box->noise_mean + 5 * box->noise_sd + 4, above = 0, seen = 0, top = 0;
  for (int v = 0; v < 256; v++)
    if (v > floor_level) {
      above += histogram[v];
      if (v >= 250) top += histogram[v];
    }
  box->signal = 0;
  for (int v = 0; v < 256 && above > 0; v++)
    if (v > floor_level) {
      seen += histogram[v];
      if (seen >= above / 2) {
        box->signal = v;
        break;
      }
    }
  box->saturated = above > 0 && top > 0.5 * above;
  double contrast = box->signal - box->noise_mean;
  box->edge_level = box->noise_mean + fmax(3 * box->noise_sd, 0.35 * contrast);
  box->edge_scale = fmax(2 * box->noise_sd, 0.25 * contrast + 1);
  return OGV_OK;
}

void spectrum_box_part(spectrum_box *box, double not_flow, double flow) {
  double middle = 0.5 * (not_flow + flow);
  if (middle <= box->edge_level) return;
  box->edge_level = middle;
  box->edge_scale = 0.25 * (flow - not_flow) + 1;
}

ogv_status spectrum_box_prepare(const ogv_image *picture, const ogv_spectrum_scale *scale, spectrum_box *box,
                                ogv_error *err) {
  memset(box, 0, sizeof *box);
  plane g = {.w = scale->x1 - scale->x0 + 1, .h = scale->y1 - scale->y0 + 1};
  double b = scale->baseline_row - scale->y0;
  int up_rows = (int)ceil(b), first_down = (int)floor(b) + 1;
  if (up_rows > g.h) up_rows = g.h;
  box->columns = g.w;
  box->span = (int)lround(0.005 / scale->s_per_pixel);
  box->span = box->span < 0 ? 0 : box->span > 4 ? 4 : box->span;
  box->up.first = b - (up_rows - 1);
  box->down.first = first_down - b;
  uint16_t *line = malloc(sizeof *line * (size_t)(g.h + 4));
  ogv_status s = OGV_OK;
  if (!line || !lay_out(box, &g, up_rows, g.h - first_down)) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK) {
    read_grey(picture, scale, &g);
    grow_marks(&g);
    spectrum_mask_crosses(g.grey, g.w, g.h, g.mask);
    mask_rows(&g);
    spectrum_mask_uprights(g.grey, g.w, g.h, g.mask);
    if (!spectrum_mask_curve(g.grey, g.w, g.h, g.mask, &box->curve))
      s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  if (s == OGV_OK) {
    fill_mask(&g);
    turn(&g, up_rows - 1, -1, &box->up);
    turn(&g, first_down, 1, &box->down);
    smooth_side(&box->up, g.w, line);
    smooth_side(&box->down, g.w, line);
    s = levels(box, err);
  }
  free(line);
  if (s != OGV_OK) spectrum_box_free(box);
  return s;
}

void spectrum_box_extend(spectrum_box *box, const spectrum_side *a, const spectrum_side *b) {
  spectrum_side *whole = &box->whole;
  size_t na = (size_t)a->rows, nb = (size_t)b->rows, n = na + nb;
  whole->rows = (int)n;
  whole->first = a->first;
  for (size_t c = 0; c < (size_t)box->columns; c++) {
    memcpy(whole->raw + c * n, a->raw + c * na, na);
    memcpy(whole->seen + c * n, a->seen + c * na, na);
    memcpy(whole->smooth + c * n, a->smooth + c * na, na * sizeof *a->smooth);
    for (size_t k = 0; k < nb; k++) {
      size_t from = c * nb + nb - 1 - k, to = c * n + na + k;
      whole->raw[to] = b->raw[from];
      whole->seen[to] = b->seen[from];
      whole->smooth[to] = b->smooth[from];
    }
  }
}

void spectrum_box_free(spectrum_box *box) {
  free(box->block);
  memset(box, 0, sizeof *box);
}
