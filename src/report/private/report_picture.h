/* One picture on a page: fetched, scaled to what the paper shows, held as JPEG, its calipers drawn over it. */
#ifndef REPORT_PICTURE_H
#define REPORT_PICTURE_H

#include <jansson.h>

#include "report_sheet.h"

typedef enum {
  PICTURE_PLAIN = 0,
  PICTURE_MARKS = 1, /* calipers over it */
  PICTURE_CROP = 2,  /* only the scanned area: what a scanner writes around it (name, numbers) stays out, and lettering
                      * found inside it is covered */
  PICTURE_TIGHT = 4, /* no ground around the picture */
  PICTURE_TOP = 8    /* at the upper edge of the box, not in its middle */
} picture_how;

/* Draws into the box, keeping the shape of the picture. One that cannot be had is a frame with the reason in it.
 * Returns where it lies. */
plot_box picture_draw(sheet *s, const json_t *picture, plot_box box, int how);

/* What PICTURE_CROP does with it, for who decides: {"object", "caption", "covered": rows of lettering, "marks":
 * coloured marks of the scanner stay on it, "flow": colour picture, where coloured lettering cannot be told from flow,
 * "out": why it is left out, or null}. */
json_t *picture_look(sheet *s, const json_t *picture);

#endif
