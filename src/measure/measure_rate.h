/* Heart rate by periodicity: from an M-mode strip, a spectrum and the frames of a grey or colour clip. Every answer has
 * a confidence, or is a refusal with its reason. */
#ifndef MEASURE_RATE_H
#define MEASURE_RATE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"
#include "measure_spectrum.h"

typedef struct ogv_rate {
  bool accepted;
  char reason[240];  /* why it was refused, and what to do */
  double bpm, sd;    /* beats a minute; NaN when refused */
  double confidence; /* 0..1: how well the picture repeats after one beat */
  double beats;      /* length of the record in beats */
} ogv_rate;

/* From an M-mode region (format 2, x in seconds). Refuses without a time scale or with fewer than 3 beats. Looks for 50
 * to 240 beats a minute. */
ogv_status ogv_rate_from_mmode(const ogv_image *picture, const ogv_region *region, ogv_rate *out, ogv_error *err);

/* Hands out frame i of a clip; the caller of ogv_rate_from_clip frees it with ogv_image_free. */
typedef ogv_status (*ogv_frame_source)(void *user, int frame, ogv_image *out, ogv_error *err);

/* From a clip: time_ms[i] of every frame (increasing), box of the moving part (x0,y0,x1,y1 inclusive; all 0: whole
 * picture). Refuses clips without a time base, shorter than 3 beats or with fewer than 6 frames a beat. */
ogv_status ogv_rate_from_clip(ogv_frame_source source, void *user, const double *time_ms, int frames, const int box[4],
                              ogv_rate *out, ogv_error *err);

/* From a spectrum: the cycles of its envelope (ogv_spectrum_measure), kind as there. beats: the cycles that were used;
 * confidence: how well the envelope repeats. Refuses what the tracing refuses. */
ogv_status ogv_rate_from_spectrum(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_flow_kind kind,
                                  ogv_rate *out, ogv_error *err);

/* Beats a minute and their SD from the evidence of a rate that was read from a clip (type "rate": period_s,
 * sd.caliper). OGV_E_INVALID when it does not hold a period. */
ogv_status ogv_rate_from_evidence(const json_t *evidence, double *bpm, double *sd, ogv_error *err);

json_t *ogv_rate_json(
    const ogv_rate *r); /* new reference: accepted, reason, rate_bpm, rate_bpm_sd, confidence, beats */

#endif
