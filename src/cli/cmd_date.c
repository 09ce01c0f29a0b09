/* `ogive date`: what each piece of evidence says about the due date, which one decides by a named rule, and why. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_csv.h"
#include "cli_date.h"
#include "core_date.h"
#include "core_json.h"
#include "obstetrics_dating_json.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_date = {
    "date", "due date from period, transfer, CRL or biometry: each piece, the rule's choice and why",
    "usage: ogive date [EVIDENCE...] [--ga-on DATE] [--rule ID] [--json]\n"
    "       ogive date EXAM [EVIDENCE...]              dates an exam of the record and stores the decision\n"
    "       ogive date --input FILE|-                  JSON: a list of evidence, {\"evidence\":[...],\"rule\":...}, or "
    "a\n"
    "                                                  list of such objects\n"
    "       ogive date --csv FILE|-                    one pregnancy a row\n"
    "       ogive date --list                          formulas and rule sets\n\n"
    "evidence (dates as YYYY-MM-DD, lengths in mm unless --unit cm):\n"
    "  --lmp DATE            first day of the last period; --cycle DAYS its usual length; --lmp-uncertain\n"
    "  --conception DATE     conception, insemination or egg retrieval\n"
    "  --transfer DATE       embryo transfer; --embryo-age DAYS since fertilisation (3, 5)\n"
    "  --crl MM[@DATE]       crown-rump length, may be repeated (twins, repeats)\n"
    "  --sac MM[@DATE]       mean sac diameter\n"
    "  --bpd --hc --ac --fl --tcd MM    biometry of one scan; --bpd-convention outer-outer|outer-inner\n"
    "  --edd DATE            due date given from elsewhere: it stands\n"
    "  --on DATE             day of the scans that have no @DATE (today)\n\n"
    "  --formula ID          formula for its kind of evidence instead of the default, may be repeated\n"
    "  --rule ID             acog700 (default), scan-always, or a department's own\n"
    "  --why TEXT            reason for changing a date that stands (with EXAM)\n"
    "  --allow-unconfirmed   lets formulas of status from-memory be used\n\n"
    "CSV: columns of these names: lmp, cycle_days, lmp_certain (yes/no), conception, transfer, embryo_age_days, crl, "
    "crl_date,\n"
    "sac, sac_date, bpd, hc, ac, fl, biometry_date, edd, ga_on. Added: due, basis, formula, sd_days, ga_days,\n"
    "difference_days, refused. --strict ends with 3 when a row was refused.\n\n"
    "The weighted estimate of all evidence is shown beside the rule's answer and is not standard practice.\n"
    "Supports qualified staff; local protocol decides.\n\n"
    "example: ogive date --lmp 2026-01-01 --crl 55@2026-03-25 --ga-on 2026-05-20\n"
    "exit codes: 0 done, 2 usage, 3 bad input, 4 nothing dates it or no such formula, 5 out of range\n",
    run};

extern int ogv_cli_date_exam(const char *, const json_t *, const char *, const char *, bool) __attribute__((weak));

typedef struct {
  const char *lmp, *conception, *transfer, *edd, *on, *unit, *convention, *rule, *ga_on, *why;
  int cycle, embryo_age;
  bool uncertain, unconfirmed, json;
  ogv_arg_list crl, sac, formulas;
  double mm[5]; /* bpd hc ac fl tcd, in `unit` */
} request;

static const char *const lengths[5] = {"bpd_mm", "hc_mm", "ac_mm", "fl_mm", "tcd_mm"};

static double factor(const request *r) { return !strcmp(r->unit, "cm") ? 10 : 1; } /* run() has checked the unit */

static const char *formula_for(const request *r, const char *basis) {
  for (size_t k = 0; k < r->formulas.n; k++)
    for (size_t i = 0; ogv_dating_formula_at(i); i++) {
      const ogv_dating_formula *f = ogv_dating_formula_at(i);
      if (!strcmp(f->id, r->formulas.value[k]) && !strcmp(ogv_dating_word(f->basis), basis)) return f->id;
    }
  return NULL;
}

