/* Pictures of a beating heart that tests draw themselves, with what is drawn known exactly. */
#ifndef HEART_PICTURES_H
#define HEART_PICTURES_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

#include "imaging_image.h"

static inline unsigned heart_speckle(unsigned *seed) {
  *seed = *seed * 1103515245u + 12345u;
  return *seed >> 16;
}

/* M-mode: two walls at rows 60 and 140, the lower one delay_s later; dt seconds a column. */
static inline void draw_walls(ogv_image *p, double bpm, double delay_s, double dt, double noise) {
  unsigned seed = 7;
  for (int x = 0; x < p->width; x++)
    for (int y = 0; y < p->height; y++) {
      double v = noise * (heart_speckle(&seed) & 255);
      for (int w = 0; w < 2; w++) {
        double phase = fmod((x * dt - w * delay_s) * bpm / 60 + 10, 1),
               move = phase < 0.12 ? phase / 0.12 : (1 - phase) / 0.88;
        double centre = (w ? 140 : 60) + 12 * move;
        v += 200 * exp(-0.5 * (y - centre) * (y - centre) / 9);
      }
      p->pixels[(size_t)y * p->stride + (size_t)x] = (uint8_t)(v > 255 ? 255 : v);
    }
}

/* Spectrum with its baseline at row 150, 4 ms a column: one broad wave a beat on each side, as where E and A are fused.
 */
static inline void draw_fused(ogv_image *p) {
  unsigned seed = 3;
  for (int x = 0; x < p->width; x++) {
    double phase = fmod(x * 0.004 * 170 / 60, 1), out = phase < 0.45 ? 90 * sin(M_PI * phase / 0.45) : 0,
           in = phase > 0.5 && phase < 0.95 ? 70 * sin(M_PI * (phase - 0.5) / 0.45) : 0;
    for (int y = 0; y < p->height; y++) {
      double d = 150 - y;
      bool flow = d > 2 ? d < in : d < -2 && -d < out;
      p->pixels[(size_t)y * p->stride + (size_t)x] = (uint8_t)((flow ? 130 : 5) + (heart_speckle(&seed) & 31));
    }
  }
}

/* One frame of a clip of 160 x 120: a dark disc that beats and drifts, t_s seconds after the first. */
static inline ogv_status draw_beating(int frame, double t_s, double bpm, ogv_image *out, ogv_error *err) {
  OGV_TRY(ogv_image_new(160, 120, 1, out, err));
  unsigned seed = 99u + (unsigned)frame;
  double drift = 0.02 * frame, r = 20 + 5 * sin(2 * M_PI * t_s * bpm / 60);
  for (int y = 0; y < 120; y++)
    for (int x = 0; x < 160; x++) {
      double d = hypot(x - 80 - drift, y - 60);
      out->pixels[(size_t)y * out->stride + (size_t)x] = (uint8_t)((d < r ? 30 : 120) + (heart_speckle(&seed) & 63));
    }
  return OGV_OK;
}

#endif
