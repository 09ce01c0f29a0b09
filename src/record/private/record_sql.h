/* The small SQL interface that every file of the record uses, so that another database can stand behind it: only
 * record_sql.c and record_schema.c know SQLite. Statements use $1, $2, ... in any order and as often as they like,
 * which SQLite and PostgreSQL both read.
 *
 * Parameters are given by a format, one letter each, the first for $1, the second for $2 and so on:
 *   t const char * (NULL is SQL NULL)     i int64_t     r double (not finite is SQL NULL)     j const json_t * (as
 *   canonical text; NULL and JSON null are SQL NULL). */
#ifndef RECORD_SQL_H
#define RECORD_SQL_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "core_status.h"

typedef struct ogv_sql ogv_sql;   /* one connection */
typedef struct ogv_rows ogv_rows; /* rows of one running query */

/* Opens path; create makes it when missing. Sets WAL, full synchronisation, foreign keys, busy time-out. */
ogv_status ogv_sql_open(const char *path, bool create, ogv_sql **out, ogv_error *err);
/* Opens path for reading from a folder that cannot be written: beside other programs where SQLite can, else as a
 * snapshot. */
ogv_status ogv_sql_open_reading(const char *path, ogv_sql **out, ogv_error *err);
/* Opens path as it stands, without files beside it. Once another program has written to it, ogv_sql_next answers
 * OGV_E_CONFLICT and the connection is to be opened anew. */
ogv_status ogv_sql_open_snapshot(const char *path, ogv_sql **out, ogv_error *err);
bool ogv_sql_stale(const ogv_sql *db); /* a snapshot that was overtaken */
void ogv_sql_close(ogv_sql *db);       /* NULL is allowed */

/* Runs one statement that yields no rows. */
ogv_status ogv_sql_run(ogv_sql *db, ogv_error *err, const char *sql, const char *format, ...);
/* Runs several statements without parameters. */
ogv_status ogv_sql_script(ogv_sql *db, const char *sql, ogv_error *err);
/* Rows changed by the last statement. */
int64_t ogv_sql_changed(ogv_sql *db);
/* Key given to the last inserted row of a table with an integer key. */
int64_t ogv_sql_last_key(ogv_sql *db);

/* Starts a query. On success end it with ogv_sql_end, always. */
ogv_status ogv_sql_query(ogv_sql *db, ogv_rows **out, ogv_error *err, const char *sql, const char *format, ...);
/* *row is false after the last one. */
ogv_status ogv_sql_next(ogv_rows *q, bool *row, ogv_error *err);
void ogv_sql_end(ogv_rows *q); /* NULL is allowed */
bool ogv_sql_null(ogv_rows *q, int column);
const char *ogv_sql_text(ogv_rows *q, int column); /* "" for NULL; lives until the next ogv_sql_next */
int64_t ogv_sql_int(ogv_rows *q, int column);
double ogv_sql_real(ogv_rows *q, int column);       /* NaN for NULL */
json_t *ogv_sql_json(ogv_rows *q, int column);      /* new reference; JSON null for NULL or text that is not JSON */
json_t *ogv_sql_json_text(ogv_rows *q, int column); /* JSON string, or null */

/* One row into text buffer / integer: OGV_E_NOT_FOUND (message left to the caller, err untouched) when there is none.
 */
ogv_status ogv_sql_one_text(ogv_sql *db, char *buf, size_t size, ogv_error *err, const char *sql, const char *format,
                            ...);
ogv_status ogv_sql_one_int(ogv_sql *db, int64_t *out, ogv_error *err, const char *sql, const char *format, ...);

#endif
