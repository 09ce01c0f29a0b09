/* Estimated fetal weight by the published formulas, with the two uncertainties that are never mixed: repeatability of
 * the measurements and error against birth weight. */
#ifndef OBSTETRICS_WEIGHT_H
#define OBSTETRICS_WEIGHT_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct ogv_weight_input { /* mm; NaN where not measured. sd: SD of each, mm, NaN or 0 when unknown */
  double bpd_mm, hc_mm, ac_mm, fl_mm;
  double bpd_sd, hc_sd, ac_sd, fl_sd;
  double calibration_sd; /* relative, fully correlated between lengths of one exam; 0 when unknown */
} ogv_weight_input;

typedef struct ogv_weight_formula {
  const char *id;       /* "hadlock1985-hc-ac-fl" */
  const char *title, *citation, *status;
  bool needs_bpd, needs_hc, needs_ac, needs_fl;
  double low_g, high_g;  /* weights it was made for (or a stated working range) */
  double error_sd_percent; /* published 1-SD error against birth weight, NaN when not published */
  const char *error_source;
} ogv_weight_formula;

const ogv_weight_formula *ogv_weight_formula_find(const char *id);
const ogv_weight_formula *ogv_weight_formula_at(size_t i); /* NULL past the end */

typedef struct ogv_weight {
  double grams;
  double repeat_sd_g;   /* from the measurements' SDs and calibration */
  double error_sd_g;    /* formula against birth weight; NaN when not published */
} ogv_weight;

/* OGV_E_NOT_FOUND when the formula is unknown, OGV_E_INVALID naming the missing measurement, OGV_E_RANGE when implausible. */
ogv_status ogv_weight_estimate(const char *formula, const ogv_weight_input *in, ogv_weight *out, ogv_error *err);

#endif
