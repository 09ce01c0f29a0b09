#include "obstetrics_dating_json.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"

/* "hc_mm", or "hc" in the piece's "unit" (mm when left out). */
static ogv_status length(const json_t *v, const char *key, double *mm, ogv_error *err) {
  char with_unit[16];
  snprintf(with_unit, sizeof with_unit, "%s_mm", key);
  const json_t *x = json_object_get(v, with_unit);
  const char *unit = "mm";
  *mm = NAN;
  if (!x || json_is_null(x)) {
    x = json_object_get(v, key);
    unit = ogv_json_string_or(v, "unit", "mm");
  }
  if (!x || json_is_null(x)) return OGV_OK;
  if (!json_is_number(x)) return ogv_fail(err, OGV_E_INVALID, NULL, "evidence: \"%s\" is not a number", key);
  OGV_TRY(ogv_unit_convert(json_number_value(x), unit, "mm", mm, err));
  if (*mm == 0) return ogv_fail(err, OGV_E_RANGE, "Leave out what was not measured.", "evidence: \"%s\" is zero", key);
  return OGV_OK;
}

static ogv_status whole(const json_t *v, const char *key, int *out, ogv_error *err) {
  const json_t *x = json_object_get(v, key);
  *out = 0;
  if (!x || json_is_null(x)) return OGV_OK;
  double d = json_number_value(x);
  if (!json_is_number(x) || d != floor(d) || fabs(d) > 1000)
    return ogv_fail(err, OGV_E_INVALID, "Give whole days.", "evidence: \"%s\" is not a whole number of days", key);
  *out = (int)d;
  return OGV_OK;
}

ogv_status ogv_dating_evidence_from_json(const json_t *v, ogv_dating_evidence *out, ogv_error *err) {
  const char *basis, *date;
  *out = (ogv_dating_evidence){.date = OGV_DATE_NONE};
  if (!json_is_object(v)) return ogv_fail(err, OGV_E_INVALID, NULL, "dating evidence must be an object");
  OGV_TRY(ogv_json_string(v, "evidence", "basis", &basis, err));
  OGV_TRY(ogv_json_string(v, "evidence", "date", &date, err));
  out->basis = ogv_dating_basis_of(basis);
  if (!out->basis)
    return ogv_fail(err, OGV_E_INVALID, "Use lmp, conception, transfer, crl, sac, biometry or edd.",
                    "evidence: unknown basis \"%.30s\"", basis);
  OGV_TRY(ogv_date_parse(date, &out->date, err));
  OGV_TRY(whole(v, "cycle_days", &out->cycle_days, err));
  OGV_TRY(whole(v, "embryo_age_days", &out->embryo_age_days, err));
  const json_t *certain = json_object_get(v, "certain");
  out->certain = !certain || json_is_true(certain) || json_is_null(certain);
  OGV_TRY(length(v, "value", &out->value_mm, err));
  OGV_TRY(length(v, "bpd", &out->bpd_mm, err));
  OGV_TRY(length(v, "hc", &out->hc_mm, err));
  OGV_TRY(length(v, "ac", &out->ac_mm, err));
  OGV_TRY(length(v, "fl", &out->fl_mm, err));
  OGV_TRY(length(v, "tcd", &out->tcd_mm, err));
  out->formula = ogv_json_string_or(v, "formula", NULL);
  out->bpd_convention = ogv_json_string_or(v, "bpd_convention", NULL);
  out->allow_unconfirmed = json_is_true(json_object_get(v, "allow_unconfirmed"));
  return OGV_OK;
}

static json_t *day(ogv_date d) {
  char buf[OGV_DATE_TEXT];
  return json_string(ogv_date_text(d, buf));
}

json_t *ogv_dating_estimate_to_json(const ogv_dating_evidence *e, const ogv_dating_estimate *s, ogv_status code,
                                    const ogv_error *why) {
  char ga[OGV_GA_TEXT];
  if (code != OGV_OK)
    return json_pack("{s:s, s:{s:s, s:s, s:s}}", "basis", ogv_dating_word(e->basis), "error", "code",
                     ogv_status_word(code), "what", why ? why->what : "", "todo", why ? why->todo : "");
  return json_pack("{s:s, s:o, s:o, s:f, s:s, s:f, s:s, s:s, s:s, s:s, s:s, s:s, s:s}", "basis",
                   ogv_dating_word(e->basis), "date", day(e->date), "edd", day(s->edd), "ga_days", s->ga_days_at_date,
                   "ga", ogv_ga_text((int)lround(s->ga_days_at_date), ga), "sd_days", s->sd_days, "sd_source",
                   s->sd_source, "sd_status", s->sd_status, "formula", s->formula, "title", s->title, "citation",
                   s->citation, "status", s->status, "note", s->note);
}

