/* `ogive weight`: estimated fetal weight with its two uncertainties, one at a time or over a CSV. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "cli_args.h"
#include "cli_command.h"
#include "cli_csv.h"
#include "core_date.h"
#include "core_json.h"
#include "core_unit.h"
#include "obstetrics_quantity.h"
#include "obstetrics_weight.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_weight = {
    "weight", "estimated fetal weight by a published formula, with repeatability and accuracy",
    "usage: ogive weight --hc MM --ac MM --fl MM [--bpd MM] [OPTION...]\n"
    "       ogive weight --csv FILE|- [OPTION...]\n"
    "       ogive weight --input FILE|- [OPTION...]     one JSON object, or a list of them\n"
    "       ogive weight --list                         formulas, sources, errors\n\n"
    "  --formula ID        see --list; \"all\" computes each that the measurements allow\n"
    "  --unit mm|cm        unit of the lengths (mm); nothing is converted by how large it looks\n"
    "  --bpd-convention C  outer-outer (as measured here) or outer-inner; converted where the formula wants the other\n"
    "  --ga 20w3d          adds z and centile on the chart made for that formula; --chart ID names another\n"
    "  --ga-sd DAYS        SD of the age, carried into the centile's interval\n"
    "  --sd-bpd --sd-hc --sd-ac --sd-fl MM   SD of one measurement; without them the two-observer SD of the table\n"
    "  --calibration R     relative SD of the pixel scale, common to all lengths (0.01 is 1 %)\n"
    "  --allow-unconfirmed lets a formula of status from-memory be used\n"
    "  --json              prints JSON\n\n"
    "CSV: columns bpd, hc, ac, fl (those the formula needs), optional ga (20w3d) or ga_days, formula. Added: efw_g,\n"
    "repeat_sd_g, error_sd_g, z, centile, refused. --strict ends with 3 when a row was refused.\n\n"
    "Two uncertainties that are never mixed: repeatability (would another sonographer get the same) and accuracy (how "
    "far\n"
    "from birth weight). Supports qualified staff; local protocol decides.\n\n"
    "example: ogive weight --hc 175 --ac 150 --fl 32 --ga 20w0d\n"
    "exit codes: 0 done, 2 usage, 3 bad input, 4 no such formula or chart, 5 out of range\n",
    run};

typedef struct {
  double mm[4], sd[4]; /* bpd, hc, ac, fl */
  double ga_days, ga_sd, calibration;
  const char *formula, *chart, *convention, *unit;
  bool unconfirmed;
} request;

static const char *const names[4] = {"bpd", "hc", "ac", "fl"};

static request blank(void) {
  request r = {.ga_days = NAN, .ga_sd = 0, .unit = "mm"};
  for (int i = 0; i < 4; i++) r.mm[i] = r.sd[i] = NAN;
  return r;
}

static ogv_status estimate(const request *r, ogv_weight *out, ogv_error *err) {
  double mm[4], sd[4];
  for (int i = 0; i < 4; i++) {
    mm[i] = sd[i] = NAN;
    if (isnan(r->mm[i])) continue;
    OGV_TRY(ogv_unit_convert(r->mm[i], r->unit, "mm", &mm[i], err));
    if (isnan(r->sd[i])) sd[i] = ogv_quantity_sd(ogv_quantity_find(names[i]), mm[i]);
    else OGV_TRY(ogv_unit_convert(r->sd[i], r->unit, "mm", &sd[i], err));
  }
  ogv_weight_input in = {mm[0], mm[1], mm[2],          mm[3],         sd[0],          sd[1],
                         sd[2], sd[3], r->calibration, r->convention, r->unconfirmed, r->ga_days};
  return ogv_weight_estimate(r->formula, &in, out, err);
}

