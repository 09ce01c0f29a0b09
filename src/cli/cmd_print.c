/* `ogive print`: a report or pictures on paper. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_prints.h"
#include "cli_store.h"
#include "core_file.h"
#include "core_json.h"
#include "print_queue.h"
#include "record_access.h"
#include "report_facts.h"
#include "report_pdf.h"

static int run(int argc, char **argv);
extern const ogv_command ogv_cmd_print;
const ogv_command ogv_cmd_print = {
    "print", "a report, contact sheet or parents' page on paper",
    "usage: ogive print --list [--json]                       the printers of this machine and of the set-up\n"
    "       ogive print EXAM --printer P [--copies N] [--paper A4] [--two-sided]\n"
    "       ogive print EXAM --printer P --contact 3x4|auto   contact sheets of the chosen pictures\n"
    "       ogive print EXAM --printer P --parents            the parents' page\n"
    "       ogive print --printer P --job N                   what became of a job\n\n"
    "EXAM is an id, the start of one, or \"latest\". The signed report is printed, byte for byte as it is stored;\n"
    "without one, or with --draft, the draft. P is a queue of CUPS or an address (ipp://printer.example/ipp/print).\n"
    "Who printed what, when and where is kept with the exam. Without a printer: ogive report EXAM -o FILE.pdf.\n\n"
    "  --wait             until the job has ended, at most 5 minutes; exit code 1 when it failed\n"
    "  --draft            the draft, although a report is signed\n"
    "  --landscape, --no-identity, --marks, --message TEXT, --picture OBJECT   as in ogive report\n"
    "  --by WHO           who prints (default: OGIVE_USER, else the log-in name of this machine)\n"
    "  --json             as JSON\n\n"
    "example: ogive print latest --printer ward2 --copies 2 --wait\n"
    "exit codes: 0 handed over (with --wait: printed), 1 the job failed, 2 usage, 3 bad input, 4 no such exam, "
    "printer\n"
    "or paper, 6 the printer does not answer, 7 not allowed, 8 it takes no jobs now\n",
    run};

typedef struct {
  const char *printer, *paper, *by;
  int copies, job;
  bool list, two_sided, wait, draft, json;
  ogv_cli_prints prints;
} options;

static json_t *printer_addresses(void) {
  ogv_store *s = NULL;
  json_t *v = NULL;
  if (ogv_cli_open_store(&s, NULL) == OGV_OK && ogv_store_setting(s, "printers", &v, NULL) != OGV_OK) v = NULL;
  ogv_store_close(s);
  return v;
}

static void print_printer(const json_t *p) {
  json_t *v;
  size_t i;
  printf("%-28s  %-11s  %s", ogv_json_string_or(p, "id", ""), ogv_json_string_or(p, "state", ""),
         ogv_json_string_or(p, "name", ""));
  json_array_foreach(json_object_get(p, "reasons"), i, v) printf("%s%s", i ? ", " : " (", json_string_value(v));
  puts(json_array_size(json_object_get(p, "reasons")) ? ")" : "");
}

static int list(const options *o) {
  ogv_error err = {0};
  json_t *known = printer_addresses(), *out = NULL, *p;
  size_t i;
  ogv_status s = ogv_print_printers(known, &out, &err);
  json_decref(known);
  if (s != OGV_OK) return ogv_cli_fail("print", &err, o->json);
  if (o->json) return ogv_cli_print_json(out);
  json_array_foreach(json_object_get(out, "printers"), i, p) print_printer(p);
  const char *trouble = json_string_value(json_object_get(out, "trouble"));
  if (!i)
    printf("There is no printer%s%s. \"ogive report EXAM -o FILE.pdf\" writes the PDF.\n", trouble ? ": " : "",
           trouble ? trouble : "");
  json_decref(out);
  return 0;
}

/* The report that stands, as it is stored; *pdf stays NULL when there is none. */
static ogv_status stored_report(ogv_store *store, const json_t *exam, char id[20], uint8_t **pdf, size_t *size,
                                ogv_error *err) {
  json_t *r;
  size_t i;
  json_array_foreach(json_object_get(exam, "reports"), i, r) if (!strcmp(ogv_json_string_or(r, "state", ""), "signed"))
      snprintf(id, 20, "%s", ogv_json_string_or(r, "id", ""));
  return *id ? ogv_store_report_pdf(store, id, pdf, size, err) : OGV_OK;
}

static ogv_status document(const options *o, ogv_store *store, const json_t *exam, char report[20], uint8_t **pdf,
                           size_t *size, ogv_error *err) {
  bool pictures = o->prints.contact || o->prints.parents;
  json_t *facts;
  if (!pictures && !o->draft) OGV_TRY(stored_report(store, exam, report, pdf, size, err));
  if (*pdf) return OGV_OK;
  OGV_TRY(ogv_report_facts(store, ogv_json_string_or(exam, "id", ""), &facts, err));
  ogv_status s = pictures ? ogv_cli_prints_pdf(&o->prints, facts, store, pdf, size, err)
                          : ogv_report_pdf(facts, ogv_report_store_picture, store, pdf, size, err);
  json_decref(facts);
  return s;
}

