/* Display filters: how a picture looks, never what it is. They work on a copy, on grey only (colour flow, marks and
 * text in colour stay as they are), and only inside the boxes given. What is on is said wherever the picture is shown.
 *   speckle         guided filter, edge-preserving (He, Sun, Tang, IEEE TPAMI 2013;35:1397)
 *   local contrast  contrast-limited adaptive histogram equalization (Zuiderveld, Graphics Gems IV, 1994)
 *   depth gain, shading, range, temporal: own, plain arithmetic on log-compressed grey; see the fields */
#ifndef IMAGING_FILTER_H
#define IMAGING_FILTER_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

#define OGV_FILTER_GAINS 8
typedef struct ogv_filters {
  double depth_gain[OGV_FILTER_GAINS]; /* grey levels added, from the top of the box to its bottom, -128..128; black
                                          stays */
  size_t n_depth_gain;                 /* 0: off */
  double speckle;          /* 0 off .. 1 strong: windows of 2 to 6 pixels, edges of 6 to 30 grey levels kept */
  double shading;          /* 0 off .. 1 full: lifts what is darker than its row within 40 grey levels */
  double local_contrast;   /* 0 off .. 1 full */
  double low, high, gamma; /* grey levels shown as black and white, 0 <= low < high <= 255; gamma 0.2..5 */
  int smooth_frames;       /* 1 off, 3 or 5: binomial mean over neighbouring frames, see ogv_filter_frames */
  bool relief; /* colour flow drawn as a lit relief: ogv_colour_relief of the measure module, which reads the bar; it is
                  not done here */
} ogv_filters;

void ogv_filters_off(ogv_filters *f);       /* everything off: the picture stays byte for byte */
bool ogv_filters_any(const ogv_filters *f); /* whether anything is on */

/* Whether edges stay where they are, so that calipers may be placed on the filtered picture: HC, AC and FL of the
 * phantom move by less than 0.3 % (tests/unit/test_imaging_filter_edges.c). Local contrast and gamma make walls thicker
 * or thinner, means over frames blur what moves: those are for looking only. */
#define OGV_FILTER_EDGES_SPECKLE 0.5
#define OGV_FILTER_EDGES_LOW 30
#define OGV_FILTER_EDGES_HIGH 200
#define OGV_FILTER_EDGES_GAIN 60
bool ogv_filters_keep_edges(const ogv_filters *f);
/* The same for the window of the screen, shown = (grey - level) * slope + level: it cuts greys off below and above, by
 * the same limits. Inversion moves no edge: what fell rises by as much. */
#define OGV_WINDOW_SLOPE_MIN 0.2
#define OGV_WINDOW_SLOPE_MAX 8.0
bool ogv_window_keeps_edges(double slope, double level);

/* JSON form, as presets keep it:
 * {"depth_gain":[...],"speckle":0.5,"shading":0,"local_contrast":0,"range":[0,255],"gamma":1, "smooth_frames":1,
 * "relief":false};
 * members left out are off. OGV_E_RANGE names the member. */
ogv_status ogv_filters_from_json(const json_t *v, ogv_filters *out, ogv_error *err);
json_t *ogv_filters_to_json(const ogv_filters *f); /* new reference */

/* Filters one picture into *out (same size and channels; free with ogv_image_free). Boxes: the two-dimensional regions
 * among `regions`; with none of them, the whole picture. The order is shading, depth gain, speckle, local contrast,
 * range. */
ogv_status ogv_filters_apply(const ogv_filters *f, const ogv_image *src, const ogv_region *regions, size_t n_regions,
                             ogv_image *out, ogv_error *err);

/* Binomial mean of n = 1, 3 or 5 frames of one size around the middle one (at the ends of a clip repeat the end frame).
 * Where any of them is colour the middle one stays. */
ogv_status ogv_filter_frames(const ogv_image *const *frames, size_t n, ogv_image *out, ogv_error *err);
/* The same inside the two-dimensional regions only (with none of them, everywhere); around them the middle frame stays,
 * so that clocks, counters and traces beside the picture are not smeared. */
ogv_status ogv_filter_frames_within(const ogv_image *const *frames, size_t n, const ogv_region *regions,
                                    size_t n_regions, ogv_image *out, ogv_error *err);

#endif
