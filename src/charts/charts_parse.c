/* From a chart file to a chart. Everything that could go wrong later is looked for here, once. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/charts_model.h"

static ogv_status bad(const ogv_chart *c, ogv_error *err, const char *what) {
  return ogv_fail(err, OGV_E_INVALID, "See docs/charts.md for the format.", "chart %s: %s", c->info.id, what);
}

static ogv_status scale_word(const ogv_chart *c, const char *word, chart_scale *out, ogv_error *err) {
  static const char *const words[] = {"identity", "ln", "log10", "sqrt"};
  for (unsigned i = 0; i < sizeof words / sizeof *words; i++)
    if (!strcmp(word, words[i])) {
      *out = (chart_scale)i;
      return OGV_OK;
    }
  return bad(c, err, "\"on\" must be identity, ln, log10 or sqrt");
}

static ogv_status member_expr(ogv_chart *c, const json_t *from, const char *key, ogv_error *err) {
  char where[200];
  if (c->n_exprs == CHART_EXPRS) return bad(c, err, "too many expressions");
  snprintf(where, sizeof where, "%.120s: %.40s", c->info.id, key);
  return ogv_chart_expr_parse(c, json_object_get(from, key), where, &c->exprs[c->n_exprs++], err);
}

static ogv_status three(ogv_chart *c, const char *a, const char *b, const char *d, ogv_error *err) {
  OGV_TRY(member_expr(c, c->doc, a, err));
  OGV_TRY(member_expr(c, c->doc, b, err));
  return d ? member_expr(c, c->doc, d, err) : OGV_OK;
}

static ogv_status add_quantile(ogv_chart *c, double p, ogv_error *err) {
  if (c->n_exprs > CHART_EXPRS) return bad(c, err, "too many quantiles");
  unsigned i = c->n_exprs - 1;
  if (!(p > 0 && p < 1) || (i && !(p > c->quantile_p[i - 1])))
    return bad(c, err, "the quantiles must ascend between 0 and 1 (centiles between 0 and 100)");
  c->quantile_p[i] = p;
  c->quantile_z[i] = ogv_normal_quantile(p);
  return OGV_OK;
}

/* "quantiles": [{"q": 0.05, "value": expression}, ...] */
static ogv_status quantile_list(ogv_chart *c, const json_t *list, ogv_error *err) {
  for (size_t i = 0; i < json_array_size(list); i++) {
    const json_t *k = json_array_get(list, i);
    OGV_TRY(member_expr(c, k, "value", err));
    OGV_TRY(add_quantile(c, ogv_json_number_or(k, "q", NAN), err));
  }
  return OGV_OK;
}

/* "table": {"centiles": [5, 50, 95], "rows": [[t, v5, v50, v95], ...], "between": "linear" or "step"}: values in the
 * published unit, brought to the model's scale here, so that "linear" on ln is log-linear. */
static ogv_status quantile_table(ogv_chart *c, const json_t *table, ogv_error *err) {
  const json_t *centiles = json_object_get(table, "centiles"), *rows = json_object_get(table, "rows");
  const char *between = ogv_json_string_or(table, "between", "linear");
  size_t n = json_array_size(rows), k = json_array_size(centiles);
  for (size_t j = 0; j < k; j++)
    if (!json_is_number(json_array_get(centiles, j))) return bad(c, err, "\"centiles\" must be numbers");
  if (n < 1 || k < 1 || k > CHART_EXPRS) return bad(c, err, "\"table\" needs \"centiles\" and \"rows\"");
  if (strcmp(between, "linear") && strcmp(between, "step")) return bad(c, err, "\"between\" must be linear or step");
  double *t = malloc(2 * n * sizeof *t), *v = t + n;
  if (!t) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = OGV_OK;
  for (size_t j = 0; s == OGV_OK && j < k; j++) {
    for (size_t i = 0; s == OGV_OK && i < n; i++) {
      const json_t *row = json_array_get(rows, i);
      if (json_array_size(row) != k + 1 || !json_is_number(json_array_get(row, 0)) ||
          !json_is_number(json_array_get(row, j + 1)))
        s = bad(c, err, "a row of the table has not as many numbers as there are centiles, and one for the age");
      t[i] = json_number_value(json_array_get(row, 0));
      v[i] = ogv_chart_scale_forward(c->scale, json_number_value(json_array_get(row, j + 1)));
    }
    if (s == OGV_OK) s = ogv_chart_expr_points(c, n, t, v, !strcmp(between, "step"), &c->exprs[c->n_exprs++], err);
    if (s == OGV_OK) s = add_quantile(c, json_number_value(json_array_get(centiles, j)) / 100, err);
  }
  free(t);
  return s;
}

