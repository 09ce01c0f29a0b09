/* Checks of a report, gathered into one list. */
#ifndef REPORT_VERIFY_H
#define REPORT_VERIFY_H

#include <jansson.h>
#include <stdbool.h>

#include "record_store.h"

typedef struct verify {
  json_t *checks;
  bool holds;
  int objects;
} verify;

/* Adds one check; stored and now are taken over (NULL: unknown). */
void verify_check(verify *v, const char *what, json_t *stored, json_t *now, bool holds, const char *why);
bool verify_same_number(double a, double b); /* to 1e-9 */

/* report_verify_colour.c: a reading against its own counts, against its picture, against the event of the record. */
void verify_colour_counts(verify *v, const json_t *reading);
void verify_colour_picture(verify *v, ogv_store *store, const json_t *reading);
void verify_colour_event(verify *v, const json_t *exam, const json_t *reading);

#endif