static void add(json_t *list, const request *r, json_t *piece) {
  const char *basis = ogv_json_string_or(piece, "basis", ""), *formula = formula_for(r, basis);
  if (formula) json_object_set_new(piece, "formula", json_string(formula));
  if (r->unconfirmed) json_object_set_new(piece, "allow_unconfirmed", json_true());
  json_array_append_new(list, piece);
}

static const char *scan_day(const request *r, char buf[OGV_DATE_TEXT]) {
  return r->on ? r->on : ogv_date_text(ogv_date_today(), buf);
}

/* "55.2@2026-01-20" or "55.2" */
static ogv_status add_length(json_t *list, const request *r, const char *basis, const char *text, ogv_error *err) {
  char number[40], today[OGV_DATE_TEXT];
  size_t n = strcspn(text, "@");
  double v;
  snprintf(number, sizeof number, "%.*s", (int)(n > 39 ? 39 : n), text);
  if (!ogv_csv_number(number, &v) || isnan(v))
    return ogv_fail(err, OGV_E_INVALID, "Write 55.2 or 55.2@2026-01-20.", "%s: \"%.40s\" is not a length", basis, text);
  add(list, r,
      json_pack("{s:s,s:s,s:f}", "basis", basis, "date", text[n] ? text + n + 1 : scan_day(r, today), "value_mm",
                v * factor(r)));
  return OGV_OK;
}

static ogv_status check_formulas(const request *r, ogv_error *err) {
  for (size_t k = 0; k < r->formulas.n; k++) {
    size_t i = 0;
    while (ogv_dating_formula_at(i) && strcmp(ogv_dating_formula_at(i)->id, r->formulas.value[k])) i++;
    if (!ogv_dating_formula_at(i))
      return ogv_fail(err, OGV_E_NOT_FOUND, "ogive date --list shows them.", "there is no dating formula \"%.40s\"",
                      r->formulas.value[k]);
  }
  return OGV_OK;
}

static ogv_status gather(const request *r, json_t *list, ogv_error *err) {
  char today[OGV_DATE_TEXT];
  OGV_TRY(check_formulas(r, err));
  if (r->lmp)
    add(list, r,
        json_pack("{s:s,s:s,s:i,s:b}", "basis", "lmp", "date", r->lmp, "cycle_days", r->cycle, "certain",
                  !r->uncertain));
  if (r->conception) add(list, r, json_pack("{s:s,s:s}", "basis", "conception", "date", r->conception));
  if (r->transfer)
    add(list, r,
        json_pack("{s:s,s:s,s:i}", "basis", "transfer", "date", r->transfer, "embryo_age_days", r->embryo_age));
  for (size_t i = 0; i < r->crl.n; i++) OGV_TRY(add_length(list, r, "crl", r->crl.value[i], err));
  for (size_t i = 0; i < r->sac.n; i++) OGV_TRY(add_length(list, r, "sac", r->sac.value[i], err));
  json_t *scan = NULL;
  for (int i = 0; i < 5; i++) {
    if (isnan(r->mm[i])) continue;
    if (!scan) scan = json_pack("{s:s,s:s}", "basis", "biometry", "date", scan_day(r, today));
    json_object_set_new(scan, lengths[i], json_real(r->mm[i] * factor(r)));
  }
  if (scan && r->convention) json_object_set_new(scan, "bpd_convention", json_string(r->convention));
  if (scan) add(list, r, scan);
  if (r->edd) add(list, r, json_pack("{s:s,s:s}", "basis", "edd", "date", r->edd));
  return OGV_OK;
}

static void print_estimate(const json_t *s, bool chosen) {
  const json_t *error = json_object_get(s, "error");
  if (error) {
    printf("    %-10s refused: %s\n", ogv_json_string_or(s, "basis", ""), ogv_json_string_or(error, "what", ""));
    return;
  }
  printf("  %s %-10s %s  %-7s on that day, due %s, SD %.1f d  %s\n", chosen ? ">" : " ",
         ogv_json_string_or(s, "basis", ""), ogv_json_string_or(s, "date", ""), ogv_json_string_or(s, "ga", ""),
         ogv_json_string_or(s, "edd", ""), json_number_value(json_object_get(s, "sd_days")),
         ogv_json_string_or(s, "title", ""));
  const char *note = ogv_json_string_or(s, "note", "");
  if (*note) printf("               %s\n", note);
}

