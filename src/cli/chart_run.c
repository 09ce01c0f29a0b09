/* list, show, eval, inverse and table of `ogive chart`. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"
#include "core_json.h"

static int failed(const ogv_error *e, const chart_options *o) { return ogv_cli_fail("chart", e, o->json); }

int ogv_cli_chart_run_list(const chart_options *o) {
  json_t *list = o->json ? json_array() : NULL;
  ogv_error e;
  unsigned shown = 0, off = 0;
  for (size_t i = 0; ogv_chart_at(i); i++) {
    const ogv_chart *c = ogv_chart_at(i);
    const ogv_chart_info *f = ogv_chart_about(c);
    if (o->quantity && strcmp(o->quantity, f->quantity)) continue;
    off += !f->enabled;
    if (!f->enabled && !o->all) continue;
    shown++;
    if (list) {
      json_array_append_new(list, ogv_chart_info_json(c));
      continue;
    }
    char a[OGV_CHART_X_TEXT], b[OGV_CHART_X_TEXT];
    printf("%-38s %-6s %s to %s  %s%s%s\n", f->id, f->unit, ogv_chart_x_text(c, f->x_low, a),
           ogv_chart_x_text(c, f->x_high, b), f->status, f->default_for_quantity ? ", default" : "",
           f->enabled ? "" : ", off");
  }
  if (ogv_chart_check(&e) != OGV_OK)
    fprintf(stderr, "ogive chart: a chart file was left out: %s\n  %s\n", e.what, e.todo);
  if (list) return ogv_cli_print_json(list);
  if (!shown)
    return failed((ogv_fail(&e, OGV_E_NOT_FOUND, "ogive chart list without --quantity shows all.",
                            "there is no chart for \"%.60s\"", o->quantity ? o->quantity : ""),
                   &e),
                  o);
  printf("%u charts%s\n", shown, o->all || !off ? "" : "; more are switched off (--all)");
  return 0;
}

int ogv_cli_chart_run_show(const chart_options *o) {
  ogv_error e;
  const ogv_chart *c;
  if (o->n_words != 2) return ogv_cli_usage(&ogv_cmd_chart, "show wants one chart");
  if (ogv_cli_chart_pick(o->words[1], true, &c, &e) != OGV_OK) return failed(&e, o);
  char *formula = ogv_chart_formula(c);
  if (o->json) {
    json_t *j = ogv_chart_info_json(c);
    json_object_set_new(j, "equations", json_string(formula ? formula : ""));
    json_object_set(j, "definition", (json_t *)ogv_chart_definition(c));
    free(formula);
    return ogv_cli_print_json(j);
  }
  const ogv_chart_info *f = ogv_chart_about(c);
  char a[OGV_CHART_X_TEXT], b[OGV_CHART_X_TEXT];
  printf("%s: %s\n", f->id, f->title);
  printf("  source      %s%s%s\n", f->citation, *f->doi ? ", doi " : "", f->doi);
  printf("  population  %s\n  range       %s, %s to %s\n  unit        %s\n", f->population, f->x_name,
         ogv_chart_x_text(c, f->x_low, a), ogv_chart_x_text(c, f->x_high, b), f->unit);
  if (*f->convention) printf("  calipers    %s\n", f->convention);
  if (*f->formula) printf("  weights by  %s\n", f->formula);
  printf("  status      %s%s%s\n", f->status, f->default_for_quantity ? ", default" : "",
         f->enabled ? "" : ", switched off");
  if (*f->note) printf("  note        %s\n", f->note);
  printf("\n%s", formula ? formula : "");
  free(formula);
  return 0;
}

static void print_answer(const ogv_chart_answer *a) {
  const ogv_chart_info *f = ogv_chart_about(a->chart);
  char x[OGV_CHART_X_TEXT];
  printf("%s %.6g %s at %s: %s", f->quantity, a->value, f->unit, ogv_chart_x_text(a->chart, a->x, x), a->statement);
  if (!isnan(a->v.z)) printf(", z %+.2f", a->v.z);
  printf(" (median %.4g %s)\n", a->v.median, f->unit);
  if (a->has_interval)
    printf("  95 %% interval from measurement and age: %.1f to %.1f (z %+.2f to %+.2f)\n", a->interval.centile_low,
           a->interval.centile_high, a->interval.z_low, a->interval.z_high);
  if (*a->convention.note) printf("  note: %s\n", a->convention.note);
  if (*a->weight_note) printf("  note: %s\n", a->weight_note);
  if (*a->warning) printf("  warning: %s\n", a->warning);
  printf("  chart %s (%s): %s\n", f->id, f->status, f->citation);
}

static ogv_chart_input input_of(const chart_options *o, double x, double value) {
  return (ogv_chart_input){
      x, o->x_sd, value, o->value_sd, o->convention ? o->convention : "", o->weights_by ? o->weights_by : ""};
}

/* Reads the age and the value of the command line and evaluates them. */
static ogv_status eval_words(const chart_options *o, const ogv_chart *c, ogv_chart_answer *a, ogv_error *err) {
  double x, value;
  OGV_TRY(ogv_cli_chart_read_x(c, o->words[2], o->x_unit, &x, err));
  OGV_TRY(ogv_cli_chart_read_value(c, ogv_cli_chart_quantity(c, o), o->words[3], &value, err));
  ogv_chart_input in = input_of(o, x, value);
  return ogv_chart_answer_make(c, &in, a, err);
}

