/* Handing a PDF over, and what becomes of it: see print_queue.h. */
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "print_queue.h"
#include "private/print_ipp.h"
#include "private/print_paper.h"

#define A4 "iso_a4_210x297mm"

/* What the printer says of itself before it is given anything. */
static ogv_status ask_abilities(print_line *l, ipp_t **answer, ogv_error *err) {
  static const char *const wanted[] = {
      "printer-info",    "printer-is-accepting-jobs", "media-supported",           "media-default",
      "sides-supported", "copies-supported",          "document-format-supported", "print-scaling-supported"};
  ipp_t *q = print_request(l, IPP_OP_GET_PRINTER_ATTRIBUTES, NULL);
  ippAddStrings(q, IPP_TAG_OPERATION, IPP_TAG_KEYWORD, "requested-attributes", sizeof wanted / sizeof *wanted, NULL,
                wanted);
  OGV_TRY(print_exchange(l, q, NULL, 0, answer, err));
  const char *info = print_text(*answer, "printer-info", "");
  if (*info) snprintf(l->name, sizeof l->name, "%.250s", info);
  return OGV_OK;
}

static ogv_status choose_paper(const print_line *l, ipp_t *able, const char *asked, const char **paper,
                               ogv_error *err) {
  ipp_attribute_t *a = ippFindAttribute(able, "media-supported", IPP_TAG_ZERO);
  char list[300] = "";
  *paper = NULL;
  for (int i = 0; a && i < ippGetCount(a); i++) {
    char name[64];
    const char *id = ippGetString(a, i, NULL);
    if (!id) continue;
    if (print_paper_is(id, asked && *asked ? asked : A4)) *paper = id;
    size_t n = strlen(list);
    if (print_paper_name(id, name, sizeof name))
      snprintf(list + n, sizeof list - n, "%s%.*s", n ? ", " : "", (int)strcspn(name, " "), name);
  }
  if (*paper || !asked || !*asked) return OGV_OK; /* no A4: its own paper */
  return ogv_fail(err, OGV_E_NOT_FOUND, "Choose one of those.", "%s has no paper %.40s; it has %s", l->name, asked,
                  *list ? list : "none that it names");
}

static ogv_status check(const ogv_print_ask *ask, const print_line *l, ipp_t *able, const char **paper,
                        ogv_error *err) {
  ipp_attribute_t *accepting = ippFindAttribute(able, "printer-is-accepting-jobs", IPP_TAG_BOOLEAN);
  ipp_attribute_t *most = ippFindAttribute(able, "copies-supported", IPP_TAG_RANGE);
  int upper = OGV_PRINT_COPIES;
  if (most) ippGetRange(most, 0, &upper);
  if (accepting && !ippGetBoolean(accepting, 0))
    return ogv_fail(err, OGV_E_CONFLICT, "Choose another printer, or let it take jobs again.",
                    "%s takes no jobs at present", l->name);
  if (!print_lists(ippFindAttribute(able, "document-format-supported", IPP_TAG_ZERO), "application/pdf"))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Set it up in CUPS, which converts.", "%s takes no PDF", l->name);
  if (ask->copies > upper)
    return ogv_fail(err, OGV_E_RANGE, NULL, "%s prints at most %d copies, not %d", l->name, upper, ask->copies);
  if (ask->two_sided && !print_lists(ippFindAttribute(able, "sides-supported", IPP_TAG_ZERO), "two-sided-long-edge"))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Print on one side.", "%s does not print on both sides", l->name);
  return choose_paper(l, able, ask->paper, paper, err);
}

static ipp_t *job_request(const ogv_print_ask *ask, const print_line *l, ipp_t *able, const char *paper) {
  ipp_t *q = print_request(l, IPP_OP_PRINT_JOB, ask->who);
  ippAddString(q, IPP_TAG_OPERATION, IPP_TAG_NAME, "job-name", NULL, ask->title);
  ippAddString(q, IPP_TAG_OPERATION, IPP_TAG_MIMETYPE, "document-format", NULL, "application/pdf");
  ippAddInteger(q, IPP_TAG_JOB, IPP_TAG_INTEGER, "copies", ask->copies);
  if (paper) ippAddString(q, IPP_TAG_JOB, IPP_TAG_KEYWORD, "media", NULL, paper);
  ippAddString(q, IPP_TAG_JOB, IPP_TAG_KEYWORD, "sides", NULL, ask->two_sided ? "two-sided-long-edge" : "one-sided");
  /* Pages are A4: on another sheet they are made to fit, never cut (PWG 5100.13). */
  if (print_lists(ippFindAttribute(able, "print-scaling-supported", IPP_TAG_ZERO), "fit"))
    ippAddString(q, IPP_TAG_JOB, IPP_TAG_KEYWORD, "print-scaling", NULL, "fit");
  return q;
}

static const char *job_word(int state) {
  static const char *const words[] = {"waiting", "held", "printing", "stopped", "cancelled", "failed", "done"};
  return state >= IPP_JSTATE_PENDING && state <= IPP_JSTATE_COMPLETED ? words[state - IPP_JSTATE_PENDING] : "waiting";
}