void ogv_cli_date_print(const json_t *d, int ga_on) {
  const json_t *estimates = json_object_get(d, "estimates"), *range = json_object_get(d, "edd_interval95");
  size_t chosen = (size_t)json_integer_value(json_object_get(d, "chosen"));
  printf("due date %s   (95 %%: %s to %s)\n", ogv_json_string_or(d, "edd", ""),
         json_string_value(json_array_get(range, 0)), json_string_value(json_array_get(range, 1)));
  ogv_date edd;
  char day[OGV_DATE_TEXT], ga[OGV_GA_TEXT];
  if (ga_on != OGV_DATE_NONE && ogv_date_parse(ogv_json_string_or(d, "edd", ""), &edd, NULL) == OGV_OK)
    printf("on %s: %s\n", ogv_date_text(ga_on, day), ogv_ga_text(ogv_ga_on(edd, ga_on), ga));
  printf("%s\n", ogv_json_string_or(d, "reason", ""));
  for (size_t i = 0; i < json_array_size(estimates); i++) print_estimate(json_array_get(estimates, i), i == chosen);
  const json_t *c = json_object_get(d, "combined"), *why = json_object_get(c, "error"),
               *both = json_object_get(c, "edd_interval95");
  if (why) printf("weighted estimate of all evidence: %s\n", ogv_json_string_or(why, "what", ""));
  else if (json_array_size(json_object_get(c, "used")) > 1)
    printf("weighted estimate of all evidence: %s (95 %%: %s to %s); %s\n", ogv_json_string_or(c, "edd", ""),
           json_string_value(json_array_get(both, 0)), json_string_value(json_array_get(both, 1)),
           ogv_json_string_or(c, "label", ""));
  printf("rule %s: %s%s\n", ogv_json_string_or(d, "rule", ""), ogv_json_string_or(d, "citation", ""),
         strcmp(ogv_json_string_or(d, "status", ""), "from-memory") ? "" : " (from memory)");
}

static void add_age(json_t *decision, ogv_date on) {
  ogv_date edd;
  char day[OGV_DATE_TEXT], ga[OGV_GA_TEXT];
  if (on == OGV_DATE_NONE || ogv_date_parse(ogv_json_string_or(decision, "edd", ""), &edd, NULL) != OGV_OK) return;
  int days = ogv_ga_on(edd, on);
  json_object_set_new(
      decision, "age",
      json_pack("{s:s,s:i,s:s}", "date", ogv_date_text(on, day), "ga_days", days, "ga", ogv_ga_text(days, ga)));
}

static int calculate(const request *r, const json_t *evidence, ogv_date on) {
  json_t *decision = NULL;
  ogv_error err = {0};
  if (ogv_dating_decide(evidence, r->rule, &decision, &err) != OGV_OK) return ogv_cli_fail("date", &err, r->json);
  add_age(decision, on);
  if (r->json) return ogv_cli_print_json(decision);
  ogv_cli_date_print(decision, on);
  json_decref(decision);
  return 0;
}

static json_t *refusal(const ogv_error *err) { return json_pack("{s:o}", "error", ogv_error_json(err)); }

static json_t *one_request(const json_t *v, const request *r, ogv_date on) {
  json_t *decision = NULL;
  ogv_error err = {0};
  const json_t *evidence = json_is_object(v) ? json_object_get(v, "evidence") : v;
  const char *day = json_is_object(v) ? ogv_json_string_or(v, "ga_on", NULL) : NULL;
  if (day && ogv_date_parse(day, &on, &err) != OGV_OK) return refusal(&err);
  if (ogv_dating_decide(evidence, ogv_json_string_or(v, "rule", r->rule), &decision, &err) != OGV_OK)
    return refusal(&err);
  add_age(decision, on);
  return decision;
}

