/* The pages of the report as pictures, for the screen: drawn by the code that draws the PDF, page for page. */
#ifndef REPORT_PREVIEW_H
#define REPORT_PREVIEW_H

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"
#include "report_pdf.h"

/* Page `page` (1 is the first) as PNG, `width` pixels wide (200..2400). *png is malloc'ed; *pages is how many there
 * are, and may be NULL. OGV_E_NOT_FOUND for a page that the report does not have. */
ogv_status ogv_report_page_png(const json_t *facts, int page, int width, ogv_picture_source pictures, void *user,
                               uint8_t **png, size_t *size, int *pages, ogv_error *err);
/* How many pages the report has. */
ogv_status ogv_report_pages(const json_t *facts, int *pages, ogv_error *err);

#endif
