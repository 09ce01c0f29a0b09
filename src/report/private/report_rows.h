/* Where a ledger row's picture is. */
#ifndef REPORT_ROWS_H
#define REPORT_ROWS_H

#include <jansson.h>

/* The object behind a row ("" when none) and its 0-based frame: an imported value rests on the picture that the report
 * names. */
const char *rows_object(const json_t *row, int *frame);
/* Its geometry as JSON, or NULL. */
const json_t *rows_geometry(const json_t *row);

#endif
