/* The atrioventricular interval from two walls of an M-mode strip that a person marked: from the fastest movement of
 * the atrial wall to the next one of the ventricular wall (own rule). */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "measure_rate.h"
#include "measure_timing.h"
#include "private/period_int.h"

/* Where the wall in rows y0..y1 stands in every column: centroid of its brightness. */
static void wall_position(const ogv_image *p, const ogv_region *r, int y0, int y1, double *out, size_t n) {
  for (size_t i = 0; i < n; i++) {
    double sum = 0, weight = 1e-6;
    for (int y = y0; y <= y1; y++) {
      double v = mmode_grey(p, r->x0 + (int)i, y);
      v *= v; /* bright echoes decide */
      sum += v * y;
      weight += v;
    }
    out[i] = sum / weight;
  }
}

/* Times (samples) of the fastest movement of a wall, one a beat. The sign of movement is the one of the fastest. */
static size_t contractions(const double *wall, size_t n, double period, double *at, size_t maximum) {
  size_t reach = (size_t)(0.03 * period) + 1, best = reach, count = 0;
  double top = 0;
#define SPEED(i) (wall[(i) + reach] - wall[(i)-reach])
  for (size_t i = reach; i + reach < n; i++)
    if (fabs(SPEED(i)) > fabs(top)) {
      top = SPEED(i);
      best = i;
    }
  if (top == 0) return 0;
  double phase = fmod((double)best, period);
  for (double centre = phase; centre + (double)reach < (double)n && count < maximum; centre += period) {
    size_t lo = centre > 0.3 * period + (double)reach ? (size_t)(centre - 0.3 * period) : reach, k = 0;
    double here = 0;
    for (size_t i = lo; i + reach < n && (double)i < centre + 0.3 * period; i++)
      if (SPEED(i) * top > here) {
        here = SPEED(i) * top;
        k = i;
      }
    if (here > 0.3 * top * top) at[count++] = (double)k;
  }
#undef SPEED
  return count;
}

ogv_status ogv_av_interval_from_mmode(const ogv_image *picture, const ogv_region *region, const int walls[4],
                                      ogv_av_timing *out, ogv_error *err) {
  *out = (ogv_av_timing){.interval = {.ms = NAN, .sd_ms = NAN}, .beat_s = NAN, .from_mmode = true};
  OGV_TRY(mmode_check(picture, region, err));
  for (int k = 0; k < 4; k += 2)
    if (walls[k] < region->y0 || walls[k + 1] > region->y1 || walls[k + 1] - walls[k] < 3)
      return ogv_fail(err, OGV_E_INVALID, "Mark a band of rows around each wall.",
                      "the bands of rows do not lie in the M-mode strip");
  ogv_rate rate;
  OGV_TRY(ogv_rate_from_mmode(picture, region, &rate, err));
  if (!rate.accepted) {
    snprintf(out->interval.reason, sizeof out->interval.reason, "%s", rate.reason);
    return OGV_OK;
  }
  out->beat_s = 60 / rate.bpm;
  size_t n = (size_t)(region->x1 - region->x0 + 1);
  double *wall = malloc(2 * n * sizeof *wall), atria[64], ventricles[64];
  if (!wall) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  double period = out->beat_s / region->delta_x;
  wall_position(picture, region, walls[0], walls[1], wall, n);
  wall_position(picture, region, walls[2], walls[3], wall + n, n);
  size_t na = contractions(wall, n, period, atria, 64), nv = contractions(wall + n, n, period, ventricles, 64);
  free(wall);
  for (size_t i = 0; i < na; i++)
    for (size_t k = 0; k < nv && out->n < OGV_TIMING_BEATS; k++) {
      double d = ventricles[k] - atria[i];
      if (d <= 0 || d >= 0.6 * period) continue;
      out->beat[out->n++] = (ogv_av_beat){region->x0 + atria[i], region->x0 + ventricles[k], true};
      break;
    }
  ogv_av_reckon(out, region->delta_x, region->calibration_sd);
  return OGV_OK;
}
