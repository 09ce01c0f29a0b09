/* What verification needs of the page drawing. */
#ifndef REPORT_PAGE_H
#define REPORT_PAGE_H

#include <cairo.h>
#include <jansson.h>

#include "core_file.h"
#include "core_status.h"
#include "report_pdf.h"
#include "report_text.h"

/* Hash of the words that the pages of these facts carry, figures, running heads and pictures apart. */
ogv_status page_text_hash(const json_t *facts, char out[OGV_SHA256_TEXT], ogv_error *err);

/* How many pages there are; nothing is painted. */
int page_count(const json_t *facts, const ogv_messages *m);
/* One page alone, on any cairo surface of A4 in points. */
typedef struct page_view {
  int page, pages;
  const char *hash; /* of the facts */
  ogv_picture_source pictures;
  void *user;
} page_view;
void page_paint(cairo_t *cr, const json_t *facts, const ogv_messages *m, const page_view *v);

#endif
