#include "private/phantom_size.h"

#include "charts_chart.h"
#include "private/phantom_math.h"

/* Value of a chart at z. Outside its range (11-14 and after 40 weeks) the curve is continued from its end with the
 * relative slope it has there: our own rule, good enough for pictures and marked in the truth. Rounded, so that the
 * last bits of the C library's logarithm do not reach the files. */
static ogv_status at_z(const char *chart, double days, double z, int decimals, double *out, int *extrapolated,
                       ogv_error *err) {
  const ogv_chart *c;
  OGV_TRY(ogv_chart_find(chart, &c, err));
  const ogv_chart_info *info = ogv_chart_about(c);
  double x = days, v, w;
  if (x < info->x_low) x = info->x_low;
  if (x > info->x_high) x = info->x_high;
  OGV_TRY(ogv_chart_at_z(c, x, z, &v, err));
  if (x != days) {
    double step = days < x ? 7 : -7;
    OGV_TRY(ogv_chart_at_z(c, x + step, z, &w, err));
    v *= ph_exp((days - x) * ph_log(w / v) / step);
    if (extrapolated) *extrapolated = 1;
  }
  *out = ph_round(v, decimals);
  return OGV_OK;
}

static ogv_status head(ph_size *s, double days, double z, double shape, ogv_error *err) {
  OGV_TRY(at_z("intergrowth-hc", days, z, 2, &s->hc_mm, &s->extrapolated, err));
  OGV_TRY(at_z("intergrowth-bpd", days, z, 4, &s->bpd_mm, NULL, err));
  OGV_TRY(at_z("intergrowth-ofd", days, z, 4, &s->ofd_mm, NULL, err));
  s->bpd_mm *= 1 + shape;
  s->ofd_mm *= 1 - shape;
  double k = s->hc_mm / ph_ellipse_perimeter(s->ofd_mm, s->bpd_mm);
  s->bpd_mm = ph_round(s->bpd_mm * k, 3);
  s->ofd_mm = ph_round(s->ofd_mm * k, 3);
  s->hc_mm = ph_round(ph_ellipse_perimeter(s->ofd_mm, s->bpd_mm), 3);
  return OGV_OK;
}

/* Flow: small fetuses get a somewhat raised umbilical and lowered cerebral pulsatility, as is usual; sizes of the
 * effect are our own choice. The umbilical and uterine peak velocities are our own round figures. */
static ogv_status flow(ph_size *s, double days, double z, ogv_error *err) {
  double ua_z = -0.6 * z, mca_z = 0.4 * z;
  OGV_TRY(at_z("ciobanu2019-ua-pi", days, ua_z, 3, &s->ua_pi, NULL, err));
  OGV_TRY(at_z("ciobanu2019-mca-pi", days, mca_z, 3, &s->mca_pi, NULL, err));
  s->mca_psv = ph_round(ph_exp(2.30921 + 0.0463954 * days / 7), 2); /* Mari 1995/2000 median, unrounded coefficients */
  double uta = ph_exp(1.39 - 0.012 * days + 0.0000198 * days * days); /* Gomez 2008 mean */
  s->uta_pi[0] = ph_round(uta * (1.08 - 0.05 * z), 3);
  s->uta_pi[1] = ph_round(uta * (0.92 - 0.05 * z), 3);
  s->ua_psv = ph_round(18 + 0.19 * (days - 80), 1);
  return OGV_OK;
}

ogv_status ph_size_of(int ga_days, double z, double shape, double round, ph_size *s, ogv_error *err) {
  *s = (ph_size){.ga_days = ga_days, .z = z, .crl_mm = NAN, .nt_mm = NAN};
  double days = ga_days;
  OGV_TRY(head(s, days, z, shape, err));
  OGV_TRY(at_z("intergrowth-ac", days, z, 2, &s->ac_mm, &s->extrapolated, err));
  OGV_TRY(at_z("intergrowth-fl", days, z, 2, &s->fl_mm, &s->extrapolated, err));
  double k = s->ac_mm / ph_ellipse_perimeter(1 - round, 1 + round);
  s->apad_mm = ph_round(k * (1 - round), 3);
  s->tad_mm = ph_round(k * (1 + round), 3);
  s->ac_mm = ph_round(ph_ellipse_perimeter(s->apad_mm, s->tad_mm), 3);
  if (ga_days < 98) {
    OGV_TRY(at_z("intergrowth-crl", days, z, 2, &s->crl_mm, NULL, err));
    double c = s->crl_mm < 81.1258 ? s->crl_mm : 81.1258; /* Wright 2008, median of the CRL-dependent part */
    s->nt_mm = ph_round(ph_exp(2.302585092994046 * (-0.8951 + 0.02940 * c - 0.0001812 * c * c)), 2);
  }
  /* Fetal heart: falls from about 160 at 12 weeks to about 140 at term (dossier, 3.6). */
  s->rate_bpm = ph_round(160 - 20 * ph_clamp((days - 84) / 196, 0, 1), 1);
  return flow(s, days, z, err);
}
