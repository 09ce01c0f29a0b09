/* Paper: printers, handing over a report or pictures, what became of it, and who printed what. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "print_queue.h"
#include "record_access.h"
#include "report_facts.h"
#include "report_pdf.h"
#include "server_internal.h"
#include "server_prints.h"

#define SETTING "printers"
#define PRINTERS_MAX 20

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

static json_t *addresses(ogv_request *q) {
  json_t *v = NULL;
  if (ogv_store_setting(q->store, SETTING, &v, NULL) != OGV_OK) return json_array();
  return v;
}

OGV_HANDLER(printers) {
  json_t *out = NULL;
  OGV_TRY(ogv_request_store(q, err));
  json_t *known = addresses(q);
  ogv_status s = ogv_print_printers(known, &out, err);
  if (s == OGV_OK) json_object_set(out, "addresses", known);
  json_decref(known);
  return s == OGV_OK ? ogv_reply_json(r, out, err) : s;
}

static bool is_address(const char *v) { return !strncmp(v, "ipp://", 6) || !strncmp(v, "ipps://", 7); }

OGV_HANDLER(printers_save) {
  json_t *body, *v;
  size_t i;
  OGV_TRY(ogv_request_json(q, &body, err));
  json_t *list = json_object_get(body, "addresses");
  ogv_status s = json_is_array(list) && json_array_size(list) <= PRINTERS_MAX
                     ? ogv_request_store(q, err)
                     : ogv_fail(err, OGV_E_INVALID, NULL, "\"addresses\" is a list of at most %d", PRINTERS_MAX);
  if (s == OGV_OK) json_array_foreach(list, i, v) {
      const char *a = json_string_value(v);
      if (!a || !is_address(a) || strlen(a) > 300 || strpbrk(a, " \t\r\n\"<>"))
        s = ogv_fail(err, OGV_E_INVALID, "Write it as ipp://printer.example/ipp/print.",
                     "\"%.80s\" is no address of a printer", a ? a : "");
    }
  if (s == OGV_OK) s = ogv_store_setting_put(q->store, SETTING, list, q->who, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:b}", "stored", true), err);
}

/* A queue of this machine, or an address that the department set up: the page cannot make the server call elsewhere. */
static ogv_status allowed(ogv_request *q, const char *printer, ogv_error *err) {
  if (!*printer) return ogv_fail(err, OGV_E_INVALID, "Choose a printer.", "no printer is named");
  if (!strstr(printer, "://")) return OGV_OK;
  json_t *list = addresses(q), *v;
  bool found = false;
  size_t i;
  json_array_foreach(list, i, v) found |= json_is_string(v) && !strcmp(json_string_value(v), printer);
  json_decref(list);
  return found ? OGV_OK
               : ogv_fail(err, OGV_E_DENIED, "Its address has to be added in set-up first.",
                          "%.200s is not one of the department's printers", printer);
}

/* The stored report, byte for byte; else the draft; else pictures. report is "" for what is not stored. */
static ogv_status document(ogv_request *q, const json_t *body, char report[20], uint8_t **pdf, size_t *size,
                           ogv_error *err) {
  const char *what = text(body, "what"), *id = text(body, "report");
  json_t *facts = NULL, *row = NULL;
  *report = 0;
  if (!strcmp(what, "report") && *id) {
    OGV_TRY(ogv_store_report_row(q->store, id, &row, err));
    ogv_status s = strcmp(text(row, "exam"), q->arg[0])
                       ? ogv_fail(err, OGV_E_NOT_FOUND, NULL, "report %.40s is of another exam", id)
                       : OGV_OK;
    json_decref(row);
    snprintf(report, 20, "%s", id);
    return s == OGV_OK ? ogv_store_report_pdf(q->store, id, pdf, size, err) : s;
  }
  bool pictures = !strcmp(what, "contact") || !strcmp(what, "parents");
  if (!pictures && strcmp(what, "report"))
    return ogv_fail(err, OGV_E_INVALID, "report, contact or parents.", "\"%.40s\" cannot be printed", what);
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  ogv_status s = pictures ? ogv_prints_pdf(q, facts, body, pdf, size, err)
                          : ogv_report_pdf(facts, ogv_report_picture, q, pdf, size, err);
  json_decref(facts);
  return s;
}

