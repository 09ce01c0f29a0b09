/* Conversations over IPP: see private/print_ipp.h. */
#include "private/print_ipp.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#define CONNECT_MS 5000
#define ANSWER_S 15.0

/* The library would ask for a password on the terminal, or for ever. */
static const char *no_password(const char *prompt, http_t *http, const char *method, const char *resource, void *user) {
  (void)prompt, (void)http, (void)method, (void)resource, (void)user;
  return NULL;
}

static int give_up(http_t *http, void *user) {
  (void)http, (void)user;
  return 0;
}

static bool is_address(const char *printer) {
  return !strncmp(printer, "ipp://", 6) || !strncmp(printer, "ipps://", 7);
}

static ogv_status split_address(const char *printer, print_line *l, char *host, int host_n, int *port, bool *secure,
                                ogv_error *err) {
  char scheme[16], user[64];
  if (strlen(printer) >= sizeof l->uri ||
      httpSeparateURI(HTTP_URI_CODING_ALL, printer, scheme, sizeof scheme, user, sizeof user, host, host_n, port,
                      l->resource, sizeof l->resource) < HTTP_URI_STATUS_OK ||
      !*host)
    return ogv_fail(err, OGV_E_INVALID, "Write it as ipp://printer.example/ipp/print.",
                    "\"%.120s\" is no address of a printer", printer);
  *secure = !strcmp(scheme, "ipps");
  snprintf(l->uri, sizeof l->uri, "%s", printer);
  return OGV_OK;
}

static ogv_status name_queue(const char *printer, print_line *l, ogv_error *err) {
  size_t n = strlen(printer);
  if (!n || n > 127 || strpbrk(printer, "/\\?#'\" \t\r\n"))
    return ogv_fail(err, OGV_E_INVALID, "\"ogive print --list\" shows the printers.",
                    "\"%.120s\" is neither a queue nor an ipp address", printer);
  snprintf(l->resource, sizeof l->resource, "/printers/%s", printer);
  httpAssembleURI(HTTP_URI_CODING_ALL, l->uri, sizeof l->uri, "ipp", NULL, "localhost", 0, l->resource);
  return OGV_OK;
}

ogv_status print_dial(const char *printer, print_line *l, ogv_error *err) {
  char host[256];
  int port = ippPort();
  bool secure = false, server = !printer || !is_address(printer);
  memset(l, 0, sizeof *l);
  snprintf(l->name, sizeof l->name, "%s", printer ? printer : "the print server");
  snprintf(host, sizeof host, "%s", cupsServer());
  if (!printer) snprintf(l->resource, sizeof l->resource, "/");
  else if (server) OGV_TRY(name_queue(printer, l, err));
  else OGV_TRY(split_address(printer, l, host, sizeof host, &port, &secure, err));
  cupsSetPasswordCB2(no_password, NULL);
  l->http = httpConnect2(host, port, NULL, AF_UNSPEC,
                         secure   ? HTTP_ENCRYPTION_ALWAYS
                         : server ? cupsEncryption()
                                  : HTTP_ENCRYPTION_IF_REQUESTED,
                         1, CONNECT_MS, NULL);
  if (!l->http && server)
    return ogv_fail(err, OGV_E_IO,
                    "Install or start CUPS, or set up a printer by its ipp address; the PDF can be saved.",
                    "no print server answers at %.200s", host);
  if (!l->http)
    return ogv_fail(err, OGV_E_IO, "See that it is switched on and connected; the PDF can be saved.",
                    "the printer %s does not answer", l->name);
  httpSetTimeout(l->http, ANSWER_S, give_up, NULL);
  return OGV_OK;
}

void print_hang_up(print_line *l) {
  httpClose(l->http);
  l->http = NULL;
}

ipp_t *print_request(const print_line *l, ipp_op_t operation, const char *who) {
  ipp_t *q = ippNewRequest(operation);
  if (*l->uri) ippAddString(q, IPP_TAG_OPERATION, IPP_TAG_URI, "printer-uri", NULL, l->uri);
  if (who && *who) ippAddString(q, IPP_TAG_OPERATION, IPP_TAG_NAME, "requesting-user-name", NULL, who);
  return q;
}

