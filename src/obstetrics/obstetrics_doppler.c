#include "obstetrics_doppler.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "charts_chart.h"

#define SOUND_CM_S 154000.0 /* 1540 m/s, the soft-tissue value assumed by equipment */
#define UNKNOWN_FILTER_CM_S 2.0
#define LEAST_CM_S 0.1   /* below it nothing can be told from the baseline, */
#define MOST_CM_S 1000.0 /* and above it no vessel flows: a scale in other units */

const char *ogv_flow_word(ogv_flow f) {
  static const char *const words[] = {"unknown", "forward", "absent", "reversed", "intermittent"};
  return f >= OGV_FLOW_UNKNOWN && f <= OGV_FLOW_INTERMITTENT ? words[f] : "unknown";
}

static ogv_flow flow_at(double v, double limit) {
  return v > limit ? OGV_FLOW_FORWARD : v < -limit ? OGV_FLOW_REVERSED : OGV_FLOW_ABSENT;
}

/* Without the wall filter only a clear velocity is called; near the baseline it may be the filter that hides it. */
static ogv_flow flow_with(double v, double filter) {
  if (isnan(v)) return OGV_FLOW_UNKNOWN;
  if (!isnan(filter)) return flow_at(v, filter);
  return fabs(v) >= UNKNOWN_FILTER_CM_S ? flow_at(v, 0) : OGV_FLOW_UNKNOWN;
}

ogv_status ogv_doppler_artery(const ogv_artery *in, ogv_artery_indices *out, ogv_error *err) {
  const double s = in->psv, d = in->edv, m = in->tamax;
  *out = (ogv_artery_indices){.pi = NAN, .ri = NAN, .sd_ratio = NAN, .pi_sd = NAN, .ri_sd = NAN, .sd_ratio_sd = NAN};
  if (!(s >= LEAST_CM_S && s <= MOST_CM_S) || !(d >= -MOST_CM_S) || d > s)
    return ogv_fail(err, OGV_E_INVALID, "Turn the trace so that systole is positive, and mark both peaks.",
                    "peak systolic %.4g and end-diastolic %.4g cm/s do not make a cycle", s, d);
  if (!isnan(m) && (m > s || m < LEAST_CM_S))
    return ogv_fail(err, OGV_E_INVALID, "Trace whole cycles on the side of the flow.",
                    "a time average of %.4g cm/s does not fit peaks of %.4g and %.4g", m, s, d);
  out->diastole = flow_with(d, in->filter_cm_s);
  out->ri = (s - d) / s;
  out->ri_sd = hypot(d / (s * s) * in->psv_sd, in->edv_sd / s);
  if (!isnan(m)) {
    out->pi = (s - d) / m;
    out->pi_sd = hypot(hypot(in->psv_sd, in->edv_sd) / m, out->pi / m * in->tamax_sd);
  }
  if (d > 0 && out->diastole != OGV_FLOW_ABSENT) {
    out->sd_ratio = s / d;
    out->sd_ratio_sd = out->sd_ratio * hypot(in->psv_sd / s, in->edv_sd / d);
  }
  if (out->diastole == OGV_FLOW_ABSENT || out->diastole == OGV_FLOW_REVERSED)
    snprintf(out->note, sizeof out->note, "%s end-diastolic flow: S/D is not given", ogv_flow_word(out->diastole));
  else if (out->diastole == OGV_FLOW_UNKNOWN)
    snprintf(out->note, sizeof out->note,
             "end-diastolic flow near the baseline and the wall filter is not known: not classed");
  return OGV_OK;
}

ogv_status ogv_doppler_vein(const ogv_vein *in, ogv_vein_indices *out, ogv_error *err) {
  *out = (ogv_vein_indices){NAN, NAN, NAN, NAN, flow_with(in->a, in->filter_cm_s)};
  if (!(in->s >= LEAST_CM_S && in->s <= MOST_CM_S) || !(in->a >= -MOST_CM_S) || in->a > in->s)
    return ogv_fail(err, OGV_E_INVALID, "Mark the systolic peak and the atrial trough.",
                    "S of %.4g and a of %.4g cm/s do not make a venous cycle", in->s, in->a);
  if (in->d < LEAST_CM_S || in->d > MOST_CM_S || in->tamax < LEAST_CM_S || in->tamax > in->s)
    return ogv_fail(err, OGV_E_INVALID, "Trace whole cycles on the side of the flow.",
                    "D of %.4g and a time average of %.4g cm/s do not make a venous cycle", in->d, in->tamax);
  out->piv = (in->s - in->a) / in->tamax;
  out->pvi = (in->s - in->a) / in->d;
  out->preload = (in->s - in->a) / in->s;
  if (in->a > 0 && out->a_wave != OGV_FLOW_ABSENT) out->sa = in->s / in->a;
  return OGV_OK;
}

