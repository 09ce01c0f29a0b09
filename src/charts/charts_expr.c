/* Expressions of a chart, compiled when it is read so that evaluating allocates nothing. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/charts_model.h"

static double power(const chart_term *k, const chart_point *at) {
  double t = at->t;
  switch (k->half_power) {
    case 0: return 1;
    case 1: return at->root;
    case 2: return t;
    case 3: return t * at->root;
    case 4: return t * t;
    case 6: return t * t * t;
    case 8: return t * t * t * t;
    case -1: return 1 / at->root;
    case -2: return 1 / t;
    case -4: return 1 / (t * t);
    case -6: return 1 / (t * t * t);
    default: return pow(t, k->p);
  }
}

static double outer(chart_outer f, double s) {
  switch (f) {
    case OUTER_IDENTITY: return s;
    case OUTER_EXP: return exp(s);
    case OUTER_POW10: return exp10(s);
    case OUTER_LN: return log(s);
    case OUTER_LOG10: return log10(s);
    case OUTER_SQRT: return sqrt(s);
    case OUTER_LOGISTIC: return 1 / (1 + exp(-s));
  }
  return NAN;
}

/* Index of the last point at or before t; t is inside the table or on its edge. */
static size_t row_of(const chart_expr *e, double t) {
  size_t n = e->n, i;
  if (!(t > e->t[0])) return 0;
  if (e->inverse_step > 0) {
    double guess = (t - e->t[0]) * e->inverse_step;
    i = guess >= n - 1 ? n - 1 : (size_t)guess;
  } else {
    size_t lo = 0, hi = n;
    while (hi - lo > 1) {
      size_t mid = (lo + hi) / 2;
      if (e->t[mid] <= t) lo = mid;
      else hi = mid;
    }
    i = lo;
  }
  /* The guess is one off at most, by rounding. */
  while (i + 1 < n && e->t[i + 1] <= t) i++;
  while (i > 0 && e->t[i] > t) i--;
  return i;
}

static double table(const chart_expr *e, double t) {
  size_t i = row_of(e, t);
  if (e->kind == EXPR_STEP || i + 1 == e->n) return e->v[i];
  double f = (t - e->t[i]) / (e->t[i + 1] - e->t[i]);
  return e->v[i] + f * (e->v[i + 1] - e->v[i]);
}

double ogv_chart_expr_eval(const chart_expr *e, const chart_point *points) {
  const chart_point *at = &points[e->variable];
  if (e->kind == EXPR_CONSTANT) return e->plus;
  if (e->kind == EXPR_POLYNOMIAL) {
    double t = at->t, s = e->poly[POLYNOMIAL_DEGREE];
    for (int i = POLYNOMIAL_DEGREE - 1; i >= 0; i--) s = s * t + e->poly[i];
    return s;
  }
  if (e->kind != EXPR_TERMS) return table(e, at->t);
  double s = 0;
  for (unsigned i = 0; i < e->n; i++) {
    const chart_term *k = &e->terms[i];
    double v = k->c * power(k, at);
    if (k->q == 1) v *= at->ln;
    else if (k->q == 2) v *= at->ln * at->ln;
    s += v;
  }
  return e->times * outer(e->outer, s) + e->plus;
}

void ogv_chart_points_at(const ogv_chart *c, double x, chart_point out[CHART_VARIABLES]) {
  for (unsigned i = 0; i < c->n_variables; i++) {
    const chart_variable *v = &c->variables[i];
    double t = x / v->per - v->shift;
    out[i].t = t < v->cap ? t : v->cap;
    out[i].ln = v->need_ln ? log(out[i].t) : 0;
    out[i].root = v->need_root ? sqrt(out[i].t) : 0;
  }
}