static ogv_status chart_of(const request *r, const ogv_weight *w, const ogv_chart **c, ogv_error *err) {
  if (!r->chart) return ogv_chart_for_formula(w->formula->id, c, err);
  OGV_TRY(ogv_chart_find(r->chart, c, err));
  const ogv_chart_info *a = ogv_chart_about(*c);
  if (strcmp(a->quantity, "efw"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s is a chart of %s, not of weight", a->id, a->quantity);
  if (*a->formula && strcmp(a->formula, w->formula->id))
    return ogv_fail(err, OGV_E_CONFLICT, "Use the chart and the formula that belong together.",
                    "the chart %s is made for weights by %s, not by %s", a->id, a->formula, w->formula->id);
  return OGV_OK;
}

static json_t *refusal(const ogv_error *err) { return json_pack("{s:o}", "error", ogv_error_json(err)); }

static json_t *centile(const request *r, const ogv_weight *w) {
  const ogv_chart *c;
  ogv_chart_value v;
  ogv_chart_interval in;
  ogv_error err = {0};
  if (chart_of(r, w, &c, &err) != OGV_OK || ogv_chart_eval(c, r->ga_days, w->grams, &v, &err) != OGV_OK)
    return refusal(&err);
  const ogv_chart_info *a = ogv_chart_about(c);
  json_t *o = json_pack("{s:s,s:s,s:s,s:o,s:o,s:o,s:i}", "chart", a->id, "title", a->title, "status", a->status, "z",
                        ogv_json_real(v.z), "centile", ogv_json_real(v.centile), "median_g", ogv_json_real(v.median),
                        "beyond", v.beyond);
  double sd = isnan(w->repeat_sd_g) ? 0 : w->repeat_sd_g;
  if (!v.beyond && sd > 0 && ogv_chart_uncertainty(c, r->ga_days, r->ga_sd, w->grams, sd, &in, &err) == OGV_OK) {
    json_object_set_new(o, "z_sd", ogv_json_real(in.z_sd));
    json_object_set_new(o, "centile_interval95", json_pack("[f,f]", in.centile_low, in.centile_high));
  }
  return o;
}

static json_t *interval(double grams, double sd) {
  if (!isfinite(sd)) return json_null();
  double low = grams - 1.96 * sd;
  return json_pack("[f,f]", low > 0 ? low : 0, grams + 1.96 * sd);
}

static json_t *result(const request *r, const ogv_weight *w) {
  const ogv_weight_formula *f = w->formula;
  json_t *o = json_pack("{s:f,s:{s:s,s:s,s:s,s:s}}", "efw_g", w->grams, "formula", "id", f->id, "title", f->title,
                        "citation", f->citation, "status", f->status);
  json_t *parts = json_object();
  for (int i = 0; i < 4; i++)
    if (w->part_sd_g[i] != 0) json_object_set_new(parts, names[i], ogv_json_real(w->part_sd_g[i]));
  json_object_set_new(parts, "calibration", ogv_json_real(w->part_sd_g[4]));
  json_object_set_new(o, "repeatability",
                      json_pack("{s:o,s:o,s:o,s:s}", "sd_g", ogv_json_real(w->repeat_sd_g), "interval95_g",
                                interval(w->grams, w->repeat_sd_g), "parts_sd_g", parts, "means",
                                "would another sonographer get the same"));
  json_object_set_new(
      o, "accuracy",
      json_pack("{s:o,s:o,s:s,s:s}", "sd_g", ogv_json_real(w->error_sd_g), "interval95_g",
                interval(w->grams, w->error_sd_g), "source", f->error_source, "means", "how far from birth weight"));
  if (w->bpd_converted) json_object_set_new(o, "bpd_converted", json_true());
  if (*f->note) json_object_set_new(o, "note", json_string(f->note));
  if (!isnan(r->ga_days)) {
    json_object_set_new(o, "ga_days", json_real(r->ga_days));
    json_object_set_new(o, "centile", centile(r, w));
  }
  return o;
}

static void print_centile(const json_t *c) {
  const json_t *error = json_object_get(c, "error");
  if (error) {
    printf("  no centile: %s\n", ogv_json_string_or(error, "what", ""));
    return;
  }
  const char *id = ogv_json_string_or(c, "chart", "");
  int beyond = (int)json_integer_value(json_object_get(c, "beyond"));
  if (beyond) {
    printf("  %s the lines of the chart %s\n", beyond < 0 ? "below" : "above", id);
    return;
  }
  printf("  %.1f centile, z %.2f on %s", json_number_value(json_object_get(c, "centile")),
         json_number_value(json_object_get(c, "z")), id);
  const json_t *i = json_object_get(c, "centile_interval95");
  if (i)
    printf(" (95 %% by repeatability: %.1f to %.1f)", json_number_value(json_array_get(i, 0)),
           json_number_value(json_array_get(i, 1)));
  puts("");
}

static void print_text(const request *r, const ogv_weight *w) {
  printf("EFW %.0f g   %s%s\n", w->grams, w->formula->title,
         !strcmp(w->formula->status, "verified") ? ""
         : w->formula->status[0] == 'f'          ? " (from memory)"
                                                 : " (single source)");
  if (isfinite(w->repeat_sd_g))
    printf("  repeatability: SD %.0f g (%.1f %%), 95 %% %.0f to %.0f g: would another sonographer get the same\n",
           w->repeat_sd_g, 100 * w->repeat_sd_g / w->grams, fmax(0, w->grams - 1.96 * w->repeat_sd_g),
           w->grams + 1.96 * w->repeat_sd_g);
  if (isfinite(w->error_sd_g))
    printf("  accuracy:      SD %.0f g (%.1f %%), 95 %% %.0f to %.0f g: how far from birth weight\n", w->error_sd_g,
           w->formula->error_sd_percent, fmax(0, w->grams - 1.96 * w->error_sd_g), w->grams + 1.96 * w->error_sd_g);
  else printf("  accuracy:      %s\n", w->formula->error_source);
  if (w->bpd_converted) puts("  BPD converted from outer-outer to outer-inner (Wong 2018, single source)");
  if (!isnan(r->ga_days)) {
    json_t *c = centile(r, w);
    print_centile(c);
    json_decref(c);
  }
  printf("  %s\n", w->formula->citation);
}

static int list(bool json) {
  json_t *all = json_array();
  for (size_t i = 0; ogv_weight_formula_at(i); i++) {
    const ogv_weight_formula *f = ogv_weight_formula_at(i);
    if (!json)
      printf("%-26s %-34s %-13s error %s\n", f->id, f->title, f->status,
             isnan(f->error_sd_percent) ? "not published here" : "");
    if (!json && !isnan(f->error_sd_percent)) printf("%27sSD %.1f %%: %s\n", "", f->error_sd_percent, f->error_source);
    json_array_append_new(
        all, json_pack("{s:s,s:s,s:s,s:s,s:[b,b,b,b],s:f,s:f,s:o,s:s,s:s,s:s,s:b}", "id", f->id, "title", f->title,
                       "citation", f->citation, "status", f->status, "needs_bpd_hc_ac_fl", f->needs_bpd, f->needs_hc,
                       f->needs_ac, f->needs_fl, "low_g", f->low_g, "high_g", f->high_g, "error_sd_percent",
                       ogv_json_real(f->error_sd_percent), "error_source", f->error_source, "bpd_convention",
                       f->bpd_convention, "note", f->note, "default", f->is_default));
  }
  if (json) return ogv_cli_print_json(all);
  json_decref(all);
  return 0;
}

static bool possible(const ogv_weight_formula *f, const request *r) {
  return (!f->needs_bpd || !isnan(r->mm[0])) && (!f->needs_hc || !isnan(r->mm[1])) &&
         (!f->needs_ac || !isnan(r->mm[2])) && (!f->needs_fl || !isnan(r->mm[3])) &&
         (r->unconfirmed || strcmp(f->status, "from-memory"));
}

static int all_formulas(request *r, bool json) {
  json_t *all = json_array();
  ogv_error err = {0};
  int done = 0;
  for (size_t i = 0; ogv_weight_formula_at(i); i++) {
    ogv_weight w;
    r->formula = ogv_weight_formula_at(i)->id;
    if (!possible(ogv_weight_formula_at(i), r) || estimate(r, &w, &err) != OGV_OK) continue;
    done++;
    if (json) json_array_append_new(all, result(r, &w));
    else printf("%6.0f g  %-26s %s\n", w.grams, r->formula, w.formula->status);
  }
  if (!done) {
    json_decref(all);
    if (err.code == OGV_OK)
      ogv_fail(&err, OGV_E_INVALID, "Give HC, AC and FL, for example.", "no formula fits these measurements");
    return ogv_cli_fail("weight", &err, json);
  }
  if (json) return ogv_cli_print_json(all);
  json_decref(all);
  return 0;
}

static int single(request *r, bool json) {
  ogv_weight w;
  ogv_error err = {0};
  if (r->formula && !strcmp(r->formula, "all")) return all_formulas(r, json);
  if (estimate(r, &w, &err) != OGV_OK) return ogv_cli_fail("weight", &err, json);
  if (json) return ogv_cli_print_json(result(r, &w));
  print_text(r, &w);
  return 0;
}

static ogv_status age_from_json(const json_t *v, request *r, ogv_error *err) {
  const json_t *ga = json_object_get(v, "ga");
  int days;
  if (json_is_string(ga)) {
    OGV_TRY(ogv_ga_parse(json_string_value(ga), &days, err));
    r->ga_days = days;
  }
  r->ga_days = ogv_json_number_or(v, "ga_days", r->ga_days);
  r->ga_sd = ogv_json_number_or(v, "ga_sd_days", r->ga_sd);
  return OGV_OK;
}

static json_t *from_json(const json_t *v, const request *defaults) {
  request r = *defaults;
  ogv_error err = {0};
  ogv_weight w;
  char key[16];
  if (!json_is_object(v)) {
    ogv_fail(&err, OGV_E_INVALID, "Give {\"hc\":175,\"ac\":150,\"fl\":32}.", "the input is not an object");
    return refusal(&err);
  }
  for (int i = 0; i < 4; i++) {
    r.mm[i] = ogv_json_number_or(v, names[i], r.mm[i]);
    snprintf(key, sizeof key, "sd_%s", names[i]);
    r.sd[i] = ogv_json_number_or(v, key, r.sd[i]);
  }
  r.unit = ogv_json_string_or(v, "unit", r.unit);
  r.formula = ogv_json_string_or(v, "formula", r.formula);
  r.chart = ogv_json_string_or(v, "chart", r.chart);
  r.convention = ogv_json_string_or(v, "bpd_convention", r.convention);
  r.calibration = ogv_json_number_or(v, "calibration_sd", r.calibration);
  if (age_from_json(v, &r, &err) != OGV_OK || estimate(&r, &w, &err) != OGV_OK) return refusal(&err);
  return result(&r, &w);
}

static ogv_status read_json(const char *path, json_t **out, ogv_error *err) {
  if (strcmp(path, "-")) return ogv_json_load(path, out, err);
  json_error_t je;
  *out = json_loadf(stdin, JSON_REJECT_DUPLICATES, &je);
  if (*out) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, "Correct the JSON at that place.", "standard input, line %d column %d: %s",
                  je.line, je.column, je.text);
}

static int input(const char *path, const request *defaults) {
  json_t *in, *out;
  ogv_error err = {0};
  if (read_json(path, &in, &err) != OGV_OK) return ogv_cli_fail("weight", &err, 1);
  if (json_is_array(in)) {
    out = json_array();
    for (size_t i = 0; i < json_array_size(in); i++)
      json_array_append_new(out, from_json(json_array_get(in, i), defaults));
  } else {
    out = from_json(in, defaults);
  }
  int bad = !!json_object_get(out, "error");
  json_decref(in);
  int code = ogv_cli_print_json(out);
  return code ? code : bad ? 3 : 0;
}

typedef struct {
  int mm[4], ga, ga_days, formula;
  const ogv_chart *chart; /* of the last formula seen */
  const ogv_weight_formula *of;
} columns;

static ogv_status row(ogv_csv *csv, columns *col, const request *defaults, ogv_weight *w, ogv_chart_value *v,
                      ogv_error *err) {
  request r = *defaults;
  *v = (ogv_chart_value){.z = NAN, .centile = NAN};
  for (int i = 0; i < 4; i++)
    if (col->mm[i] >= 0 && !ogv_csv_number(ogv_csv_field(csv, col->mm[i]), &r.mm[i]))
      return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"%.40s\" is not a number", names[i],
                      ogv_csv_field(csv, col->mm[i]));
  if (*ogv_csv_field(csv, col->formula)) r.formula = ogv_csv_field(csv, col->formula);
  const char *ga = ogv_csv_field(csv, col->ga);
  int days;
  if (*ga) {
    OGV_TRY(ogv_ga_parse(ga, &days, err));
    r.ga_days = days;
  } else if (!ogv_csv_number(ogv_csv_field(csv, col->ga_days), &r.ga_days)) {
    return ogv_fail(err, OGV_E_INVALID, NULL, "ga_days is not a number");
  } else if (isnan(r.ga_days)) {
    r.ga_days = defaults->ga_days;
  }
  OGV_TRY(estimate(&r, w, err));
  if (isnan(r.ga_days)) return OGV_OK;
  if (col->of != w->formula) {
    OGV_TRY(chart_of(&r, w, &col->chart, err));
    col->of = w->formula;
  }
  return ogv_chart_eval(col->chart, r.ga_days, w->grams, v, err);
}

