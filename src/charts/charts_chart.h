/* Reference charts as data. A chart is a file under data/charts; no chart needs code. docs/charts.md has the format. */
#ifndef CHARTS_CHART_H
#define CHARTS_CHART_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct ogv_chart ogv_chart; /* immutable once loaded; safe to share between threads */

typedef struct ogv_chart_info {
  const char *id;         /* "intergrowth-hc" */
  const char *quantity;   /* id in the table of quantities */
  const char *title, *citation, *doi, *population;
  const char *convention; /* caliper convention the chart was made with; "" when it does not matter */
  const char *formula;    /* weight charts: id of the weight formula they are valid for; "" otherwise */
  const char *x_name, *x_unit; /* what the chart is read against: "gestational age","d"; or "crl","mm" */
  double x_low, x_high;   /* inclusive range in x_unit (days for gestational age) */
  const char *unit;       /* UCUM unit of the quantity */
  const char *model;      /* "normal" "log-normal" "lms" "quantiles" "exponential-normal" "median" "mixture" ... */
  const char *status;     /* "verified" "single-source" "from-memory" */
  bool enabled;           /* from-memory charts are never enabled by default */
  bool default_for_quantity;
  double z_limit;         /* |z| beyond which only "< 1st" style statements are allowed; INFINITY when none */
  const char *note;
} ogv_chart_info;

/* Borrowed; loaded once from the resources. OGV_E_NOT_FOUND names near ids. */
ogv_status ogv_chart_find(const char *id, const ogv_chart **out, ogv_error *err);
/* Enabled default chart of a quantity. OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_chart_default(const char *quantity, const ogv_chart **out, ogv_error *err);
/* Chart i (0-based, sorted by id), NULL past the end. */
const ogv_chart *ogv_chart_at(size_t i);
const ogv_chart_info *ogv_chart_about(const ogv_chart *c);
/* Parses a chart file (tests, departments' own). Free with ogv_chart_free. */
ogv_status ogv_chart_parse(const char *text, size_t n, const char *name, ogv_chart **out, ogv_error *err);
void ogv_chart_free(ogv_chart *c);

typedef struct ogv_chart_value {
  double z, centile;        /* centile 0..100 */
  double median, sd;        /* at x, in the chart's unit; sd is NaN where the model has none */
  double mom;               /* value / median */
  int beyond;               /* -1 below / +1 above what the chart resolves (quantile charts): no number is given, z is NaN */
} ogv_chart_value;

/* x in x_unit (days for gestational age, may be fractional), value in unit. OGV_E_RANGE outside [x_low,x_high] or for
 * a value <= 0 where the model needs a logarithm: never clamped, never extrapolated. */
ogv_status ogv_chart_eval(const ogv_chart *c, double x, double value, ogv_chart_value *out, ogv_error *err);
/* Value at z (for quantile charts within their outer quantiles). */
ogv_status ogv_chart_at_z(const ogv_chart *c, double x, double z, double *value, ogv_error *err);
/* Value at a centile, 0 < centile < 100. */
ogv_status ogv_chart_at_centile(const ogv_chart *c, double x, double centile, double *value, ogv_error *err);

/* Standard normal distribution function and its inverse, accurate in both tails to 1e-12 relative. */
double ogv_normal_cdf(double z);
double ogv_normal_quantile(double p);

#endif