static ogv_status variable_of(ogv_chart *c, const json_t *v, const char *where, unsigned char *index, ogv_error *err) {
  const json_t *x = json_object_get(c->doc, "x");
  double per = ogv_json_number_or(v, "per", ogv_json_number_or(x, "per", 1));
  double shift = ogv_json_number_or(v, "shift", 0), cap = ogv_json_number_or(v, "max", INFINITY);
  if (!(per > 0)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"per\" must be above 0", where);
  for (unsigned i = 0; i < c->n_variables; i++) {
    const chart_variable *k = &c->variables[i];
    if (k->per == per && k->shift == shift && k->cap == cap) {
      *index = (unsigned char)i;
      return OGV_OK;
    }
  }
  if (c->n_variables == CHART_VARIABLES)
    return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "%s: more than %d different variables in one chart", where,
                    CHART_VARIABLES);
  *index = (unsigned char)c->n_variables;
  c->variables[c->n_variables++] = (chart_variable){per, shift, cap, false, false};
  return OGV_OK;
}

static ogv_status outer_word(const char *word, const char *where, chart_outer *out, ogv_error *err) {
  static const char *const words[] = {"identity", "exp", "pow10", "ln", "log10", "sqrt", "logistic"};
  for (unsigned i = 0; i < sizeof words / sizeof *words; i++)
    if (!strcmp(word, words[i])) {
      *out = (chart_outer)i;
      return OGV_OK;
    }
  return ogv_fail(err, OGV_E_INVALID, "Use identity, exp, pow10, ln, log10, sqrt or logistic.",
                  "%s: there is no outer function \"%.40s\"", where, word);
}

static ogv_status term_parse(chart_variable *var, const json_t *a, const char *where, chart_term *out, ogv_error *err) {
  size_t n = json_array_size(a);
  bool ok = n >= 1 && n <= 3;
  for (size_t i = 0; ok && i < n; i++) ok = json_is_number(json_array_get(a, i));
  if (!ok)
    return ogv_fail(err, OGV_E_INVALID, "Write [c, p, q] for c * t^p * ln(t)^q.",
                    "%s: a term is not a list of one to three numbers", where);
  out->c = json_number_value(json_array_get(a, 0));
  out->p = n > 1 ? json_number_value(json_array_get(a, 1)) : 0;
  double q = n > 2 ? json_number_value(json_array_get(a, 2)) : 0;
  if (q != 0 && q != 1 && q != 2)
    return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "%s: the power of ln(t) must be 0, 1 or 2", where);
  out->q = (signed char)q;
  double half = out->p * 2;
  static const signed char fast[] = {0, 1, 2, 3, 4, 6, 8, -1, -2, -4, -6};
  out->half_power = POWER_GENERAL;
  for (size_t i = 0; i < sizeof fast; i++)
    if (half == fast[i]) out->half_power = fast[i];
  var->need_ln |= q != 0;
  var->need_root |= out->half_power == 1 || out->half_power == 3 || out->half_power == -1;
  return OGV_OK;
}

/* Whole powers up to four and nothing around them: Horner's scheme does. */
static void to_polynomial(chart_expr *e) {
  if (e->outer != OUTER_IDENTITY || e->times != 1) return;
  double poly[POLYNOMIAL_DEGREE + 1] = {e->plus};
  for (unsigned i = 0; i < e->n; i++) {
    const chart_term *k = &e->terms[i];
    if (k->q || !(k->p >= 0 && k->p <= POLYNOMIAL_DEGREE) || k->p != floor(k->p)) return;
    poly[(int)k->p] += k->c;
  }
  memcpy(e->poly, poly, sizeof poly);
  e->kind = EXPR_POLYNOMIAL;
}

static ogv_status terms_parse(ogv_chart *c, const json_t *v, const char *where, chart_expr *out, ogv_error *err) {
  static const char *const members[] = {"aterms", "souter", "ntimes", "nplus", "nper", "nshift", "nmax", NULL};
  OGV_TRY(ogv_chart_members(v, where, members, err));
  const json_t *terms = json_object_get(v, "terms");
  size_t n = json_array_size(terms);
  if (n < 1 || n > 32)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"terms\" must be a list of 1 to 32 terms", where);
  out->kind = EXPR_TERMS;
  out->times = ogv_json_number_or(v, "times", 1);
  out->plus = ogv_json_number_or(v, "plus", 0);
  OGV_TRY(outer_word(ogv_json_string_or(v, "outer", "identity"), where, &out->outer, err));
  OGV_TRY(variable_of(c, v, where, &out->variable, err));
  out->terms = calloc(n, sizeof *out->terms);
  if (!out->terms) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  out->n = (unsigned short)n;
  for (size_t i = 0; i < n; i++)
    OGV_TRY(term_parse(&c->variables[out->variable], json_array_get(terms, i), where, &out->terms[i], err));
  to_polynomial(out);
  return OGV_OK;
}