/* The value against every chart of its quantity that is read by the same kind of abscissa, side by side. */
static int eval_all(const chart_options *o) {
  json_t *list = o->json ? json_array() : NULL;
  const ogv_chart *c;
  unsigned n = 0;
  for (size_t i = 0; (c = ogv_chart_at(i)); i++) {
    const ogv_chart_info *f = ogv_chart_about(c);
    ogv_error e;
    ogv_chart_answer a;
    if (strcmp(f->quantity, o->words[1]) || (!f->enabled && !o->unverified)) continue;
    n++;
    ogv_status s = eval_words(o, c, &a, &e);
    if (list)
      json_array_append_new(list, s == OGV_OK ? ogv_chart_answer_json(&a)
                                              : json_pack("{s:s,s:{s:s,s:s}}", "chart", f->id, "error", "code",
                                                          ogv_status_word(e.code), "what", e.what));
    else if (s == OGV_OK)
      printf("%-28s %-26s median %-8.4g %s%s%s%s\n", f->id, a.statement, a.v.median, f->status,
             f->default_for_quantity ? ", default" : "", *a.convention.note || *a.weight_note ? "; " : "",
             *a.weight_note ? a.weight_note : a.convention.note);
    else printf("%-28s none: %s\n", f->id, e.what);
  }
  if (n) return list ? ogv_cli_print_json(list) : 0;
  json_decref(list);
  ogv_error e;
  ogv_fail(&e, OGV_E_NOT_FOUND, "With --all the first word is a quantity, such as hc.",
           "there is no chart for \"%.60s\"", o->words[1]);
  return failed(&e, o);
}

int ogv_cli_chart_run_eval(const chart_options *o) {
  ogv_error e;
  const ogv_chart *c;
  ogv_chart_answer a;
  if (o->n_words != 4) return ogv_cli_usage(&ogv_cmd_chart, "eval wants a chart, an age and a value");
  if (o->all) return eval_all(o);
  if (ogv_cli_chart_pick(o->words[1], o->unverified, &c, &e) != OGV_OK || eval_words(o, c, &a, &e) != OGV_OK)
    return failed(&e, o);
  if (o->json) return ogv_cli_print_json(ogv_chart_answer_json(&a));
  print_answer(&a);
  return 0;
}

int ogv_cli_chart_run_inverse(const chart_options *o) {
  ogv_error e;
  const ogv_chart *c;
  double x, value;
  if (o->n_words != 3 || isnan(o->centile) == isnan(o->z))
    return ogv_cli_usage(&ogv_cmd_chart, "inverse wants a chart, an age, and --centile or --z");
  if (ogv_cli_chart_pick(o->words[1], o->unverified, &c, &e) != OGV_OK ||
      ogv_cli_chart_read_x(c, o->words[2], o->x_unit, &x, &e) != OGV_OK ||
      (isnan(o->z) ? ogv_chart_at_centile(c, x, o->centile, &value, &e) : ogv_chart_at_z(c, x, o->z, &value, &e)) !=
          OGV_OK)
    return failed(&e, o);
  const ogv_chart_info *f = ogv_chart_about(c);
  double z = isnan(o->z) ? ogv_normal_quantile(o->centile / 100) : o->z;
  char t[OGV_CHART_X_TEXT];
  if (o->json)
    return ogv_cli_print_json(json_pack("{s:s,s:{s:s,s:f,s:s,s:s},s:f,s:f,s:f,s:s}", "chart", f->id, "x", "name",
                                        f->x_name, "value", x, "unit", f->x_unit, "text", ogv_chart_x_text(c, x, t),
                                        "z", z, "centile", 100 * ogv_normal_cdf(z), "value", value, "unit", f->unit));
  printf("%.6g %s\n", value, f->unit);
  return 0;
}

