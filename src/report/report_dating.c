/* Dating in the facts: what each piece of evidence says, which one decides and why. */
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "obstetrics_dating_json.h"
#include "obstetrics_dating_scans.h"
#include "private/report_compose.h"

#define EVIDENCE_MAX 32
#define SAME_SCAN_MM 2.0 /* one scan written down already, perhaps by another choice among its repeats */

/* --- the reason in the language of the report -----------------------------------------------------------------------
 */
/* By messages, with dates as the report writes them: the sentences of ogv_dating_choose name rules and formulas by id.
 */
static void why(const compose *c, ogv_text *t, const char *message, const ogv_dating_evidence *e,
                const ogv_dating_estimate *s, int days, int limit) {
  char date[OGV_MESSAGE_TEXT], ga[OGV_GA_TEXT], *text;
  const char *scan = ogv_message_plain(c->m, e->basis == OGV_DATING_CRL ? "basis.crl" : "basis.biometry");
  json_t *args = json_pack("{s:s,s:s,s:s,s:i,s:i}", "scan", scan, "date", ogv_message_date(c->m, e->date, date), "ga",
                           ogv_ga_text((int)lround(s->ga_days_at_date), ga), "days", abs(days), "limit", limit);
  if (ogv_message(c->m, message, args, &text, NULL) == OGV_OK) ogv_text_addf(t, "%s%s", t->length ? " " : "", text);
  free(text);
  json_decref(args);
}

static bool is_scan(const ogv_dating_evidence *e) {
  return e->basis == OGV_DATING_CRL || e->basis == OGV_DATING_BIOMETRY;
}

/* The scan that was compared: the one that lies as far off as the choice says. */
static size_t compared(const ogv_dating_choice *k, const ogv_dating_evidence *ev, const ogv_dating_estimate *es,
                       size_t n) {
  if (is_scan(&ev[k->chosen])) return k->chosen;
  for (size_t i = 0; i < n; i++)
    if (es[i].sd_days >= 0 && is_scan(&ev[i]) && (int)(es[i].edd - k->edd) == k->difference_days) return i;
  return k->chosen;
}

static void why_scan(const compose *c, ogv_text *t, const ogv_dating_choice *k, const ogv_dating_evidence *ev,
                     const ogv_dating_estimate *es, size_t n) {
  size_t at = k->chosen, other = compared(k, ev, es, n);
  bool period = false;
  for (size_t i = 0; i < n; i++) period |= es[i].sd_days >= 0 && ev[i].basis == OGV_DATING_LMP && ev[i].certain;
  if (k->difference_days != INT_MIN)
    why(c, t, is_scan(&ev[at]) ? "why.by-scan" : "why.by-period", &ev[other], &es[other], k->difference_days,
        k->limit_days);
  else if (is_scan(&ev[at])) why(c, t, period ? "why.scan-rule" : "why.scan", &ev[at], &es[at], 0, 0);
  else why(c, t, ev[at].basis == OGV_DATING_SAC ? "why.sac" : "why.period", &ev[at], &es[at], 0, 0);
  if (k->careful) why(c, t, "why.caution", &ev[at], &es[at], 0, 0);
  if (k->large_crl) why(c, t, "why.large-crl", &ev[at], &es[at], 0, 0);
  if (k->suboptimal) why(c, t, "why.suboptimal", &ev[at], &es[at], 0, 0);
}

static void why_fixed(const compose *c, ogv_text *t, const ogv_dating_choice *k, const ogv_dating_evidence *ev,
                      const ogv_dating_estimate *es, size_t n) {
  size_t at = k->chosen, other = compared(k, ev, es, n);
  const char *const messages[] = {"why.transfer", "why.conception", "why.edd"};
  int which = ev[at].basis == OGV_DATING_TRANSFER ? 0 : ev[at].basis == OGV_DATING_CONCEPTION ? 1 : 2;
  why(c, t, messages[which], &ev[at], &es[at], 0, 0);
  if (k->difference_days == INT_MIN || other == at) return;
  int limit = k->limit_days >= 0 ? k->limit_days : (int)ceil(2 * es[other].sd_days);
  if (abs(k->difference_days) > limit) why(c, t, "why.disagrees", &ev[other], &es[other], k->difference_days, limit);
}

