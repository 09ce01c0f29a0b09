/* Text that a scanner has written into a picture: found by what letters share and tissue does not, so that it can be
 * covered on pictures that leave the clinic. Lettering is thin and brighter than what lies around it, of one strength,
 * and stands in rows of like height on one line; in a grey picture it may also be coloured. What is found is covered;
 * what cannot be found (single letters, text as dark as the tissue around it, hand-drawn marks) is for a person's eye.
 */
#ifndef REPORT_BURNED_H
#define REPORT_BURNED_H

#include <stdbool.h>

#include "core_status.h"
#include "imaging_image.h"

#define OGV_BURNED_MAX 64

typedef struct ogv_burned_box {
  int x0, y0, x1, y1; /* pixels, both ends inside */
} ogv_burned_box;

typedef struct ogv_burned {
  ogv_burned_box box[OGV_BURNED_MAX];
  int n;
  bool more;  /* there were more rows than can be kept: not to be handed out */
  bool marks; /* coloured marks outside the rows (calipers, outlines) lie on a grey picture and stay there */
} ogv_burned;

/* colour: the picture shows flow in colour, so that colour says nothing about lettering. The picture is not changed. */
ogv_status ogv_burned_find(const ogv_image *img, bool colour, ogv_burned *out, ogv_error *err);
/* Paints every box with the middle value of its surroundings; nothing is made up inside it. */
void ogv_burned_cover(ogv_image *img, const ogv_burned *b);

#endif
