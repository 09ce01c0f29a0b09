/* A value that rests on many frames of a clip: measured on each frame from its geometry, combined by the rule of
 * measure_auto_clip.h, and kept so that it can be recomputed from its evidence alone.
 *
 * The SD of the reading: what two observers differ by on one picture is taken whole, for it is mostly the choice of the
 * plane and the habit of placing, which the frames of one clip share; the placing on single frames averages out over
 * the effective number of frames (their spread, at least the caliper's own part); the scale is shared and does not. */
#ifndef MEASURE_CLIP_H
#define MEASURE_CLIP_H

#include <jansson.h>
#include <stdbool.h>

#include "measure_auto_clip.h"
#include "measure_quantity.h"

/* One frame that the reader accepted; frames that a person left out stay in the evidence but do not count. */
typedef struct ogv_clip_part {
  int frame;
  double weight; /* over 0, at most 1 */
  ogv_geometry geometry;
  bool left_out;
} ogv_clip_part;

typedef struct ogv_clip_value {
  double value, sd; /* in q->unit */
  double sd_observer, sd_caliper, sd_calibration;
  double spread, correlation, effective; /* over the frames that count */
  int n;                                 /* frames that count, without strays */
  int nearest;                           /* index of the part whose own value is nearest to the value */
  size_t region;
  char method[80];
} ogv_clip_value;

/* parts: 1..OGV_CLIP_FRAMES in time order, all of one kind. OGV_E_INVALID when none counts. */
ogv_status ogv_clip_measure(const ogv_quantity *q, const ogv_clip_part *parts, int n, const ogv_region *regions,
                            size_t n_regions, ogv_clip_value *out, ogv_error *err);
/* The evidence object of type "clip". shown: index of the part whose geometry stands for the value on pictures.
 * in_clip, looked_at: frames. New reference. docs/facts.md has its shape. */
json_t *ogv_clip_evidence(const ogv_quantity *q, const ogv_clip_part *parts, int n, int shown, int in_clip,
                          int looked_at, const ogv_region *r, const ogv_clip_value *v);
ogv_status ogv_clip_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                  ogv_error *err);

#endif
