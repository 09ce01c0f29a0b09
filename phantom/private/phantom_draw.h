/* Drawing on RGB pictures: text in the phantom's own letters, lines, crosses, dotted ellipses. All clipped to the
 * picture. */
#ifndef PHANTOM_DRAW_H
#define PHANTOM_DRAW_H

#include "imaging_image.h"

typedef struct ph_ink {
  uint8_t r, g, b;
} ph_ink;
extern const unsigned char ph_font[95][9];

void ph_dot(ogv_image *img, int x, int y, ph_ink c);
void ph_fill(ogv_image *img, int x0, int y0, int x1, int y1, ph_ink c); /* inclusive */
/* Top-left of the capital letters at (x,y); scale 1..4; returns the x behind the text. Letters with accents are
 * composed; what the font lacks is drawn as '?'. */
int ph_text(ogv_image *img, int x, int y, int scale, const char *utf8, ph_ink c);
int ph_text_width(int scale, const char *utf8);
void ph_text_right(ogv_image *img, int x_right, int y, int scale, const char *utf8, ph_ink c);
/* Anti-aliased line of the given width through pixel-centre coordinates. */
void ph_line(ogv_image *img, double x0, double y0, double x1, double y1, double width, ph_ink c);
void ph_dotted(ogv_image *img, double x0, double y0, double x1, double y1, double step, ph_ink c);
/* Caliper mark centred on (x,y), arms of r pixels. kind 0: upright cross, 1: diagonal cross. */
void ph_cross(ogv_image *img, double x, double y, int r, int kind, ph_ink c);
/* Dotted ellipse: centre, half axes in pixels, angle of the first axis (radians, y down). */
void ph_dotted_ellipse(ogv_image *img, double cx, double cy, double a, double b, double angle, double step, ph_ink c);

#endif
