/* The edge between flow and noise on one side of the baseline. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_sort.h"
#include "private/spectrum_int.h"

#define REACH 20       /* rows looked at on each side of the path when refining */
#define STIFFNESS 0.7f /* cost of moving the path one row */
/* Half power is 3.01 dB; displays show some 40 to 60 dB over 255 grey levels, rarely said which. At 40 dB the step is
 * this many grey levels; a wrong guess moves the edge by less than a row. */
#define HALF_POWER_GREY (3.01 / 40 * 255)

/* score[c*(rows+1)+k]: how much better "flow up to row k, noise beyond" explains column c*step than "no flow". */
static void column_scores(const spectrum_box *box, const spectrum_side *side, int skip, int step, float *score) {
  int n = side->rows;
  const spectrum_weighing w = spectrum_weighing_of(box);
  const float weight = (float)step;
  for (int c = 0; c * step < box->columns; c++) {
    const uint16_t *p = side->smooth + (size_t)(c * step) * (size_t)n;
    float *s = score + (size_t)c * (size_t)(n + 1), sum = 0;
    s[0] = 0;
    for (int k = 0; k < n; k++) {
      sum += k < skip ? 0 : spectrum_weigh(w, p[k]) * weight;
      s[k + 1] = sum;
    }
  }
}

/* best[k] = the largest before[j] - STIFFNESS*|j-k|: an L1 distance transform. The two directions do not need each
 * other, so their chains run side by side. */
static void spread(const float *before, int m, float *best, float *down) {
  float a = before[0], b = before[m - 1];
  best[0] = a;
  down[m - 1] = b;
  for (int k = 1; k < m; k++) {
    float x = before[k], y = before[m - 1 - k];
    a -= STIFFNESS;
    b -= STIFFNESS;
    a = x > a ? x : a;
    b = y > b ? y : b;
    best[k] = a;
    down[m - 1 - k] = b;
  }
  for (int k = 0; k < m; k++) best[k] = best[k] > down[k] ? best[k] : down[k];
}

static float largest(const float *v, int n) {
  float lane[8], top = v[0];
  for (int l = 0; l < 8; l++) lane[l] = v[0];
  int k = 0;
  for (; k + 8 <= n; k += 8)
    for (int l = 0; l < 8; l++) lane[l] = v[k + l] > lane[l] ? v[k + l] : lane[l];
  for (; k < n; k++) top = v[k] > top ? v[k] : top;
  for (int l = 0; l < 8; l++) top = lane[l] > top ? lane[l] : top;
  return top;
}

/* Where the step to row k came from: the nearest j with the largest before[j] - STIFFNESS*|j-k|. Found again on the way
 * back, for one row a column, rather than kept for all. */
static int step_back(const float *before, int m, int k) {
  float top = before[k];
  int at = k;
  float most = largest(before, m); /* bounds how far to look */
  for (int d = 1; d < m && most - STIFFNESS * (float)d > top; d++) {
    float cost = STIFFNESS * (float)d;
    if (k >= d && before[k - d] - cost > top) {
      top = before[k - d] - cost;
      at = k - d;
    }
    if (k + d < m && before[k + d] - cost > top) {
      top = before[k + d] - cost;
      at = k + d;
    }
  }
  return at;
}

/* The path k(c) with the largest sum of scores minus STIFFNESS*|k(c)-k(c-1)|, O(columns*rows). score is overwritten
 * with the best sums. */
static bool best_path(float *score, int columns, int n, int *path) {
  int m = n + 1;
  float *best = malloc(sizeof(float) * 2 * (size_t)m);
  if (!best) return false;
  for (int c = 1; c < columns; c++) {
    float *s = score + (size_t)c * (size_t)m;
    spread(s - m, m, best, best + m);
    for (int k = 0; k < m; k++) s[k] += best[k];
  }
  const float *last = score + (size_t)(columns - 1) * (size_t)m;
  int k = 0;
  for (int i = 1; i < m; i++)
    if (last[i] > last[k]) k = i;
  for (int c = columns - 1; c >= 0; c--) {
    path[c] = k;
    if (c) k = step_back(score + (size_t)(c - 1) * (size_t)m, m, k);
  }
  free(best);
  return true;
}

/* Least-squares parabola over +-2 or +-3 columns, evaluated at the middle (Savitzky and Golay, Anal Chem
 * 1964;36:1627-1639). It does not lower a peak as a mean would. */
static void smooth_path(const double *edge, int columns, int span, double *out) {
  static const double five[] = {-3, 12, 17, 12, -3}, seven[] = {-2, 3, 6, 7, 6, 3, -2};
  int reach = span > 2 ? 3 : 2;
  const double *w = (reach == 3 ? seven : five) + reach;
  for (int c = 0; c < columns; c++) {
    double sum = 0, weight = 0;
    for (int j = -reach; j <= reach; j++) {
      int i = c + j;
      if (i < 0 || i >= columns) continue;
      sum += w[j] * edge[i];
      weight += w[j];
    }
    out[c] = weight > 0 ? sum / weight : edge[c];
    if (out[c] < 0) out[c] = 0;
  }
}

