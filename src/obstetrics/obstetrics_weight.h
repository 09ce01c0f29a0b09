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
  double calibration_sd;      /* relative, fully correlated between lengths of one exam; 0 when unknown */
  const char *bpd_convention; /* "outer-outer" (also when NULL, as the table's bpd) or "outer-inner"; converted for a
                               * formula made with the other kind (Wong 2018, obstetrics_ratio.h) */
  bool allow_unconfirmed;     /* let a formula of status "from-memory" be used; the caller says so beside the number */
  double ga_days;             /* <= 0 or NaN when unknown; below the formula's ga_low_days the weight is refused */
} ogv_weight_input;

typedef struct ogv_weight_formula {
  const char *id; /* "hadlock1985-hc-ac-fl" */
  const char *title, *citation, *status;
  bool needs_bpd, needs_hc, needs_ac, needs_fl;
  double low_g, high_g;    /* weights it was made for (or a stated working range) */
  double error_sd_percent; /* published 1-SD error against birth weight, NaN when not published */
  const char *error_source;
  const char *bpd_convention; /* convention its BPD was measured with; "" when not confirmed or not used */
  const char *code;           /* LOINC code of the equation (DICOM CID 12014), "" when it has none */
  const char *note;           /* "" when none */
  bool is_default;
  double ga_low_days; /* first age it was made for, NaN when none is stated */
} ogv_weight_formula;

/* Formulas come from data/weight/formulas.json. NULL id: the default formula. */
const ogv_weight_formula *ogv_weight_formula_find(const char *id);
const ogv_weight_formula *ogv_weight_formula_at(size_t i); /* NULL past the end */
/* Reads data/weight/formulas.json, once, and says what is wrong with it. */
ogv_status ogv_weight_check(ogv_error *err);

typedef struct ogv_weight {
  double grams;
  double repeat_sd_g; /* from the measurements' SDs and calibration; NaN when the SD of a used measurement is unknown */
  double error_sd_g;  /* formula against birth weight; NaN when not published */
  const ogv_weight_formula *formula;
  bool bpd_converted;  /* BPD was converted to the convention of the formula */
  double part_sd_g[5]; /* parts of repeat_sd_g: BPD, HC, AC, FL, calibration; 0 when not used, NaN when unknown */
} ogv_weight;

/* formula NULL: the default. log/exp formulas are propagated to first order (docs/uncertainty.md).
 * OGV_E_NOT_FOUND when the formula is unknown, OGV_E_UNSUPPORTED when it is from memory and not allowed, OGV_E_INVALID
 * naming the missing measurement, OGV_E_RANGE when implausible. */
ogv_status ogv_weight_estimate(const char *formula, const ogv_weight_input *in, ogv_weight *out, ogv_error *err);

/* The bare formula: no plausibility check, no conversion, NaN where a needed measurement is missing. For curves and for
 * check values outside human size; never for a fetus. mm as in the input. */
double ogv_weight_raw(const ogv_weight_formula *f, double bpd_mm, double hc_mm, double ac_mm, double fl_mm);

/* OGV_E_RANGE when lengths of one exam cannot belong together (HC/FL, AC/FL, HC/AC, HC/BPD far outside anything human):
 * the mark of one value given in another unit. NaN lengths are left out. */
ogv_status ogv_lengths_consistent(double bpd_mm, double hc_mm, double ac_mm, double fl_mm, ogv_error *err);

#endif
