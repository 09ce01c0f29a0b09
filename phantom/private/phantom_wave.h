/* Velocity over time in a vessel: a shape over one cycle, repeated with small changes from beat to beat. */
#ifndef PHANTOM_WAVE_H
#define PHANTOM_WAVE_H

#include "phantom_spectrum.h"

#define PH_SHAPE 1024
typedef struct ph_wave {
  double shape[PH_SHAPE + 1]; /* 0 at the foot (index 0 and PH_SHAPE), 1 at the peak; negative for reversed flow */
  double mean;                /* of shape */
  double psv, edv;            /* base curve: edv + (psv-edv)*shape, or psv*shape when scaled_only */
  bool scaled_only;
  double foot[80]; /* start of each cycle, s; foot[n] ends the last */
  double gain[80]; /* amplitude of each cycle */
  int n;
} ph_wave;

/* Covers [0, length_s] wholly. */
void ph_wave_make(const ogv_phantom_spectrum_options *o, double length_s, ph_wave *w);
double ph_wave_at(const ph_wave *w, double t); /* cm/s */

#endif