ogv_status ogv_chart_expr_points(ogv_chart *c, size_t n, const double *t, const double *v, bool step, chart_expr *out,
                                 ogv_error *err) {
  *out = (chart_expr){.kind = step ? EXPR_STEP : EXPR_LINEAR, .times = 1};
  OGV_TRY(variable_of(c, NULL, c->info.id, &out->variable, err));
  if (n < 1 || n > 2000) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: a table needs 1 to 2000 rows", c->info.id);
  out->t = malloc(2 * n * sizeof *out->t);
  if (!out->t) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  out->n = (unsigned short)n;
  out->v = out->t + n;
  memcpy(out->t, t, n * sizeof *t);
  memcpy(out->v, v, n * sizeof *v);
  double gap = n > 1 ? t[1] - t[0] : 0;
  for (size_t i = 1; i < n; i++) {
    if (!(t[i] > t[i - 1]))
      return ogv_fail(err, OGV_E_INVALID, NULL, "%s: the rows of the table do not ascend at row %zu", c->info.id,
                      i + 1);
    if (fabs(t[i] - t[i - 1] - gap) > 1e-9) gap = 0;
  }
  out->inverse_step = gap > 0 ? 1 / gap : 0;
  const chart_variable *k = &c->variables[out->variable];
  if (t[0] > c->info.x_low / k->per + 1e-9 || (!step && t[n - 1] < c->info.x_high / k->per - 1e-9))
    return ogv_fail(err, OGV_E_INVALID, "Narrow the range, or add the rows.",
                    "%s: the table, from %g to %g, does not cover the range of the chart", c->info.id, t[0], t[n - 1]);
  return OGV_OK;
}

static ogv_status points_parse(ogv_chart *c, const json_t *v, const char *where, chart_expr *out, ogv_error *err) {
  static const char *const members[] = {"apoints", "sbetween", NULL};
  OGV_TRY(ogv_chart_members(v, where, members, err));
  const json_t *points = json_object_get(v, "points");
  const char *between = ogv_json_string_or(v, "between", "linear");
  if (strcmp(between, "linear") && strcmp(between, "step"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"between\" must be linear or step", where);
  size_t n = json_array_size(points);
  double *block = malloc(2 * (n + 1) * sizeof *block);
  if (!block) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = OGV_OK;
  for (size_t i = 0; s == OGV_OK && i < n; i++) {
    const json_t *a = json_array_get(points, i);
    const json_t *t = json_array_get(a, 0), *y = json_array_get(a, 1);
    if (json_array_size(a) != 2 || !json_is_number(t) || !json_is_number(y))
      s = ogv_fail(err, OGV_E_INVALID, NULL, "%s: point %zu is not [t, value]", where, i + 1);
    block[i] = json_number_value(t);
    block[n + i] = json_number_value(y);
  }
  if (s == OGV_OK) s = ogv_chart_expr_points(c, n, block, block + n, !strcmp(between, "step"), out, err);
  free(block);
  return s;
}

ogv_status ogv_chart_expr_parse(ogv_chart *c, const json_t *v, const char *where, chart_expr *out, ogv_error *err) {
  *out = (chart_expr){.kind = EXPR_CONSTANT, .times = 1};
  if (json_is_number(v)) {
    out->plus = json_number_value(v);
    return OGV_OK;
  }
  if (json_object_get(v, "terms")) return terms_parse(c, v, where, out, err);
  if (json_object_get(v, "points")) return points_parse(c, v, where, out, err);
  return ogv_fail(err, OGV_E_INVALID, "See docs/charts.md for the format.",
                  "%s is missing, or is not a number, \"terms\" or \"points\"", where);
}

void ogv_chart_expr_free(chart_expr *e) {
  free(e->terms);
  free(e->t);
}
