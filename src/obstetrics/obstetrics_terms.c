#include "private/obstetrics_terms.h"

#include <math.h>
#include <string.h>

#include "core_json.h"

static const char *const words[OGV_VARS] = {"bpd", "hc", "ac", "fl", "crl", "msd", "tcd"};

const char *ogv_var_word(int var) { return words[var]; }

static ogv_status add_factor(ogv_term *t, const char *key, double power, const char *where, ogv_error *err) {
  bool log = !strncmp(key, "ln_", 3);
  int var = 0;
  while (var < OGV_VARS && strcmp(words[var], key + (log ? 3 : 0))) var++;
  if (var == OGV_VARS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: unknown measurement \"%.20s\" in a term", where, key);
  size_t i = 0;
  while (i < t->n && t->f[i].var != var) i++;
  if (i == OGV_TERM_FACTORS) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: too many factors in a term", where);
  if (i == t->n) {
    t->f[i].var = var;
    t->f[i].p = t->f[i].q = 0;
    t->n++;
  }
  if (log) t->f[i].q = power;
  else t->f[i].p = power;
  return OGV_OK;
}

static ogv_status read_term(const json_t *v, const char *where, ogv_term *t, ogv_error *err) {
  *t = (ogv_term){0};
  const char *key;
  json_t *power;
  json_object_foreach((json_t *)v, key, power) {
    if (!json_is_number(power)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"%.20s\" is not a number", where, key);
    if (!strcmp(key, "c")) t->c = json_number_value(power);
    else OGV_TRY(add_factor(t, key, json_number_value(power), where, err));
  }
  return OGV_OK;
}

ogv_status ogv_terms_read(const json_t *v, const char *where, ogv_terms *out, ogv_error *err) {
  *out = (ogv_terms){0};
  const json_t *list = json_object_get(v, "terms");
  if (!json_is_array(list) || !json_array_size(list) || json_array_size(list) > OGV_TERMS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"terms\" must be a list of 1 to %d terms", where, OGV_TERMS);
  const char *lengths, *outer = ogv_json_string_or(v, "outer", "identity");
  OGV_TRY(ogv_json_string(v, where, "lengths", &lengths, err));
  double to = !strcmp(lengths, "mm") ? 1 : !strcmp(lengths, "cm") ? 0.1 : !strcmp(lengths, "m") ? 0.001 : 0;
  if (to == 0) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"lengths\" must be mm, cm or m", where);
  out->scale = to * ogv_json_number_or(v, "lengths_times", 1);
  out->out_scale = ogv_json_number_or(v, "result_times", 1);
  out->transform = !strcmp(outer, "identity") ? 'i' : !strcmp(outer, "exp") ? 'e' : !strcmp(outer, "exp10") ? 't' : 0;
  if (!out->transform) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: unknown outer function \"%.20s\"", where, outer);
  out->n = json_array_size(list);
  for (size_t i = 0; i < out->n; i++) {
    OGV_TRY(read_term(json_array_get(list, i), where, &out->t[i], err));
    for (size_t k = 0; k < out->t[i].n; k++) out->uses[out->t[i].f[k].var] = true;
  }
  return OGV_OK;
}

static double power(double x, double p) {
  if (p == 1) return x;
  if (p == 0) return 1;
  if (p == 2) return x * x;
  if (p == 3) return x * x * x;
  if (p == 4) return x * x * x * x;
  if (p == 0.5) return sqrt(x);
  return pow(x, p);
}

static double factor(const ogv_term *t, size_t k, const double *x) {
  double v = power(x[t->f[k].var], t->f[k].p);
  return t->f[k].q == 0 ? v : v * power(log(x[t->f[k].var]), t->f[k].q);
}

/* d/dx of x^p ln(x)^q */
static double slope(double x, double p, double q) {
  double l = q == 0 ? 1 : log(x);
  double a = p == 0 ? 0 : p * power(x, p - 1) * (q == 0 ? 1 : power(l, q));
  return q == 0 ? a : a + power(x, p - 1) * q * power(l, q - 1);
}

double ogv_terms_value(const ogv_terms *f, const double mm[OGV_VARS], double gradient[OGV_VARS]) {
  double x[OGV_VARS], d[OGV_VARS] = {0}, sum = 0;
  for (int v = 0; v < OGV_VARS; v++) x[v] = f->uses[v] ? mm[v] * f->scale : 1;
  for (size_t i = 0; i < f->n; i++) {
    const ogv_term *t = &f->t[i];
    double part = t->c;
    for (size_t k = 0; k < t->n; k++) part *= factor(t, k, x);
    sum += part;
    for (size_t k = 0; gradient && k < t->n; k++) {
      double rest = t->c;
      for (size_t j = 0; j < t->n; j++)
        if (j != k) rest *= factor(t, j, x);
      d[t->f[k].var] += rest * slope(x[t->f[k].var], t->f[k].p, t->f[k].q);
    }
  }
  double value = f->transform == 'i' ? sum : f->transform == 'e' ? exp(sum) : exp(sum * 2.302585092994046);
  double outer = f->transform == 'i' ? 1 : f->transform == 'e' ? value : value * 2.302585092994046;
  if (gradient)
    for (int v = 0; v < OGV_VARS; v++) gradient[v] = f->uses[v] ? d[v] * outer * f->scale * f->out_scale : 0;
  return value * f->out_scale;
}