static json_t *combined(const ogv_dating_evidence *e, const ogv_dating_estimate *s, size_t n) {
  ogv_dating_combined c;
  ogv_error err = {0};
  ogv_status code = ogv_dating_combine(e, s, n, &c, &err);
  if (code != OGV_OK)
    return json_pack("{s:s, s:{s:s, s:s}}", "label", c.label, "error", "code", ogv_status_word(code), "what", err.what);
  json_t *used = json_array();
  for (size_t i = 0; i < c.n_used; i++) json_array_append_new(used, json_integer((json_int_t)c.used[i]));
  double whole_day = floor(c.edd + 0.5);
  return json_pack("{s:s, s:o, s:f, s:f, s:[o,o], s:f, s:o}", "label", c.label, "edd", day((ogv_date)whole_day),
                   "edd_exact_days", c.edd, "sd_days", c.sd_days, "edd_interval95",
                   day((ogv_date)floor(c.edd - 1.96 * c.sd_days + 0.5)),
                   day((ogv_date)floor(c.edd + 1.96 * c.sd_days + 0.5)), "p_agreement", c.p, "used", used);
}

static json_t *decision(const json_t *evidence, json_t *estimates, const ogv_dating_choice *c, json_t *both) {
  int half = (int)lround(1.96 * c->sd_days);
  json_t *difference = c->difference_days == INT_MIN ? json_null() : json_integer(c->difference_days);
  json_t *limit = c->limit_days < 0 ? json_null() : json_integer(c->limit_days);
  return json_pack("{s:s, s:s, s:s, s:s, s:O, s:o, s:i, s:o, s:f, s:[o,o], s:o, s:o, s:b, s:s, s:o}", "rule", c->rule,
                   "rule_title", c->rule_title, "citation", c->citation, "status", c->status, "evidence", evidence,
                   "estimates", estimates, "chosen", (int)c->chosen, "edd", day(c->edd), "sd_days", c->sd_days,
                   "edd_interval95", day(c->edd - half), day(c->edd + half), "difference_days", difference,
                   "limit_days", limit, "suboptimal", c->suboptimal, "reason", c->reason, "combined", both);
}

/* When nothing is left to date by, the reason of the first refused piece says more than "nothing dates". */
static ogv_status first_refusal(const ogv_dating_evidence *e, ogv_dating_estimate *s, size_t n, ogv_status otherwise,
                                ogv_error *err) {
  for (size_t i = 0; i < n; i++)
    if (s[i].sd_days < 0) {
      ogv_status code = ogv_dating_estimate_from(&e[i], &s[i], err);
      if (code != OGV_OK) return code;
    }
  return otherwise;
}

ogv_status ogv_dating_decide(const json_t *evidence, const char *rule, json_t **out, ogv_error *err) {
  size_t n = json_array_size(evidence);
  *out = NULL;
  if (!json_is_array(evidence) || n > 1000)
    return ogv_fail(err, OGV_E_INVALID, NULL, "dating evidence must be a list of at most 1000 pieces");
  ogv_dating_evidence *e = calloc(n + 1, sizeof *e);
  ogv_dating_estimate *s = calloc(n + 1, sizeof *s);
  json_t *estimates = json_array();
  ogv_status code = e && s && estimates ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; code == OGV_OK && i < n; i++) {
    ogv_error why = {0};
    code = ogv_dating_evidence_from_json(json_array_get(evidence, i), &e[i], err);
    if (code != OGV_OK) break;
    ogv_status one = ogv_dating_estimate_from(&e[i], &s[i], &why);
    if (one != OGV_OK) s[i].sd_days = -1;
    json_array_append_new(estimates, ogv_dating_estimate_to_json(&e[i], &s[i], one, &why));
  }
  ogv_dating_choice choice;
  if (code == OGV_OK) code = ogv_dating_choose(rule, e, s, n, &choice, err);
  if (code == OGV_E_NOT_FOUND) code = first_refusal(e, s, n, code, err);
  if (code == OGV_OK) {
    *out = decision(evidence, json_incref(estimates), &choice, combined(e, s, n));
    if (!*out) code = ogv_fail(err, OGV_E_INTERNAL, NULL, "the dating decision could not be written");
  }
  json_decref(estimates);
  free(e);
  free(s);
  return code;
}