static ogv_status quantiles(ogv_chart *c, ogv_error *err) {
  const json_t *list = json_object_get(c->doc, "quantiles"), *table = json_object_get(c->doc, "table");
  OGV_TRY(list    ? quantile_list(c, list, err)
          : table ? quantile_table(c, table, err)
                  : bad(c, err, "\"quantiles\" or \"table\" is missing"));
  if (c->n_exprs < 2) return bad(c, err, "a quantile chart needs two quantiles or more");
  if (c->quantile_p[0] > 0.5 || c->quantile_p[c->n_exprs - 1] < 0.5)
    return bad(c, err, "the quantiles must enclose the median");
  while (c->quantile_middle + 1 < c->n_exprs && c->quantile_p[c->quantile_middle + 1] <= 0.5) c->quantile_middle++;
  return OGV_OK;
}

static ogv_status mixture(ogv_chart *c, ogv_error *err) {
  const json_t *list = json_object_get(c->doc, "components");
  size_t n = json_array_size(list);
  if (n < 2 || n > CHART_EXPRS / 3) return bad(c, err, "\"components\" must be a list of two to five");
  for (size_t i = 0; i < n; i++) {
    const json_t *k = json_array_get(list, i);
    if (i + 1 < n) OGV_TRY(member_expr(c, k, "weight", err));
    else c->exprs[c->n_exprs++] = (chart_expr){.kind = EXPR_CONSTANT}; /* takes what the others leave */
    OGV_TRY(member_expr(c, k, "mean", err));
    OGV_TRY(member_expr(c, k, "sd", err));
  }
  return OGV_OK;
}

static ogv_status model_parse(ogv_chart *c, ogv_error *err) {
  const char *m = c->info.model, *on = ogv_json_string_or(c->doc, "on", "identity");
  OGV_TRY(scale_word(c, on, &c->scale, err));
  bool logs = c->scale == SCALE_LN || c->scale == SCALE_LOG10;
  if (!strcmp(m, "normal") || !strcmp(m, "log-normal") || !strcmp(m, "root-normal")) {
    if ((*m == 'n' && c->scale != SCALE_IDENTITY) || (*m == 'l' && !logs) || (*m == 'r' && c->scale != SCALE_SQRT))
      return bad(c, err,
                 "the model and \"on\" do not fit: normal with identity, log-normal with ln or log10, "
                 "root-normal with sqrt");
    c->model = MODEL_NORMAL;
    return three(c, "mean", "sd", NULL, err);
  }
  if (!strcmp(m, "lms")) {
    c->model = MODEL_LMS;
    return three(c, "L", "M", "S", err);
  }
  if (!strcmp(m, "exponential-normal")) {
    c->model = MODEL_EXPONENTIAL_NORMAL;
    return three(c, "lambda", "mu", "sigma", err);
  }
  if (!strcmp(m, "quantiles")) {
    c->model = MODEL_QUANTILES;
    return quantiles(c, err);
  }
  if (!strcmp(m, "mixture")) {
    c->model = MODEL_MIXTURE;
    return mixture(c, err);
  }
  if (!strcmp(m, "median")) {
    c->model = MODEL_MEDIAN;
    return member_expr(c, c->doc, "median", err);
  }
  return bad(c, err,
             "the model is none of normal, log-normal, root-normal, lms, exponential-normal, quantiles, "
             "mixture, median");
}

