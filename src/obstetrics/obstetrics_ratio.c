#include "obstetrics_ratio.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "charts_chart.h"
#include "obstetrics_quantity.h"

ogv_status ogv_bpd_convert(double bpd_mm, const char *from, const char *to, double *out, bool *converted,
                           ogv_error *err) {
  bool from_oo = !strcmp(from, "outer-outer"), to_oo = !strcmp(to, "outer-outer");
  if ((!from_oo && strcmp(from, "outer-inner")) || (!to_oo && strcmp(to, "outer-inner")))
    return ogv_fail(err, OGV_E_INVALID, "Conventions of the BPD are outer-outer and outer-inner.",
                    "a BPD measured %.30s cannot be converted to %.30s", from, to);
  if (converted) *converted = from_oo != to_oo;
  return ogv_convention_convert("bpd", from, to, bpd_mm, out, err);
}

double ogv_bpd_corrected(double bpd_mm, double ofd_mm) { return sqrt(bpd_mm * ofd_mm / 1.265); }
double ogv_circumference_from_diameters(double a_mm, double b_mm) { return M_PI * (a_mm + b_mm) / 2; }

/* Limits: where a source gives them. from_days: the ratio is steady only from this age on. */
typedef struct {
  const char *id, *numerator, *denominator;
  double times, low, high;
  int from_days;
  const char *below, *above, *source, *status;
} ratio;

static const ratio ratios[] = {
    {"ci", "bpd", "ofd", 100, 74, 83, 98, "long head: BPD misdates", "short head: BPD misdates",
     "Hadlock FP et al. AJR 1981;137:83-85, doi 10.2214/ajr.137.1.83 (mean 78.3, 1 SD limits 74 and 83)", "verified"},
    {"fl-ac", "fl", "ac", 100, 20, 24, 147, "femur short for the abdomen, or a large abdomen",
     "abdomen small for the femur",
     "Hadlock FP et al. AJR 1983;141:979-984 (constant from 21 weeks: verified; 22 +- 2 from memory)", "from-memory"},
    {"fl-bpd", "fl", "bpd", 100, 71, 87, 154, "femur short for the head", "head small for the femur",
     "Hohler CW, Quetel TA. Am J Obstet Gynecol 1981;141:759-762 (79 +- 8)", "from-memory"},
    {"fl-hc", "fl", "hc", 100, NAN, NAN, 0, "", "", "", ""},
    {"hc-ac", "hc", "ac", 1, NAN, NAN, 0, "", "", "", ""},
    {"fl-foot", "fl", "foot", 1, 0.87, NAN, 0, "femur short for the foot", "",
     "Campbell J et al. 1988 (mean 0.99, SD 0.06)", "from-memory"},
    {"cpr", "mca-pi", "ua-pi", 1, NAN, NAN, 0, "", "", "", ""},
    {"ucr", "ua-pi", "mca-pi", 1, NAN, NAN, 0, "", "", "", ""},
    {"ct-ratio", "cardiac-td", "thorax-td", 1, NAN, NAN, 0, "", "", "", ""},
    {"ct-circ-ratio", "cardiac-circ", "thorax-circ", 1, NAN, 0.5, 0, "", "heart large for the chest",
     "Paladini D et al. 1990", "from-memory"},
    {"ct-area-ratio", "cardiac-area", "thorax-area", 1, 0.25, 0.35, 0, "heart small for the chest",
     "heart large for the chest", "ISUOG heart guideline, doi 10.1002/uog.12403", "from-memory"},
};

static const ratio *find(const char *id) {
  for (size_t i = 0; i < sizeof ratios / sizeof *ratios; i++)
    if (!strcmp(ratios[i].id, id)) return &ratios[i];
  return NULL;
}

bool ogv_ratio_parts(const char *id, const char **numerator, const char **denominator) {
  const ratio *r = find(id);
  if (!r) return false;
  *numerator = r->numerator;
  *denominator = r->denominator;
  return true;
}

ogv_status ogv_ratio_of(const char *id, double n, double n_sd, double d, double d_sd, int ga_days, ogv_ratio *out,
                        ogv_error *err) {
  const ratio *r = find(id);
  if (!r) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no ratio \"%.40s\"", id);
  if (!(n > 0) || !(d > 0) || !isfinite(n) || !isfinite(d))
    return ogv_fail(err, OGV_E_INVALID, "Both parts must be measured.", "%s needs %s and %s above zero", id,
                    r->numerator, r->denominator);
  *out = (ogv_ratio){.id = r->id, .low = NAN, .high = NAN, .source = r->source, .status = r->status};
  out->value = r->times * n / d;
  out->sd = n_sd > 0 && d_sd > 0 ? out->value * hypot(n_sd / n, d_sd / d) : NAN;
  if (ga_days >= r->from_days || r->from_days == 0) {
    out->low = r->low;
    out->high = r->high;
    const char *text = out->value < r->low ? r->below : out->value > r->high ? r->above : "";
    snprintf(out->note, sizeof out->note, "%s", text);
  }
  return OGV_OK;
}

double ogv_volume_ellipsoid(double l, double w, double h) { return M_PI / 6 * l * w * h / 1000; }
double ogv_volume_prolate(double l, double w) { return ogv_volume_ellipsoid(l, w, w); }