static ogv_status hand_over(const options *o, ogv_store *store, const json_t *exam, json_t **job, ogv_error *err) {
  const char *id = ogv_json_string_or(exam, "id", ""), *who = ogv_cli_who(o->by);
  const char *what = o->prints.parents ? "parents" : o->prints.contact ? "contact" : "report";
  char report[20] = "", title[80], sha[OGV_SHA256_TEXT];
  uint8_t *pdf = NULL;
  size_t size = 0;
  snprintf(title, sizeof title, "Ogive %s %.20s", what, id);
  ogv_print_ask ask = {o->printer, o->paper, o->copies, o->two_sided, title, who};
  ogv_status s = document(o, store, exam, report, &pdf, &size, err);
  if (s == OGV_OK) s = ogv_print_send(&ask, pdf, size, job, err);
  if (s == OGV_OK) {
    ogv_sha256(pdf, size, sha);
    json_t *detail = json_pack("{s:s,s:s}", "what", what, "sha256", sha);
    static const char *const kept[] = {"printer", "name", "job", "paper", "copies", "two_sided"};
    for (size_t i = 0; i < sizeof kept / sizeof *kept; i++)
      json_object_set(detail, kept[i], json_object_get(*job, kept[i]));
    s = ogv_store_event(store, *report ? "report" : "exam", *report ? report : id, "printed", detail, who, err);
    json_decref(detail);
    if (s != OGV_OK) ogv_error_at(err, s, "it prints, but that could not be written down");
  }
  free(pdf);
  return s;
}

/* Asks once a second, as long as people wait at a printer. */
static ogv_status wait_for(const char *printer, int job, json_t **state, ogv_error *err) {
  for (int i = 0; i < 300 && !json_is_true(json_object_get(*state, "ended")); i++) {
    struct timespec second = {1, 0};
    json_t *next;
    nanosleep(&second, NULL);
    OGV_TRY(ogv_print_state(printer, job, &next, err));
    json_object_update(*state, next);
    json_decref(next);
  }
  return OGV_OK;
}

static int tell(const options *o, json_t *job, int number) {
  const char *state = ogv_json_string_or(job, "state", "");
  int rc = !strcmp(state, "failed") || !strcmp(state, "cancelled");
  if (!o->json) {
    printf("job %d at %s %s\n", number, o->printer, ogv_json_string_or(job, "words", ""));
    json_decref(job);
    return rc;
  }
  return ogv_cli_print_json(job) ? 6 : rc;
}

static int work(const options *o, const char *name) {
  ogv_error err = {0};
  ogv_store *store = NULL;
  json_t *exam = NULL, *job = NULL;
  int number = o->job;
  ogv_status s = OGV_OK;
  if (name) {
    s = ogv_cli_open_store(&store, &err);
    if (s == OGV_OK) s = ogv_store_exam(store, name, &exam, &err);
    if (s == OGV_OK) s = hand_over(o, store, exam, &job, &err);
    number = (int)ogv_json_number_or(job, "job", 0);
  } else s = ogv_print_state(o->printer, number, &job, &err);
  if (s == OGV_OK && o->wait) s = wait_for(o->printer, number, &job, &err);
  json_decref(exam);
  ogv_store_close(store);
  if (s == OGV_OK) return tell(o, job, number);
  json_decref(job);
  return ogv_cli_fail("print", &err, o->json);
}

static int run(int argc, char **argv) {
  options o = {.copies = 1};
  const ogv_arg args[] = {{"--list", OGV_ARG_FLAG, &o.list},
                          {"--printer", OGV_ARG_TEXT, &o.printer},
                          {"--paper", OGV_ARG_TEXT, &o.paper},
                          {"--copies", OGV_ARG_WHOLE, &o.copies},
                          {"--two-sided", OGV_ARG_FLAG, &o.two_sided},
                          {"--job", OGV_ARG_WHOLE, &o.job},
                          {"--wait", OGV_ARG_FLAG, &o.wait},
                          {"--draft", OGV_ARG_FLAG, &o.draft},
                          {"--by", OGV_ARG_TEXT, &o.by},
                          {"--json", OGV_ARG_FLAG, &o.json},
                          OGV_CLI_PRINTS(o.prints),
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n;
  int rc = ogv_cli_args(&ogv_cmd_print, argc, argv, args, rest, &n);
  if (rc) return rc;
  if (o.list) return n ? ogv_cli_usage(&ogv_cmd_print, "no EXAM with --list") : list(&o);
  if (!o.printer) return ogv_cli_usage(&ogv_cmd_print, "--printer is missing; --list shows them");
  if (n != (o.job ? 0u : 1u)) return ogv_cli_usage(&ogv_cmd_print, o.job ? "no EXAM with --job" : "name one EXAM");
  return work(&o, n ? rest[0] : NULL);
}