ogv_status ogv_doppler_strip(const double *edv, size_t cycles, double filter, double pixel, ogv_flow *out,
                             size_t counts[3], bool *sure, ogv_error *err) {
  if (cycles < 3)
    return ogv_fail(err, OGV_E_INVALID, "Measure three alike cycles or more.",
                    "%zu cycles do not tell the end-diastolic flow of a strip", cycles);
  double limit = isnan(filter) ? pixel + UNKNOWN_FILTER_CM_S : fmax(filter, pixel);
  counts[0] = counts[1] = counts[2] = 0;
  for (size_t i = 0; i < cycles; i++) {
    if (!isfinite(edv[i])) return ogv_fail(err, OGV_E_INVALID, NULL, "cycle %zu has no end-diastolic velocity", i + 1);
    counts[flow_at(edv[i], limit) - OGV_FLOW_FORWARD]++;
  }
  *sure = !isnan(filter);
  *out = counts[0] == cycles   ? OGV_FLOW_FORWARD
         : counts[1] == cycles ? OGV_FLOW_ABSENT
         : counts[2] == cycles ? OGV_FLOW_REVERSED
                               : OGV_FLOW_INTERMITTENT;
  return OGV_OK;
}

double ogv_doppler_velocity(double shift_hz, double transmit_hz, double angle_rad) {
  return shift_hz * SOUND_CM_S / (2 * transmit_hz * cos(angle_rad));
}

double ogv_wall_filter_velocity(double filter_hz, double transmit_hz, double angle_rad) {
  return ogv_doppler_velocity(filter_hz, transmit_hz, angle_rad);
}

double ogv_nyquist_velocity(double prf_hz, double transmit_hz, double angle_rad) {
  return ogv_doppler_velocity(prf_hz / 2, transmit_hz, angle_rad);
}

double ogv_recorrect_velocity(double v, double was, double is) { return v * cos(was) / cos(is); }

double ogv_velocity_relative_sd(double v, double angle, double angle_sd, double calibration_sd, double pixel) {
  double a = tan(angle) * angle_sd, p = pixel / v;
  return sqrt(a * a + calibration_sd * calibration_sd + p * p);
}

ogv_status ogv_doppler_angle_check(double angle, bool middle_cerebral, bool *flag, ogv_error *err) {
  double deg = fabs(angle) * 180 / M_PI;
  *flag = deg > (middle_cerebral ? 20 : 30);
  if (!(deg <= 60))
    return ogv_fail(err, OGV_E_CALIBRATION, "Take the trace again at a smaller angle; the indices still hold.",
                    "an absolute velocity at %.0f degrees is not given (60 at most)", deg);
  return OGV_OK;
}

double ogv_uterine_mean_pi(double left, double right, double left_sd, double right_sd, double *sd) {
  if (sd) *sd = hypot(left_sd, right_sd) / 2;
  return (left + right) / 2;
}

ogv_status ogv_mca_psv_grade(double ga_days, double psv, double psv_sd, ogv_mca_psv *out, ogv_error *err) {
  const ogv_chart *c;
  ogv_chart_value v;
  *out = (ogv_mca_psv){0};
  OGV_TRY(ogv_chart_default("mca-psv", &c, err));
  OGV_TRY(ogv_chart_eval(c, ga_days, psv, &v, err));
  out->median = v.median;
  out->mom = psv / v.median;
  out->mom_sd = psv_sd / v.median;
  out->chart = ogv_chart_about(c)->id;
  const double x = out->mom;
  out->hb_mom = ((0.2861 * x - 1.2885) * x + 1.2794) * x + 0.6835;
  out->grade = x >= 1.55 ? "severe" : x >= 1.50 ? "moderate" : x >= 1.29 ? "mild" : "none";
  if (ga_days > 35 * 7) snprintf(out->note, sizeof out->note, "false positives rise after 35 weeks");
  return OGV_OK;
}

double ogv_vein_flow(double d_mm, double v, double d_sd, double v_sd, double *relative_sd) {
  double r_cm = d_mm / 20;
  if (relative_sd) *relative_sd = hypot(2 * d_sd / d_mm, v_sd / v);
  return M_PI * r_cm * r_cm * 0.5 * v * 60;
}

double ogv_stroke_volume(double vti_cm, double d_mm) { return vti_cm * M_PI * (d_mm / 20) * (d_mm / 20); }
