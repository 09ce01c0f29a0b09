/* The mirror image of a spectrum: a dimmer copy on the other side of the baseline, from gain too high or an angle near
 * 90 degrees. Like all flow it wraps around: where the copy of a peak leaves its side it goes on at the far end of the
 * main side, and there it meets the true peak. Flow is then what is brighter than its copy, not what is brighter than
 * noise. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/spectrum_int.h"

#define BLOCK 8      /* columns averaged when the two sides are laid on each other */
#define LEAST_GREY 8 /* a copy this little above what is around it is not said: it changes nothing */
#define LEAST_CELLS 32

#define STEPS 64 /* of grey in the histogram of pairs, four levels each */

static float block_mean(const spectrum_side *s, int c, int k) {
  int sum = 0;
  for (int i = 0; i < BLOCK; i++) sum += s->smooth[(size_t)(c + i) * (size_t)s->rows + (size_t)k];
  return (float)sum / (BLOCK * SMOOTH_UNIT);
}

/* The grey level below which a part q of the counts lies. */
static double level_of(const int *counts, double q) {
  int all = 0, seen = 0;
  for (int v = 0; v < STEPS; v++) all += counts[v];
  for (int v = 0; v < STEPS; v++) {
    seen += counts[v];
    if (seen > 0 && seen >= q * all) return (v + 0.5) * (256.0 / STEPS);
  }
  return 0;
}

bool spectrum_mirror_suspected(const spectrum_box *box, double *flow, double *copy) {
  static const float step = 256.0F / STEPS;
  int pairs[STEPS][STEPS] = {{0}}, bright[STEPS] = {0}, dim[STEPS] = {0}, n = 0;
  int rows = box->up.rows < box->down.rows ? box->up.rows : box->down.rows;
  for (int c = 0; c + BLOCK <= box->columns; c += BLOCK)
    for (int k = 2; k < rows / 2; k++) {
      float u = block_mean(&box->up, c, k), d = block_mean(&box->down, c, k);
      int hi = (int)((u > d ? u : d) / step), lo = (int)((u > d ? d : u) / step);
      hi = hi < STEPS ? hi : STEPS - 1;
      lo = lo < STEPS ? lo : STEPS - 1;
      pairs[hi][lo]++;
      bright[hi]++;
    }
  /* Pairs of which one is flow. What was taken for noise may be the copy, where it leaves little of the box empty. */
  double least = fmin(box->noise_mean + 5 * box->noise_sd + 4, 0.5 * (box->darkest + level_of(bright, 0.9)));
  for (int hi = 0; hi < STEPS; hi++)
    for (int lo = 0; lo < STEPS; lo++) {
      if ((hi + 0.5) * (double)step < least) {
        bright[hi] = 0;
        continue;
      }
      dim[lo] += pairs[hi][lo];
      n += pairs[hi][lo];
    }
  *flow = level_of(bright, 0.5);
  *copy = level_of(dim, 0.5);
  return n >= LEAST_CELLS && *flow - *copy > LEAST_GREY;
}

/* Rows of both sides in one circle: up the main side from the baseline, round the end of the velocity scale, and back
 * to the baseline on the other side. The copy of row p is row rows - 1 - p. */
typedef struct {
  const uint16_t *main_level, *other_level; /* SMOOTH_UNITths of a grey level */
  int main_rows, rows;
  double main_edge, other_edge;
} circle;

static double level_at(const circle *o, int p) {
  return (double)(p < o->main_rows ? o->main_level[p] : o->other_level[o->rows - 1 - p]) / SMOOTH_UNIT;
}

/* 1 within the flow of either side, -1 outside of it, 0 too near to an edge to say. */
static int flow_at(const circle *o, int p) {
  double a = p - o->main_edge, b = o->rows - 1 - p - o->other_edge, near_a = 4 + 0.06 * o->main_edge,
         near_b = 4 + 0.06 * o->other_edge;
  if (a < -near_a || b < -near_b) return 1;
  return (a > near_a || o->main_edge <= 0) && (b > near_b || o->other_edge <= 0) ? -1 : 0;
}