/* The ages of a table: from, to and step, by default the whole range in weeks (or a twentieth of it). */
static ogv_status ages(const ogv_chart *c, const chart_options *o, double *from, double *to, double *step,
                       ogv_error *err) {
  const ogv_chart_info *f = ogv_chart_about(c);
  *from = f->x_low;
  *to = f->x_high;
  *step = isnan(o->step) ? (!strcmp(f->x_unit, "d") ? 7 : (f->x_high - f->x_low) / 20) : o->step;
  if (o->from) OGV_TRY(ogv_cli_chart_read_x(c, o->from, o->x_unit, from, err));
  if (o->to) OGV_TRY(ogv_cli_chart_read_x(c, o->to, o->x_unit, to, err));
  if (!(*step > 0) || (*to - *from) / *step > 10000)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a step of %g gives no table or one longer than 10000 rows", *step);
  return OGV_OK;
}

static int table_rows(const ogv_chart *c, const chart_options *o, const double *z, int n, json_t *rows) {
  ogv_error e;
  double from, to, step;
  if (ages(c, o, &from, &to, &step, &e) != OGV_OK) return failed(&e, o);
  for (int i = 0; from + i * step <= to + 1e-9; i++) {
    double x = fmin(from + i * step, to);
    char t[OGV_CHART_X_TEXT];
    json_t *row = rows ? json_array() : NULL;
    if (!rows) printf("%-12s", ogv_chart_x_text(c, x, t));
    for (int j = 0; j < n; j++) {
      double v;
      if (ogv_chart_at_z(c, x, z[j], &v, &e) != OGV_OK) {
        json_decref(row);
        return failed(&e, o);
      }
      if (rows) json_array_append_new(row, json_real(v));
      else printf(" %10.5g", v);
    }
    if (rows)
      json_array_append_new(rows, json_pack("{s:s,s:f,s:o}", "text", ogv_chart_x_text(c, x, t), "x", x, "values", row));
    else putchar('\n');
  }
  return 0;
}

int ogv_cli_chart_run_table(const chart_options *o) {
  double usual[OGV_CHART_CURVES];
  ogv_error e;
  const ogv_chart *c;
  if (o->n_words != 2) return ogv_cli_usage(&ogv_cmd_chart, "table wants one chart");
  if (ogv_cli_chart_pick(o->words[1], o->unverified, &c, &e) != OGV_OK) return failed(&e, o);
  const ogv_chart_info *f = ogv_chart_about(c);
  int n = o->n_deviates ? o->n_deviates : ogv_chart_usual_curves(c, usual);
  const double *z = o->n_deviates ? o->deviates : usual;
  json_t *rows = o->json ? json_array() : NULL, *heads = o->json ? json_array() : NULL;
  if (!o->json) printf("%-12s", f->x_name[0] == 'g' ? "age" : f->x_name);
  for (int j = 0; j < n; j++) {
    double p = round(1e6 * 100 * ogv_normal_cdf(z[j])) / 1e6;
    if (o->json) json_array_append_new(heads, json_pack("{s:f,s:f}", "z", z[j], "centile", p));
    else printf(" %9.4g%%", p);
  }
  if (!o->json) printf("   %s, %s\n", f->unit, f->id);
  int rc = table_rows(c, o, z, n, rows);
  if (rc || !o->json) {
    json_decref(rows);
    json_decref(heads);
    return rc;
  }
  return ogv_cli_print_json(
      json_pack("{s:s,s:s,s:o,s:o}", "chart", f->id, "unit", f->unit, "columns", heads, "rows", rows));
}
