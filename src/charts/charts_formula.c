/* A chart's equations as text, for `ogive chart show`, the calculator page and the reader who checks them in print. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/charts_model.h"

static void add_term(ogv_text *t, const json_t *a, bool first) {
  double c = json_number_value(json_array_get(a, 0)), p = json_number_value(json_array_get(a, 1)),
         q = json_number_value(json_array_get(a, 2));
  ogv_text_add(t, first ? (c < 0 ? "-" : "") : c < 0 ? " - " : " + ");
  ogv_text_addf(t, "%.15g", fabs(c));
  if (p == 1) ogv_text_add(t, "*t");
  else if (p != 0) ogv_text_addf(t, "*t^%g", p);
  if (q == 1) ogv_text_add(t, "*ln(t)");
  else if (q != 0) ogv_text_addf(t, "*ln(t)^%g", q);
}

static void add_terms(ogv_text *t, const json_t *e) {
  const char *outer = ogv_json_string_or(e, "outer", "identity");
  double times = ogv_json_number_or(e, "times", 1), plus = ogv_json_number_or(e, "plus", 0);
  bool inside = strcmp(outer, "identity") || times != 1;
  if (times != 1) ogv_text_addf(t, "%.15g*", times);
  if (!strcmp(outer, "pow10")) ogv_text_add(t, "10^");
  else if (strcmp(outer, "identity")) ogv_text_add(t, outer);
  if (inside) ogv_text_add(t, "(");
  size_t i;
  json_t *a;
  json_array_foreach(json_object_get(e, "terms"), i, a) add_term(t, a, i == 0);
  if (inside) ogv_text_add(t, ")");
  if (plus != 0) ogv_text_addf(t, " %c %.15g", plus < 0 ? '-' : '+', fabs(plus));
  if (json_object_get(e, "shift")) ogv_text_addf(t, "   [t less %.15g]", ogv_json_number_or(e, "shift", 0));
  if (json_object_get(e, "max")) ogv_text_addf(t, "   [t at most %.15g]", ogv_json_number_or(e, "max", 0));
}

static void add_expr(ogv_text *t, const char *name, const json_t *e) {
  ogv_text_addf(t, "%s = ", name);
  if (json_is_number(e)) ogv_text_addf(t, "%.15g", json_number_value(e));
  else if (json_object_get(e, "terms")) add_terms(t, e);
  else
    ogv_text_addf(t, "table of %zu points, %s", json_array_size(json_object_get(e, "points")),
                  strcmp(ogv_json_string_or(e, "between", "linear"), "step") ? "linear between them"
                                                                             : "each holding until the next");
  ogv_text_add(t, "\n");
}

static void add_quantiles(ogv_text *t, const ogv_chart *c) {
  const json_t *list = json_object_get(c->doc, "quantiles"), *table = json_object_get(c->doc, "table");
  char name[40];
  size_t i;
  json_t *k;
  json_array_foreach(list, i, k) {
    snprintf(name, sizeof name, "centile %g", 100 * ogv_json_number_or(k, "q", 0));
    add_expr(t, name, json_object_get(k, "value"));
  }
  if (table)
    ogv_text_addf(t, "table of %zu centiles by %zu ages, %s\n", json_array_size(json_object_get(table, "centiles")),
                  json_array_size(json_object_get(table, "rows")),
                  strcmp(ogv_json_string_or(table, "between", "linear"), "step") ? "linear between the ages"
                                                                                 : "each row holding until the next");
}

static void add_variable(ogv_text *t, const ogv_chart *c) {
  double per = ogv_json_number_or(json_object_get(c->doc, "x"), "per", 1);
  const char *on = ogv_json_string_or(c->doc, "on", "identity");
  if (per == 1) ogv_text_addf(t, "t = %s in %s\n", c->info.x_name, c->info.x_unit);
  else ogv_text_addf(t, "t = %s in %s / %.15g\n", c->info.x_name, c->info.x_unit, per);
  if (c->value_per != 1) ogv_text_addf(t, "y = value in %s / %.15g\n", c->info.unit, c->value_per);
  else ogv_text_addf(t, "y = value in %s\n", c->info.unit);
  if (strcmp(on, "identity")) ogv_text_addf(t, "the equations are for %s(y)\n", on);
}

char *ogv_chart_formula(const ogv_chart *c) {
  static const char *const names[] = {"mean", "sd", "L", "M", "S", "lambda", "mu", "sigma", "median"};
  ogv_text t;
  ogv_text_init(&t, 1u << 20);
  add_variable(&t, c);
  for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
    const json_t *e = json_object_get(c->doc, names[i]);
    if (e) add_expr(&t, names[i], e);
  }
  if (c->model == MODEL_QUANTILES) add_quantiles(&t, c);
  size_t i;
  json_t *k;
  json_array_foreach(json_object_get(c->doc, "components"), i, k) {
    ogv_text_addf(&t, "part %zu: ", i + 1);
    if (json_object_get(k, "weight")) add_expr(&t, "weight", json_object_get(k, "weight"));
    else ogv_text_add(&t, "weight = what is left\n");
    add_expr(&t, "  mean", json_object_get(k, "mean"));
    add_expr(&t, "  sd", json_object_get(k, "sd"));
  }
  static const char *const rules[] = {
      "z = (y - mean)/sd",
      "z = ((y/M)^L - 1)/(L*S), ln(y/M)/S where L = 0",
      "z = (exp((y - mu)*lambda/sigma) - 1)/lambda",
      "z = linear between the normal deviates of the neighbouring centiles; none outside the outer two",
      "centile = 100*sum of weight*Phi((y - mean)/sd); z = the normal deviate of it",
      "multiple of the median only"};
  ogv_text_addf(&t, "%s\n", rules[c->model]);
  return ogv_text_take(&t);
}