/* Sums of grey of one row over the columns in which the copy must cover it, and over those in which it cannot. */
typedef struct {
  double covered, near, bare; /* near: those of the covered that lie in the half next to the baseline */
  int n_covered, n_near, n_bare;
} row_sums;

typedef struct {
  double sum, square, n;
} spread;

static void count(spread *t, double v) {
  t->sum += v;
  t->square += v * v;
  t->n++;
}

static void compare_column(const circle *o, int gap, row_sums *rows, spread *flow) {
  for (int p = gap + 3; p < o->rows - gap - 3; p++) {
    int here = flow_at(o, p);
    if (!here) continue;
    double v = level_at(o, p);
    if (here > 0) {
      count(flow, v);
      continue;
    }
    int d = o->rows - 1 - p, opposite = flow_at(o, d);
    if (opposite > 0) {
      rows[p].covered += v;
      rows[p].n_covered++;
      if (p >= o->main_rows && 2 * d < o->main_edge) {
        rows[p].near += v;
        rows[p].n_near++;
      }
    } else if (opposite < 0) {
      rows[p].bare += v;
      rows[p].n_bare++;
    }
  }
}

/* Rows are compared with themselves: what stands there all the time (a vein, noise that is not even) cancels. */
static void weigh(const row_sums *r, int rows, spectrum_mirror *m) {
  double weight = 0, contrast = 0, ground = 0, near = 0, near_weight = 0, all_near = 0, n_near = 0;
  for (int k = 0; k < rows; k++) {
    all_near += r[k].near;
    n_near += r[k].n_near;
    if (!r[k].n_covered || !r[k].n_bare) continue;
    double bare = r[k].bare / r[k].n_bare, w = (double)r[k].n_covered * r[k].n_bare / (r[k].n_covered + r[k].n_bare);
    contrast += w * (r[k].covered / r[k].n_covered - bare);
    ground += w * bare;
    weight += w;
    if (!r[k].n_near) continue;
    w = (double)r[k].n_near * r[k].n_bare / (r[k].n_near + r[k].n_bare);
    near += w * (r[k].near / r[k].n_near - bare);
    near_weight += w;
  }
  m->cells = weight;
  if (weight <= 0) return;
  m->ground = ground / weight;
  m->copy = (ground + contrast) / weight;
  /* Where flow never stops the half next to the baseline is always covered: its level has to do. */
  m->near = near_weight >= LEAST_CELLS ? m->ground + near / near_weight : n_near >= LEAST_CELLS ? all_near / n_near : 0;
}

ogv_status spectrum_mirror_look(const spectrum_box *box, const spectrum_side *main_side, const spectrum_side *other,
                                const double *main_edge, const double *other_edge, int gap, spectrum_mirror *m,
                                ogv_error *err) {
  *m = (spectrum_mirror){0};
  circle o = {.main_rows = main_side->rows, .rows = main_side->rows + other->rows};
  row_sums *rows = calloc((size_t)o.rows, sizeof *rows);
  if (!rows) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  spread flow = {0};
  for (int c = 0; c < box->columns; c += 2) {
    o.main_level = main_side->smooth + (size_t)c * (size_t)main_side->rows;
    o.other_level = other->smooth + (size_t)c * (size_t)other->rows;
    o.main_edge = main_edge[c];
    o.other_edge = other_edge[c];
    compare_column(&o, gap, rows, &flow);
  }
  weigh(rows, o.rows, m);
  free(rows);
  if (flow.n < LEAST_CELLS || m->cells < LEAST_CELLS) return OGV_OK;
  m->flow = flow.sum / flow.n;
  double contrast = m->copy - m->ground, speckle = sqrt(fmax(0, flow.square / flow.n - m->flow * m->flow));
  /* Aliased flow on the other side comes and goes with the main flow as well, but it does not reach the baseline. */
  m->found = contrast > LEAST_GREY && m->flow > m->copy && m->near - m->ground > 0.4 * contrast;
  m->too_bright = m->found && m->flow - m->copy < speckle;
  return OGV_OK;
}
