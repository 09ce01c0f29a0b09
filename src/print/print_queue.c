/* Which printers there are: see print_queue.h. */
#include "print_queue.h"

#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "private/print_ipp.h"
#include "private/print_paper.h"

static const char *const wanted[] = {
    "printer-name",  "printer-info",          "printer-location",          "printer-make-and-model",
    "printer-state", "printer-state-reasons", "printer-is-accepting-jobs", "media-supported",
    "media-default", "sides-supported",       "color-supported",           "document-format-supported"};

static const char *state_word(int state) {
  return state == IPP_PSTATE_PROCESSING ? "printing" : state == IPP_PSTATE_STOPPED ? "stopped" : "ready";
}

/* A printer out of a list: attributes up to the separator. */
typedef struct found {
  const char *name, *info, *place, *model, *paper;
  int state;
  bool accepting, pdf, two_sided, colour;
  json_t *reasons, *papers;
} found;

static void take_papers(ipp_attribute_t *a, json_t *papers) {
  for (int i = 0; i < ippGetCount(a); i++) {
    char name[64];
    const char *id = ippGetString(a, i, NULL);
    if (id && print_paper_name(id, name, sizeof name))
      json_array_append_new(papers, json_pack("{s:s,s:s}", "id", id, "name", name));
  }
}

static void take(ipp_attribute_t *a, found *f) {
  const char *n = ippGetName(a), *text = ippGetString(a, 0, NULL);
  if (!strcmp(n, "printer-name")) f->name = text;
  else if (!strcmp(n, "printer-info")) f->info = text;
  else if (!strcmp(n, "printer-location")) f->place = text;
  else if (!strcmp(n, "printer-make-and-model")) f->model = text;
  else if (!strcmp(n, "media-default")) f->paper = text;
  else if (!strcmp(n, "printer-state")) f->state = ippGetInteger(a, 0);
  else if (!strcmp(n, "printer-state-reasons")) print_reasons(a, f->reasons);
  else if (!strcmp(n, "printer-is-accepting-jobs")) f->accepting = ippGetBoolean(a, 0) != 0;
  else if (!strcmp(n, "color-supported")) f->colour = ippGetBoolean(a, 0) != 0;
  else if (!strcmp(n, "sides-supported")) f->two_sided = print_lists(a, "two-sided-long-edge");
  else if (!strcmp(n, "document-format-supported")) f->pdf = print_lists(a, "application/pdf");
  else if (!strcmp(n, "media-supported")) take_papers(a, f->papers);
}

static json_t *printer_of(ipp_attribute_t **a, ipp_t *answer, const char *id, const char *standard) {
  found f = {.accepting = true, .reasons = json_array(), .papers = json_array()};
  for (; *a && ippGetGroupTag(*a) == IPP_TAG_PRINTER; *a = ippNextAttribute(answer)) take(*a, &f);
  if (!id && !f.name) {
    json_decref(f.reasons);
    json_decref(f.papers);
    return NULL;
  }
  const char *name = f.info && *f.info ? f.info : f.name ? f.name : id;
  return json_pack("{s:s,s:s,s:s,s:s,s:b,s:s,s:b,s:b,s:o,s:o,s:s,s:b,s:b}", "id", id ? id : f.name, "name", name,
                   "place", f.place ? f.place : "", "model", f.model ? f.model : "", "standard",
                   standard && f.name && !id && !strcmp(standard, f.name), "state", state_word(f.state), "accepting",
                   f.accepting, "pdf", f.pdf, "reasons", f.reasons, "papers", f.papers, "paper", f.paper ? f.paper : "",
                   "two_sided", f.two_sided, "colour", f.colour);
}

/* All printers of an answer; each group of printer attributes is one. */
static void add_printers(ipp_t *answer, const char *id, const char *standard, json_t *list) {
  for (ipp_attribute_t *a = ippFirstAttribute(answer); a;) {
    if (ippGetGroupTag(a) != IPP_TAG_PRINTER) {
      a = ippNextAttribute(answer);
      continue;
    }
    json_t *p = printer_of(&a, answer, id, standard);
    if (p) json_array_append_new(list, p);
  }
}

static ogv_status ask_server(json_t *list, ogv_error *err) {
  print_line l;
  ipp_t *answer = NULL;
  char standard[128] = "";
  ogv_status s = print_dial(NULL, &l, err);
  if (s == OGV_OK && print_exchange(&l, print_request(&l, IPP_OP_CUPS_GET_DEFAULT, NULL), NULL, 0, &answer, NULL) ==
                         OGV_OK) { /* a server without a default says "not found" */
    snprintf(standard, sizeof standard, "%s", print_text(answer, "printer-name", ""));
    ippDelete(answer);
  }
  if (s == OGV_OK) {
    ipp_t *q = print_request(&l, IPP_OP_CUPS_GET_PRINTERS, NULL);
    ippAddStrings(q, IPP_TAG_OPERATION, IPP_TAG_KEYWORD, "requested-attributes", sizeof wanted / sizeof *wanted, NULL,
                  wanted);
    s = print_exchange(&l, q, NULL, 0, &answer, err);
    if (s == OGV_E_NOT_FOUND) s = OGV_OK; /* a server without any printer */
    else if (s == OGV_OK) {
      add_printers(answer, NULL, standard, list);
      ippDelete(answer);
    }
  }
  print_hang_up(&l);
  return s;
}

static ogv_status ask_printer(const char *address, json_t *list, ogv_error *err) {
  print_line l;
  ipp_t *answer = NULL;
  ogv_status s = print_dial(address, &l, err);
  if (s == OGV_OK) {
    ipp_t *q = print_request(&l, IPP_OP_GET_PRINTER_ATTRIBUTES, NULL);
    ippAddStrings(q, IPP_TAG_OPERATION, IPP_TAG_KEYWORD, "requested-attributes", sizeof wanted / sizeof *wanted, NULL,
                  wanted);
    s = print_exchange(&l, q, NULL, 0, &answer, err);
  }
  if (s == OGV_OK) add_printers(answer, address, NULL, list);
  ippDelete(answer);
  print_hang_up(&l);
  return s;
}

ogv_status ogv_print_printers(const json_t *addresses, json_t **out, ogv_error *err) {
  json_t *list = json_array(), *a, *trouble = NULL;
  ogv_error e = {0};
  size_t i;
  (void)err;
  json_array_foreach(addresses, i, a) {
    const char *address = json_string_value(a);
    if (address && ask_printer(address, list, &e) != OGV_OK)
      json_array_append_new(
          list, json_pack("{s:s,s:s,s:s,s:s,s:b,s:s,s:b,s:b,s:[s],s:[],s:s,s:b,s:b}", "id", address, "name", address,
                          "place", "", "model", "", "standard", 0, "state", "unreachable", "accepting", 0, "pdf", 0,
                          "reasons", e.what, "papers", "paper", "", "two_sided", 0, "colour", 0));
  }
  if (ask_server(list, &e) != OGV_OK) trouble = json_string(e.what);
  *out = json_pack("{s:o,s:o}", "printers", list, "trouble", trouble ? trouble : json_null());
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the list of printers");
}