static ogv_status check_areas(const double *a, size_t n, double step, size_t least, ogv_error *err) {
  if (n < least || !(step > 0) || !isfinite(step))
    return ogv_fail(err, OGV_E_INVALID, NULL, "a volume from slices needs %zu areas or more and a spacing above zero",
                    least);
  for (size_t i = 0; i < n; i++)
    if (!(a[i] >= 0) || !isfinite(a[i]))
      return ogv_fail(err, OGV_E_INVALID, NULL, "slice %zu has no proper size", i + 1);
  return OGV_OK;
}

ogv_status ogv_volume_slices(const double *a, size_t n, double step, ogv_slice_rule rule, double *ml, ogv_error *err) {
  OGV_TRY(check_areas(a, n, step, rule == OGV_SLICES_MIDPOINT ? 1 : rule == OGV_SLICES_SIMPSON ? 3 : 2, err));
  double sum = 0;
  switch (rule) {
    case OGV_SLICES_MIDPOINT:
      for (size_t i = 0; i < n; i++) sum += a[i];
      break;
    case OGV_SLICES_TRAPEZOID:
      for (size_t i = 0; i + 1 < n; i++) sum += (a[i] + a[i + 1]) / 2;
      break;
    case OGV_SLICES_SIMPSON:
      if (n % 2 == 0)
        return ogv_fail(err, OGV_E_INVALID, "Add or leave out one slice.",
                        "Simpson's rule needs an odd number of areas");
      for (size_t i = 0; i < n; i++) sum += a[i] * (i == 0 || i == n - 1 ? 1 : i % 2 ? 4 : 2) / 3;
      break;
    case OGV_SLICES_FRUSTUM:
      for (size_t i = 0; i + 1 < n; i++) sum += (a[i] + a[i + 1] + sqrt(a[i] * a[i + 1])) / 3;
      break;
    default: return ogv_fail(err, OGV_E_INVALID, NULL, "unknown rule for slices");
  }
  *ml = sum * step / 1000;
  return OGV_OK;
}

ogv_status ogv_volume_discs(const double *a, const double *b, size_t n, double length, double *ml, ogv_error *err) {
  OGV_TRY(check_areas(a, n, length, 1, err));
  if (b) OGV_TRY(check_areas(b, n, length, 1, err));
  double sum = 0;
  for (size_t i = 0; i < n; i++) sum += a[i] * (b ? b[i] : a[i]);
  *ml = M_PI / 4 * sum * length / (double)n / 1000;
  return OGV_OK;
}

ogv_status ogv_colour_indices_of(size_t grey, const size_t colour[101], ogv_colour_indices *out, ogv_error *err) {
  double n = 0, sum = 0;
  for (int c = 1; c <= 100; c++) {
    n += (double)colour[c];
    sum += (double)colour[c] * c;
  }
  double all = n + (double)grey;
  if (!(all > 0)) return ogv_fail(err, OGV_E_INVALID, NULL, "the chosen volume is empty");
  *out = (ogv_colour_indices){100 * n / all, n > 0 ? sum / n : NAN, sum / all};
  return OGV_OK;
}

ogv_status ogv_myocardial_performance(double contraction, double relaxation, double ejection, double *out,
                                      ogv_error *err) {
  if (!(contraction >= 0) || !(relaxation >= 0) || !(ejection > 0) || !isfinite(contraction + relaxation + ejection))
    return ogv_fail(err, OGV_E_INVALID, "Mark the clicks of the valves in order.",
                    "times of %.4g, %.4g and %.4g ms make no cycle", contraction, relaxation, ejection);
  *out = (contraction + relaxation) / ejection;
  return OGV_OK;
}

static double cross(const double a[2], const double b[2]) { return a[0] * b[1] - a[1] * b[0]; }

ogv_status ogv_cardiac_axis(const double spine[2], const double sternum[2], const double crux[2], const double apex[2],
                            const double left[2], double *degrees, ogv_error *err) {
  const double front[2] = {sternum[0] - spine[0], sternum[1] - spine[1]},
               heart[2] = {apex[0] - crux[0], apex[1] - crux[1]}, side[2] = {left[0] - spine[0], left[1] - spine[1]};
  double length = hypot(front[0], front[1]), which = cross(front, side);
  if (!(length > 0) || !(hypot(heart[0], heart[1]) > 0))
    return ogv_fail(err, OGV_E_INVALID, "Mark spine, sternum, crux and apex apart.",
                    "two points of the cardiac axis coincide");
  if (!(fabs(which) > 0.01 * length * hypot(side[0], side[1])))
    return ogv_fail(err, OGV_E_INVALID, "Mark a point clearly on the fetal left.",
                    "the fetal left cannot be told: the point lies on the midline");
  double angle = atan2(cross(front, heart), front[0] * heart[0] + front[1] * heart[1]) * 180 / M_PI;
  *degrees = which > 0 ? angle : -angle;
  return OGV_OK;
}

double ogv_funnelling(double funnel_mm, double closed_mm) { return 100 * funnel_mm / (funnel_mm + closed_mm); }