static int input(const char *path, const request *r, ogv_date on) {
  json_t *in = NULL, *out;
  json_error_t je;
  ogv_error err = {0};
  ogv_status s = OGV_OK;
  if (strcmp(path, "-")) s = ogv_json_load(path, &in, &err);
  else if (!(in = json_loadf(stdin, JSON_REJECT_DUPLICATES, &je)))
    s = ogv_fail(&err, OGV_E_INVALID, "Correct the JSON at that place.", "standard input, line %d column %d: %s",
                 je.line, je.column, je.text);
  if (s != OGV_OK) return ogv_cli_fail("date", &err, 1);
  const json_t *first = json_array_get(in, 0);
  if (json_object_get(first, "evidence") || json_is_array(first)) {
    out = json_array();
    for (size_t i = 0; i < json_array_size(in); i++)
      json_array_append_new(out, one_request(json_array_get(in, i), r, on));
  } else {
    out = one_request(in, r, on);
  }
  json_decref(in);
  int bad = !!json_object_get(out, "error"), code = ogv_cli_print_json(out);
  return code ? code : bad ? 3 : 0;
}

/* --- a row of a CSV
 * ---------------------------------------------------------------------------------------------------- */
enum {
  C_LMP,
  C_CYCLE,
  C_CERTAIN,
  C_CONCEPTION,
  C_TRANSFER,
  C_EMBRYO,
  C_CRL,
  C_CRL_DATE,
  C_SAC,
  C_SAC_DATE,
  C_BPD,
  C_HC,
  C_AC,
  C_FL,
  C_BIO_DATE,
  C_EDD,
  C_GA_ON,
  C_COUNT
};
static const char *const column_names[C_COUNT] = {
    "lmp",      "cycle_days", "lmp_certain", "conception", "transfer", "embryo_age_days", "crl", "crl_date", "sac",
    "sac_date", "bpd",        "hc",          "ac",         "fl",       "biometry_date",   "edd", "ga_on"};

typedef struct {
  ogv_csv *csv;
  int at[C_COUNT];
  const request *r;
  double factor; /* length unit to mm */
} reader;

static const char *text(const reader *q, int c) { return ogv_csv_field(q->csv, q->at[c]); }

static ogv_status number(const reader *q, int c, double *out, ogv_error *err) {
  if (ogv_csv_number(text(q, c), out)) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"%.40s\" is not a number", column_names[c], text(q, c));
}

static ogv_status piece(const reader *q, ogv_dating_basis basis, int date_column, ogv_dating_evidence *e, size_t *n,
                        ogv_error *err) {
  if (!*text(q, date_column)) return ogv_fail(err, OGV_E_INVALID, NULL, "%s is missing", column_names[date_column]);
  e[*n].basis = basis;
  e[*n].formula = formula_for(q->r, ogv_dating_word(basis));
  e[*n].allow_unconfirmed = q->r->unconfirmed;
  e[*n].bpd_convention = q->r->convention;
  OGV_TRY(ogv_date_parse(text(q, date_column), &e[*n].date, err));
  (*n)++;
  return OGV_OK;
}

