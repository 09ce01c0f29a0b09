/* A reading of colour flow as it is answered, kept and verified: what was counted, and what follows from the counts.
 *
 *   {"geometry": outline, "frame": whose bar was read (0-based),
 *    "colour": {"kind": "velocity"|"power", "bar": [x0,y0,x1,y1], "range": [low,high] of the bar's values,
 *               "pixels", "coloured_pixels", "towards_pixels", "aliased_pixels", "magnitude_sum",        counted
 *               "colour_fraction", "mean_magnitude", "towards_fraction", "aliased_fraction"},            derived
 *    "curve": [{"frame","time_ms","coloured_pixels","aliased_pixels","magnitude_sum",                    counted
 *               "colour_fraction","mean_magnitude","left_out"?}],                                        derived
 *    "mean_fraction", "mean_magnitude", "aliased_fraction", "pulsatility", "frames_left_out",            derived, clips
 *    "bar_end_cm_s", "bar_end_from": "region"|"typed", "mean_velocity_cm_s" (derived)}
 *
 * Magnitudes are parts of the bar's range, 0 to 1. pulsatility is (highest - lowest) / mean of share times magnitude
 * over the frames in use; the form is that of the pulsatility index (Gosling 1971), its use on colour our choice. */
#ifndef MEASURE_COLOUR_READING_H
#define MEASURE_COLOUR_READING_H

#include <jansson.h>

#include "core_status.h"
#include "imaging_geometry.h"
#include "imaging_region.h"
#include "measure_colour.h"
#include "measure_rate.h"

typedef struct ogv_colour_ask {
  ogv_frame_source next; /* frames of the object; those it gives are freed by the reader */
  void *user;
  const ogv_region *regions; /* of the object */
  size_t n_regions;
  const ogv_geometry *outline; /* where to count */
  int frame;                   /* the frame that is counted as a still, and whose bar holds for the others */
  const int *frames;           /* frames of the curve, or NULL */
  int n_frames;                /* 0: no curve */
  const double *time_ms;       /* of those frames; NULL: unknown */
} ogv_colour_ask;
/* *reading is new. OGV_E_NOT_FOUND without a bar; errors of the frame source and of the outline as they come. */
ogv_status ogv_colour_read(const ogv_colour_ask *ask, json_t **reading, ogv_error *err);

/* Computes every derived member from the counted ones, in place. A frame in which a movement of tissue fills the region
 * with colour for a moment (a flash) is marked left out (own rule): its flow is more than twice, and its share more
 * than one and a half times, what nine frames in ten stay below, and such frames come in one run, or in one for each 40
 * frames; what comes more often is pulsation. OGV_E_INVALID for counts that cannot be. */
ogv_status ogv_colour_derive(json_t *reading, ogv_error *err);

/* Reads what a kept reading says was read, from the same frames, in the same outline. *again as ogv_colour_read's. */
ogv_status ogv_colour_read_again(const json_t *reading, ogv_frame_source next, void *user, const ogv_region *regions,
                                 size_t n_regions, json_t **again, ogv_error *err);

/* Velocity at the end of the colour bar (of its longer side), cm/s, where the object says it: pixel component
 * calibration in cm/s of a colour flow or colour bar region (PS3.3 C.8.5.5.1.4 and following), or a colour bar region
 * with a vertical scale in cm/s. NaN where it does not, or where two regions differ by more than 1 %. */
double ogv_colour_bar_end(const ogv_region *regions, size_t n);

#endif
