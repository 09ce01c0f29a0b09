/* The figures themselves, drawn into a box of a page or picture. */
#ifndef REPORT_PLOT_H
#define REPORT_PLOT_H

#include <jansson.h>

#include "core_status.h"
#include "report_draw.h"
#include "report_text.h"

typedef struct plot_box {
  double x, y, w, h;
} plot_box;

typedef struct plot_growth_request {
  const char *quantity, *fetus, *chart, *compare; /* as in ogv_figure_request */
} plot_growth_request;

ogv_status plot_growth(pen *p, const json_t *facts, const ogv_messages *m, const plot_growth_request *r, plot_box box,
                       ogv_error *err);
/* From conception to the due date with every exam and the dating evidence. */
void plot_pregnancy(pen *p, const json_t *facts, const ogv_messages *m, plot_box box);
/* A small scale from -3 to +3 SD: band 10th to 90th, ticks at the 3rd and 97th, the value and its 95 % interval: thin
 * with u (all errors), thick with the measurement's own. An arrow at the edge says that it lies beyond. */
void plot_strip(pen *p, plot_box box, double z, double u, double measurement, pen_colour c);

/* Round step for about n intervals over a span. */
double plot_step(double span, int n);

#endif