static ogv_status refuse(const print_line *l, ipp_status_t code, ogv_error *err) {
  const char *n = l->name, *said = cupsLastErrorString();
  switch (code) {
    case IPP_STATUS_ERROR_NOT_FOUND:
    case IPP_STATUS_ERROR_GONE:
      return ogv_fail(err, OGV_E_NOT_FOUND, "\"ogive print --list\" and the page show what there is.",
                      "%s is not there: %.200s", n, said);
    case IPP_STATUS_ERROR_FORBIDDEN:
    case IPP_STATUS_ERROR_NOT_AUTHENTICATED:
    case IPP_STATUS_ERROR_NOT_AUTHORIZED:
    case IPP_STATUS_ERROR_CUPS_AUTHENTICATION_CANCELED:
      return ogv_fail(err, OGV_E_DENIED, "Let the administrator of the printer allow this machine's user.",
                      "%s does not let this user print (%.200s)", n, said);
    case IPP_STATUS_ERROR_DOCUMENT_FORMAT_NOT_SUPPORTED:
      return ogv_fail(err, OGV_E_UNSUPPORTED, "Set it up in CUPS, which converts.", "%s takes no PDF", n);
    case IPP_STATUS_ERROR_NOT_ACCEPTING_JOBS:
      return ogv_fail(err, OGV_E_CONFLICT, "Choose another printer, or let it take jobs again.",
                      "%s takes no jobs at present", n);
    case IPP_STATUS_ERROR_BUSY:
    case IPP_STATUS_ERROR_TOO_MANY_JOBS:
      return ogv_fail(err, OGV_E_CONFLICT, "Try again when its job is done.", "%s is busy with another job", n);
    case IPP_STATUS_ERROR_NOT_POSSIBLE:
      return ogv_fail(err, OGV_E_CONFLICT, NULL, "%s cannot do that now: %.200s", n, said);
    default:
      return ogv_fail(err, OGV_E_IO, "Look at the printer and try again; the PDF can be saved.", "%s answers: %.200s",
                      n, said && *said ? said : ippErrorString(code));
  }
}

ogv_status print_exchange(print_line *l, ipp_t *request, const void *data, size_t size, ipp_t **answer,
                          ogv_error *err) {
  const char *at = data;
  *answer = NULL;
  http_status_t s = cupsSendRequest(l->http, request, l->resource, ippLength(request) + size);
  for (size_t sent = 0; data && sent < size && s == HTTP_STATUS_CONTINUE;) {
    size_t n = size - sent < 65536 ? size - sent : 65536;
    s = cupsWriteRequestData(l->http, at + sent, n);
    sent += n;
  }
  ippDelete(request);
  if (s == HTTP_STATUS_ERROR)
    return ogv_fail(err, OGV_E_IO, "See that it is switched on and connected; the PDF can be saved.",
                    "the connection to %s broke (%s)", l->name, strerror(httpError(l->http)));
  *answer = cupsGetResponse(l->http, l->resource);
  ipp_status_t code = *answer ? ippGetStatusCode(*answer) : cupsLastError();
  if (*answer && code < IPP_STATUS_REDIRECTION_OTHER_SITE) return OGV_OK;
  ippDelete(*answer);
  *answer = NULL;
  return refuse(l, code, err);
}

const char *print_text(ipp_t *answer, const char *name, const char *otherwise) {
  ipp_attribute_t *a = ippFindAttribute(answer, name, IPP_TAG_ZERO);
  const char *v = a ? ippGetString(a, 0, NULL) : NULL;
  return v ? v : otherwise;
}

int print_number(ipp_t *answer, const char *name, int otherwise) {
  ipp_attribute_t *a = ippFindAttribute(answer, name, IPP_TAG_ZERO);
  return a && (ippGetValueTag(a) == IPP_TAG_INTEGER || ippGetValueTag(a) == IPP_TAG_ENUM) ? ippGetInteger(a, 0)
                                                                                          : otherwise;
}

