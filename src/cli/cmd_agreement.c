/* `ogive agreement`: how people's measurements compare with the blind second reading, over the exams of the record. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_date.h"
#include "core_json.h"
#include "obstetrics_quantity.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_agreement = {
    "agreement", "compare measurements with the blind second reading, by quantity",
    "usage: ogive agreement [OPTION...]\n\n"
    "  --from DATE      exams on or after 2026-11-25\n"
    "  --to DATE        exams on or before\n"
    "  --who NAME       only measurements of this person\n"
    "  --json           the same as JSON\n\n"
    "For each quantity: how many readings that stand were read again, how many agree within the limits of two\n"
    "observers, differ, or could not be read; mean difference (measured minus second reading), its SD, and the\n"
    "95 % limits of agreement, mean ± 1.96 SD (Bland JM, Altman DG, Lancet 1986;1:307-310), in millimetres and in\n"
    "percent. Readings drawn by hand and proposals that a person changed are told apart, for a changed proposal is\n"
    "no independent reading; proposals accepted unchanged are counted but not compared. The program is no truth: it\n"
    "errs too (docs/second-reader.md). Look at the pictures before judging a person by these numbers.\n\n"
    "example: ogive agreement --from 2026-10-01\n"
    "exit codes: 0 done, 2 usage, 3 bad date, 4 no record yet (ogive init)\n",
    run};

enum { OWN, ADJUSTED, PROPOSED, BASES };
static const char *const basis_words[BASES] = {"own", "adjusted", "proposed"};
static const char *const ids[] = {"hc", "bpd", "ofd", "ac", "fl"};
#define QUANTITIES (sizeof ids / sizeof *ids)

typedef struct tally {
  int agree, differ, unread, n;
  double sum, squares, sum_percent, squares_percent;
} tally;

static void add(tally *t, const json_t *d) {
  const char *result = ogv_json_string_or(d, "result", "");
  double value = ogv_json_number_or(d, "value", NAN), second = ogv_json_number_or(d, "second_value", NAN);
  t->agree += !strcmp(result, "agrees");
  t->differ += !strcmp(result, "differs");
  t->unread += !strcmp(result, "could-not-read");
  if (!isfinite(value) || !isfinite(second) || !(value + second > 0)) return;
  double difference = value - second, percent = 200 * difference / (value + second);
  t->n++;
  t->sum += difference;
  t->squares += difference * difference;
  t->sum_percent += percent;
  t->squares_percent += percent * percent;
}

static double sd_of(double sum, double squares, int n) {
  return n > 1 ? sqrt(fmax(0, (squares - sum * sum / n) / (n - 1))) : NAN;
}

/* Whether the row still stands, and is of the person asked about. */
static bool stands(const json_t *exam, const char *id, const char *who) {
  size_t i;
  json_t *row;
  json_array_foreach(json_object_get(exam, "ledger"), i, row) {
    if (strcmp(ogv_json_string_or(row, "id", ""), id)) continue;
    return !strcmp(ogv_json_string_or(row, "state", ""), "accepted") &&
           !*ogv_json_string_or(row, "superseded_by", "") && (!who || !strcmp(ogv_json_string_or(row, "who", ""), who));
  }
  return false;
}

/* Only the newest reading again of a row counts. */
static bool newest(const json_t *events, size_t at, const char *id) {
  for (size_t i = at + 1; i < json_array_size(events); i++) {
    const json_t *e = json_array_get(events, i);
    if (!strcmp(ogv_json_string_or(e, "verb", ""), "re-read") &&
        !strcmp(ogv_json_string_or(json_object_get(e, "detail"), "measurement", ""), id))
      return false;
  }
  return true;
}

static void add_exam(const json_t *exam, const char *who, tally all[QUANTITIES][BASES]) {
  const json_t *events = json_object_get(exam, "events");
  for (size_t i = 0; i < json_array_size(events); i++) {
    const json_t *e = json_array_get(events, i), *d = json_object_get(e, "detail");
    const char *id = ogv_json_string_or(d, "measurement", "");
    if (strcmp(ogv_json_string_or(e, "verb", ""), "re-read") || !newest(events, i, id) || !stands(exam, id, who))
      continue;
    for (size_t k = 0; k < QUANTITIES; k++)
      for (int b = 0; b < BASES; b++)
        if (!strcmp(ids[k], ogv_json_string_or(d, "quantity", "")) &&
            !strcmp(basis_words[b], ogv_json_string_or(d, "basis", "")))
          add(&all[k][b], d);
  }
}

static json_t *numbers(const tally *t) {
  double mean = t->n ? t->sum / t->n : NAN, sd = sd_of(t->sum, t->squares, t->n),
         mean_p = t->n ? t->sum_percent / t->n : NAN, sd_p = sd_of(t->sum_percent, t->squares_percent, t->n);
  return json_pack("{s:i,s:i,s:i,s:i,s:o,s:o,s:[o,o],s:o,s:o,s:[o,o]}", "agree", t->agree, "differ", t->differ,
                   "could_not_read", t->unread, "compared", t->n, "mean_mm", ogv_json_real(mean), "sd_mm",
                   ogv_json_real(sd), "limits_mm", ogv_json_real(mean - 1.96 * sd), ogv_json_real(mean + 1.96 * sd),
                   "mean_percent", ogv_json_real(mean_p), "sd_percent", ogv_json_real(sd_p), "limits_percent",
                   ogv_json_real(mean_p - 1.96 * sd_p), ogv_json_real(mean_p + 1.96 * sd_p));
}