/* What must be positive, or ascend, at one age. */
static ogv_status check_at(const ogv_chart *c, double x, ogv_error *err) {
  chart_point at[CHART_VARIABLES];
  ogv_chart_points_at(c, x, at);
  double v[CHART_EXPRS];
  for (unsigned i = 0; i < c->n_exprs; i++) {
    v[i] = ogv_chart_expr_eval(&c->exprs[i], at);
    if (!isfinite(v[i])) return bad(c, err, "an expression has no finite value inside the range");
  }
  bool ok = true;
  if (c->model == MODEL_NORMAL) ok = v[1] > 0;
  if (c->model == MODEL_LMS) ok = v[1] > 0 && v[2] > 0;
  if (c->model == MODEL_EXPONENTIAL_NORMAL) ok = v[2] > 0;
  for (unsigned i = 0; c->model == MODEL_MIXTURE && i + 2 < c->n_exprs; i += 3)
    ok = ok && v[i + 2] > 0 && v[i] >= 0 && v[i] <= 1;
  if (!ok) return bad(c, err, "a spread is not above 0, or a weight not between 0 and 1, inside the range");
  for (unsigned i = 1; c->model == MODEL_QUANTILES && i < c->n_exprs; i++)
    /* Two may touch, as the outer ones of who-efw-male do at 40 weeks, but not cross. */
    if (!(v[i] > v[i - 1] - 1e-9)) return bad(c, err, "the quantiles cross inside the range");
  if (c->model == MODEL_MEDIAN && !(v[0] > 0)) return bad(c, err, "the median is not above 0 inside the range");
  return OGV_OK;
}

static ogv_status check_range(const ogv_chart *c, ogv_error *err) {
  /* The points lie at whole days where the range is in days, and no chart is longer than 300 of them. */
  double low = c->info.x_low, high = c->info.x_high;
  unsigned n = 64;
  if (!strcmp(c->info.x_unit, "d") && high - low < 400 && high > low) n = (unsigned)(high - low);
  for (unsigned i = 0; i <= n; i++) OGV_TRY(check_at(c, low + (high - low) * i / n, err));
  return OGV_OK;
}

static ogv_status members_check(const json_t *d, const char *where, ogv_error *err) {
  static const char *const top[] = {
      "sid",      "squantity",  "stitle",     "scitation", "sdoi",        "spopulation", "sconvention", "sformula",
      "sunit",    "nvalue_per", "ox",         "smodel",    "son",         "sstatus",     "benabled",    "bdefault",
      "nz_limit", "snote",      "emean",      "esd",       "eL",          "eM",          "eS",          "elambda",
      "emu",      "esigma",     "aquantiles", "otable",    "acomponents", "emedian",     NULL};
  static const char *const x[] = {"sname", "sunit", "nlow", "nhigh", "nper", NULL};
  static const char *const table[] = {"acentiles", "arows", "sbetween", NULL};
  static const char *const quantile[] = {"nq", "evalue", NULL}, *const part[] = {"eweight", "emean", "esd", NULL};
  size_t i;
  json_t *k;
  OGV_TRY(ogv_chart_members(d, where, top, err));
  OGV_TRY(ogv_chart_members(json_object_get(d, "x"), where, x, err));
  if (json_object_get(d, "table")) OGV_TRY(ogv_chart_members(json_object_get(d, "table"), where, table, err));
  json_array_foreach(json_object_get(d, "quantiles"), i, k) OGV_TRY(ogv_chart_members(k, where, quantile, err));
  json_array_foreach(json_object_get(d, "components"), i, k) OGV_TRY(ogv_chart_members(k, where, part, err));
  return OGV_OK;
}