static void translate_reason(const compose *c, ogv_dating_choice *k, const ogv_dating_evidence *ev,
                             const ogv_dating_estimate *es, size_t n) {
  ogv_text t;
  ogv_text_init(&t, sizeof k->reason);
  ogv_dating_basis b = ev[k->chosen].basis;
  if (b == OGV_DATING_TRANSFER || b == OGV_DATING_CONCEPTION || b == OGV_DATING_EDD) why_fixed(c, &t, k, ev, es, n);
  else why_scan(c, &t, k, ev, es, n);
  if (t.length && !t.failed && t.length < sizeof k->reason) memcpy(k->reason, t.data, t.length + 1);
  ogv_text_free(&t);
}

/* --- evidence -------------------------------------------------------------------------------------------------------
 */

static json_t *estimate_json(const compose *c, const ogv_dating_estimate *e) {
  char date[OGV_DATE_TEXT];
  json_t *o = json_pack("{s:s,s:f,s:f,s:s,s:s,s:s}", "edd", ogv_date_text(e->edd, date), "ga_days_at_date",
                        e->ga_days_at_date, "sd_days", e->sd_days, "formula", e->formula ? e->formula : "", "citation",
                        e->citation ? e->citation : "", "note", e->note);
  if (c->exam_date != OGV_DATE_NONE)
    json_object_set_new(o, "ga_days_at_exam", json_integer(ogv_ga_on(e->edd, c->exam_date)));
  return o;
}

/* Fills estimate or refused of each piece; returns how many there are. */
static size_t estimate_all(compose *c, json_t *list, ogv_dating_evidence *ev, ogv_dating_estimate *es) {
  size_t i, n = 0;
  json_t *v;
  json_array_foreach(list, i, v) {
    ogv_error e = {0};
    if (n == EVIDENCE_MAX) break;
    json_object_del(v, "refused");
    json_object_del(v, "estimate");
    json_object_del(v, "difference_days");
    json_object_set_new(v, "chosen", json_false());
    ogv_status s = ogv_dating_evidence_from_json(v, &ev[n], &e);
    if (s == OGV_OK) s = ogv_dating_estimate_from(&ev[n], &es[n], &e);
    if (s == OGV_OK) json_object_set_new(v, "estimate", estimate_json(c, &es[n]));
    else {
      json_object_set_new(v, "refused", ogv_error_json(&e));
      es[n].sd_days = -1;
    }
    n++;
  }
  return n;
}

static void set_edd(compose *c, json_t *dating, ogv_date edd, double sd, const char *rule, const char *reason) {
  char date[OGV_DATE_TEXT], ga[OGV_GA_TEXT];
  json_t *pregnancy = json_object_get(c->facts, "pregnancy");
  c->dated = true;
  c->edd = edd;
  c->ga_sd = sd > 0 ? sd : 0;
  json_object_set_new(dating, "edd", json_string(ogv_date_text(edd, date)));
  json_object_set_new(dating, "sd_days", ogv_json_real(sd));
  json_object_set_new(dating, "rule", json_string(rule));
  json_object_set_new(dating, "reason", json_string(reason));
  for (size_t i = 0; ogv_dating_rule_at(i); i++) {
    const ogv_dating_rule *r = ogv_dating_rule_at(i);
    if (strcmp(r->id, rule)) continue;
    json_object_set_new(dating, "rule_title", json_string(r->title));
    json_object_set_new(dating, "rule_citation", json_string(r->citation));
  }
  json_object_set_new(pregnancy, "edd", json_string(date));
  json_object_set_new(pregnancy, "sd_days", ogv_json_real(sd));
  if (c->exam_date == OGV_DATE_NONE) return;
  int days = ogv_ga_on(edd, c->exam_date);
  json_object_set_new(pregnancy, "ga_days", json_integer(days));
  json_object_set_new(pregnancy, "ga", json_string(ogv_ga_text(days, ga)));
}

