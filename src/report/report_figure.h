/* Figures from the facts, each by one drawing code for every output: SVG for the browser, PNG, PDF. */
#ifndef REPORT_FIGURE_H
#define REPORT_FIGURE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

typedef enum { OGV_FIGURE_SVG, OGV_FIGURE_PNG, OGV_FIGURE_PDF } ogv_figure_format;

typedef struct ogv_figure_request {
  const char *figure;   /* "growth" (needs quantity) or "pregnancy" (the line from conception to the due date) */
  const char *quantity; /* id in the table of quantities */
  const char *fetus;    /* NULL or "": all fetuses on one chart */
  const char *chart;    /* NULL or "": the chart that the facts judge by */
  const char *compare;  /* a second chart drawn over the first, or NULL */
  int width, height;    /* pixels at 96 to the inch, 120..4000 */
  bool dark;            /* for a dark room */
  const char *language; /* NULL: that of the facts */
} ogv_figure_request;

/* *data is malloc'ed; SVG has a NUL behind its last byte. Same facts and request, same bytes. OGV_E_NOT_FOUND when the
 * facts hold no such value or chart. */
ogv_status ogv_report_figure(const json_t *facts, const ogv_figure_request *r, ogv_figure_format format, uint8_t **data,
                             size_t *size, ogv_error *err);

#endif
