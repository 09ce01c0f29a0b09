/* Reference charts as data. A chart is a file under data/charts; no chart needs code. docs/charts.md has the format. */
#ifndef CHARTS_CHART_H
#define CHARTS_CHART_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct ogv_chart ogv_chart; /* immutable once loaded; safe to share between threads */

typedef struct ogv_chart_info {
  const char *id;       /* "intergrowth-hc" */
  const char *quantity; /* id in the table of quantities */
  const char *title, *citation, *doi, *population;
  const char *convention;      /* caliper convention the chart was made with; "" when it does not matter */
  const char *formula;         /* weight charts: id of the weight formula they are valid for; "" otherwise */
  const char *x_name, *x_unit; /* what the chart is read against: "gestational age","d"; or "crl","mm" */
  double x_low, x_high;        /* inclusive range in x_unit (days for gestational age) */
  const char *unit;            /* UCUM unit of the quantity */
  const char *model;           /* "normal" "log-normal" "lms" "quantiles" "exponential-normal" "median" "mixture" ... */
  const char *status;          /* "verified" "single-source" "from-memory" */
  bool enabled;                /* from-memory charts are never enabled by default */
  bool default_for_quantity;
  double z_limit; /* |z| beyond which only "< 1st" style statements are allowed; INFINITY when none */
  const char *note;
} ogv_chart_info;

/* Borrowed; loaded once from the resources. OGV_E_NOT_FOUND names near ids. */
ogv_status ogv_chart_find(const char *id, const ogv_chart **out, ogv_error *err);
/* Enabled default chart of a quantity. OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_chart_default(const char *quantity, const ogv_chart **out, ogv_error *err);
/* Chart i (0-based, sorted by id), NULL past the end. */
const ogv_chart *ogv_chart_at(size_t i);
const ogv_chart_info *ogv_chart_about(const ogv_chart *c);
/* Enabled chart made with that weight formula (the default of its quantity first). OGV_E_NOT_FOUND when there is none:
 * a chart for weights by one formula is not valid for weights by another. */
ogv_status ogv_chart_for_formula(const char *formula, const ogv_chart **out, ogv_error *err);
/* What went wrong first while the chart files were read; OGV_OK when all were. A broken file is left out, no more. */
ogv_status ogv_chart_check(ogv_error *err);
/* The chart file's own object (borrowed), for those who print it; and its equations in words, one a line (free with
 * free(); NULL when out of memory). */
const json_t *ogv_chart_definition(const ogv_chart *c);
char *ogv_chart_formula(const ogv_chart *c);
/* Parses a chart file (tests, departments' own). Free with ogv_chart_free. */
ogv_status ogv_chart_parse(const char *text, size_t n, const char *name, ogv_chart **out, ogv_error *err);
void ogv_chart_free(ogv_chart *c);

typedef struct ogv_chart_value {
  double z, centile; /* centile 0..100 */
  double median, sd; /* at x, in the chart's unit; sd is NaN where the model has none */
  double mom;        /* value / median */
  int beyond;        /* -1 below / +1 above what the chart resolves (quantile charts): no number is given, z is NaN */
} ogv_chart_value;

/* x in x_unit (days for gestational age, may be fractional), value in unit. OGV_E_RANGE outside [x_low,x_high] or for
 * a value <= 0 where the model needs a logarithm: never clamped, never extrapolated. */
ogv_status ogv_chart_eval(const ogv_chart *c, double x, double value, ogv_chart_value *out, ogv_error *err);
/* Value at z (for quantile charts within their outer quantiles). */
ogv_status ogv_chart_at_z(const ogv_chart *c, double x, double z, double *value, ogv_error *err);
/* Value at a centile, 0 < centile < 100. */
ogv_status ogv_chart_at_centile(const ogv_chart *c, double x, double centile, double *value, ogv_error *err);

#define OGV_CHART_X_TEXT 48
/* x as people write it: "20w3d" for whole days, else "4.5 mm". Returns buf. */
const char *ogv_chart_x_text(const ogv_chart *c, double x, char buf[OGV_CHART_X_TEXT]);

typedef struct ogv_chart_interval {
  double z_sd;                      /* one SD of z */
  double z_low, z_high;             /* z -+ 1.96 z_sd */
  double centile_low, centile_high; /* their centiles */
} ogv_chart_interval;

/* Carries the SDs of value (in unit) and of x (in x_unit) to z and its centile, to first order, as if independent. Pass
 * 0 for an SD that is not to count. OGV_E_RANGE where the chart gives no z there, or no slope (median charts). */
ogv_status ogv_chart_uncertainty(const ogv_chart *c, double x, double x_sd, double value, double value_sd,
                                 ogv_chart_interval *out, ogv_error *err);

/* A word of warning when the value fits the chart only after a factor of ten (cm given where mm is meant, or the other
 * way): the factor that would make it fit, or 0. It is a hint to look, never a correction: a real value may be extreme.
 */
double ogv_chart_slip(const ogv_chart *c, double x, double value);

typedef enum ogv_convention_fit {
  OGV_CONVENTION_SAME = 1, /* taken as the chart wants it, or it does not matter for this chart */
  OGV_CONVENTION_UNSTATED, /* the value does not say how it was taken: use it only with that said beside it */
  OGV_CONVENTION_CONVERTED /* taken otherwise, brought over by a published conversion: say so beside it */
} ogv_convention_fit;

typedef struct ogv_convention {
  ogv_convention_fit fit;
  double value;               /* to be read against the chart: as given, or converted */
  double slope;               /* d value / d given: multiply the SD by it */
  char note[400];             /* what must be said beside the centile; "" when SAME */
  const char *citation, *doi; /* of the conversion; "" otherwise */
} ogv_convention;

/* The value as the other convention would have it, by data/conventions.json; as it is when both are the same.
 * OGV_E_INVALID when no conversion was published. */
ogv_status ogv_convention_convert(const char *quantity, const char *from, const char *to, double value, double *out,
                                  ogv_error *err);
/* Reads data/conventions.json, once, and says what is wrong with it. */
ogv_status ogv_convention_check(ogv_error *err);

/* A value taken by one caliper convention never meets a chart made with another without this being said. `taken` is the
 * convention id of the measurement ("" when unknown). OGV_E_CONFLICT when they differ and no conversion was published.
 */
ogv_status ogv_chart_convention(const ogv_chart *c, const char *taken, double value, ogv_convention *out,
                                ogv_error *err);

/* Standard normal distribution function and its inverse, accurate in both tails to 1e-12 relative. */
double ogv_normal_cdf(double z);
double ogv_normal_quantile(double p);

#endif
