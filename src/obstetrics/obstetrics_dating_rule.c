/* Which evidence dates the pregnancy, by a named rule set; and, beside it, the weighted average of all. */
#include <limits.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/obstetrics_dating_table.h"

typedef struct {
  const ogv_dating_rule_row *rule;
  const ogv_dating_evidence *e;
  const ogv_dating_estimate *s;
  size_t n;
  ogv_dating_choice *out;
  bool words; /* the reason is wanted: writing it takes longer than deciding */
} work;

#define NONE ((size_t)-1)

static bool usable(const work *w, size_t i) { return !(w->s[i].sd_days < 0); }

static size_t first_of(const work *w, ogv_dating_basis b) {
  size_t best = NONE;
  for (size_t i = 0; i < w->n; i++)
    if (usable(w, i) && w->e[i].basis == b && (best == NONE || w->e[i].date < w->e[best].date)) best = i;
  return best;
}

/* Of two scans the earlier counts; of two on one day the larger (twins: common practice). */
static bool better_scan(const work *w, size_t a, size_t b) {
  if (b == NONE) return true;
  if (w->e[a].date != w->e[b].date) return w->e[a].date < w->e[b].date;
  return w->s[a].ga_days_at_date > w->s[b].ga_days_at_date;
}

static size_t best_scan(const work *w) {
  size_t good = NONE, small = NONE, large = NONE, biometry = NONE;
  for (size_t i = 0; i < w->n; i++) {
    if (!usable(w, i)) continue;
    if (w->e[i].basis == OGV_DATING_BIOMETRY && better_scan(w, i, biometry)) biometry = i;
    if (w->e[i].basis != OGV_DATING_CRL) continue;
    size_t *slot = w->e[i].value_mm < w->rule->crl_low_mm    ? &small
                   : w->e[i].value_mm > w->rule->crl_high_mm ? &large
                                                             : &good;
    if (better_scan(w, i, *slot)) *slot = i;
  }
  return good != NONE ? good : small != NONE ? small : biometry != NONE ? biometry : large;
}

