/* `ogive growth`: change between scans, projection, and the department's own correlation of growth. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "cli_args.h"
#include "cli_command.h"
#include "cli_csv.h"
#include "core_date.h"
#include "core_file.h"
#include "core_json.h"
#include "obstetrics_growth.h"
#include "obstetrics_quantity.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_growth = {
    "growth", "change between scans of one fetus, projection to term, the department's own correlation",
    "usage: ogive growth change  --chart ID --scan GA:VALUE[:SD] --scan GA:VALUE[:SD]... [--ga-sd DAYS] [--json]\n"
    "       ogive growth project --chart ID --scan GA:VALUE[:SD] --to GA [--json]\n"
    "       ogive growth fit     --chart ID --csv FILE|- [-o FILE] [--json]\n\n"
    "change   the last scan against the earlier one from which the centile fell most: change in z with the part that\n"
    "         measurement and dating explain, velocity, crossing of centiles, and, where the department's correlation "
    "is\n"
    "         known, the centile given the earlier scan. Under 14 days apart is refused, under 21 flagged.\n"
    "project  the same z at a later age; with a correlation, regressed and with the spread of growth\n"
    "fit      estimates that correlation from the department's own exams: CSV with columns fetus, ga_days (or ga), "
    "value.\n"
    "         Rows of one fetus need not stand together. Put the file it writes at growth/<chart>.json in the folder\n"
    "         OGIVE_DATA. At least 100 fetuses with two scans. None is built in: no published one was found.\n\n"
    "SD of a measurement: as given, else the two-observer SD of the table of quantities.\n"
    "Supports qualified staff; local protocol decides.\n\n"
    "example: ogive growth change --chart intergrowth-ac --scan 28w0d:240 --scan 32w0d:262\n"
    "exit codes: 0 done, 2 usage, 3 bad input, 4 no such chart, 5 too short an interval or out of range\n",
    run};

typedef struct {
  const char *chart, *to, *csv, *out;
  double ga_sd;
  bool json;
  ogv_arg_list scans;
} request;

static ogv_status read_scan(const ogv_chart *c, const char *text, ogv_growth_point *p, ogv_error *err) {
  char copy[80], *save = NULL;
  const char *part[3] = {0};
  int days, n = 0;
  snprintf(copy, sizeof copy, "%s", text);
  for (char *t = strtok_r(copy, ":", &save); t && n < 3; t = strtok_r(NULL, ":", &save)) part[n++] = t;
  p->sd = NAN;
  if (n < 2 || !ogv_csv_number(part[1], &p->value) || isnan(p->value) || (part[2] && !ogv_csv_number(part[2], &p->sd)))
    return ogv_fail(err, OGV_E_INVALID, "Write 28w0d:240 or 28w0d:240:5.", "\"%.60s\" is not a scan", text);
  OGV_TRY(ogv_ga_parse(part[0], &days, err));
  p->ga_days = days;
  const ogv_quantity *q = ogv_quantity_find(ogv_chart_about(c)->quantity);
  if (!q) return OGV_OK;
  OGV_TRY(ogv_quantity_plausible(q, p->value, err));
  if (isnan(p->sd)) p->sd = ogv_quantity_sd(q, p->value);
  return OGV_OK;
}

static ogv_status read_scans(const request *r, const ogv_chart *c, ogv_growth_point p[OGV_ARG_LIST], ogv_error *err) {
  for (size_t i = 0; i < r->scans.n; i++) {
    OGV_TRY(read_scan(c, r->scans.value[i], &p[i], err));
    if (i && !(p[i].ga_days > p[i - 1].ga_days))
      return ogv_fail(err, OGV_E_INVALID, "Give the scans in order of age.",
                      "the scan at %.0f days is not after the one at %.0f", p[i].ga_days, p[i - 1].ga_days);
  }
  return OGV_OK;
}

static json_t *change_json(const ogv_chart *c, const ogv_growth_point *from, const ogv_growth_change *g) {
  json_t *o =
      json_pack("{s:s,s:f,s:f,s:b,s:f,s:f,s:f,s:f,s:f,s:f,s:i,s:b,s:s}", "chart", ogv_chart_about(c)->id,
                "from_ga_days", from->ga_days, "interval_days", g->interval_days, "short_interval", g->short_interval,
                "z1", g->z1, "z2", g->z2, "dz", g->dz, "centile1", g->centile1, "centile2", g->centile2, "centile_fall",
                g->centile_fall, "bands_crossed", g->bands_crossed, "crosses", g->crosses, "note", g->note);
  const struct {
    const char *key;
    double v;
  } maybe[] = {{"dz_sd_measurement", g->dz_sd_measurement},
               {"dz_sd_dating", g->dz_sd_dating},
               {"p_measurement", g->p_measurement},
               {"velocity_per_week", g->velocity},
               {"velocity_sd", g->velocity_sd},
               {"velocity_expected", g->velocity_expected},
               {"r", g->r},
               {"z_expected", g->z_expected},
               {"z_expected_sd", g->z_expected_sd},
               {"z_conditional", g->z_conditional},
               {"centile_conditional", g->centile_conditional}};
  for (size_t i = 0; i < sizeof maybe / sizeof *maybe; i++)
    json_object_set_new(o, maybe[i].key, ogv_json_real(maybe[i].v));
  return o;
}

static void print_change(const ogv_chart *c, const ogv_growth_point *from, const ogv_growth_point *to,
                         const ogv_growth_change *g) {
  char a[OGV_GA_TEXT], b[OGV_GA_TEXT];
  const char *unit = ogv_chart_about(c)->unit;
  printf("%s: %s to %s, %.0f days\n", ogv_chart_about(c)->id, ogv_ga_text((int)from->ga_days, a),
         ogv_ga_text((int)to->ga_days, b), g->interval_days);
  printf("  centile %.1f to %.1f, z %.2f to %.2f: change %+.2f\n", g->centile1, g->centile2, g->z1, g->z2, g->dz);
  if (isnan(g->p_measurement))
    puts("  the SD of a measurement is not known: how much of it is measurement cannot be told");
  else
    printf("  measurement%s alone: SD %.2f; a change this large by it alone: p = %.3g%s\n",
           g->dz_sd_dating > 0 ? " and dating" : "", hypot(g->dz_sd_measurement, g->dz_sd_dating), g->p_measurement,
           g->p_measurement < 0.05 ? " (more than measurement)" : "");
  printf("  velocity %.3g %s a week, the median's %.3g\n", g->velocity, unit, g->velocity_expected);
  if (g->crosses)
    printf("  CROSSES centiles: a fall of %.0f centile points (more than 50), %d quartile bands\n", g->centile_fall,
           g->bands_crossed);
  if (g->conditional)
    printf("  given the earlier scan: z %.2f, %.1f centile (expected z %.2f, SD %.2f, r = %.2f)\n", g->z_conditional,
           g->centile_conditional, g->z_expected, g->z_expected_sd, g->r);
  if (*g->note) printf("  %s\n", g->note);
}

static int change(const request *r, const ogv_chart *c, const ogv_correlation *k) {
  ogv_growth_point p[OGV_ARG_LIST];
  ogv_growth_change g;
  ogv_error err = {0};
  size_t from;
  if (r->scans.n < 2) return ogv_cli_usage(&ogv_cmd_growth, "give two scans or more with --scan");
  if (read_scans(r, c, p, &err) != OGV_OK ||
      ogv_growth_largest_fall(c, p, r->scans.n, r->ga_sd, k, &from, &g, &err) != OGV_OK)
    return ogv_cli_fail("growth", &err, r->json);
  if (r->json) return ogv_cli_print_json(change_json(c, &p[from], &g));
  print_change(c, &p[from], &p[r->scans.n - 1], &g);
  return 0;
}

static int project(const request *r, const ogv_chart *c, const ogv_correlation *k) {
  ogv_growth_point p[OGV_ARG_LIST];
  ogv_growth_projection g;
  ogv_error err = {0};
  int days;
  char ga[OGV_GA_TEXT];
  if (r->scans.n < 1 || !r->to) return ogv_cli_usage(&ogv_cmd_growth, "give --scan and --to");
  if (read_scans(r, c, p, &err) != OGV_OK || ogv_ga_parse(r->to, &days, &err) != OGV_OK ||
      ogv_growth_project(c, &p[r->scans.n - 1], days, k, &g, &err) != OGV_OK)
    return ogv_cli_fail("growth", &err, r->json);
  if (r->json)
    return ogv_cli_print_json(json_pack("{s:s,s:i,s:f,s:o,s:o,s:f,s:f,s:b,s:s}", "chart", ogv_chart_about(c)->id,
                                        "ga_days", days, "value", g.value, "low95", ogv_json_real(g.low), "high95",
                                        ogv_json_real(g.high), "z", g.z, "z_sd", g.z_sd, "conditional", g.conditional,
                                        "note", g.note));
  printf("%s at %s: %.4g %s", ogv_chart_about(c)->id, ogv_ga_text(days, ga), g.value, ogv_chart_about(c)->unit);
  if (isfinite(g.low)) printf(" (95 %%: %.4g to %.4g)", g.low, g.high);
  printf("\n  %s\n", g.note);
  return 0;
}

/* --- fit
 * --------------------------------------------------------------------------------------------------------------- */