static ogv_status row_lmp(const reader *q, ogv_dating_evidence *e, size_t *n, ogv_error *err) {
  double cycle;
  const char *certain = text(q, C_CERTAIN);
  OGV_TRY(number(q, C_CYCLE, &cycle, err));
  OGV_TRY(piece(q, OGV_DATING_LMP, C_LMP, e, n, err));
  e[*n - 1].cycle_days = isnan(cycle) ? q->r->cycle : (int)lround(cycle);
  if (*certain && strcmp(certain, "yes") && strcmp(certain, "no"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "lmp_certain must be yes or no, not \"%.20s\"", certain);
  e[*n - 1].certain = *certain ? !strcmp(certain, "yes") : !q->r->uncertain;
  return OGV_OK;
}

static ogv_status row_evidence(const reader *q, ogv_dating_evidence *e, size_t *n, ogv_error *err) {
  double v[4], crl, sac, age;
  *n = 0;
  memset(e, 0, 8 * sizeof *e);
  OGV_TRY(number(q, C_CRL, &crl, err));
  OGV_TRY(number(q, C_SAC, &sac, err));
  OGV_TRY(number(q, C_EMBRYO, &age, err));
  for (int i = 0; i < 4; i++) OGV_TRY(number(q, C_BPD + i, &v[i], err));
  if (*text(q, C_LMP)) OGV_TRY(row_lmp(q, e, n, err));
  if (*text(q, C_CONCEPTION)) OGV_TRY(piece(q, OGV_DATING_CONCEPTION, C_CONCEPTION, e, n, err));
  if (*text(q, C_TRANSFER)) {
    OGV_TRY(piece(q, OGV_DATING_TRANSFER, C_TRANSFER, e, n, err));
    e[*n - 1].embryo_age_days = isnan(age) ? q->r->embryo_age : (int)lround(age);
  }
  if (!isnan(crl)) {
    OGV_TRY(piece(q, OGV_DATING_CRL, C_CRL_DATE, e, n, err));
    e[*n - 1].value_mm = crl * q->factor;
  }
  if (!isnan(sac)) {
    OGV_TRY(piece(q, OGV_DATING_SAC, C_SAC_DATE, e, n, err));
    e[*n - 1].value_mm = sac * q->factor;
  }
  if (!isnan(v[0]) || !isnan(v[1]) || !isnan(v[2]) || !isnan(v[3])) {
    OGV_TRY(piece(q, OGV_DATING_BIOMETRY, C_BIO_DATE, e, n, err));
    ogv_dating_evidence *b = &e[*n - 1];
    b->bpd_mm = v[0] * q->factor;
    b->hc_mm = v[1] * q->factor;
    b->ac_mm = v[2] * q->factor;
    b->fl_mm = v[3] * q->factor;
  }
  if (*text(q, C_EDD)) OGV_TRY(piece(q, OGV_DATING_EDD, C_EDD, e, n, err));
  return OGV_OK;
}

static ogv_status row(const reader *q, ogv_date on, ogv_dating_evidence *e, ogv_dating_choice *choice,
                      const ogv_dating_estimate **chosen, double *ga, ogv_error *err) {
  static ogv_dating_estimate s[8];
  size_t n;
  ogv_error why = {0};
  ogv_status refused = OGV_OK;
  OGV_TRY(row_evidence(q, e, &n, err));
  for (size_t i = 0; i < n; i++) {
    ogv_error one = {0};
    if (ogv_dating_estimate_from(&e[i], &s[i], &one) == OGV_OK) continue;
    s[i].sd_days = -1;
    if (refused == OGV_OK) refused = one.code, why = one;
  }
  ogv_status code = ogv_dating_choose_wordless(q->r->rule, e, s, n, choice, err);
  if (code == OGV_E_NOT_FOUND && refused != OGV_OK) *err = why;
  if (code != OGV_OK) return code;
  *chosen = &s[choice->chosen];
  if (*text(q, C_GA_ON)) OGV_TRY(ogv_date_parse(text(q, C_GA_ON), &on, err));
  *ga = on == OGV_DATE_NONE ? NAN : ogv_ga_on(choice->edd, on);
  return OGV_OK;
}

static void put_row(const reader *q, ogv_status code, const ogv_error *why, const ogv_dating_evidence *e,
                    const ogv_dating_choice *c, const ogv_dating_estimate *s, double ga) {
  char day[OGV_DATE_TEXT];
  bool ok = code == OGV_OK;
  ogv_csv_put_record(q->csv);
  ogv_csv_put_text(ok ? ogv_date_text(c->edd, day) : "");
  ogv_csv_put_text(ok ? ogv_dating_word(e[c->chosen].basis) : "");
  ogv_csv_put_text(ok ? s->formula : "");
  ogv_csv_put_number(ok ? c->sd_days : NAN, 2);
  ogv_csv_put_number(ok ? ga : NAN, 0);
  ogv_csv_put_number(ok && c->limit_days >= 0 ? c->difference_days : NAN, 0);
  ogv_csv_put_text(ok ? "" : why->what);
  ogv_csv_end_row();
}

static int csv(const char *path, const request *r, ogv_date on, bool strict) {
  static const char *const added[] = {"due", "basis", "formula", "sd_days", "ga_days", "difference_days", "refused"};
  reader q = {.r = r, .factor = factor(r)};
  ogv_error err = {0};
  bool more = true;
  size_t rows = 0, refused = 0;
  ogv_status s = ogv_csv_open(path, &q.csv, &err);
  if (s != OGV_OK) return ogv_cli_fail("date", &err, 0);
  for (int i = 0; i < C_COUNT; i++) q.at[i] = ogv_csv_column(q.csv, column_names[i]);
  ogv_csv_put_record(q.csv);
  for (size_t i = 0; i < sizeof added / sizeof *added; i++) ogv_csv_put_text(added[i]);
  ogv_csv_end_row();
  while ((s = ogv_csv_next(q.csv, &more, &err)) == OGV_OK && more) {
    ogv_dating_evidence e[8];
    ogv_dating_choice choice;
    const ogv_dating_estimate *chosen = NULL;
    ogv_error why = {0};
    double ga = NAN;
    ogv_status one = row(&q, on, e, &choice, &chosen, &ga, &why);
    rows++;
    refused += one != OGV_OK;
    put_row(&q, one, &why, e, &choice, chosen, ga);
  }
  bool written = ogv_csv_flush();
  ogv_csv_close(q.csv);
  if (s != OGV_OK) return ogv_cli_fail("date", &err, 0);
  if (!written) return fprintf(stderr, "ogive date: standard output cannot be written\n"), 6;
  if (refused) fprintf(stderr, "ogive date: %zu of %zu rows refused, see the column \"refused\"\n", refused, rows);
  return strict && refused ? 3 : 0;
}

static json_t *formula_row(const ogv_dating_formula *f) {
  return json_pack("{s:s,s:s,s:s,s:s,s:s,s:o,s:o,s:o,s:o,s:s,s:s,s:s,s:s}", "id", f->id, "basis",
                   ogv_dating_word(f->basis), "title", f->title, "citation", f->citation, "status", f->status,
                   "value_low_mm", ogv_json_real(f->value_low), "value_high_mm", ogv_json_real(f->value_high),
                   "ga_low_days", ogv_json_real(f->ga_low), "ga_high_days", ogv_json_real(f->ga_high), "sd_source",
                   f->sd_source, "sd_status", f->sd_status, "bpd_convention", f->bpd_convention, "note", f->note);
}

static int list(bool json) {
  json_t *formulas = json_array(), *rules = json_array();
  for (size_t i = 0; ogv_dating_formula_at(i); i++) {
    const ogv_dating_formula *f = ogv_dating_formula_at(i);
    json_array_append_new(formulas, formula_row(f));
    if (json) continue;
    printf("%-9s %-24s %-14s ", ogv_dating_word(f->basis), f->id, f->status);
    if (!isnan(f->value_low)) printf("%g to %g mm", f->value_low, f->value_high);
    else if (!isnan(f->ga_low)) printf("%g to %g weeks", f->ga_low / 7, f->ga_high / 7);
    printf("\n%34s%s\n", "", f->citation);
  }
  for (size_t i = 0; ogv_dating_rule_at(i); i++) {
    const ogv_dating_rule *r = ogv_dating_rule_at(i);
    json_array_append_new(
        rules, json_pack("{s:s,s:s,s:s,s:s,s:s,s:b}", "id", r->id, "title", r->title, "citation", r->citation, "status",
                         r->status, "note", r->note, "default", r->is_default));
    if (!json)
      printf("rule      %-24s %-14s %s%s\n%34s%s\n", r->id, r->status, r->title, r->is_default ? " (default)" : "", "",
             r->citation);
  }
  if (json) return ogv_cli_print_json(json_pack("{s:o,s:o}", "formulas", formulas, "rules", rules));
  json_decref(formulas);
  json_decref(rules);
  return 0;
}

static int run(int argc, char **argv) {
  request r = {.unit = "mm", .embryo_age = 5};
  for (int i = 0; i < 5; i++) r.mm[i] = NAN;
  const char *csv_path = NULL, *input_path = NULL;
  bool show_list = false, strict = false;
  const ogv_arg args[] = {{"--lmp", OGV_ARG_TEXT, &r.lmp},
                          {"--cycle", OGV_ARG_WHOLE, &r.cycle},
                          {"--lmp-uncertain", OGV_ARG_FLAG, &r.uncertain},
                          {"--conception", OGV_ARG_TEXT, &r.conception},
                          {"--transfer", OGV_ARG_TEXT, &r.transfer},
                          {"--embryo-age", OGV_ARG_WHOLE, &r.embryo_age},
                          {"--crl", OGV_ARG_MANY, &r.crl},
                          {"--sac", OGV_ARG_MANY, &r.sac},
                          {"--bpd", OGV_ARG_NUMBER, &r.mm[0]},
                          {"--hc", OGV_ARG_NUMBER, &r.mm[1]},
                          {"--ac", OGV_ARG_NUMBER, &r.mm[2]},
                          {"--fl", OGV_ARG_NUMBER, &r.mm[3]},
                          {"--tcd", OGV_ARG_NUMBER, &r.mm[4]},
                          {"--bpd-convention", OGV_ARG_TEXT, &r.convention},
                          {"--edd", OGV_ARG_TEXT, &r.edd},
                          {"--on", OGV_ARG_TEXT, &r.on},
                          {"--unit", OGV_ARG_TEXT, &r.unit},
                          {"--formula", OGV_ARG_MANY, &r.formulas},
                          {"--rule", OGV_ARG_TEXT, &r.rule},
                          {"--ga-on", OGV_ARG_TEXT, &r.ga_on},
                          {"--why", OGV_ARG_TEXT, &r.why},
                          {"--allow-unconfirmed", OGV_ARG_FLAG, &r.unconfirmed},
                          {"--json", OGV_ARG_FLAG, &r.json},
                          {"--csv", OGV_ARG_TEXT, &csv_path},
                          {"--input", OGV_ARG_TEXT, &input_path},
                          {"--list", OGV_ARG_FLAG, &show_list},
                          {"--strict", OGV_ARG_FLAG, &strict},
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n_rest;
  ogv_error err = {0};
  ogv_date on = OGV_DATE_NONE;
  int code = ogv_cli_args(&ogv_cmd_date, argc, argv, args, rest, &n_rest);
  if (code) return code;
  if (show_list) return list(r.json);
  if (strcmp(r.unit, "mm") && strcmp(r.unit, "cm")) return ogv_cli_usage(&ogv_cmd_date, "--unit is mm or cm");
  if (n_rest > 1 || (n_rest && !ogv_cli_date_exam))
    return ogv_cli_usage(&ogv_cmd_date, "\"%.40s\" is not understood", rest[n_rest - 1]);
  if (r.ga_on && ogv_date_parse(r.ga_on, &on, &err) != OGV_OK) return ogv_cli_fail("date", &err, r.json);
  if (csv_path)
    return check_formulas(&r, &err) == OGV_OK ? csv(csv_path, &r, on, strict) : ogv_cli_fail("date", &err, 0);
  if (input_path) return input(input_path, &r, on);
  json_t *evidence = json_array();
  if (gather(&r, evidence, &err) != OGV_OK) code = ogv_cli_fail("date", &err, r.json);
  else if (n_rest) code = ogv_cli_date_exam(rest[0], evidence, r.rule, r.why, r.json);
  else if (!json_array_size(evidence)) code = ogv_cli_usage(&ogv_cmd_date, "give at least one piece of evidence");
  else code = calculate(&r, evidence, on);
  json_decref(evidence);
  return code;
}