#define LITTLE 0.02f /* weight of what only stands in for a hidden pixel: counts where nothing else was seen */
static int within(int k, int rows) { return k < 0 ? 0 : k >= rows ? rows - 1 : k; }

/* Grey profile across the path around column c, averaged along the path. profile[REACH] is on the path. Rows past the
 * box are left out: *inside and *outside say how far the profile reaches. */
static void profile_at(const spectrum_side *s, int columns, int span, const double *path, int c, int skip,
                       double *profile, float *seen, int *inside, int *outside) {
  double least = path[c], most = path[c];
  int lo = c - span < 0 ? 0 : c - span, hi = c + span >= columns ? columns - 1 : c + span;
  for (int i = lo; i <= hi; i++) {
    if (path[i] < least) least = path[i];
    if (path[i] > most) most = path[i];
  }
  *inside = least - skip < REACH ? (int)(least - skip) : REACH; /* not into the wall filter's gap */
  if (*inside < 0) *inside = 0;
  *outside = s->rows - 1 - most < REACH ? (int)(s->rows - 1 - most) : REACH;
  if (*outside < 0) *outside = 0;
  float sum[2 * REACH + 1] = {0};
  int n = *inside + *outside + 1;
  memset(seen, 0, sizeof(float) * (2 * REACH + 1));
  for (int i = lo; i <= hi; i++) {
    int k = (int)floor(path[i]) - *inside;
    float f = (float)(path[i] - *inside - k);
    const uint8_t *p = s->raw + (size_t)i * (size_t)s->rows, *m = s->seen + (size_t)i * (size_t)s->rows;
    if (k < 0 || k + n >= s->rows) { /* at the border of the box: its last row stands for what follows */
      for (int o = 0; o < n; o++) {
        int a = within(k + o, s->rows), b = within(k + o + 1, s->rows);
        float w = (float)(m[a] & m[b]) + LITTLE;
        sum[o] += w * ((float)p[a] * (1 - f) + (float)p[b] * f);
        seen[o] += w;
      }
      continue;
    }
    for (int o = 0; o < n; o++) {
      float w = (float)(m[k + o] & m[k + o + 1]) + LITTLE;
      sum[o] += w * ((float)p[k + o] * (1 - f) + (float)p[k + o + 1] * f);
      seen[o] += w;
    }
  }
  for (int o = 0; o < n; o++) profile[o - *inside + REACH] = (double)(sum[o] / seen[o]);
  memmove(seen + REACH - *inside, seen, sizeof(float) * (size_t)n);
}

/* Offset of the steepest part of the falling edge from the path, and how clear the edge is. Halfway between flow and
 * noise the profile is steep, so speckle moves the crossing little; near the half-power point it is flat and would. */
static double edge_offset(const spectrum_box *box, const double *profile, const float *seen, int inside, int outside,
                          double *clear) {
  double a = 0, b = 0, na = 0, nb = 0, noise_sd = box->noise_sd;
  for (int o = -inside; o <= -4; o++) {
    a += (double)seen[o + REACH] * profile[o + REACH];
    na += (double)seen[o + REACH];
  }
  for (int o = 6; o <= outside; o++) {
    b += (double)seen[o + REACH] * profile[o + REACH];
    nb += (double)seen[o + REACH];
  }
  /* Under a steep drawn line little was seen on one side: then the whole picture's levels must do, for those of the
   * fill would make any place look like the middle. */
  bool hidden = inside > 8 && na < 3;
  a = hidden ? box->signal : na > 0 ? a / na : profile[REACH - inside];
  b = nb < 3 ? box->noise_mean : b / nb;
  double contrast = a - b;
  *clear = (contrast - 2 * noise_sd) / (4 * noise_sd + 12);
  if (contrast < 3) return 0;
  double t = b + 0.5 * contrast, sum = 0, best = 0;
  int at = -inside;
  for (int o = -inside; o <= outside; o++) {
    double v = (profile[o + REACH] - t) / (0.25 * contrast);
    sum += v > 1 ? 1 : v < -1 ? -1 : v;
    if (sum > best) {
      best = sum;
      at = o + 1;
    }
  }
  /* The crossing lies between the last row inside and the first outside. */
  if (at <= -inside || at > outside) return at;
  double p = profile[at - 1 + REACH], q = profile[at + REACH];
  return p > q ? at - 1 + (p - t) / (p - q) : at - 0.5;
}

/* --- from the steepest part to the half-power point --------------------------------------------------------------- */

