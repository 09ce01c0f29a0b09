/* `ogive chart`: the reference charts as a calculator. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_chart = {
    "chart", "reference charts: list, show, z and centile, inverse, tables, curves",
    "usage: ogive chart list [--quantity Q] [--all] [--json]\n"
    "       ogive chart show CHART [--json]\n"
    "       ogive chart eval CHART AGE VALUE [--sd SD] [--age-sd DAYS] [--taken CONVENTION] [--json]\n"
    "       ogive chart eval QUANTITY AGE VALUE --all        against every chart of the quantity, side by side\n"
    "       ogive chart inverse CHART AGE --centile P | --z Z [--json]\n"
    "       ogive chart table CHART [--centiles 3,10,50,90,97 | --z-list -2,0,2] [--from AGE] [--to AGE] [--step N] "
    "[--json]\n"
    "       ogive chart plot CHART [--centiles LIST] [--point AGE:VALUE]... [-o FILE.svg]\n"
    "       ogive chart eval|inverse --csv FILE [--chart CHART | --chart-column NAME] [--x NAME] [--value NAME]\n"
    "       ogive chart eval|inverse --lines FILE\n\n"
    "CHART is the id of a chart (ogive chart list), or a quantity such as hc, which means its default chart.\n"
    "AGE is written 20w3d, 20+3 or 143d; some charts are read against a size instead (45mm). VALUE is in the chart's\n"
    "unit, or carries its own: 172, 17.2cm, 1.8kg. A bare number as an age needs --x-unit d or --x-unit wk.\n\n"
    "  --sd SD           one SD of the value, --age-sd of the age: the centile gets an interval\n"
    "  --taken WORD      caliper convention of the value (outer-outer, outer-inner, ...): converted where a "
    "conversion\n"
    "                    was published and the answer says so, refused otherwise\n"
    "  --weights-by ID   weight formula of the value (ogive weight lists them): a chart for another formula is "
    "refused\n"
    "  --unverified      also use a chart that is switched off because nobody compared it with the print\n"
    "  --any-value       take a value outside the plausible range of its quantity too (for calculations, not for "
    "people)\n"
    "  --csv FILE        a table with a heading, - for standard input, of any length: each row gets z, centile, "
    "median,\n"
    "                    mom and note. Columns: --x (default: x), --value (default: value; for inverse: z, or "
    "centile),\n"
    "                    --chart-column. A column named ..._days or ..._weeks says its unit. A row that is refused\n"
    "                    keeps its place and its note says why; with --strict the exit code is then 5\n"
    "  --lines FILE      one JSON object in each line, {\"chart\":\"hc\",\"x\":\"20w3d\",\"value\":172}, - for "
    "standard\n"
    "                    input; one object comes back for each (for inverse: \"z\" or \"centile\" instead of value)\n\n"
    "Outside a chart's range no centile is given. Exit codes: 0 done, 2 usage, 3 bad input, 4 no such chart, 5 out of\n"
    "range, 7 the chart is switched off, 8 measured another way than the chart wants.\n\n"
    "example: ogive chart eval hc 20w3d 172 --sd 1.9\n",
    run};

/* "3,10,50" as centiles or "-2,0,2" as z. */
static int deviates(chart_options *o, const char *name, const char *text, bool centiles) {
  o->n_deviates = 0;
  for (const char *p = text; *p;) {
    char *end;
    double v = strtod(p, &end);
    if (end == p || (*end && *end != ',') || (centiles && !(v > 0 && v < 100)) || !(fabs(v) < 1e6))
      return ogv_cli_usage(&ogv_cmd_chart, "%s wants numbers%s joined by commas, not \"%.60s\"", name,
                           centiles ? " between 0 and 100" : "", text);
    if (o->n_deviates == CHART_LIST)
      return ogv_cli_usage(&ogv_cmd_chart, "%s takes at most %d numbers", name, CHART_LIST);
    o->deviates[o->n_deviates++] = centiles ? ogv_normal_quantile(v / 100) : v;
    p = *end ? end + 1 : end;
  }
  if (!o->n_deviates) return ogv_cli_usage(&ogv_cmd_chart, "%s wants numbers", name);
  return 0;
}

int ogv_cli_chart_options_read(int argc, char **argv, chart_options *o) {
  const char *centiles = NULL, *z_list = NULL;
  *o = (chart_options){.value_sd = NAN, .x_sd = NAN, .centile = NAN, .z = NAN, .step = NAN};
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &o->json},
                          {"--all", OGV_ARG_FLAG, &o->all},
                          {"--unverified", OGV_ARG_FLAG, &o->unverified},
                          {"--strict", OGV_ARG_FLAG, &o->strict},
                          {"--any-value", OGV_ARG_FLAG, &o->any_value},
                          {"--quantity", OGV_ARG_TEXT, &o->quantity},
                          {"-o", OGV_ARG_TEXT, &o->out},
                          {"--taken", OGV_ARG_TEXT, &o->convention},
                          {"--weights-by", OGV_ARG_TEXT, &o->weights_by},
                          {"--x-unit", OGV_ARG_TEXT, &o->x_unit},
                          {"--csv", OGV_ARG_TEXT, &o->csv},
                          {"--lines", OGV_ARG_TEXT, &o->lines},
                          {"--chart", OGV_ARG_TEXT, &o->chart},
                          {"--chart-column", OGV_ARG_TEXT, &o->chart_column},
                          {"--x", OGV_ARG_TEXT, &o->x_column},
                          {"--value", OGV_ARG_TEXT, &o->value_column},
                          {"--from", OGV_ARG_TEXT, &o->from},
                          {"--to", OGV_ARG_TEXT, &o->to},
                          {"--step", OGV_ARG_NUMBER, &o->step},
                          {"--sd", OGV_ARG_NUMBER, &o->value_sd},
                          {"--age-sd", OGV_ARG_NUMBER, &o->x_sd},
                          {"--centile", OGV_ARG_NUMBER, &o->centile},
                          {"--z", OGV_ARG_NUMBER, &o->z},
                          {"--centiles", OGV_ARG_TEXT, &centiles},
                          {"--z-list", OGV_ARG_TEXT, &z_list},
                          {"--point", OGV_ARG_MANY, &o->points},
                          {0}};
  int rc = ogv_cli_args(&ogv_cmd_chart, argc, argv, args, o->words, &o->n_words);
  if (!rc && centiles) rc = deviates(o, "--centiles", centiles, true);
  if (!rc && z_list) rc = deviates(o, "--z-list", z_list, false);
  return rc;
}

static int run(int argc, char **argv) {
  chart_options o;
  int rc = ogv_cli_chart_options_read(argc, argv, &o);
  if (rc) return rc;
  const char *sub = o.n_words ? o.words[0] : "";
  bool inverse = !strcmp(sub, "inverse");
  if (inverse || !strcmp(sub, "eval")) {
    if (o.csv) return ogv_cli_chart_run_csv(&o, inverse);
    if (o.lines) return ogv_cli_chart_run_lines(&o, inverse);
    return inverse ? ogv_cli_chart_run_inverse(&o) : ogv_cli_chart_run_eval(&o);
  }
  if (!strcmp(sub, "list")) return ogv_cli_chart_run_list(&o);
  if (!strcmp(sub, "show")) return ogv_cli_chart_run_show(&o);
  if (!strcmp(sub, "table")) return ogv_cli_chart_run_table(&o);
  if (!strcmp(sub, "plot")) return ogv_cli_chart_run_plot(&o);
  return ogv_cli_usage(&ogv_cmd_chart, "say list, show, eval, inverse, table or plot");
}