bool print_lists(ipp_attribute_t *a, const char *value) {
  for (int i = 0; a && i < ippGetCount(a); i++) {
    const char *v = ippGetString(a, i, NULL);
    if (v && !strcmp(v, value)) return true;
  }
  return false;
}

/* Keywords of RFC 8011 5.4.12 (printer) and 5.3.8 (job) that a person at the printer can act on. */
static const struct {
  const char *keyword, *words;
} known[] = {
    {"media-empty", "out of paper"},
    {"media-needed", "paper is needed"},
    {"media-low", "paper is low"},
    {"media-jam", "paper jam"},
    {"input-tray-missing", "a paper tray is missing"},
    {"output-area-full", "the output tray is full"},
    {"output-tray-missing", "the output tray is missing"},
    {"door-open", "a door is open"},
    {"cover-open", "a cover is open"},
    {"interlock-open", "a cover is open"},
    {"toner-empty", "out of toner"},
    {"toner-low", "toner is low"},
    {"marker-supply-empty", "out of ink or toner"},
    {"marker-supply-low", "ink or toner is low"},
    {"marker-waste-full", "the waste container is full"},
    {"marker-waste-almost-full", "the waste container is nearly full"},
    {"paused", "paused"},
    {"moving-to-paused", "being paused"},
    {"shutdown", "switched off"},
    {"offline", "offline"},
    {"connecting-to-device", "being reached"},
    {"timed-out", "does not answer"},
    {"spool-area-full", "the printer's store is full"},
    {"job-canceled-by-user", "cancelled by a person"},
    {"job-canceled-by-operator", "cancelled by the printer's operator"},
    {"job-canceled-at-device", "cancelled at the printer"},
    {"aborted-by-system", "given up by the printer"},
    {"document-format-error", "the printer cannot read the document"},
    {"unsupported-document-format", "the printer takes no PDF"},
    {"document-access-error", "the printer could not fetch the document"},
    {"printer-stopped", "the printer is stopped"},
    {"printer-stopped-partly", "part of the printer is stopped"},
    {"job-hold-until-specified", "held until a set time"},
    {"resources-are-not-ready", "paper or another thing the job needs is not ready"},
    {"account-authorization-failed", "the account was refused"},
};
/* What says nothing to a person at the printer. */
static const char *const quiet[] = {"none",
                                    "job-completed-successfully",
                                    "job-printing",
                                    "job-incoming",
                                    "job-data-insufficient",
                                    "processing-to-stop-point",
                                    "job-queued",
                                    "job-spooling",
                                    "cups-waiting-for-job-completed",
                                    "queued-in-device"};

static void add_once(json_t *words, const char *text) {
  size_t i;
  json_t *w;
  json_array_foreach(words, i, w) if (!strcmp(json_string_value(w), text)) return;
  json_array_append_new(words, json_string(text));
}

void print_reasons(ipp_attribute_t *a, json_t *words) {
  for (int i = 0; a && i < ippGetCount(a); i++) {
    const char *v = ippGetString(a, i, NULL);
    char key[128];
    bool told = !v;
    snprintf(key, sizeof key, "%s", v ? v : "");
    static const char *const ends[] = {"-error", "-warning", "-report"};
    for (size_t k = 0; k < 3; k++) {
      size_t n = strlen(key), m = strlen(ends[k]);
      bool whole = !strcmp(key, "document-format-error") || !strcmp(key, "document-access-error");
      if (!whole && n > m && !strcmp(key + n - m, ends[k])) key[n - m] = 0;
    }
    for (size_t k = 0; k < sizeof quiet / sizeof *quiet; k++) told |= !strcmp(key, quiet[k]);
    for (size_t k = 0; !told && k < sizeof known / sizeof *known; k++) {
      if (strcmp(key, known[k].keyword)) continue;
      add_once(words, known[k].words);
      told = true;
    }
    if (!told) add_once(words, key); /* a keyword of the maker's: better than silence */
  }
}