/* The age comes from this exam's own measurements: its centiles would only say that the fetus fits itself. */
static void note_circular(compose *c, json_t *list) {
  size_t i;
  json_t *e;
  const char *exam = ogv_json_string_or(json_object_get(c->facts, "exam"), "id", "?");
  json_array_foreach(list, i, e) if (json_is_true(json_object_get(e, "chosen")) &&
                                     !strcmp(ogv_json_string_or(e, "basis", ""), "biometry") &&
                                     !strcmp(ogv_json_string_or(e, "exam", ""), exam)) c->circular = true;
}

/* A person's decision stands whatever the rule would say; when the rule differs, that is said. */
static bool use_decision(compose *c, json_t *dating, json_t *list, const ogv_dating_estimate *es, size_t n) {
  const json_t *d = json_object_get(dating, "decision");
  ogv_date edd;
  if (!json_is_object(d) || !compose_date(d, "edd", &edd)) return false;
  double sd = compose_number(d, "sd_days");
  for (size_t i = 0; i < n; i++) {
    if (es[i].sd_days < 0 || es[i].edd != edd) continue;
    if (!isfinite(sd)) sd = es[i].sd_days;
    json_object_set_new(json_array_get(list, i), "chosen", json_true());
    json_object_set_new(dating, "chosen", json_integer((json_int_t)i));
    break;
  }
  /* A decision by rule alone, made while importing, still waits for a person. */
  json_object_set_new(dating, "state",
                      json_string(json_is_true(json_object_get(d, "automatic")) ? "proposed" : "decided"));
  set_edd(c, dating, edd, sd, ogv_json_string_or(d, "rule", ""), ogv_json_string_or(d, "reason", ""));
  return true;
}

/* The scan is written down already, by the record or by hand: the same exam and fetus, or the same day and size. */
static bool has_scan(const json_t *list, const json_t *piece) {
  const char *basis = ogv_json_string_or(piece, "basis", ""), *date = ogv_json_string_or(piece, "date", ""),
             *exam = ogv_json_string_or(piece, "exam", "?"), *fetus = ogv_json_string_or(piece, "fetus", "");
  double mm = compose_number(piece, "value_mm");
  size_t i;
  json_t *e;
  json_array_foreach(list, i, e) {
    const char *other = ogv_json_string_or(e, "fetus", "");
    if (strcmp(ogv_json_string_or(e, "basis", ""), basis)) continue;
    if (!strcmp(ogv_json_string_or(e, "exam", ""), exam) && (!*other || !*fetus || !strcmp(other, fetus))) return true;
    if (!strcmp(ogv_json_string_or(e, "date", ""), date) && !*other &&
        (!isfinite(mm) || fabs(compose_number(e, "value_mm") - mm) < SAME_SCAN_MM))
      return true;
  }
  return false;
}

/* Evidence that the ledger holds and the record has not written down yet. It is computed, not an input: made anew each
 * time, by the code that writes it into the record (ogv_dating_scans). */
static ogv_status add_scans(compose *c, json_t *list, ogv_error *err) {
  for (size_t i = json_array_size(list); i-- > 0;)
    if (json_is_true(json_object_get(json_array_get(list, i), "from_ledger"))) json_array_remove(list, i);
  json_t *groups = compose_history_groups(json_object_get(c->facts, "history")), *scans = NULL, *piece;
  const json_t *exam = json_object_get(c->facts, "exam"), *protocol = json_object_get(c->facts, "protocol");
  const char *date = ogv_json_string_or(exam, "date", "");
  size_t i, at = 0, known = json_array_size(list);
  while (at < json_array_size(groups) && strcmp(ogv_json_string_or(json_array_get(groups, at), "date", ""), date) <= 0)
    at++;
  json_t *here = json_pack("{s:s,s:s,s:O}", "exam", ogv_json_string_or(exam, "id", ""), "date", date, "rows",
                           json_object_get(c->facts, "ledger"));
  if (protocol && !json_is_true(json_object_get(protocol, "by_age")))
    json_object_set(here, "protocol", json_object_get(c->facts, "protocol"));
  json_array_insert_new(groups, at, here);
  ogv_status s = ogv_dating_scans(groups, &scans, err);
  json_t *before = json_array();
  for (i = 0; i < known; i++) json_array_append(before, json_array_get(list, i));
  json_array_foreach(scans, i, piece) {
    if (has_scan(before, piece)) continue;
    json_object_set_new(piece, "from_ledger", json_true());
    json_array_append(list, piece);
  }
  json_decref(before);
  json_decref(scans);
  json_decref(groups);
  return s;
}

