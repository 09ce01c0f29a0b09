/* The drawing kit of every figure and page: text through pango, lines, boxes, markers, structure tags. One pen draws on
 * any cairo surface, so PDF, SVG and PNG come from the same code. Lengths are PDF points (1/72 inch). */
#ifndef REPORT_DRAW_H
#define REPORT_DRAW_H

#include <cairo.h>
#include <pango/pangocairo.h>
#include <stdbool.h>

#include "core_text.h"

typedef struct pen_colour {
  double r, g, b;
} pen_colour;

/* Colours are Okabe and Ito's palette for colour-blind readers (jfly.uni-koeln.de/color, 2008; here with grey added).
 * Every use pairs a colour with a shape, a dash or a word. */
typedef struct pen_theme {
  pen_colour paper, ink, soft, faint, hair, grid, shade, accent, accent_pale, warn, warn_pale, series[3];
} pen_theme;
extern const pen_theme pen_theme_light, pen_theme_dark;

typedef struct pen {
  cairo_t *cr;
  PangoContext *pango;
  const pen_theme *theme;
  bool tags;            /* a PDF that keeps structure */
  bool dry;             /* measuring pass: nothing is painted */
  bool rtl;             /* base direction of text: right to left */
  ogv_text *transcript; /* every drawn string, one a line; may be NULL */
} pen;

typedef enum { PEN_START, PEN_MIDDLE, PEN_END } pen_align; /* of the reading direction */
typedef struct pen_style {
  double size;
  bool bold, italic;
  pen_colour colour;
  pen_align align;
  int lines;      /* most lines; 0: any. What does not fit ends in an ellipsis */
  double spacing; /* extra space between lines */
} pen_style;

void pen_open(pen *p, cairo_t *cr, const pen_theme *theme);
void pen_close(pen *p);

/* Text in a column from (x,y) (top left), width > 0. Returns its height; `measure` draws nothing. */
double pen_text(pen *p, double x, double y, double width, const pen_style *s, const char *text);
double pen_text_height(pen *p, double width, const pen_style *s, const char *text);
double pen_text_width(pen *p, const pen_style *s, const char *text); /* on one line */
/* One line whose baseline does not matter: `anchor` 0 starts at x, 0.5 is centred on it, 1 ends there; y is the middle
 * of the line. For axes and labels. */
void pen_label(pen *p, double x, double y, double anchor, const pen_style *s, const char *text);

void pen_ink(pen *p, pen_colour c);
void pen_line(pen *p, double x0, double y0, double x1, double y1, double width, pen_colour c);
void pen_dashed(pen *p, double on, double off); /* 0,0: solid */
void pen_fill(pen *p, double x, double y, double w, double h, pen_colour c);
void pen_frame(pen *p, double x, double y, double w, double h, double width, pen_colour c);
void pen_round(pen *p, double x, double y, double w, double h, double radius); /* path only */

/* Markers carry meaning by shape; open means an earlier or later exam, filled means this one. */
typedef enum { PEN_CIRCLE, PEN_SQUARE, PEN_TRIANGLE, PEN_DIAMOND } pen_shape;
void pen_marker(pen *p, pen_shape shape, double x, double y, double radius, bool filled, pen_colour c);

void pen_tag(pen *p, const char *name);
void pen_untag(pen *p, const char *name);

#endif
