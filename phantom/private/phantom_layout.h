/* The phantom's own screen layout: captions, ruler, grey bar, calipers. Not modelled on any scanner's. */
#ifndef PHANTOM_LAYOUT_H
#define PHANTOM_LAYOUT_H

#include "phantom_plane.h"
#include "private/phantom_beam.h"
#include "private/phantom_draw.h"

typedef struct ph_caption { /* texts, any may be NULL */
  const char *patient, *id, *date, *age, *place, *view, *lines[4];
} ph_caption;

/* Ruler along the right side of the box, grey bar, settings, and the caption when there is one. */
void ph_layout_plain(ogv_image *img, const ph_view *v, const ph_set *s, const ph_caption *c);
/* The caption alone, for pictures with a strip. */
void ph_layout_title(ogv_image *img, const ph_caption *c);
void ph_layout_calipers(ogv_image *img, const ogv_phantom_plane_truth *t);
/* Value lines in the lower left corner. */
void ph_layout_values(ogv_image *img, const char *const *lines, int n);

extern const ph_ink ph_white, ph_grey, ph_amber, ph_aqua;

#endif