static ogv_status info_parse(ogv_chart *c, const char *name, ogv_error *err) {
  ogv_chart_info *f = &c->info;
  const json_t *d = c->doc, *x = json_object_get(d, "x");
  OGV_TRY(ogv_json_string(d, name, "id", &f->id, err));
  OGV_TRY(members_check(d, f->id, err));
  OGV_TRY(ogv_json_string(d, f->id, "quantity", &f->quantity, err));
  OGV_TRY(ogv_json_string(d, f->id, "title", &f->title, err));
  OGV_TRY(ogv_json_string(d, f->id, "citation", &f->citation, err));
  OGV_TRY(ogv_json_string(d, f->id, "population", &f->population, err));
  OGV_TRY(ogv_json_string(d, f->id, "model", &f->model, err));
  OGV_TRY(ogv_json_string(d, f->id, "status", &f->status, err));
  OGV_TRY(ogv_json_string(d, f->id, "unit", &f->unit, err));
  OGV_TRY(ogv_json_string(x, f->id, "name", &f->x_name, err));
  OGV_TRY(ogv_json_string(x, f->id, "unit", &f->x_unit, err));
  OGV_TRY(ogv_json_number(x, f->id, "low", &f->x_low, err));
  OGV_TRY(ogv_json_number(x, f->id, "high", &f->x_high, err));
  f->doi = ogv_json_string_or(d, "doi", "");
  f->convention = ogv_json_string_or(d, "convention", "");
  f->formula = ogv_json_string_or(d, "formula", "");
  f->note = ogv_json_string_or(d, "note", "");
  f->z_limit = ogv_json_number_or(d, "z_limit", INFINITY);
  f->enabled = !json_is_false(json_object_get(d, "enabled"));
  f->default_for_quantity = json_is_true(json_object_get(d, "default"));
  c->value_per = ogv_json_number_or(d, "value_per", 1);
  if (!(f->x_high > f->x_low)) return bad(c, err, "the range of x is empty");
  if (!(c->value_per > 0) || !(f->z_limit > 0)) return bad(c, err, "\"value_per\" and \"z_limit\" must be above 0");
  bool memory = !strcmp(f->status, "from-memory");
  if (!memory && strcmp(f->status, "verified") && strcmp(f->status, "single-source"))
    return bad(c, err, "the status is none of verified, single-source, from-memory");
  if (memory && !json_is_false(json_object_get(d, "enabled")) && !json_is_true(json_object_get(d, "enabled")))
    return bad(c, err, "a chart from memory must say \"enabled\": false, or true once it was compared with the print");
  if (f->default_for_quantity && (strcmp(f->status, "verified") || !f->enabled))
    return bad(c, err, "only a verified chart that is switched on can be a default");
  return OGV_OK;
}

void ogv_chart_free(ogv_chart *c) {
  if (!c) return;
  for (unsigned i = 0; i < c->n_exprs; i++) ogv_chart_expr_free(&c->exprs[i]);
  json_decref(c->doc);
  free(c->median_at);
  free(c);
}

ogv_status ogv_chart_from_json(json_t *doc, const char *name, ogv_chart **out, ogv_error *err) {
  *out = NULL;
  ogv_chart *c = calloc(1, sizeof *c);
  if (!c) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  c->doc = json_incref(doc);
  ogv_status s = info_parse(c, name, err);
  if (s == OGV_OK) s = model_parse(c, err);
  if (s == OGV_OK) s = check_range(c, err);
  if (s == OGV_OK && c->model == MODEL_MIXTURE) s = ogv_chart_mixture_prepare(c, err);
  if (s == OGV_OK) *out = c;
  else ogv_chart_free(c);
  return s;
}

ogv_status ogv_chart_split(const json_t *root, const char *name, json_t **out, ogv_error *err) {
  const json_t *list = json_object_get(root, "charts"), *common = json_object_get(root, "common");
  if (!json_is_object(root)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s is not a JSON object", name);
  json_t *made = json_array();
  bool ok = made != NULL;
  if (!list) ok = ok && !json_array_append_new(made, json_copy((json_t *)root));
  for (size_t i = 0; ok && i < json_array_size(list); i++) {
    json_t *one = common ? json_copy((json_t *)common) : json_object();
    ok = !json_array_append_new(made, one) && !json_object_update(one, json_array_get(list, i));
  }
  *out = made;
  if (ok) return OGV_OK;
  json_decref(made);
  *out = NULL;
  return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"charts\" is not a list of objects", name);
}

ogv_status ogv_chart_parse(const char *text, size_t n, const char *name, ogv_chart **out, ogv_error *err) {
  json_t *root = NULL, *list = NULL;
  *out = NULL;
  OGV_TRY(ogv_json_parse(text, n, name, &root, err));
  ogv_status s = ogv_chart_split(root, name, &list, err);
  if (s == OGV_OK && json_array_size(list) != 1)
    s = ogv_fail(err, OGV_E_INVALID, "Parse them one by one.", "%s holds %zu charts, not one", name,
                 json_array_size(list));
  if (s == OGV_OK) s = ogv_chart_from_json(json_array_get(list, 0), name, out, err);
  json_decref(list);
  json_decref(root);
  return s;
}