static int csv(const char *path, const request *defaults, bool strict) {
  static const char *const added[] = {"efw_g", "repeat_sd_g", "error_sd_g", "z", "centile", "refused"};
  ogv_csv *c;
  ogv_error err = {0};
  bool more = true;
  size_t refused = 0, rows = 0;
  if (ogv_csv_open(path, &c, &err) != OGV_OK) return ogv_cli_fail("weight", &err, 0);
  columns col = {
      .ga = ogv_csv_column(c, "ga"), .ga_days = ogv_csv_column(c, "ga_days"), .formula = ogv_csv_column(c, "formula")};
  for (int i = 0; i < 4; i++) col.mm[i] = ogv_csv_column(c, names[i]);
  ogv_status s = col.mm[2] >= 0
                     ? OGV_OK
                     : ogv_fail(&err, OGV_E_INVALID, "Name the columns bpd, hc, ac, fl.", "the CSV has no column ac");
  if (s == OGV_OK) {
    ogv_csv_put_record(c);
    for (size_t i = 0; i < sizeof added / sizeof *added; i++) ogv_csv_put_text(added[i]);
    ogv_csv_end_row();
  }
  while (s == OGV_OK && (s = ogv_csv_next(c, &more, &err)) == OGV_OK && more) {
    ogv_weight w = {.grams = NAN, .repeat_sd_g = NAN, .error_sd_g = NAN};
    ogv_chart_value v;
    ogv_error why = {0};
    ogv_status one = row(c, &col, defaults, &w, &v, &why);
    rows++;
    refused += one != OGV_OK;
    ogv_csv_put_record(c);
    ogv_csv_put_number(w.grams, 2);
    ogv_csv_put_number(w.repeat_sd_g, 2);
    ogv_csv_put_number(w.error_sd_g, 2);
    ogv_csv_put_number(v.z, 6);
    ogv_csv_put_number(v.centile, 4);
    ogv_csv_put_text(one == OGV_OK ? v.beyond < 0 ? "below the chart's lines"
                                     : v.beyond   ? "above the chart's lines"
                                                  : ""
                                   : why.what);
    ogv_csv_end_row();
  }
  bool written = ogv_csv_flush();
  ogv_csv_close(c);
  if (s != OGV_OK) return ogv_cli_fail("weight", &err, 0);
  if (!written) return fprintf(stderr, "ogive weight: standard output cannot be written\n"), 6;
  if (refused) fprintf(stderr, "ogive weight: %zu of %zu rows refused, see the column \"refused\"\n", refused, rows);
  return strict && refused ? 3 : 0;
}

