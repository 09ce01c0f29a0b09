#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_evaluate.h"
#include "core_json.h"
#include "core_sort.h"

static double quantile(const double *sorted, size_t n, double q) {
  if (!n) return NAN;
  double at = q * (double)(n - 1);
  size_t i = (size_t)at;
  return i + 1 < n ? sorted[i] + (at - (double)i) * (sorted[i + 1] - sorted[i]) : sorted[i];
}

static void moments(const double *v, size_t n, double *mean, double *sd) {
  double s = 0, q = 0;
  for (size_t i = 0; i < n; i++) s += v[i];
  *mean = n ? s / (double)n : NAN;
  for (size_t i = 0; i < n; i++) q += (v[i] - *mean) * (v[i] - *mean);
  *sd = n > 1 ? sqrt(q / (double)(n - 1)) : NAN;
}

static void put(json_t *o, const char *key, double v) {
  json_object_set_new(o, key, ogv_json_real(isfinite(v) ? round(v * 1e4) / 1e4 : v));
}

/* mean, SD, limits of agreement, median, 95th centile and maximum of a difference. */
static void differences(json_t *o, const char *prefix, double *d, size_t n) {
  char key[64];
  double mean, sd, mean_abs, unused;
  moments(d, n, &mean, &sd);
#define PUT(name, v) (snprintf(key, sizeof key, "%s%s", prefix, name), put(o, key, v))
  PUT("bias", mean);
  PUT("sd", sd);
  PUT("limit_low", mean - 1.96 * sd);
  PUT("limit_high", mean + 1.96 * sd);
  for (size_t i = 0; i < n; i++) d[i] = fabs(d[i]);
  moments(d, n, &mean_abs, &unused);
  qsort(d, n, sizeof *d, ogv_ascending);
  PUT("mean_abs", mean_abs);
  PUT("median_abs", quantile(d, n, 0.5));
  PUT("p95_abs", quantile(d, n, 0.95));
  PUT("max_abs", n ? d[n - 1] : NAN);
#undef PUT
}

json_t *eval_summary(const eval_rows *rows, const char *group) {
  json_t *o = json_object();
  double *d = malloc(sizeof *d * 4 * (rows->n + 1));
  if (!d) return o;
  double *rel = d + rows->n + 1, *b = rel + rows->n + 1, *f = b + rows->n + 1;
  size_t n = 0, all = 0, refused = 0, missing = 0, inside = 0, nd = 0, nb = 0, nf = 0, gross = 0;
  double dice = 0;
  for (size_t i = 0; i < rows->n; i++) {
    const eval_row *r = &rows->row[i];
    if (group && strcmp(group, r->group)) continue;
    all++;
    if (!r->found) missing++;
    if (!r->accepted) {
      refused++;
      continue;
    }
    d[n] = r->value - r->truth;
    rel[n] = 100 * d[n] / r->truth;
    if (fabs(d[n]) <= 1.96 * r->sd) inside++;
    if (fabs(d[n]) > 10) gross++;
    n++;
    if (isfinite(r->dice)) dice += r->dice, nd++;
    if (isfinite(r->bpd) && isfinite(r->bpd_truth)) b[nb++] = r->bpd - r->bpd_truth;
    if (isfinite(r->ofd) && isfinite(r->ofd_truth)) f[nf++] = r->ofd - r->ofd_truth;
  }
  json_object_set_new(o, "pictures", json_integer((json_int_t)all));
  json_object_set_new(o, "accepted", json_integer((json_int_t)n));
  json_object_set_new(o, "refused", json_integer((json_int_t)refused));
  json_object_set_new(o, "not_found", json_integer((json_int_t)missing));
  put(o, "refused_percent", all ? 100.0 * (double)refused / (double)all : NAN);
  json_object_set_new(o, "errors_above_10_mm", json_integer((json_int_t)gross));
  put(o, "interval_covers_percent", n ? 100.0 * (double)inside / (double)n : NAN);
  differences(o, "mm_", d, n);
  differences(o, "percent_", rel, n);
  if (nb) differences(o, "bpd_mm_", b, nb);
  if (nf) differences(o, "ofd_mm_", f, nf);
  if (nd) put(o, "dice", dice / (double)nd);
  free(d);
  return o;
}

static double get(const json_t *o, const char *k) { return ogv_json_number_or(o, k, NAN); }

void eval_print(const json_t *s, const char *title) {
  printf("%-16s %4.0f pictures, %.0f accepted, %.1f %% refused\n", title, get(s, "pictures"), get(s, "accepted"),
         get(s, "refused_percent"));
  if (!(get(s, "accepted") > 0)) return;
  printf("    difference  bias %.2f  SD %.2f  limits %.2f to %.2f mm  (%.2f %% +- %.2f %%)\n", get(s, "mm_bias"),
         get(s, "mm_sd"), get(s, "mm_limit_low"), get(s, "mm_limit_high"), get(s, "percent_bias"),
         get(s, "percent_sd"));
  printf("    error       mean %.2f  median %.2f  95th %.2f  largest %.2f mm; above 10 mm: %.0f\n",
         get(s, "mm_mean_abs"), get(s, "mm_median_abs"), get(s, "mm_p95_abs"), get(s, "mm_max_abs"),
         get(s, "errors_above_10_mm"));
  printf("    95 %% interval covers %.1f %%", get(s, "interval_covers_percent"));
  if (json_object_get(s, "dice")) printf("   Dice %.4f", get(s, "dice"));
  printf("\n");
  if (json_object_get(s, "bpd_mm_sd"))
    printf("    BPD bias %.2f SD %.2f mean error %.2f mm;  OFD bias %.2f SD %.2f mean error %.2f mm\n",
           get(s, "bpd_mm_bias"), get(s, "bpd_mm_sd"), get(s, "bpd_mm_mean_abs"), get(s, "ofd_mm_bias"),
           get(s, "ofd_mm_sd"), get(s, "ofd_mm_mean_abs"));
}
