/* Where a picture carries burned-in text: results, captions, clocks and settings that the scanner drew into the pixels.
 * While a person measures blind these places are covered on the screen; stored pixels are never changed.
 *
 * Outside the scanned area (the two-dimensional, M-mode, spectral and waveform regions) everything that is not dark is
 * covered: no guess is made of what it says; a line that runs on over black into a region's box is covered to its end.
 * Inside, only text in colour on a grey tissue picture of a colour image is looked for, as lines of small saturated
 * shapes with the short words beside them. NOT found inside: white or grey text (that standing by itself in the dark
 * corners beside a sector: bright islands of echoes look the same), text over colour flow, spectra or a tinted picture,
 * single signs such as caliper ends and dotted lines (covering those would hide the structure). */
#ifndef IMAGING_COVER_H
#define IMAGING_COVER_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

typedef struct ogv_cover {
  int x0, y0, x1, y1; /* inclusive pixels of the picture */
  bool inside;        /* lies in the scanned area */
} ogv_cover;

typedef struct ogv_covers {
  ogv_cover *list; /* outside ones touch no scanned region; sorted by row, then column */
  size_t n;
  bool scanned;     /* false: no region says where the scanned area is, so nothing is known and nothing is covered */
  bool searched;    /* text in colour was looked for inside */
  char unsure[128]; /* what was not looked for inside, in words; "" when `searched` */
} ogv_covers;

/* Places to cover in any of n_frames pictures of one size (the same places serve all frames of a clip). Free with
 * ogv_covers_free. OGV_E_INVALID when the sizes differ. */
ogv_status ogv_covers_find(const ogv_image *const *frames, size_t n_frames, const ogv_region *regions, size_t n_regions,
                           ogv_covers *out, ogv_error *err);
void ogv_covers_free(ogv_covers *c);

/* Whether a region is part of the scanned area (bars and graphics are not). */
bool ogv_region_scanned(const ogv_region *r);

#endif