#define FAR 40    /* rows of a pooled profile on each side of the edge */
#define BANDS 6   /* of edge height, each with its own shape of edge: it grows broader with velocity */
#define ENOUGH 24 /* columns that make a band */
/* How well the half-power point is known, as a part of the width of the edge, and with the flow cut off at white. */
#define DOUBT 0.15
#define DOUBT_CLIPPED 0.6

typedef struct {
  double sum[2 * FAR + 1], weight[2 * FAR + 1], count[2 * FAR + 1], height, columns;
} pooled;

/* Adds the grey profile of column c to the pool, in half-row-wide steps of distance from its edge. */
static void pool_column(pooled *p, const spectrum_side *s, int c, double edge, int skip) {
  const uint8_t *v = s->raw + (size_t)c * (size_t)s->rows, *seen = s->seen + (size_t)c * (size_t)s->rows;
  int whole = (int)floor(edge);
  double f = edge - whole;
  for (int o = -FAR; o <= FAR; o++) {
    int k = whole + o;
    if (k < skip + 1 || k + 1 >= s->rows) continue;
    double w = (seen[k] & seen[k + 1]) + (double)LITTLE;
    p->sum[o + FAR] += w * (v[k] * (1 - f) + v[k + 1] * f);
    p->weight[o + FAR] += w;
    p->count[o + FAR]++;
  }
  p->height += edge;
  p->columns++;
}

static double outermost_crossing(const double *v, int lo, int hi, double t) {
  for (int o = hi - 1; o >= lo; o--)
    if (v[o + FAR] >= t && v[o + 1 + FAR] < t) return o + (v[o + FAR] - t) / (v[o + FAR] - v[o + 1 + FAR]);
  return NAN;
}

/* How much of the flow's top is cut off by the end of the grey scale, 0..1, where its mean near the edge is that
 * bright.
 */
static double clipped(double top) { return fmin(1, fmax(0, (top - 240) / 12)); }

/* How far the half-power point lies from the halfway point in a pooled profile: its speckle is averaged away, so the
 * flat part of the edge can be read. Never further in than twice the edge's own width, never outside. Where gain too
 * high cuts the flow off at full white, half of its power is brighter than half of what is seen, so the point lies
 * further in: by about the width of the edge, and how much is not known (our own rule, docs/doppler.md). *doubt: that,
 * rows. */
static double half_power_shift(const pooled *p, double noise, double *doubt) {
  double v[2 * FAR + 1];
  int lo = FAR, hi = -FAR;
  for (int o = -FAR; o <= FAR; o++) {
    v[o + FAR] = p->count[o + FAR] > 0 ? p->sum[o + FAR] / p->weight[o + FAR] : NAN;
    if (p->count[o + FAR] < 0.5 * p->columns) continue;
    if (o < lo) lo = o;
    if (o > hi) hi = o;
  }
  *doubt = 0;
  if (lo > -4 || hi < 3) return 0;
  double top = 0, width = 0;
  for (int pass = 0; pass < 2; pass++) {
    /* The level of flow near its edge: over some rows inside of where the edge begins. */
    int from = -(int)ceil(2 * width) - 4, n = 0;
    top = 0;
    if (from < lo + 2) from = lo + 2;
    for (int o = from; o >= lo && o > from - 8; o--, n++) top += v[o + FAR];
    top /= n;
    if (top - noise < 3) return 0;
    double near = outermost_crossing(v, lo, hi, noise + 0.75 * (top - noise)),
           far = outermost_crossing(v, lo, hi, noise + 0.25 * (top - noise));
    /* Bright to the pool's outer end (a neighbour's flow): the crossings are not those of one edge. */
    if (isnan(near) || isnan(far) || far < near) return 0;
    width = far - near;
  }
  double t = fmax(top - HALF_POWER_GREY, noise + 0.5 * (top - noise)), at = outermost_crossing(v, lo, hi, t);
  *doubt = (DOUBT + DOUBT_CLIPPED * clipped(top)) * width;
  return (isnan(at) || at > 0 ? 0 : fmax(at, -2 * width)) - clipped(top) * width;
}

/* Moves every edge from the halfway to the half-power point. The shift is read from pooled profiles in bands of height
 * and runs evenly from band to band. */
