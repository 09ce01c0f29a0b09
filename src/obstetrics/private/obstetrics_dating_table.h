/* The dating data files, read once: formulas with their SDs, calendar constants, redating rule sets. */
#ifndef OBSTETRICS_DATING_TABLE_H
#define OBSTETRICS_DATING_TABLE_H

#include "obstetrics_dating.h"
#include "obstetrics_quantity.h"
#include "obstetrics_terms.h"

#define OGV_DATING_BANDS 8
typedef struct ogv_dating_row {
  ogv_dating_formula about; /* first member: a pointer to it is a pointer to the row */
  ogv_terms terms;
  double sd_days, sd_relative; /* NaN when not of this kind */
  bool sd_by_terms, from_memory;
  ogv_terms sd_terms;
  size_t n_bands;
  double bands[OGV_DATING_BANDS][3]; /* from_days, to_days (exclusive), SD */
} ogv_dating_row;

typedef struct ogv_dating_rule_row {
  ogv_dating_rule about;
  bool period_first;
  double crl_low_mm, crl_high_mm; /* NaN when not limited */
  int suboptimal_from_days, caution_from_days;
  size_t n_bands;
  int bands[OGV_DATING_BANDS][3]; /* from_days, to_days (inclusive), limit */
} ogv_dating_rule_row;

typedef struct ogv_calendar_row {
  const char *citation, *status, *sd_source, *sd_status;
  double length_days, sd, sd_uncertain, low, flag, high; /* low..high: cycle length, or age of the embryo */
} ogv_calendar_row;

typedef struct ogv_dating_table {
  ogv_dating_row *rows;
  size_t n;
  ogv_dating_rule_row *rules;
  size_t n_rules;
  ogv_calendar_row lmp, conception, transfer, edd;
  const ogv_quantity
      *var[OGV_VARS]; /* rows of the measurements, so that a long table does not look them up each time */
} ogv_dating_table;

/* Borrowed, loaded once, thread-safe. */
ogv_status ogv_dating_table_get(const ogv_dating_table **out, ogv_error *err);

#endif