static int run(int argc, char **argv) {
  request r = blank();
  bool json = false, show_list = false, strict = false;
  const char *csv_path = NULL, *input_path = NULL, *ga = NULL;
  const ogv_arg args[] = {{"--bpd", OGV_ARG_NUMBER, &r.mm[0]},
                          {"--hc", OGV_ARG_NUMBER, &r.mm[1]},
                          {"--ac", OGV_ARG_NUMBER, &r.mm[2]},
                          {"--fl", OGV_ARG_NUMBER, &r.mm[3]},
                          {"--sd-bpd", OGV_ARG_NUMBER, &r.sd[0]},
                          {"--sd-hc", OGV_ARG_NUMBER, &r.sd[1]},
                          {"--sd-ac", OGV_ARG_NUMBER, &r.sd[2]},
                          {"--sd-fl", OGV_ARG_NUMBER, &r.sd[3]},
                          {"--formula", OGV_ARG_TEXT, &r.formula},
                          {"--unit", OGV_ARG_TEXT, &r.unit},
                          {"--bpd-convention", OGV_ARG_TEXT, &r.convention},
                          {"--ga", OGV_ARG_TEXT, &ga},
                          {"--ga-sd", OGV_ARG_NUMBER, &r.ga_sd},
                          {"--chart", OGV_ARG_TEXT, &r.chart},
                          {"--calibration", OGV_ARG_NUMBER, &r.calibration},
                          {"--json", OGV_ARG_FLAG, &json},
                          {"--list", OGV_ARG_FLAG, &show_list},
                          {"--csv", OGV_ARG_TEXT, &csv_path},
                          {"--input", OGV_ARG_TEXT, &input_path},
                          {"--strict", OGV_ARG_FLAG, &strict},
                          {"--allow-unconfirmed", OGV_ARG_FLAG, &r.unconfirmed},
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n_rest;
  ogv_error err = {0};
  int code = ogv_cli_args(&ogv_cmd_weight, argc, argv, args, rest, &n_rest), days;
  if (code) return code;
  if (n_rest) return ogv_cli_usage(&ogv_cmd_weight, "\"%.40s\" is not understood", rest[0]);
  if (show_list) return list(json);
  if (ga) {
    if (ogv_ga_parse(ga, &days, &err) != OGV_OK) return ogv_cli_fail("weight", &err, json);
    r.ga_days = days;
  }
  if (csv_path) return csv(csv_path, &r, strict);
  if (input_path) return input(input_path, &r);
  return single(&r, json);
}
