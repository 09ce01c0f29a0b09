/* What each piece of evidence says about the due date. The rules that choose among them are in
 * obstetrics_dating_rule.c. */
#include "obstetrics_dating.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "obstetrics_quantity.h"
#include "obstetrics_ratio.h"
#include "obstetrics_weight.h"
#include "private/obstetrics_dating_table.h"

static void about(ogv_dating_estimate *out, const char *id, const char *title, const ogv_calendar_row *c) {
  out->formula = id;
  out->title = title;
  out->citation = c->citation;
  out->status = c->status;
  out->sd_days = c->sd;
  out->sd_source = c->sd_source;
  out->sd_status = c->sd_status;
}

static ogv_status from_period(const ogv_calendar_row *c, const ogv_dating_evidence *e, ogv_dating_estimate *out,
                              ogv_error *err) {
  about(out, "lmp-280", "Last menstrual period", c);
  out->ga_days_at_date = 0;
  int shift = 0;
  if (e->cycle_days && (e->cycle_days < c->low || e->cycle_days > c->high))
    return ogv_fail(err, OGV_E_INVALID, "Leave the cycle length out, or mark the period as uncertain.",
                    "a cycle of %d days cannot date a pregnancy (%.0f to %.0f days)", e->cycle_days, c->low, c->high);
  if (!e->certain) {
    out->sd_days = c->sd_uncertain;
    snprintf(out->note, sizeof out->note, "date or cycle uncertain%s",
             e->cycle_days && e->cycle_days != 28 ? ": the cycle length is not used" : "");
  } else if (e->cycle_days && e->cycle_days != 28) {
    shift = e->cycle_days - 28;
    snprintf(out->note, sizeof out->note, "cycle of %d days moves the due date by %+d days%s", e->cycle_days, shift,
             e->cycle_days > c->flag ? "; so long a cycle dates poorly" : "");
  }
  out->ga_days_at_date = -shift;
  out->edd = e->date + (int)c->length_days + shift;
  return OGV_OK;
}

static ogv_status from_conception(const ogv_calendar_row *c, const ogv_dating_evidence *e, ogv_dating_estimate *out) {
  about(out, "conception-266", "Conception, insemination or egg retrieval", c);
  out->ga_days_at_date = 280 - c->length_days;
  out->edd = e->date + (int)c->length_days;
  return OGV_OK;
}

static ogv_status from_transfer(const ogv_calendar_row *c, const ogv_dating_evidence *e, ogv_dating_estimate *out,
                                ogv_error *err) {
  if (e->embryo_age_days < c->low || e->embryo_age_days > c->high)
    return ogv_fail(err, OGV_E_INVALID, "Give the days since fertilisation, for example 3 or 5 (blastocyst).",
                    "an embryo of %d days is not transferred (%.0f to %.0f)", e->embryo_age_days, c->low, c->high);
  about(out, "transfer-266", "Embryo transfer", c);
  out->ga_days_at_date = 280 - c->length_days + e->embryo_age_days;
  out->edd = e->date + (int)c->length_days - e->embryo_age_days;
  return OGV_OK;
}

static void lengths_of(const ogv_dating_evidence *e, double mm[OGV_VARS]) {
  const double all[OGV_VARS] = {[OGV_VAR_BPD] = e->bpd_mm,
                                [OGV_VAR_HC] = e->hc_mm,
                                [OGV_VAR_AC] = e->ac_mm,
                                [OGV_VAR_FL] = e->fl_mm,
                                [OGV_VAR_TCD] = e->tcd_mm,
                                [OGV_VAR_CRL] = e->basis == OGV_DATING_CRL ? e->value_mm : NAN,
                                [OGV_VAR_MSD] = e->basis == OGV_DATING_SAC ? e->value_mm : NAN};
  bool single = e->basis != OGV_DATING_BIOMETRY; /* a CRL or sac is its own measurement: 0 is then a wrong value */
  for (int i = 0; i < OGV_VARS; i++) {
    bool own = i == OGV_VAR_CRL || i == OGV_VAR_MSD;
    mm[i] = own ? (single ? all[i] : NAN) : (!single && all[i] != 0 ? all[i] : NAN);
  }
}

static bool has_all(const ogv_dating_row *r, const double mm[OGV_VARS]) {
  for (int i = 0; i < OGV_VARS; i++)
    if (r->terms.uses[i] && isnan(mm[i])) return false;
  return true;
}

static ogv_status choose_formula(const ogv_dating_table *t, const ogv_dating_evidence *e, const double mm[OGV_VARS],
                                 const ogv_dating_row **out, ogv_error *err) {
  for (size_t i = 0; i < t->n; i++) {
    const ogv_dating_row *r = &t->rows[i];
    if (r->about.basis != e->basis) continue;
    if (e->formula ? strcmp(r->about.id, e->formula) != 0
                   : !has_all(r, mm) || r->from_memory || r->terms.uses[OGV_VAR_TCD])
      continue;
    if (r->from_memory && !e->allow_unconfirmed)
      return ogv_fail(err, OGV_E_UNSUPPORTED, "Choose a confirmed formula, or allow unconfirmed ones on purpose.",
                      "%s is written from memory and switched off", r->about.title);
    *out = r;
    return OGV_OK;
  }
  if (e->formula)
    return ogv_fail(err, OGV_E_NOT_FOUND, "ogive date --list shows the formulas.",
                    "there is no formula \"%.40s\" for dating by %s", e->formula, ogv_dating_word(e->basis));
  return ogv_fail(err, OGV_E_INVALID, "Give BPD, HC, AC or FL (HC and FL are best).",
                  "dating by %s needs at least one measurement", ogv_dating_word(e->basis));
}

