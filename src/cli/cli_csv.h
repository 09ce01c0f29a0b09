/* Reading a CSV (RFC 4180) row by row in constant memory, and passing rows on with columns added. */
#ifndef CLI_CSV_H
#define CLI_CSV_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct ogv_csv ogv_csv;

/* Opens a file, or standard input for "-", and reads the header row. Free with ogv_csv_close. A record may be 1 MiB. */
ogv_status ogv_csv_open(const char *path, ogv_csv **out, ogv_error *err);
void ogv_csv_close(ogv_csv *c); /* NULL is allowed */
/* Column of a header name (exact, blanks around it ignored), -1 when there is none. */
int ogv_csv_column(const ogv_csv *c, const char *name);
/* Next record into the fields; *more is false at the end. OGV_E_INVALID names the line for an open quote or a record
 * with more fields than the header. */
ogv_status ogv_csv_next(ogv_csv *c, bool *more, ogv_error *err);
/* Field of the current record, "" when the record is short or column is -1. Valid until the next ogv_csv_next. */
const char *ogv_csv_field(const ogv_csv *c, int column);
size_t ogv_csv_line(const ogv_csv *c); /* line number where the current record starts, from 1 */

/* A decimal number: true and NaN for an empty field, false when it is not a number. Point, not comma. */
bool ogv_csv_number(const char *text, double *out);

/* Output to standard output through one buffer. Row: the record as it was read, then added fields. */
void ogv_csv_put_record(const ogv_csv *c);       /* the current record (or the header, before the first next) */
void ogv_csv_put_text(const char *text);         /* ",text", quoted where needed; NULL or "" makes an empty field */
void ogv_csv_put_number(double v, int decimals); /* ",123.4"; empty when not finite */
void ogv_csv_put_value(double v);                /* ",123.4": twelve significant digits; empty when not finite */
void ogv_csv_end_row(void);
/* Writes what is left. False when standard output could not be written. */
bool ogv_csv_flush(void);

#endif
