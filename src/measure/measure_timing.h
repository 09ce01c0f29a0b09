/* Atrioventricular timing from one spectral trace that shows inflow into the left ventricle and outflow into the aorta
 * (sample volume where both meet): from the onset of the A wave to the onset of the next outflow. The definition of the
 * left-ventricular in/out method (e.g. Heetchuay T et al., Clin Exp Obstet Gynecol 2021;48:867-874). A mechanical
 * interval: it is longer than the electrical one, and the two are not exchanged. */
#ifndef MEASURE_TIMING_H
#define MEASURE_TIMING_H

#include <jansson.h>

#include "imaging_image.h"
#include "measure_rate.h"
#include "measure_spectrum.h"

#define OGV_TIMING_BEATS 32
typedef struct ogv_av_timing {
  ogv_interval interval;                                          /* mean, SD of that mean, beats used; or why not */
  double rate_bpm;                                                /* of the outflow; NaN when refused */
  bool outflow_below;                                             /* outflow is drawn below the baseline */
  int n;                                                          /* beats found with both onsets */
  double atrial_s[OGV_TIMING_BEATS], outflow_s[OGV_TIMING_BEATS]; /* onsets, seconds from the left of the box */
} ogv_av_timing;

/* Refuses (OGV_OK, interval.accepted false, reason) without flow on both sides, without a regular outflow, when the
 * E and A waves are fused, with fewer than 3 beats, or when beats differ too much. Errors as ogv_spectrum_measure. */
ogv_status ogv_av_interval_from_spectrum(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_av_timing *out,
                                         ogv_error *err);

/* accepted, reason, av_interval_ms, _sd, beats, rate_bpm, onsets in picture columns. New reference. */
json_t *ogv_av_timing_json(const ogv_av_timing *t, const ogv_spectrum_scale *scale);
/* accepted, reason, av_interval_ms, _sd, beats. New reference. */
json_t *ogv_interval_json(const ogv_interval *i);

#endif
