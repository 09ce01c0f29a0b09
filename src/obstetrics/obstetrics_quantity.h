/* The table of quantities (data/quantities.json): one row for each thing Ogive knows how to measure or derive.
 * Structured reports, charts, protocols, the ledger and the screens all read it; adding a quantity is adding a row. */
#ifndef OBSTETRICS_QUANTITY_H
#define OBSTETRICS_QUANTITY_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

#define OGV_QUANTITY_CODES 8
typedef struct ogv_code {
  const char *value, *scheme, *meaning; /* scheme: LN, DCM, SCT, UCUM as in DICOM */
} ogv_code;

typedef struct ogv_quantity {
  const char *id;       /* "hc", "bpd", "ua-pi": lower case, stable, used in files and the ledger */
  const char *symbol;   /* "HC" */
  const char *name;     /* "Head circumference" */
  const char *kind;     /* "biometry" "long-bone" "cranium" "early" "doppler" "fluid" "cervix" "heart" "weight" "ratio"
                           "rate" ... */
  const char *unit;     /* UCUM of the stored value: mm, g, cm/s, 1, /min, d, % */
  const char *geometry; /* expected geometry word ("ellipse", "distance", ...), "" when not measured on a picture */
  const char *convention; /* caliper convention id: "outer-outer", "outer-inner", "inner-inner", "skin-ellipse",
                             "bone-ends", "" */
  const char *technique;  /* one sentence: plane and caliper placement */
  int decimals;           /* of the printed value */
  ogv_code codes[OGV_QUANTITY_CODES]; /* DICOM concept codes, first one is written; value NULL ends the list */
  const char *section; /* DICOM report section: "biometry" "long-bones" "cranium" "early" "vascular-fetal" ... */
  const char *vessel;  /* for Doppler: "umbilical-artery", "middle-cerebral-artery", ...; "" otherwise */
  double sd_relative, sd_absolute; /* two-observer SD of ONE reading: hypot(rel*value, abs); NaN when unknown */
  const char *sd_source;           /* citation and status of it */
  double low, high;                /* plausible range over all gestations, in unit; outside is refused as implausible */
  const char *side;                /* "left" or "right" where the row is for one side only; "" otherwise */
  const char *shares; /* id of the row that owns this row's code (BPD outer-inner: DICOM has one code); "" otherwise */
} ogv_quantity;

/* A vessel whose Doppler rows carry `vessel`: the index is coded alike for all of them, the vessel tells them apart. */
typedef struct ogv_vessel {
  const char *id, *name, *section;
  ogv_code codes[OGV_QUANTITY_CODES]; /* first one is written, all are read; value NULL ends the list */
} ogv_vessel;

/* Loaded once from the resources; thread-safe. NULL only if the table itself is broken (then err says where). */
const ogv_quantity *ogv_quantity_find(const char *id);
/* The row that owns a concept code; rows of vessels are left out (a pulsatility index alone names no quantity). */
const ogv_quantity *ogv_quantity_by_code(const char *value, const char *scheme);
/* The row for an index or velocity code of a vessel; side "left", "right" or "" (unpaired vessel). NULL when none: a
 * uterine artery without a side is not guessed. */
const ogv_quantity *ogv_quantity_by_vessel(const char *vessel, const char *side, const char *value, const char *scheme);
const ogv_vessel *ogv_vessel_find(const char *id);
const ogv_vessel *ogv_vessel_by_code(const char *value, const char *scheme);
const ogv_vessel *ogv_vessel_at(size_t i);
/* Row i (0-based) or NULL past the end. */
const ogv_quantity *ogv_quantity_at(size_t i);
/* Checks the table: unique ids and codes, known units, ranges. Called by tests and by `ogive` at start. */
ogv_status ogv_quantity_check(ogv_error *err);

/* q NULL: the table's own error. OGV_E_RANGE when value (in q->unit) is not plausible; the message suggests a unit slip
 * where a factor 10 explains it. */
ogv_status ogv_quantity_plausible(const ogv_quantity *q, double value, ogv_error *err);
/* Two-observer SD of one reading at this value, NaN when unknown or q is NULL. */
double ogv_quantity_sd(const ogv_quantity *q, double value);

#endif
