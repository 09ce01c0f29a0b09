/* The edge between flow and noise on one side of the baseline. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/spectrum_int.h"

#define REACH 20       /* rows looked at on each side of the path when refining */
#define STIFFNESS 0.7f /* cost of moving the path one row */
/* Half power is 3.01 dB; displays show some 40 to 60 dB over 255 grey levels, rarely said which. At 40 dB the step is
 * this many grey levels; a wrong guess moves the edge by less than a row. */
#define HALF_POWER_GREY (3.01 / 40 * 255)

/* score[c*(rows+1)+k]: how much better "flow up to row k, noise beyond" explains column c*step than "no flow". */
static void column_scores(const spectrum_box *box, const spectrum_side *side, int skip, int step, float *score) {
  int n = side->rows;
  double contrast = box->signal - box->noise_mean;
  double threshold = box->noise_mean + fmax(3 * box->noise_sd, 0.35 * contrast);
  float t = (float)threshold, gain = (float)(1 / fmax(2 * box->noise_sd, 0.25 * contrast + 1)), weight = (float)step;
  for (int c = 0; c * step < box->columns; c++) {
    const float *p = side->smooth + (size_t)(c * step) * (size_t)n;
    float *s = score + (size_t)c * (size_t)(n + 1), sum = 0;
    s[0] = 0;
    for (int k = 0; k < n; k++) {
      float v = (p[k] - t) * gain;
      v = v > 1 ? 1 : v < -1 ? -1 : v;
      sum += k < skip ? 0 : v * weight;
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

static int within(int k, int rows) { return k < 0 ? 0 : k >= rows ? rows - 1 : k; }

/* Grey profile across the path around column c, averaged along the path. profile[REACH] is on the path. Rows past the
 * box are left out: *inside and *outside say how far the profile reaches. */
static void profile_at(const spectrum_side *s, int columns, int span, const double *path, int c, double *profile,
                       int *inside, int *outside) {
  double least = path[c], most = path[c];
  int lo = c - span < 0 ? 0 : c - span, hi = c + span >= columns ? columns - 1 : c + span;
  for (int i = lo; i <= hi; i++) {
    if (path[i] < least) least = path[i];
    if (path[i] > most) most = path[i];
  }
  *inside = least < REACH ? (int)least : REACH;
  *outside = s->rows - 1 - most < REACH ? (int)(s->rows - 1 - most) : REACH;
  if (*outside < 0) *outside = 0;
  float sum[2 * REACH + 1] = {0}, share = 1.0f / (float)(hi - lo + 1);
  int n = *inside + *outside + 1;
  for (int i = lo; i <= hi; i++) {
    int k = (int)floor(path[i]) - *inside;
    float f = (float)(path[i] - *inside - k);
    const float *p = s->raw + (size_t)i * (size_t)s->rows;
    if (k < 0 || k + n >= s->rows) { /* at the border of the box: its last row stands for what follows */
      for (int o = 0; o < n; o++) sum[o] += p[within(k + o, s->rows)] * (1 - f) + p[within(k + o + 1, s->rows)] * f;
      continue;
    }
    for (int o = 0; o < n; o++) sum[o] += p[k + o] * (1 - f) + p[k + o + 1] * f;
  }
  for (int o = 0; o < n; o++) profile[o - *inside + REACH] = (double)(sum[o] * share);
}

/* Offset of the half-power point from the path, and how clear the edge is. */
static double edge_offset(const double *profile, int inside, int outside, double noise, double noise_sd,
                          double *clear) {
  double a = 0, b = 0;
  int na = 0, nb = 0;
  for (int o = -inside; o <= -4; o++, na++) a += profile[o + REACH];
  for (int o = 6; o <= outside; o++, nb++) b += profile[o + REACH];
  a = na ? a / na : profile[REACH - inside];
  b = nb > 2 ? b / nb : noise;
  double contrast = a - b;
  *clear = (contrast - 2 * noise_sd) / (4 * noise_sd + 12);
  if (contrast < 3) return 0;
  double t = a - HALF_POWER_GREY, least = b + 0.4 * contrast;
  if (t < least) t = least;
  double sum = 0, best = 0;
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

ogv_status spectrum_side_rough(const spectrum_box *box, const spectrum_side *side, double *edge, ogv_error *err) {
  enum { STEP = 2 };
  int w = (box->columns + STEP - 1) / STEP, n = side->rows;
  for (int c = 0; c < box->columns; c++) edge[c] = 0;
  if (n < 4 || box->signal <= 0) return OGV_OK;
  float *score = malloc(sizeof(float) * (size_t)w * (size_t)(n + 1));
  int *path = malloc(sizeof(int) * (size_t)w);
  bool ok = score && path;
  if (ok) column_scores(box, side, 0, STEP, score);
  ok = ok && best_path(score, w, n, path);
  for (int c = 0; ok && c < box->columns; c++) {
    int k = path[c / STEP];
    edge[c] = k > 1 ? k - 0.5 + side->first : 0;
  }
  free(score);
  free(path);
  return ok ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

ogv_status spectrum_side_envelope(const spectrum_box *box, const spectrum_side *side, int skip, double *edge,
                                  double *confidence, ogv_error *err) {
  int w = box->columns, n = side->rows;
  for (int c = 0; c < w; c++) edge[c] = confidence[c] = 0;
  if (n < 4 || box->signal <= 0) return OGV_OK;
  float *score = malloc(sizeof(float) * (size_t)w * (size_t)(n + 1));
  int *path = malloc(sizeof(int) * (size_t)w);
  double *line = malloc(sizeof(double) * 2 * (size_t)w), *flat = line ? line + w : NULL;
  ogv_status s = OGV_OK;
  if (!score || !path || !line) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK) {
    column_scores(box, side, skip, 1, score);
    if (!best_path(score, w, n, path)) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  if (s == OGV_OK) {
    /* Row coordinates: row k is centred at k, and "k rows inside" ends at k - 0.5. */
    for (int c = 0; c < w; c++) line[c] = path[c] - 0.5;
    for (int pass = 0; pass < 2; pass++) {
      smooth_path(line, w, box->span, flat);
      double profile[2 * REACH + 1];
      for (int c = 0; c < w; c++) {
        confidence[c] = 0;
        if (path[c] <= skip + 1) continue;
        int inside, outside;
        profile_at(side, w, box->span, flat, c, profile, &inside, &outside);
        double clear, d = edge_offset(profile, inside, outside, box->noise_mean, box->noise_sd, &clear);
        line[c] = flat[c] + d;
        confidence[c] = clear < 0 ? 0 : clear > 1 ? 1 : clear;
      }
    }
    for (int c = 0; c < w; c++) {
      double d = line[c] + side->first; /* row 0 lies `first` from the baseline */
      edge[c] = path[c] <= skip + 1 || d < 0 ? 0 : d;
    }
  }
  free(score);
  free(path);
  free(line);
  return s;
}

double spectrum_side_mean(const spectrum_box *box, const spectrum_side *side, int c, double edge) {
  double sum = 0, weight = 0;
  const float *p = side->raw + (size_t)c * (size_t)(side->rows > 0 ? side->rows : 1);
  for (int k = 0; k < side->rows && side->first + k <= edge; k++) {
    double v = p[k] - box->noise_mean;
    if (v <= 0) continue;
    sum += v * (side->first + k);
    weight += v;
  }
  return weight > 0 ? sum / weight : 0;
}
