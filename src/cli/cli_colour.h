/* What the forms of `ogive measure colour` share, and its form for volumes. */
#ifndef CLI_COLOUR_H
#define CLI_COLOUR_H

#include <jansson.h>

#include "cli_picture.h"
#include "imaging_geometry.h"

/* Frame (0-based) of a picture or clip; a PNG has one. Free it with ogv_image_free. */
ogv_status ogv_cli_colour_frame(ogv_cli_picture *p, int frame, ogv_image *out, ogv_error *err);

/* "x,y,x,y,x,y..." as an outline; NULL: the colour region of the picture p, else all of it (p may be NULL for a text).
 * Free out with ogv_geometry_free. OGV_E_INVALID, the message beginning with "--outline", for other text. */
ogv_status ogv_cli_colour_outline(const char *text, const ogv_cli_picture *p, ogv_geometry *out, ogv_error *err);

/* Indices of the volume that all frames of the files make up. outline and outlines as the options; NULL: none.
 * {"accepted","reason","kind","slices","voxels","coloured_voxels","vi","fi","vfi"}; fi is null when nothing is
 * coloured. */
ogv_status ogv_cli_colour_volume(const char *const *files, size_t n, const char *outline, const char *outlines,
                                 json_t **out, ogv_error *err);

#endif
