/* Growth over time: what two or more scans of one fetus say together that one centile cannot.
 * Conditional centile: Royston P. Stat Med 1995;14:1417-1436. Intervals under 14 days are refused and under 21 flagged:
 * with two measurers "no growth" is then mostly measurement (Mongelli 1998, from memory). docs/growth.md */
#ifndef OBSTETRICS_GROWTH_H
#define OBSTETRICS_GROWTH_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "charts_chart.h"
#include "core_status.h"

/* Correlation of z between two ages of one fetus, for one chart: r = r0 exp(-interval / tau). z has this mean and SD in
 * the department's own fetuses. Files growth/<chart>.json under OGIVE_DATA; none is built in, because no published one
 * was found. */
typedef struct ogv_correlation {
  char chart[64];
  double r0, tau_weeks, mean, sd;
  double ga_low, ga_high, interval_low, interval_high; /* days: where it was estimated; outside it is not used */
  size_t fetuses, pairs;
  char source[160];
} ogv_correlation;

/* The department's correlation for a chart. OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_correlation_find(const char *chart, ogv_correlation *out, ogv_error *err);
ogv_status ogv_correlation_from_json(const json_t *v, const char *where, ogv_correlation *out, ogv_error *err);
json_t *ogv_correlation_to_json(const ogv_correlation *c); /* new reference */
/* r between two ages. OGV_E_RANGE where it was not estimated. */
ogv_status ogv_correlation_at(const ogv_correlation *c, double ga1_days, double ga2_days, double *r, ogv_error *err);

typedef struct ogv_growth_point {
  double ga_days, value, sd; /* in the chart's units; sd of the measurement, NaN unknown */
} ogv_growth_point;

#define OGV_GROWTH_LEAST_DAYS 14 /* shorter intervals are refused */

typedef struct ogv_growth_change {
  double interval_days;
  bool short_interval; /* under 21 days: say so */
  double z1, z2, dz, centile1, centile2;
  double dz_sd_measurement; /* from the SDs of both measurements; NaN when one is unknown */
  double dz_sd_dating;      /* an error of the due date moves both ages alike */
  double dz_sd;             /* both together; NaN when that of measurement is */
  double p_measurement;     /* two-sided chance that measurement and dating alone make a change this large */
  double centile_fall;      /* centile1 - centile2 */
  int bands_crossed;        /* quartile bands passed downwards, 0..3; negative upwards */
  bool crosses;             /* a fall of more than 50 centile points ("more than two quartiles") */
  double velocity, velocity_sd, velocity_expected; /* unit per week; expected: of the median */
  bool conditional;                                /* a correlation was there: the next four hold, else NaN */
  double r, z_expected, z_expected_sd, z_conditional, centile_conditional;
  char note[240]; /* what has to be said beside it */
} ogv_growth_change;

/* Change between two points on one chart. correlation may be NULL. ga_sd_days: SD of the dating, 0 when unknown.
 * OGV_E_RANGE for an interval under 14 days, for ages outside the chart and where the chart resolves no z. */
ogv_status ogv_growth_between(const ogv_chart *chart, const ogv_growth_point *first, const ogv_growth_point *second,
                              double ga_sd_days, const ogv_correlation *correlation, ogv_growth_change *out,
                              ogv_error *err);

/* Of all earlier points against the last: the one with the largest fall of centile (intervals of 14 days or more).
 * Points in time order. *from: its index. OGV_E_RANGE when no pair can be judged. */
ogv_status ogv_growth_largest_fall(const ogv_chart *chart, const ogv_growth_point *points, size_t n, double ga_sd_days,
                                   const ogv_correlation *correlation, size_t *from, ogv_growth_change *out,
                                   ogv_error *err);

typedef struct ogv_growth_projection {
  double value, low, high; /* 95 % */
  double z, z_sd;
  bool conditional; /* the interval holds the spread of growth; else measurement only (say so) */
  char note[240];
} ogv_growth_projection;

/* Where the fetus would be at a later age: at the same z, or regressed towards the mean when a correlation is known.
 * Without one the interval is that of the measurement alone. OGV_E_RANGE outside the chart. */
ogv_status ogv_growth_project(const ogv_chart *chart, const ogv_growth_point *point, double ga_days,
                              const ogv_correlation *correlation, ogv_growth_projection *out, ogv_error *err);

/* Estimating the correlation from a department's own exams. Each fetus with 2 or more points counts. Pairwise
 * likelihood (mean and SD by moments over all points, r0 and tau by maximum), standard errors by resampling fetuses
 * with a fixed seed. OGV_E_RANGE when there are fewer than 100 fetuses with two scans 14 days apart: too few to judge
 * growth by. */
typedef struct ogv_growth_record {
  size_t fetus; /* any number that is the same for points of one fetus; records sorted by it */
  double ga_days, z;
} ogv_growth_record;
typedef struct ogv_correlation_fit {
  ogv_correlation correlation;
  double r0_se, tau_se_weeks, r_at_4_weeks, r_at_4_weeks_se;
} ogv_correlation_fit;
#define OGV_CORRELATION_FETUSES 100
ogv_status ogv_correlation_estimate(const char *chart, const ogv_growth_record *records, size_t n,
                                    ogv_correlation_fit *out, ogv_error *err);

#endif