static ogv_status check_lengths(const ogv_dating_table *t, const ogv_dating_row *r, const double mm[OGV_VARS],
                                ogv_error *err) {
  for (int i = 0; i < OGV_VARS; i++) {
    const ogv_quantity *q = t->var[i];
    if (!r->terms.uses[i]) continue;
    if (!q) return ogv_quantity_plausible(q, mm[i], err);
    if (isnan(mm[i]))
      return ogv_fail(err, OGV_E_INVALID, "Measure it, or choose another formula.", "%s needs %s", r->about.title,
                      q->symbol);
    OGV_TRY(ogv_quantity_plausible(q, mm[i], err));
    if (r->about.basis == OGV_DATING_BIOMETRY || (mm[i] >= r->about.value_low && mm[i] <= r->about.value_high))
      continue;
    bool cm = mm[i] * 10 >= r->about.value_low && mm[i] * 10 <= r->about.value_high && mm[i] < r->about.value_low;
    return ogv_fail(err, OGV_E_RANGE,
                    cm ? "If it was read in cm, give it in mm. Otherwise another formula may reach further."
                       : "Another formula may reach further; ogive date --list shows their ranges.",
                    "%s of %.6g mm is outside the %.6g to %.6g mm of %s", q->symbol, mm[i], r->about.value_low,
                    r->about.value_high, r->about.title);
  }
  return ogv_lengths_consistent(mm[OGV_VAR_BPD], mm[OGV_VAR_HC], mm[OGV_VAR_AC], mm[OGV_VAR_FL], err);
}

static double sd_at(const ogv_dating_row *r, const double mm[OGV_VARS], double ga) {
  if (r->sd_by_terms) return ogv_terms_value(&r->sd_terms, mm, NULL);
  if (!isnan(r->sd_relative)) return r->sd_relative * ga;
  for (size_t i = 0; i < r->n_bands; i++)
    if (ga >= r->bands[i][0] && ga < r->bands[i][1]) return r->bands[i][2];
  return r->n_bands ? r->bands[ga < r->bands[0][0] ? 0 : r->n_bands - 1][2] : r->sd_days;
}

static ogv_status from_scan(const ogv_dating_table *t, const ogv_dating_evidence *e, ogv_dating_estimate *out,
                            ogv_error *err) {
  double mm[OGV_VARS];
  const ogv_dating_row *r = NULL;
  bool converted = false;
  lengths_of(e, mm);
  OGV_TRY(choose_formula(t, e, mm, &r, err));
  OGV_TRY(check_lengths(t, r, mm, err));
  if (*r->about.bpd_convention)
    OGV_TRY(ogv_bpd_convert(mm[OGV_VAR_BPD], e->bpd_convention ? e->bpd_convention : "outer-outer",
                            r->about.bpd_convention, &mm[OGV_VAR_BPD], &converted, err));
  double ga = ogv_terms_value(&r->terms, mm, NULL);
  if (!isfinite(ga) || ga < r->about.ga_low || ga > r->about.ga_high || ga < 28 || ga > 315)
    return ogv_fail(err, OGV_E_RANGE, "Another formula may reach further; ogive date --list shows their ranges.",
                    "%s gives %.1f weeks, outside the range it was made for", r->about.title, ga / 7);
  out->ga_days_at_date = ga;
  out->edd = e->date + 280 - (int)lround(ga);
  out->sd_days = sd_at(r, mm, ga);
  out->formula = r->about.id;
  out->title = r->about.title;
  out->citation = r->about.citation;
  out->status = r->about.status;
  out->sd_source = r->about.sd_source;
  out->sd_status = r->about.sd_status;
  snprintf(out->note, sizeof out->note, "%s%s%s", converted ? "BPD converted to the formula's caliper convention" : "",
           converted && e->basis == OGV_DATING_SAC ? "; " : "",
           e->basis == OGV_DATING_SAC
               ? "formulas for the sac differ by days; not for a due date once an embryo can be measured"
               : "");
  return OGV_OK;
}

ogv_status ogv_dating_estimate_from(const ogv_dating_evidence *e, ogv_dating_estimate *out, ogv_error *err) {
  const ogv_dating_table *t;
  OGV_TRY(ogv_dating_table_get(&t, err));
  *out = (ogv_dating_estimate){0};
  int year, month, day;
  if (e->date == OGV_DATE_NONE)
    return ogv_fail(err, OGV_E_INVALID, "Write dates as YYYY-MM-DD.", "evidence by %s has no date",
                    ogv_dating_word(e->basis));
  ogv_date_to_ymd(e->date, &year, &month, &day);
  if (year < 1900 || year > 2199)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the year %d cannot be right for dating a pregnancy", year);
  switch (e->basis) {
    case OGV_DATING_LMP: return from_period(&t->lmp, e, out, err);
    case OGV_DATING_CONCEPTION: return from_conception(&t->conception, e, out);
    case OGV_DATING_TRANSFER: return from_transfer(&t->transfer, e, out, err);
    case OGV_DATING_CRL:
    case OGV_DATING_SAC:
    case OGV_DATING_BIOMETRY: return from_scan(t, e, out, err);
    case OGV_DATING_EDD:
      about(out, "edd-given", "Due date given from elsewhere", &t->edd);
      out->ga_days_at_date = 280;
      out->edd = e->date;
      return OGV_OK;
  }
  return ogv_fail(err, OGV_E_INVALID, NULL, "unknown kind of dating evidence");
}