ogv_status compose_dating(compose *c, ogv_error *err) {
  json_t *dating = json_object_get(c->facts, "dating"), *list = json_object_get(dating, "evidence"), *v;
  json_t *pregnancy = json_object_get(c->facts, "pregnancy");
  static const char *const computed[] = {"state",         "chosen",     "edd",          "sd_days",
                                         "rule",          "reason",     "proposal",     "rule_title",
                                         "rule_citation", "suboptimal", "sd_days_alone"};
  for (size_t i = 0; i < sizeof computed / sizeof *computed; i++) json_object_del(dating, computed[i]);
  static const char *const ours[] = {"edd", "sd_days", "ga_days", "ga"};
  for (size_t i = 0; i < 4; i++) json_object_del(pregnancy, ours[i]);

  OGV_TRY(add_scans(c, list, err));
  ogv_dating_evidence ev[EVIDENCE_MAX];
  ogv_dating_estimate es[EVIDENCE_MAX];
  size_t n = estimate_all(c, list, ev, es), i;
  ogv_dating_choice choice;
  ogv_error e = {0};
  const char *rule = json_string_value(compose_setting(c, "dating_rule"));
  ogv_status chosen = n ? ogv_dating_choose(rule, ev, es, n, &choice, &e) : OGV_E_NOT_FOUND;
  if (chosen == OGV_OK) translate_reason(c, &choice, ev, es, n);
  if (!use_decision(c, dating, list, es, n)) {
    if (chosen == OGV_OK) {
      json_object_set_new(dating, "state", json_string("proposed"));
      json_object_set_new(dating, "chosen", json_integer((json_int_t)choice.chosen));
      if (choice.suboptimal) json_object_set_new(dating, "suboptimal", json_true());
      json_object_set_new(json_array_get(list, choice.chosen), "chosen", json_true());
      if (choice.reason[0] >= 'a' && choice.reason[0] <= 'z') choice.reason[0] = (char)(choice.reason[0] - 'a' + 'A');
      set_edd(c, dating, choice.edd, choice.sd_days, choice.rule, choice.reason);
      if (choice.sd_days < es[choice.chosen].sd_days)
        json_object_set_new(dating, "sd_days_alone", json_real(es[choice.chosen].sd_days));
    } else json_object_set_new(dating, "state", json_string("none"));
  } else if (chosen == OGV_OK && choice.edd != c->edd) {
    char date[OGV_DATE_TEXT];
    json_object_set_new(dating, "proposal",
                        json_pack("{s:s,s:s,s:s}", "edd", ogv_date_text(choice.edd, date), "rule", choice.rule,
                                  "reason", choice.reason));
  } else if (chosen == OGV_OK && json_is_true(json_object_get(json_object_get(dating, "decision"), "automatic"))) {
    /* The record keeps the sentence of the rule, which is not in the report's language. */
    json_object_set_new(dating, "reason", json_string(choice.reason));
  }
  note_circular(c, list);
  if (c->dated)
    json_array_foreach(list, i, v) if (i < n && es[i].sd_days >= 0)
        json_object_set_new(v, "difference_days", json_integer(es[i].edd - c->edd));
  return OGV_OK;
}
