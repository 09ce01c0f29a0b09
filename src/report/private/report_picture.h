/* One picture on a page: fetched, scaled to what the paper shows, held as JPEG, its calipers drawn over it. */
#ifndef REPORT_PICTURE_H
#define REPORT_PICTURE_H

#include <jansson.h>

#include "report_sheet.h"

/* Draws into the box, keeping the shape of the picture; `marks` also draws the calipers. A picture that cannot be had is a
 * frame with the reason in it. */
void picture_draw(sheet *s, const json_t *picture, plot_box box, bool marks);

#endif
