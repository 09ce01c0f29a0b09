/* One value read against one chart, with all that must be said beside it. */
#ifndef CHARTS_ANSWER_H
#define CHARTS_ANSWER_H

#include "charts_chart.h"

/* A value and how it came about, as far as it is told. */
typedef struct ogv_chart_input {
  double x, x_sd, value, value_sd;     /* in the chart's units; SDs NaN or 0 when not given */
  const char *convention, *weights_by; /* caliper convention, weight formula; "" when not told */
} ogv_chart_input;

typedef struct ogv_chart_answer {
  const ogv_chart *chart;
  double x, value, given; /* value is what met the chart: given, or converted to the chart's convention */
  ogv_chart_value v;      /* z and centile are NaN beyond the chart's z_limit: then beyond says on which side */
  ogv_convention convention;
  bool has_interval;
  ogv_chart_interval interval;
  char statement[120];   /* "centile 23.4", "below centile 2.5", "1.68 times the median" */
  char weight_note[160]; /* weights: the formula the chart is for, when it is not known that the value is by it */
  char warning[200];     /* a slip of the unit looks likely; "" when not */
} ogv_chart_answer;

/* OGV_E_RANGE outside the chart; OGV_E_CONFLICT when the value was measured, or the weight computed, another way than
 * the chart wants and no conversion was published. */
ogv_status ogv_chart_answer_make(const ogv_chart *c, const ogv_chart_input *in, ogv_chart_answer *out, ogv_error *err);
/* New objects; NULL when out of memory. */
json_t *ogv_chart_answer_json(const ogv_chart_answer *a);
json_t *ogv_chart_info_json(const ogv_chart *c);

#define OGV_CHART_CURVES 16
/* The deviates usually drawn and tabled for a chart: 3, 10, 50, 90, 97 %, or what it resolves. Returns how many. */
int ogv_chart_usual_curves(const ogv_chart *c, double z[OGV_CHART_CURVES]);

typedef struct ogv_chart_mark {
  double x, value;
} ogv_chart_mark;

/* The curves at n deviates over the whole range, and marks on them, as an SVG picture (free with free()). OGV_E_RANGE
 * when the chart does not resolve a deviate, or a mark lies outside its range. */
ogv_status ogv_chart_svg(const ogv_chart *c, const double *z, int n, const ogv_chart_mark *marks, size_t n_marks,
                         char **svg, ogv_error *err);

#endif