static json_t *summary(tally all[QUANTITIES][BASES], int exams) {
  json_t *list = json_array();
  for (size_t k = 0; k < QUANTITIES; k++) {
    const tally *p = &all[k][PROPOSED];
    json_array_append_new(
        list, json_pack("{s:s,s:o,s:o,s:i}", "quantity", ids[k], "by_hand", numbers(&all[k][OWN]), "changed_proposals",
                        numbers(&all[k][ADJUSTED]), "unchanged_proposals", p->agree + p->differ + p->unread));
  }
  return json_pack("{s:i,s:o}", "exams", exams, "quantities", list);
}

static void print_line(const char *symbol, const char *basis, const tally *t) {
  if (!(t->agree + t->differ + t->unread)) return;
  printf("%-5s %-18s %6d %7d %7d", symbol, basis, t->agree, t->differ, t->unread);
  if (t->n > 1) {
    double mean = t->sum / t->n, sd = sd_of(t->sum, t->squares, t->n), mean_p = t->sum_percent / t->n,
           sd_p = sd_of(t->sum_percent, t->squares_percent, t->n);
    printf("  %+6.2f mm  %+6.1f to %+6.1f mm  %+5.1f %%  %+5.1f to %+5.1f %%", mean, mean - 1.96 * sd, mean + 1.96 * sd,
           mean_p, mean_p - 1.96 * sd_p, mean_p + 1.96 * sd_p);
  } else if (t->n) {
    printf("  %+6.2f mm  (one reading: no limits)", t->sum);
  }
  putchar('\n');
}

static void print_all(tally all[QUANTITIES][BASES], int exams) {
  int any = 0, unchanged = 0;
  printf("%d exams. Difference: measured minus second reading; limits: mean and 1.96 SD either side.\n\n", exams);
  printf("%-5s %-18s %6s %7s %7s  %s\n", "", "", "agree", "differ", "unread", "mean, limits of agreement");
  for (size_t k = 0; k < QUANTITIES; k++) {
    const ogv_quantity *q = ogv_quantity_find(ids[k]);
    const tally *t = all[k];
    print_line(q->symbol, "by hand", &t[OWN]);
    print_line(q->symbol, "changed proposals", &t[ADJUSTED]);
    unchanged += t[PROPOSED].agree + t[PROPOSED].differ + t[PROPOSED].unread;
    any += t[OWN].agree + t[OWN].differ + t[OWN].unread + t[ADJUSTED].agree + t[ADJUSTED].differ + t[ADJUSTED].unread;
  }
  if (!any) puts("No reading has been compared yet. Readings are read again when they are stored on the page.");
  if (unchanged)
    printf("\n%d proposals accepted unchanged are not compared: the program agrees with itself.\n", unchanged);
}

static ogv_status collect(const json_t *filter, const char *who, tally all[QUANTITIES][BASES], int *exams,
                          ogv_error *err) {
  ogv_store *s = NULL;
  json_t *list = NULL, *e;
  size_t i;
  ogv_status st = ogv_cli_open_store(&s, err);
  if (st == OGV_OK) st = ogv_store_exams(s, filter, &list, err);
  json_array_foreach(list, i, e) {
    json_t *exam = NULL;
    if (st != OGV_OK) break;
    st = ogv_store_exam(s, ogv_json_string_or(e, "id", ""), &exam, err);
    if (st == OGV_OK) add_exam(exam, who, all);
    json_decref(exam);
  }
  *exams = (int)json_array_size(list);
  json_decref(list);
  ogv_store_close(s);
  return st;
}

static int run(int argc, char **argv) {
  const char *from = NULL, *to = NULL, *who = NULL;
  bool json = false;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--from", OGV_ARG_TEXT, &from},
                          {"--to", OGV_ARG_TEXT, &to},
                          {"--who", OGV_ARG_TEXT, &who},
                          {"--json", OGV_ARG_FLAG, &json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_agreement, argc, argv, args, rest, &n);
  if (code) return code;
  if (n) return ogv_cli_usage(&ogv_cmd_agreement, "unexpected word %.60s", rest[0]);
  ogv_error err = {0};
  ogv_date d;
  tally all[QUANTITIES][BASES] = {0};
  int exams = 0;
  ogv_status st = from ? ogv_date_parse(from, &d, &err) : OGV_OK;
  if (st == OGV_OK && to) st = ogv_date_parse(to, &d, &err);
  json_t *filter = json_pack("{s:s*,s:s*,s:i}", "from", from, "to", to, "limit", 999999);
  if (st == OGV_OK) st = collect(filter, who, all, &exams, &err);
  json_decref(filter);
  if (st != OGV_OK) return ogv_cli_fail("agreement", &err, json);
  if (json) return ogv_cli_print_json(summary(all, exams));
  print_all(all, exams);
  return 0;
}
