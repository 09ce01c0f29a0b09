/* One picture on a page: fetched, scaled to what the paper shows, held as JPEG, its calipers drawn over it. */
#ifndef REPORT_PICTURE_H
#define REPORT_PICTURE_H

#include <jansson.h>

#include "report_sheet.h"

typedef enum {
  PICTURE_PLAIN = 0,
  PICTURE_MARKS = 1, /* calipers over it */
  PICTURE_CROP = 2,  /* only the scanned area: what a scanner writes around it (name, numbers) stays out */
  PICTURE_TIGHT = 4  /* no ground around the picture */
} picture_how;

/* Draws into the box, keeping the shape of the picture. One that cannot be had is a frame with the reason in it. */
void picture_draw(sheet *s, const json_t *picture, plot_box box, int how);

#endif