/* What is kept of a print: enough to say which bytes went where. */
static json_t *trace(const json_t *body, const json_t *job, const char *sha) {
  json_t *o = json_pack("{s:s,s:s}", "what", text(body, "what"), "sha256", sha);
  static const char *const kept[] = {"printer", "name", "job", "paper", "copies", "two_sided"};
  for (size_t i = 0; i < sizeof kept / sizeof *kept; i++) json_object_set(o, kept[i], json_object_get(job, kept[i]));
  return o;
}

static ogv_status send_and_note(ogv_request *q, const json_t *body, json_t **job, ogv_error *err) {
  char report[20], title[80], sha[OGV_SHA256_TEXT];
  uint8_t *pdf = NULL;
  size_t size = 0;
  double copies = ogv_json_number_or(body, "copies", 1);
  /* The name of the job stands on the printer's panel: no patient's name there. */
  snprintf(title, sizeof title, "Ogive %.20s %.20s", text(body, "what"), q->arg[0]);
  ogv_print_ask ask = {.printer = text(body, "printer"),
                       .paper = text(body, "paper"),
                       .copies = copies >= 1 && copies <= OGV_PRINT_COPIES ? (int)copies : 0,
                       .two_sided = json_is_true(json_object_get(body, "two_sided")),
                       .title = title,
                       .who = q->who};
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(allowed(q, ask.printer, err));
  ogv_status s = document(q, body, report, &pdf, &size, err);
  if (s == OGV_OK) s = ogv_print_send(&ask, pdf, size, job, err);
  if (s == OGV_OK) {
    ogv_sha256(pdf, size, sha);
    json_t *detail = trace(body, *job, sha);
    s = ogv_store_event(q->store, *report ? "report" : "exam", *report ? report : q->arg[0], "printed", detail, q->who,
                        err);
    json_decref(detail);
    if (s != OGV_OK) ogv_error_at(err, s, "it prints, but that could not be written down");
  }
  free(pdf);
  return s;
}

OGV_HANDLER(print) {
  json_t *body, *job = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_status s = send_and_note(q, body, &job, err);
  json_decref(body);
  if (s != OGV_OK) {
    json_decref(job);
    return s;
  }
  ogv_hub_publish(q->server->hub, "exam",
                  json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "printed"));
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:o}", "job", job), err);
}

/* Whether this exam handed that job to that printer: other people's jobs are not ours to look at or take back. */
static bool in_events(const json_t *events, const char *printer, int job) {
  size_t i;
  json_t *e;
  json_array_foreach(events, i, e) {
    const json_t *d = json_object_get(e, "detail");
    if (!strcmp(text(e, "verb"), "printed") && !strcmp(text(d, "printer"), printer) &&
        (int)ogv_json_number_or(d, "job", 0) == job)
      return true;
  }
  return false;
}

static ogv_status own_job(ogv_request *q, const char *printer, int job, ogv_error *err) {
  json_t *exam, *report;
  size_t i;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_exam(q->store, q->arg[0], &exam, err));
  bool found = in_events(json_object_get(exam, "events"), printer, job);
  json_array_foreach(json_object_get(exam, "reports"), i, report) found |=
      in_events(json_object_get(report, "events"), printer, job);
  json_decref(exam);
  return found ? OGV_OK : ogv_fail(err, OGV_E_NOT_FOUND, NULL, "this exam has no job %d at %.120s", job, printer);
}

OGV_HANDLER(print_state) {
  const char *printer = ogv_query(q, "printer");
  int job;
  json_t *out = NULL;
  OGV_TRY(ogv_query_int(q, "job", 1, 2147483647, 0, &job, err));
  OGV_TRY(own_job(q, printer ? printer : "", job, err));
  OGV_TRY(ogv_print_state(printer, job, &out, err));
  return ogv_reply_json(r, out, err);
}

OGV_HANDLER(print_cancel) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  int job = (int)ogv_json_number_or(body, "job", 0);
  ogv_status s = own_job(q, text(body, "printer"), job, err);
  if (s == OGV_OK) s = ogv_print_cancel(text(body, "printer"), job, q->who, err);
  json_decref(body);
  return s == OGV_OK ? ogv_reply_json(r, json_pack("{s:b}", "cancelled", true), err) : s;
}