typedef struct {
  char **labels;
  ogv_growth_record *rows;
  size_t n, cap, skipped;
} exams;

static ogv_status keep(exams *e, const char *label, double ga, double z, ogv_error *err) {
  if (e->n == e->cap) {
    size_t cap = e->cap ? e->cap * 2 : 1024;
    char **l = realloc(e->labels, cap * sizeof *l);
    if (l) e->labels = l;
    ogv_growth_record *p = realloc(e->rows, cap * sizeof *p);
    if (p) e->rows = p;
    if (!l || !p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    e->cap = cap;
  }
  if (!(e->labels[e->n] = strdup(label))) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  e->rows[e->n] = (ogv_growth_record){e->n, ga, z};
  e->n++;
  return OGV_OK;
}

static ogv_status read_exams(ogv_csv *csv, const ogv_chart *c, exams *e, ogv_error *err) {
  int fetus = ogv_csv_column(csv, "fetus"), days = ogv_csv_column(csv, "ga_days"), text = ogv_csv_column(csv, "ga"),
      value = ogv_csv_column(csv, "value");
  bool more = true;
  if (fetus < 0 || value < 0 || (days < 0 && text < 0))
    return ogv_fail(err, OGV_E_INVALID, "Name them in the first row.",
                    "the CSV needs columns fetus, ga_days (or ga) and value");
  while (true) {
    OGV_TRY(ogv_csv_next(csv, &more, err));
    if (!more) return OGV_OK;
    double ga = NAN, v = NAN;
    int whole;
    ogv_chart_value x;
    if (days >= 0) ogv_csv_number(ogv_csv_field(csv, days), &ga);
    else if (ogv_ga_parse(ogv_csv_field(csv, text), &whole, NULL) == OGV_OK) ga = whole;
    if (!ogv_csv_number(ogv_csv_field(csv, value), &v) || isnan(v) || isnan(ga) || !*ogv_csv_field(csv, fetus) ||
        ogv_chart_eval(c, ga, v, &x, NULL) != OGV_OK || isnan(x.z) || fabs(x.z) > 6) {
      e->skipped++; /* told at the end: outside the chart, not a number, or far beyond any fetus */
      continue;
    }
    OGV_TRY(keep(e, ogv_csv_field(csv, fetus), ga, x.z, err));
  }
}

static char **sort_labels;
static int by_fetus(const void *a, const void *b) {
  const ogv_growth_record *x = a, *y = b;
  int c = strcmp(sort_labels[x->fetus], sort_labels[y->fetus]);
  return c ? c : x->ga_days < y->ga_days ? -1 : x->ga_days > y->ga_days;
}

/* Sorted by label and age; then each label gets one number. */
static void number_fetuses(exams *e) {
  sort_labels = e->labels;
  if (e->n) qsort(e->rows, e->n, sizeof *e->rows, by_fetus);
  size_t number = 0, before = 0;
  for (size_t i = 0; i < e->n; i++) {
    size_t own = e->rows[i].fetus;
    if (i && strcmp(e->labels[own], e->labels[before])) number++;
    before = own;
    e->rows[i].fetus = number;
  }
}

static int fit_report(const request *r, const exams *e, const ogv_correlation_fit *f) {
  json_t *v = ogv_correlation_to_json(&f->correlation);
  json_object_set_new(v, "r0_se", json_real(f->r0_se));
  json_object_set_new(v, "tau_se_weeks", json_real(f->tau_se_weeks));
  json_object_set_new(v, "r_at_4_weeks", json_real(f->r_at_4_weeks));
  json_object_set_new(v, "r_at_4_weeks_se", json_real(f->r_at_4_weeks_se));
  json_object_set_new(v, "rows_left_out", json_integer((json_int_t)e->skipped));
  if (r->out) {
    ogv_error err = {0};
    char *text = ogv_json_pretty(v);
    ogv_status s =
        text ? ogv_file_write(r->out, text, strlen(text), &err) : ogv_fail(&err, OGV_E_MEMORY, NULL, "out of memory");
    free(text);
    if (s != OGV_OK) {
      json_decref(v);
      return ogv_cli_fail("growth", &err, r->json);
    }
  }
  if (r->json || !r->out) return ogv_cli_print_json(v);
  const ogv_correlation *c = &f->correlation;
  printf("%s: %zu fetuses, %zu pairs, %zu rows left out\n", c->chart, c->fetuses, c->pairs, e->skipped);
  printf(
      "  z of the department: mean %.2f, SD %.2f\n  r after 4 weeks %.3f (SE %.3f); r0 %.3f (SE %.3f), decay %.1f "
      "weeks (SE %.1f)\n",
      c->mean, c->sd, f->r_at_4_weeks, f->r_at_4_weeks_se, c->r0, f->r0_se, c->tau_weeks, f->tau_se_weeks);
  printf("  written to %s; it is used when it lies at growth/%s.json in the folder OGIVE_DATA\n", r->out, c->chart);
  json_decref(v);
  return 0;
}

static int fit(const request *r, const ogv_chart *c) {
  ogv_csv *csv = NULL;
  exams e = {0};
  ogv_correlation_fit f;
  ogv_error err = {0};
  if (!r->csv) return ogv_cli_usage(&ogv_cmd_growth, "fit needs --csv");
  ogv_status s = ogv_csv_open(r->csv, &csv, &err);
  if (s == OGV_OK) s = read_exams(csv, c, &e, &err);
  ogv_csv_close(csv);
  if (s == OGV_OK) {
    number_fetuses(&e);
    s = ogv_correlation_estimate(ogv_chart_about(c)->id, e.rows, e.n, &f, &err);
  }
  int code = s == OGV_OK ? fit_report(r, &e, &f) : ogv_cli_fail("growth", &err, r->json);
  for (size_t i = 0; i < e.n; i++) free(e.labels[i]);
  free(e.labels);
  free(e.rows);
  return code;
}

static int run(int argc, char **argv) {
  request r = {0};
  const ogv_arg args[] = {{"--chart", OGV_ARG_TEXT, &r.chart}, {"--scan", OGV_ARG_MANY, &r.scans},
                          {"--to", OGV_ARG_TEXT, &r.to},       {"--csv", OGV_ARG_TEXT, &r.csv},
                          {"-o", OGV_ARG_TEXT, &r.out},        {"--ga-sd", OGV_ARG_NUMBER, &r.ga_sd},
                          {"--json", OGV_ARG_FLAG, &r.json},   {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n_rest;
  const ogv_chart *c;
  ogv_correlation k;
  ogv_error err = {0};
  int code = ogv_cli_args(&ogv_cmd_growth, argc, argv, args, rest, &n_rest);
  if (code) return code;
  if (n_rest != 1) return ogv_cli_usage(&ogv_cmd_growth, "say change, project or fit");
  if (!r.chart) return ogv_cli_usage(&ogv_cmd_growth, "name the chart with --chart");
  if (ogv_chart_find(r.chart, &c, &err) != OGV_OK) return ogv_cli_fail("growth", &err, r.json);
  if (!strcmp(rest[0], "fit")) return fit(&r, c);
  ogv_status s = ogv_correlation_find(r.chart, &k, &err);
  if (s != OGV_OK && s != OGV_E_NOT_FOUND) return ogv_cli_fail("growth", &err, r.json);
  const ogv_correlation *known = s == OGV_OK ? &k : NULL;
  if (!strcmp(rest[0], "change")) return change(&r, c, known);
  if (!strcmp(rest[0], "project")) return project(&r, c, known);
  return ogv_cli_usage(&ogv_cmd_growth, "\"%.40s\" is not one of change, project, fit", rest[0]);
}
