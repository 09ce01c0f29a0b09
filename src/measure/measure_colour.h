/* Colour and power Doppler as pictures show them: the colour bar is found and read, colours become flow again, and flow
 * is counted in an outlined region. Without a bar nothing is guessed. */
#ifndef MEASURE_COLOUR_H
#define MEASURE_COLOUR_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

#define OGV_BAR_STEPS 256
typedef struct ogv_colour_bar {
  int x0, y0, x1, y1; /* where it was found, inclusive */
  bool power;         /* one-sided (power Doppler): 0..1; else the upper side positive, whatever its colours */
  int steps;
  unsigned char colour[OGV_BAR_STEPS][3]; /* from the top downwards */
  double value[OGV_BAR_STEPS]; /* velocity bars: 0 at the baseline, 1 or -1 at the end of the longer side; power bars: 0
                                * where they are dark, at an end or in the middle, 1 at the farther end */
} ogv_colour_bar;

/* Finds the bar: the region marked as colour bar if there is one, else a narrow upright strip of changing saturated
 * colour outside the colour box. OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_colour_bar_find(const ogv_image *picture, const ogv_region *regions, size_t n, ogv_colour_bar *out,
                               ogv_error *err);

/* Flow of every pixel of the picture: NaN where the pixel shows tissue, else the bar's value of the nearest colour.
 * flow holds width*height floats, owned by the caller. */
ogv_status ogv_colour_flow(const ogv_image *picture, const ogv_colour_bar *bar, float *flow, ogv_error *err);

typedef struct ogv_colour_count {
  size_t pixels, coloured, positive; /* in the outline; with flow; of those towards the probe */
  size_t aliased;                    /* with flow that went round the end of a velocity bar: its magnitude misleads */
  double sum;                        /* of |flow| over the coloured pixels */
  double fraction;                   /* coloured / pixels */
  double mean_magnitude;             /* sum / coloured, 0..1 of the bar's range */
} ogv_colour_count;

/* Counts within a closed outline (x,y pairs, pixel centres; even-odd rule). bar is the one that flow was read with.
 * OGV_E_INVALID for fewer than 3 points or an outline without pixels. */
ogv_status ogv_colour_in_outline(const float *flow, int width, int height, const ogv_colour_bar *bar,
                                 const double *outline, size_t n_points, ogv_colour_count *out, ogv_error *err);

/* One slice of a volume: adds its voxels without flow to *grey and those with flow to colour[1..100], by their
 * magnitude in hundredths of the bar's range (at least 1), as ogv_colour_indices_of (obstetrics_ratio.h) takes them.
 * Errors as above. */
ogv_status ogv_colour_levels(const float *flow, int width, int height, const double *outline, size_t n_points,
                             size_t *grey, size_t colour[101], ogv_error *err);

/* The picture with its flow drawn as a lit relief: height is the flow magnitude, light from the upper left; hue stays.
 * A display only. out is new, free with ogv_image_free. */
ogv_status ogv_colour_relief(const ogv_image *picture, const float *flow, ogv_image *out, ogv_error *err);

/* The same with the bar read from the stored picture and the relief laid on `shown`, the picture as filters left it (of
 * the same size). OGV_E_NOT_FOUND when there is no bar: then there is no relief. */
ogv_status ogv_colour_relief_on(const ogv_image *stored, const ogv_image *shown, const ogv_region *regions, size_t n,
                                ogv_image *out, ogv_error *err);

#endif
