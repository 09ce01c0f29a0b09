/* How a chart is held in memory: expressions over the age (or another size) and a model that joins them. */
#ifndef CHARTS_MODEL_H
#define CHARTS_MODEL_H

#include "charts_chart.h"

/* The scale on which a model's expressions live. */
typedef enum { SCALE_IDENTITY, SCALE_LN, SCALE_LOG10, SCALE_SQRT } chart_scale;
typedef enum { OUTER_IDENTITY, OUTER_EXP, OUTER_POW10, OUTER_LN, OUTER_LOG10, OUTER_SQRT, OUTER_LOGISTIC } chart_outer;
typedef enum { EXPR_CONSTANT, EXPR_TERMS, EXPR_POLYNOMIAL, EXPR_LINEAR, EXPR_STEP } chart_expr_kind;
typedef enum {
  MODEL_NORMAL,
  MODEL_LMS,
  MODEL_EXPONENTIAL_NORMAL,
  MODEL_QUANTILES,
  MODEL_MIXTURE,
  MODEL_MEDIAN
} chart_model;

/* The variable t of an expression: t = min(x / per - shift, cap). */
typedef struct {
  double per, shift, cap;
  bool need_ln, need_root;
} chart_variable;

typedef struct {
  double t, ln, root;
} chart_point;

/* c * t^p * ln(t)^q; half_power is 2p where that is a small whole number (the fast way), else POWER_GENERAL. */
#define POWER_GENERAL 127
typedef struct {
  double c, p;
  signed char half_power, q;
} chart_term;

#define POLYNOMIAL_DEGREE 4

/* times * outer(sum of terms) + plus, or a table of points (t ascending). */
typedef struct {
  chart_expr_kind kind;
  chart_outer outer;
  double times, plus;
  unsigned char variable; /* index into chart.variables */
  unsigned short n;
  chart_term *terms;
  double *t, *v;                      /* points: n of each, one block owned through t */
  double poly[POLYNOMIAL_DEGREE + 1]; /* a plain polynomial, lowest power first: most charts, and faster than terms */
  double inverse_step;                /* 1/step when the points are evenly spaced, else 0 */
} chart_expr;

#define CHART_VARIABLES 4
#define CHART_EXPRS 16

struct ogv_chart {
  ogv_chart_info info;
  json_t *doc; /* owns every string of info */
  chart_model model;
  chart_scale scale;
  double value_per; /* the expressions' unit in info.unit: 10 when they are in cm and the quantity in mm */
  chart_variable variables[CHART_VARIABLES];
  unsigned n_variables;
  chart_expr exprs[CHART_EXPRS];
  unsigned n_exprs;
  double quantile_p[CHART_EXPRS], quantile_z[CHART_EXPRS]; /* quantile models; ascending */
  unsigned quantile_middle;                                /* the last quantile at or below the median */
  /* Mixtures: the median on the model's scale at evenly spaced x, from which the search for it starts. */
  double *median_at, median_inverse_step;
};

/* charts_members.c: refuses a member that is not in `allowed` (each a kind letter and a name, NULL at the end; s text,
 * n number, b true or false, a list, o object, e expression) or is of another kind. */
ogv_status ogv_chart_members(const json_t *obj, const char *where, const char *const *allowed, ogv_error *err);

/* charts_expr.c */
ogv_status ogv_chart_expr_parse(ogv_chart *c, const json_t *v, const char *where, chart_expr *out, ogv_error *err);
/* Builds a table expression from n points; copies them. */
ogv_status ogv_chart_expr_points(ogv_chart *c, size_t n, const double *t, const double *v, bool step, chart_expr *out,
                                 ogv_error *err);
void ogv_chart_expr_free(chart_expr *e);
void ogv_chart_points_at(const ogv_chart *c, double x, chart_point out[CHART_VARIABLES]);
double ogv_chart_expr_eval(const chart_expr *e, const chart_point *points);

/* charts_eval.c */
double ogv_chart_scale_forward(chart_scale s, double y);
double ogv_chart_scale_back(chart_scale s, double u);

/* charts_mixture.c. z of u and, in *centile, its centile; *median on the model's scale. x is inside the range. */
double ogv_chart_mixture_z(const ogv_chart *c, const chart_point *at, double x, double u, double *median,
                           double *centile);
double ogv_chart_mixture_back(const ogv_chart *c, const chart_point *at, double z);
/* Called once, when the expressions are read and found good. */
ogv_status ogv_chart_mixture_prepare(ogv_chart *c, ogv_error *err);

/* charts_parse.c: one chart from an object (which is kept by reference). */
ogv_status ogv_chart_from_json(json_t *doc, const char *name, ogv_chart **out, ogv_error *err);
/* Splits a file into its charts: a single chart, or {"common": {...}, "charts": [...]}. Returns a new array. */
ogv_status ogv_chart_split(const json_t *root, const char *name, json_t **out, ogv_error *err);

#endif
