/* What the subcommands of `ogive chart` share: their options, reading ages and values with units. */
#ifndef CLI_CHART_H
#define CLI_CHART_H

#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>

#include "charts_answer.h"
#include "cli_args.h"
#include "obstetrics_quantity.h"

#define CHART_LIST 32
typedef struct chart_options {
  char *words[OGV_ARG_REST]; /* what is not an option, in order; words[0] is the subcommand */
  size_t n_words;
  bool json, all, unverified, strict, any_value;
  const char *quantity, *out, *convention, *weights_by, *x_unit, *csv, *lines; /* csv, lines: file name or "-" */
  const char *chart, *chart_column, *x_column, *value_column;
  double value_sd, x_sd, centile, z; /* NaN when not given */
  double deviates[CHART_LIST];       /* --centiles or --z-list, as z */
  int n_deviates;
  const char *from, *to;
  double step;
  ogv_arg_list points; /* --point AGE:VALUE */
} chart_options;

extern const ogv_command ogv_cmd_chart;

/* 0, or an exit code after it has said what is wrong. */
int ogv_cli_chart_options_read(int argc, char **argv, chart_options *o);

/* A chart by its id, or the default chart of a quantity. OGV_E_DENIED for one that is switched off unless allowed. */
ogv_status ogv_cli_chart_pick(const char *word, bool unverified, const ogv_chart **out, ogv_error *err);
/* "20w3d", "20+3", "45 mm", "4.5cm"; a bare number where x_unit says what it is, or where x is not an age. */
ogv_status ogv_cli_chart_read_x(const ogv_chart *c, const char *text, const char *x_unit, double *x, ogv_error *err);
/* "172", "17.2cm", "1.8 kg"; a bare number is in the chart's unit. Implausible values are refused. */
ogv_status ogv_cli_chart_read_value(const ogv_chart *c, const ogv_quantity *q, const char *text, double *value,
                                    ogv_error *err);
/* The row of the table of quantities a chart's values are checked by; NULL when there is none in the same unit, or with
 * --any-value. */
const ogv_quantity *ogv_cli_chart_quantity(const ogv_chart *c, const chart_options *o);

int ogv_cli_chart_run_list(const chart_options *o);
int ogv_cli_chart_run_show(const chart_options *o);
int ogv_cli_chart_run_eval(const chart_options *o);
int ogv_cli_chart_run_inverse(const chart_options *o);
int ogv_cli_chart_run_table(const chart_options *o);
int ogv_cli_chart_run_plot(const chart_options *o);
int ogv_cli_chart_run_csv(const chart_options *o, bool inverse);
int ogv_cli_chart_run_lines(const chart_options *o, bool inverse);

#endif