static void say(work *w, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void say(work *w, const char *fmt, ...) {
  if (!w->words) return;
  size_t used = strlen(w->out->reason);
  va_list ap;
  va_start(ap, fmt);
  vsnprintf(w->out->reason + used, sizeof w->out->reason - used, fmt, ap);
  va_end(ap);
}

static void say_scan(work *w, size_t i) {
  char ga[OGV_GA_TEXT], day[OGV_DATE_TEXT];
  if (!w->words) return;
  say(w, "%s of %s (%s by %s)", w->e[i].basis == OGV_DATING_CRL ? "CRL" : "biometry", ogv_date_text(w->e[i].date, day),
      ogv_ga_text((int)lround(w->s[i].ga_days_at_date), ga), w->s[i].formula);
}

static ogv_status impossible(const work *w, ogv_error *err) {
  size_t lmp = first_of(w, OGV_DATING_LMP);
  for (size_t i = 0; i < w->n; i++) {
    char a[OGV_DATE_TEXT], b[OGV_DATE_TEXT];
    if (!usable(w, i) || lmp == NONE || i == lmp) continue;
    ogv_date start = w->e[lmp].date, day = w->e[i].date;
    if (w->e[i].basis == OGV_DATING_EDD && day <= start)
      return ogv_fail(err, OGV_E_INVALID, "Correct one of the two dates.", "the due date %s is not after the period %s",
                      ogv_date_text(day, a), ogv_date_text(start, b));
    if (day < start)
      return ogv_fail(err, OGV_E_INVALID, "Correct one of the two dates.", "%s on %s lies before the period %s",
                      ogv_dating_word(w->e[i].basis), ogv_date_text(day, a), ogv_date_text(start, b));
    if (day - start > 45 * 7)
      return ogv_fail(err, OGV_E_INVALID, "Is the period that of an earlier pregnancy?",
                      "%s on %s lies more than 45 weeks after the period %s", ogv_dating_word(w->e[i].basis),
                      ogv_date_text(day, a), ogv_date_text(start, b));
  }
  return OGV_OK;
}

static int limit_at(const ogv_dating_rule_row *r, int ga_days, const int **band) {
  for (size_t i = 0; i < r->n_bands; i++)
    if (ga_days >= r->bands[i][0] && ga_days <= r->bands[i][1]) {
      *band = r->bands[i];
      return r->bands[i][2];
    }
  return -1;
}

/* A scan that disagrees with a date that stands is a finding, never a change. */
static void say_disagreement(work *w, size_t scan) {
  const int *band = NULL;
  if (scan == NONE) return;
  int difference = (int)(w->s[scan].edd - w->out->edd);
  int limit = limit_at(w->rule, ogv_ga_on(w->out->edd, w->e[scan].date), &band);
  w->out->difference_days = difference;
  w->out->limit_days = limit;
  if (abs(difference) > (limit >= 0 ? limit : (int)ceil(2 * w->s[scan].sd_days))) {
    say(w, " The ");
    say_scan(w, scan);
    say(w, " differs by %+d day%s: to be reported and explained.", difference, abs(difference) == 1 ? "" : "s");
  }
}

static void choose(work *w, size_t i) {
  w->out->chosen = i;
  w->out->edd = w->s[i].edd;
  w->out->sd_days = w->s[i].sd_days;
}

static bool stands(work *w, size_t scan) {
  static const ogv_dating_basis order[] = {OGV_DATING_TRANSFER, OGV_DATING_CONCEPTION, OGV_DATING_EDD};
  char day[OGV_DATE_TEXT];
  for (size_t k = 0; k < 3; k++) {
    size_t i = first_of(w, order[k]);
    if (i == NONE) continue;
    choose(w, i);
    if (order[k] == OGV_DATING_TRANSFER)
      say(w, "Transfer of a day-%d embryo on %s dates the pregnancy; it is not redated by a scan.",
          w->e[i].embryo_age_days, ogv_date_text(w->e[i].date, day));
    else if (order[k] == OGV_DATING_CONCEPTION)
      say(w, "Known conception on %s dates the pregnancy; it is not redated by a scan.",
          ogv_date_text(w->e[i].date, day));
    else
      say(w, "The due date %s given from elsewhere stands; later evidence does not move it.",
          ogv_date_text(w->e[i].date, day));
    say_disagreement(w, scan);
    return true;
  }
  return false;
}

/* A period that a scan confirms is surer than a period alone: the root mean square distance of the true due date from
 * the period's, given both (normal errors, independent). It moves nothing, it only widens or narrows the interval. */
static double confirmed_sd(const ogv_dating_estimate *lmp, const ogv_dating_estimate *scan, ogv_date lmp_date,
                           ogv_date scan_date) {
  double a = 1 / (lmp->sd_days * lmp->sd_days), b = 1 / (scan->sd_days * scan->sd_days);
  double apart = (scan_date + 280 - scan->ga_days_at_date) - (lmp_date + 280 - lmp->ga_days_at_date);
  return hypot(sqrt(1 / (a + b)), apart * b / (a + b));
}

static void say_compared(work *w, size_t scan, const int *band, bool redate) {
  char from[OGV_GA_TEXT], to[OGV_GA_TEXT];
  int apart = abs(w->out->difference_days), limit = w->out->limit_days;
  if (!w->words) return;
  say_scan(w, scan);
  say(w, " differs from the period by %d day%s; ", apart, apart == 1 ? "" : "s");
  if (band && band[1] > 45 * 7)
    say(w, "%d days are allowed from %s by period (%s): ", limit, ogv_ga_text(band[0], from), w->rule->about.id);
  else
    say(w, "%d days are allowed at %s to %s by period (%s): ", limit, band ? ogv_ga_text(band[0], from) : "?",
        band ? ogv_ga_text(band[1], to) : "?", w->rule->about.id);
  say(w, redate ? "dated by the scan." : "dated by the period.");
}

static void compare(work *w, size_t lmp, size_t scan) {
  const int *band = NULL;
  int ga = ogv_ga_on(w->s[lmp].edd, w->e[scan].date);
  int limit = limit_at(w->rule, ga, &band);
  int difference = (int)(w->s[scan].edd - w->s[lmp].edd);
  bool redate = abs(difference) > limit;
  choose(w, redate ? scan : lmp);
  w->out->difference_days = difference;
  w->out->limit_days = limit;
  if (!redate) w->out->sd_days = confirmed_sd(&w->s[lmp], &w->s[scan], w->e[lmp].date, w->e[scan].date);
  say_compared(w, scan, band, redate);
  w->out->careful = redate && ga >= w->rule->caution_from_days;
  if (w->out->careful) say(w, " With care: this may be a small or large fetus, not a wrong date.");
}

static ogv_status by_scan_or_period(work *w, size_t scan, ogv_error *err) {
  char day[OGV_DATE_TEXT];
  size_t lmp = first_of(w, OGV_DATING_LMP), sac = first_of(w, OGV_DATING_SAC);
  if (lmp != NONE && scan != NONE && w->rule->period_first && w->e[lmp].certain &&
      ogv_ga_on(w->s[lmp].edd, w->e[scan].date) >= 0) {
    compare(w, lmp, scan);
  } else if (scan != NONE) {
    choose(w, scan);
    say_scan(w, scan);
    say(w, " dates the pregnancy (%s): %s.", w->rule->about.id,
        lmp == NONE             ? "no period is known"
        : w->rule->period_first ? "the period is uncertain"
                                : "the scan always decides");
  } else if (lmp != NONE) {
    choose(w, lmp);
    say(w, "The period of %s dates the pregnancy; no scan has confirmed it yet (%s).",
        ogv_date_text(w->e[lmp].date, day), w->rule->about.id);
    return OGV_OK;
  } else if (sac != NONE) {
    choose(w, sac);
    say(w, "Only a sac diameter is known: a first guess, to be replaced by a CRL.");
    return OGV_OK;
  } else {
    return ogv_fail(err, OGV_E_NOT_FOUND, "Give a period, a conception or transfer date, a CRL or biometry.",
                    "nothing dates this pregnancy");
  }
  w->out->large_crl =
      w->out->chosen == scan && w->e[scan].basis == OGV_DATING_CRL && w->e[scan].value_mm > w->rule->crl_high_mm;
  if (w->out->large_crl) say(w, " Above %.0f mm a CRL dates poorly: HC is better.", w->rule->crl_high_mm);
  if (ogv_ga_on(w->out->edd, w->e[scan].date) >= w->rule->suboptimal_from_days) {
    char ga[OGV_GA_TEXT];
    w->out->suboptimal = true;
    say(w, " No scan before %s: suboptimally dated.", ogv_ga_text(w->rule->suboptimal_from_days, ga));
  }
  return OGV_OK;
}

static ogv_status decide(const char *rule, const ogv_dating_evidence *evidence, const ogv_dating_estimate *estimates,
                         size_t n, bool words, ogv_dating_choice *out, ogv_error *err) {
  const ogv_dating_table *t;
  OGV_TRY(ogv_dating_table_get(&t, err));
  work w = {NULL, evidence, estimates, n, out, words};
  for (size_t i = 0; i < t->n_rules; i++)
    if (rule ? !strcmp(t->rules[i].about.id, rule) : t->rules[i].about.is_default) w.rule = &t->rules[i];
  if (!w.rule)
    return ogv_fail(err, OGV_E_NOT_FOUND, "ogive date --list shows the rule sets.",
                    "there is no redating rule \"%.40s\"", rule ? rule : "");
  *out = (ogv_dating_choice){.rule = w.rule->about.id,
                             .rule_title = w.rule->about.title,
                             .citation = w.rule->about.citation,
                             .status = w.rule->about.status,
                             .difference_days = INT_MIN,
                             .limit_days = -1};
  OGV_TRY(impossible(&w, err));
  size_t scan = best_scan(&w);
  return stands(&w, scan) ? OGV_OK : by_scan_or_period(&w, scan, err);
}

ogv_status ogv_dating_choose(const char *rule, const ogv_dating_evidence *evidence,
                             const ogv_dating_estimate *estimates, size_t n, ogv_dating_choice *out, ogv_error *err) {
  return decide(rule, evidence, estimates, n, true, out, err);
}

ogv_status ogv_dating_choose_wordless(const char *rule, const ogv_dating_evidence *evidence,
                                      const ogv_dating_estimate *estimates, size_t n, ogv_dating_choice *out,
                                      ogv_error *err) {
  return decide(rule, evidence, estimates, n, false, out, err);
}

/* Chance that a chi-square of 1 to 3 degrees exceeds x. */
static double chi_square_beyond(double x, size_t df) {
  if (df == 0) return 1;
  if (df == 1) return erfc(sqrt(x / 2));
  if (df == 2) return exp(-x / 2);
  return erfc(sqrt(x / 2)) + sqrt(2 * x / M_PI) * exp(-x / 2);
}

static void keep_most_precise(const ogv_dating_estimate *s, size_t i, size_t *slot) {
  if (*slot == NONE || s[i].sd_days < s[*slot].sd_days) *slot = i;
}

ogv_status ogv_dating_combine(const ogv_dating_evidence *e, const ogv_dating_estimate *s, size_t n,
                              ogv_dating_combined *out, ogv_error *err) {
  *out = (ogv_dating_combined){.label = "not standard practice: shown beside the rule's answer, never in its place"};
  size_t slot[3] = {NONE, NONE, NONE}; /* period; conception or transfer; scan */
  for (size_t i = 0; i < n; i++) {
    if (!(s[i].sd_days > 0)) continue;
    if (e[i].basis == OGV_DATING_LMP) keep_most_precise(s, i, &slot[0]);
    else if (e[i].basis == OGV_DATING_CONCEPTION || e[i].basis == OGV_DATING_TRANSFER)
      keep_most_precise(s, i, &slot[1]);
    else if (e[i].basis != OGV_DATING_EDD) keep_most_precise(s, i, &slot[2]);
  }
  double weight = 0, sum = 0, chi = 0;
  for (size_t k = 0; k < 3; k++) {
    if (slot[k] == NONE) continue;
    size_t i = slot[k];
    double edd = e[i].date + 280 - s[i].ga_days_at_date, w = 1 / (s[i].sd_days * s[i].sd_days);
    out->used[out->n_used++] = i;
    weight += w;
    sum += w * edd;
  }
  if (!out->n_used) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "nothing to combine");
  out->edd = sum / weight;
  out->sd_days = sqrt(1 / weight);
  for (size_t k = 0; k < out->n_used; k++) {
    size_t i = out->used[k];
    double d = (e[i].date + 280 - s[i].ga_days_at_date - out->edd) / s[i].sd_days;
    chi += d * d;
  }
  out->p = chi_square_beyond(chi, out->n_used - 1);
  if (out->p < 0.01)
    return ogv_fail(err, OGV_E_CONFLICT, "Find out which one is wrong.",
                    "the evidence disagrees beyond chance (p = %.2g): no combined date", out->p);
  return OGV_OK;
}
