/* Readings of one quantity in one exam, and the number that they make: which rows of a ledger count, and by which rule
 * several become one. The report's values and the evidence that dates a pregnancy both come from here. */
#ifndef OBSTETRICS_READINGS_H
#define OBSTETRICS_READINGS_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "obstetrics_quantity.h"

/* What several readings of one kind make. A protocol says it for each of its rows; without a word it is the mean.
 * best: the reading with the smallest uncertainty, of equal ones the later. smallest, largest: the shortest of three
 * good readings of a cervix, the largest of three of a nuchal translucency (common practice). */
typedef enum ogv_repeat_rule {
  OGV_REPEATS_MEAN,
  OGV_REPEATS_BEST,
  OGV_REPEATS_LAST,
  OGV_REPEATS_SMALLEST,
  OGV_REPEATS_LARGEST
} ogv_repeat_rule;
bool ogv_repeat_rule_of(const char *word, ogv_repeat_rule *out); /* "mean" "best" "last" "smallest" "largest" */
typedef struct ogv_ledger_reading {
  json_t *row;                           /* borrowed */
  double value, sd;                      /* in the quantity's unit; the table's SD when the row has none */
  double observer, caliper, calibration; /* parts of the SD; NaN when the row does not tell them */
  int rank;                              /* 0 geometry on a picture, 1 imported, 2 typed */
  bool mean, chosen;                     /* the sender's own mean; the reading that its user chose */
} ogv_ledger_reading;

#define OGV_READINGS 64
typedef struct ogv_readings {            /* points into itself: not to be copied */
  ogv_ledger_reading list[OGV_READINGS]; /* all accepted ones, of every source, as they stand in the ledger */
  size_t n;
  const ogv_ledger_reading
      *same[OGV_READINGS]; /* those of the best source that there is, without the sender's own mean */
  size_t n_same;
  const ogv_ledger_reading *use[OGV_READINGS]; /* those that make the value */
  size_t n_use;
  const char *rule; /* "single" "mean-of-repeats" "best-of-repeats" "last-of-repeats" "smallest-of-repeats"
                     * "largest-of-repeats" "reported-mean" "reported-choice" */
  double value, sd;
  ogv_error unit; /* code OGV_OK, or why a row was left out: its unit does not fit the quantity */
} ogv_readings;

/* Chooses among `rows` (ledger rows of one exam, oldest first: {"id","quantity","fetus","state","value","unit","sd",
 * "source","derivation","supersedes","superseded_by","evidence"}). False when no accepted row has the quantity. */
bool ogv_readings_choose(const json_t *rows, const ogv_quantity *q, const char *fetus, ogv_repeat_rule rule,
                         ogv_readings *out);

/* Where the calipers of a reading stood: as its evidence says; by the table for a measurement made here; else "unknown"
 * ("" when the quantity has no convention). */
const char *ogv_readings_convention(const ogv_quantity *q, const ogv_ledger_reading *r);

#endif