/* The printer's own trouble stands behind a job that does not move. */
static void add_printer_reasons(print_line *l, json_t *reasons) {
  static const char *const wanted[] = {"printer-state-reasons"};
  ipp_t *q = print_request(l, IPP_OP_GET_PRINTER_ATTRIBUTES, NULL), *answer;
  ippAddStrings(q, IPP_TAG_OPERATION, IPP_TAG_KEYWORD, "requested-attributes", 1, NULL, wanted);
  if (print_exchange(l, q, NULL, 0, &answer, NULL) != OGV_OK) return;
  print_reasons(ippFindAttribute(answer, "printer-state-reasons", IPP_TAG_ZERO), reasons);
  ippDelete(answer);
}

static json_t *state_of(print_line *l, ipp_t *answer) {
  int state = print_number(answer, "job-state", IPP_JSTATE_PENDING);
  bool ended = state >= IPP_JSTATE_CANCELED;
  json_t *reasons = json_array(), *r;
  char words[400];
  size_t i;
  print_reasons(ippFindAttribute(answer, "job-state-reasons", IPP_TAG_ZERO), reasons);
  if (state != IPP_JSTATE_COMPLETED && state != IPP_JSTATE_CANCELED) add_printer_reasons(l, reasons);
  static const struct {
    int state;
    const char *text;
  } says[] = {{IPP_JSTATE_PENDING, "waits at the printer"}, {IPP_JSTATE_HELD, "is held at the printer"},
              {IPP_JSTATE_PROCESSING, "is being printed"},  {IPP_JSTATE_STOPPED, "has stopped"},
              {IPP_JSTATE_CANCELED, "was cancelled"},       {IPP_JSTATE_ABORTED, "failed"},
              {IPP_JSTATE_COMPLETED, "is printed"}};
  size_t n = (size_t)snprintf(words, sizeof words, "%s", "is at the printer");
  for (i = 0; i < sizeof says / sizeof *says; i++)
    if (says[i].state == state) n = (size_t)snprintf(words, sizeof words, "%s", says[i].text);
  json_array_foreach(reasons, i, r) {
    if (n + json_string_length(r) + 4 > sizeof words) break;
    n += (size_t)snprintf(words + n, sizeof words - n, "%s%s", i ? ", " : ": ", json_string_value(r));
  }
  return json_pack("{s:s,s:b,s:s,s:o}", "state", job_word(state), "ended", ended, "words", words, "reasons", reasons);
}

ogv_status ogv_print_send(const ogv_print_ask *ask, const void *pdf, size_t size, json_t **job, ogv_error *err) {
  print_line l = {0};
  ipp_t *able = NULL, *answer = NULL;
  const char *paper = NULL;
  *job = NULL;
  if (size < 5 || memcmp(pdf, "%PDF-", 5))
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "what is to be printed is no PDF");
  if (ask->copies < 1 || ask->copies > OGV_PRINT_COPIES)
    return ogv_fail(err, OGV_E_RANGE, NULL, "1 to %d copies, not %d", OGV_PRINT_COPIES, ask->copies);
  ogv_status s = print_dial(ask->printer, &l, err);
  if (s == OGV_OK) s = ask_abilities(&l, &able, err);
  if (s == OGV_OK) s = check(ask, &l, able, &paper, err);
  if (s == OGV_OK) s = print_exchange(&l, job_request(ask, &l, able, paper), pdf, size, &answer, err);
  int number = s == OGV_OK ? print_number(answer, "job-id", 0) : 0;
  if (s == OGV_OK && number < 1)
    s = ogv_fail(err, OGV_E_IO, "Look whether it prints.", "%s took the document but gave no job number", l.name);
  if (s == OGV_OK) {
    *job = state_of(&l, answer);
    json_t *more = json_pack("{s:i,s:s,s:s,s:s,s:i,s:b}", "job", number, "printer", ask->printer, "name", l.name,
                             "paper", paper ? paper : "", "copies", ask->copies, "two_sided", ask->two_sided);
    json_object_update(*job, more);
    json_decref(more);
  }
  ippDelete(answer);
  ippDelete(able);
  print_hang_up(&l);
  return s;
}

ogv_status ogv_print_state(const char *printer, int job, json_t **out, ogv_error *err) {
  static const char *const wanted[] = {"job-state", "job-state-reasons"};
  print_line l = {0};
  ipp_t *answer = NULL;
  *out = NULL;
  ogv_status s = print_dial(printer, &l, err);
  if (s == OGV_OK) {
    ipp_t *q = print_request(&l, IPP_OP_GET_JOB_ATTRIBUTES, NULL);
    ippAddInteger(q, IPP_TAG_OPERATION, IPP_TAG_INTEGER, "job-id", job);
    ippAddStrings(q, IPP_TAG_OPERATION, IPP_TAG_KEYWORD, "requested-attributes", 2, NULL, wanted);
    s = print_exchange(&l, q, NULL, 0, &answer, err);
  }
  if (s == OGV_OK) *out = state_of(&l, answer);
  ippDelete(answer);
  print_hang_up(&l);
  return s;
}

ogv_status ogv_print_cancel(const char *printer, int job, const char *who, ogv_error *err) {
  print_line l = {0};
  ipp_t *answer = NULL;
  ogv_status s = print_dial(printer, &l, err);
  if (s == OGV_OK) {
    ipp_t *q = print_request(&l, IPP_OP_CANCEL_JOB, who);
    ippAddInteger(q, IPP_TAG_OPERATION, IPP_TAG_INTEGER, "job-id", job);
    s = print_exchange(&l, q, NULL, 0, &answer, err);
  }
  ippDelete(answer);
  print_hang_up(&l);
  return s;
}
