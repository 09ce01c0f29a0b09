/* Published regressions as data: sums of c * product of x^p * ln(x)^q over a few lengths, under an outer transform.
 * Weight formulas and dating formulas are both of this kind. */
#ifndef OBSTETRICS_TERMS_H
#define OBSTETRICS_TERMS_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

enum { OGV_VAR_BPD, OGV_VAR_HC, OGV_VAR_AC, OGV_VAR_FL, OGV_VAR_CRL, OGV_VAR_MSD, OGV_VAR_TCD, OGV_VARS };

#define OGV_TERM_FACTORS 4
#define OGV_TERMS 12
typedef struct ogv_term {
  double c;
  size_t n;
  struct {
    int var;
    double p, q; /* x^p * ln(x)^q */
  } f[OGV_TERM_FACTORS];
} ogv_term;

typedef struct ogv_terms {
  ogv_term t[OGV_TERMS];
  size_t n;
  double scale;     /* x = scale * value in mm: 0.1 for cm, 0.001 for m */
  char transform;   /* 'i' identity, 'e' exp, 't' ten to the power */
  double out_scale; /* to the result's unit: 1000 for kg to g, 7 for weeks to days */
  bool uses[OGV_VARS];
} ogv_terms;

/* Reads {"terms":[{"c":1.326},{"c":-0.00326,"ac":1,"fl":1},{"c":1,"ac":3,"ln_ac":1}], "lengths":"cm"|"mm"|"m",
 * "lengths_times": 1.037 (optional), "outer":"identity"|"exp"|"exp10", "result_times": 7 (optional)}. */
ogv_status ogv_terms_read(const json_t *v, const char *where, ogv_terms *out, ogv_error *err);

/* Value at lengths mm[OGV_VARS] (only the used ones are read). gradient (may be NULL): derivative by each mm. */
double ogv_terms_value(const ogv_terms *f, const double mm[OGV_VARS], double gradient[OGV_VARS]);

const char *ogv_var_word(int var); /* "bpd" "hc" ...: the ids of the table of quantities */

#endif
