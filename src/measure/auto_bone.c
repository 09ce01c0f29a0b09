/* How bright a bone is towards its ends. A shaft's echo keeps most of its brightness up to the ends; a line that runs
 * on past the shaft, into soft tissue or a shadow, does not. */
#include <math.h>

#include "core_sort.h"
#include "private/auto_shape.h"

/* Places along the line, and across it: within 7 % of the length on either side, since shafts are bent (our own choice,
 * as the parts of the line that are compared below). */
enum { ALONG = 101, ACROSS = 43 };
static const double reach = 0.07;

static double mean_of(const double *v, int from, int to) {
  double sum = 0;
  for (int i = from; i < to; i++) sum += v[i];
  return sum / (to - from);
}

/* Grey along the brightest path from one end to the other that moves at most one place across at each step. */
static void ridge(double (*grey)[ACROSS], double out[ALONG]) {
  static const double none = -1e30;
  double total[2][ACROSS];
  signed char from[ALONG][ACROSS];
  int at = 0;
  for (int a = 0; a < ACROSS; a++) total[0][a] = grey[0][a];
  for (int k = 1; k < ALONG; k++)
    for (int a = 0; a < ACROSS; a++) {
      double best = none;
      for (int step = -1; step <= 1; step++) {
        const int b = a + step;
        if (b < 0 || b >= ACROSS || total[(k - 1) % 2][b] <= best) continue;
        best = total[(k - 1) % 2][b];
        from[k][a] = (signed char)step;
      }
      total[k % 2][a] = best + grey[k][a];
    }
  for (int a = 1; a < ACROSS; a++)
    if (total[(ALONG - 1) % 2][a] > total[(ALONG - 1) % 2][at]) at = a;
  for (int k = ALONG - 1; k > 0; k--) {
    out[k] = grey[k][at];
    at += from[k][at];
  }
  out[0] = grey[0][at];
}

double auto_bone_fading(const auto_canvas *c, const double x[2], const double y[2]) {
  double grey[ALONG][ACROSS], along[ALONG];
  const double vx = x[1] - x[0], vy = y[1] - y[0];
  for (int k = 0; k < ALONG; k++)
    for (int a = 0; a < ACROSS; a++) {
      const double t = (double)k / (ALONG - 1), s = reach * (2.0 * a / (ACROSS - 1) - 1);
      grey[k][a] = (double)auto_canvas_at(c, x[0] + t * vx - s * vy, y[0] + t * vy + s * vx);
    }
  ridge(grey, along);
  const double dimmer = fmin(mean_of(along, 4, 20), mean_of(along, 81, 97)), middle = ogv_median(along + 30, 41);
  return middle > 0 ? dimmer / middle : 0;
}