static bool to_half_power(const spectrum_box *box, const spectrum_side *side, int skip, const int *path,
                          const double *confidence, double *line, double *doubt) {
  *doubt = 0;
  int w = box->columns, n = 0;
  double *sorted = malloc(sizeof(double) * (size_t)w), at[BANDS], shift[BANDS];
  pooled *pool = calloc(BANDS, sizeof *pool);
  if (!sorted || !pool) {
    free(sorted);
    free(pool);
    return false;
  }
#define GOOD(c) (path[c] > skip + 1 && confidence[c] > 0.3)
  for (int c = 0; c < w; c++)
    if (GOOD(c)) sorted[n++] = line[c];
  qsort(sorted, (size_t)n, sizeof *sorted, ogv_ascending);
  int bands = n / ENOUGH > BANDS ? BANDS : n / ENOUGH, found = 0;
  for (int c = 0; c < w && bands; c++) {
    if (!GOOD(c)) continue;
    int b = 0;
    while (b + 1 < bands && line[c] >= sorted[n * (b + 1) / bands]) b++;
    pool_column(&pool[b], side, c, line[c], skip);
  }
#undef GOOD
  for (int b = 0; b < bands; b++) {
    if (pool[b].columns < ENOUGH / 2) continue;
    at[found] = pool[b].height / pool[b].columns;
    double own;
    shift[found++] = half_power_shift(&pool[b], box->noise_mean, &own);
    *doubt += own;
  }
  if (found) *doubt /= found;
  for (int c = 0; c < w && found; c++) {
    int b = 0;
    while (b + 1 < found && line[c] > at[b + 1]) b++;
    double f = b + 1 < found && at[b + 1] > at[b] ? (line[c] - at[b]) / (at[b + 1] - at[b]) : 0;
    f = f < 0 ? 0 : f > 1 ? 1 : f;
    line[c] += shift[b] + (b + 1 < found ? f * (shift[b + 1] - shift[b]) : 0);
  }
  free(sorted);
  free(pool);
  return true;
}

ogv_status spectrum_side_rough(const spectrum_box *box, const spectrum_side *side, double *edge, ogv_error *err) {
  enum { STEP = 2 };
  int w = (box->columns + STEP - 1) / STEP, n = side->rows;
  for (int c = 0; c < box->columns; c++) edge[c] = 0;
  if (n < 4 || box->signal <= 0) return OGV_OK;
  int *path = malloc(sizeof(int) * (size_t)w);
  column_scores(box, side, 0, STEP, box->score);
  bool ok = path && best_path(box->score, w, n, path);
  for (int c = 0; ok && c < box->columns; c++) {
    int k = path[c / STEP];
    edge[c] = k > 1 ? k - 0.5 + side->first : 0;
  }
  free(path);
  return ok ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

ogv_status spectrum_side_envelope(const spectrum_box *box, const spectrum_side *side, int skip, double *edge,
                                  double *confidence, double *doubt, ogv_error *err) {
  double no_matter;
  if (!doubt) doubt = &no_matter;
  *doubt = 0;
  int w = box->columns, n = side->rows;
  for (int c = 0; c < w; c++) edge[c] = confidence[c] = 0;
  if (n < 4 || box->signal <= 0) return OGV_OK;
  int *path = malloc(sizeof(int) * (size_t)w);
  double *line = malloc(sizeof(double) * 2 * (size_t)w), *flat = line ? line + w : NULL;
  ogv_status s = OGV_OK;
  if (!path || !line) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK) {
    column_scores(box, side, skip, 1, box->score);
    if (!best_path(box->score, w, n, path)) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  if (s == OGV_OK) {
    /* Row coordinates: row k is centred at k, and "k rows inside" ends at k - 0.5. */
    for (int c = 0; c < w; c++) line[c] = path[c] - 0.5;
    for (int pass = 0; pass < 2; pass++) {
      smooth_path(line, w, box->span, flat);
      double profile[2 * REACH + 1];
      float seen[2 * REACH + 1];
      for (int c = 0; c < w; c++) {
        confidence[c] = 0;
        if (path[c] <= skip + 1) continue;
        int inside, outside;
        profile_at(side, w, box->span, flat, c, skip, profile, seen, &inside, &outside);
        double clear, d = edge_offset(box, profile, seen, inside, outside, &clear);
        line[c] = flat[c] + d;
        confidence[c] = clear < 0 ? 0 : clear > 1 ? 1 : clear;
      }
    }
    if (!to_half_power(box, side, skip, path, confidence, line, doubt))
      s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    for (int c = 0; c < w; c++) {
      double d = line[c] + side->first; /* row 0 lies `first` from the baseline */
      edge[c] = path[c] <= skip + 1 || d < 0 ? 0 : d;
    }
  }
  free(path);
  free(line);
  return s;
}

double spectrum_side_mean(const spectrum_box *box, const spectrum_side *side, int c, double edge) {
  double sum = 0, weight = 0;
  const uint8_t *p = side->raw + (size_t)c * (size_t)(side->rows > 0 ? side->rows : 1);
  for (int k = 0; k < side->rows && side->first + k <= edge; k++) {
    double v = p[k] - box->noise_mean;
    if (v <= 0) continue;
    sum += v * (side->first + k);
    weight += v;
  }
  return weight > 0 ? sum / weight : 0;
}
