/* Prints beside the report, and figures for the growth page. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "report_facts.h"
#include "report_figure.h"
#include "report_prints.h"
#include "server_internal.h"
#include "server_prints.h"

static bool yes(const ogv_request *q, const char *name) {
  const char *v = ogv_query(q, name);
  return v && (!strcmp(v, "1") || !strcmp(v, "true"));
}

/* "a,b,c" as a list of ids. */
static json_t *listed(const char *v) {
  json_t *list = json_array();
  while (*v) {
    size_t n = strcspn(v, ",");
    if (n) json_array_append_new(list, json_stringn(v, n));
    v += n + (v[n] == ',');
  }
  return list;
}

/* What the address asks for, in the shape of a body. */
static ogv_status ask_of(const ogv_request *q, const char *what, json_t **ask, ogv_error *err) {
  static const char *const flags[] = {"landscape", "anonymous", "marks"};
  int columns, rows;
  const char *objects = ogv_query(q, "objects"), *message = ogv_query(q, "message");
  OGV_TRY(ogv_query_int(q, "columns", 0, 6, 0, &columns, err));
  OGV_TRY(ogv_query_int(q, "rows", 0, 6, 0, &rows, err));
  *ask = json_pack("{s:s,s:i,s:i}", "what", what, "columns", columns, "rows", rows);
  for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
    json_object_set_new(*ask, flags[i], json_boolean(yes(q, flags[i])));
  if (objects && *objects) json_object_set_new(*ask, "objects", listed(objects));
  if (message) json_object_set_new(*ask, "message", json_string(message));
  const char *captions = ogv_query(q, "captions");
  json_t *words = NULL;
  if (captions && *captions) OGV_TRY(ogv_json_parse(captions, strlen(captions), "captions", &words, err));
  if (words) json_object_set_new(*ask, "captions", words);
  return OGV_OK;
}

static ogv_status read_ask(const json_t *ask, ogv_print_request *p, ogv_error *err) {
  const json_t *objects = json_object_get(ask, "objects");
  bool parents = !strcmp(ogv_json_string_or(ask, "what", ""), "parents");
  double columns = ogv_json_number_or(ask, "columns", 0), rows = ogv_json_number_or(ask, "rows", 0);
  if (!(columns >= 0 && columns <= 6 && rows >= 0 && rows <= 6))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the grid of pictures is not 1x1 to 4x6");
  const json_t *captions = json_object_get(ask, "captions");
  if (captions && !json_is_object(captions))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"captions\" is no object of texts by picture");
  if (objects && !json_is_array(objects)) return ogv_fail(err, OGV_E_INVALID, NULL, "\"objects\" is no list");
  if (strlen(ogv_json_string_or(ask, "message", "")) > 400)
    return ogv_fail(err, OGV_E_RANGE, "Shorten it.", "the line for the parents is longer than 400 bytes");
  *p = (ogv_print_request){.parents = parents,
                           .columns = (int)columns,
                           .rows = (int)rows,
                           .landscape = json_is_true(json_object_get(ask, "landscape")),
                           .identity = !parents && !json_is_true(json_object_get(ask, "anonymous")),
                           .marks = !parents && json_is_true(json_object_get(ask, "marks")),
                           .objects = objects,
                           .captions = captions,
                           .message = parents ? ogv_json_string_or(ask, "message", NULL) : NULL};
  return OGV_OK;
}

ogv_status ogv_prints_pdf(ogv_request *q, const json_t *facts, const json_t *ask, uint8_t **pdf, size_t *size,
                          ogv_error *err) {
  ogv_print_request p;
  OGV_TRY(read_ask(ask, &p, err));
  return ogv_report_print(facts, &p, ogv_report_picture, q, pdf, size, err);
}

static ogv_status print(ogv_request *q, ogv_reply *r, const char *what, const char *name, ogv_error *err) {
  json_t *facts = NULL, *ask = NULL;
  uint8_t *pdf = NULL;
  ogv_status s = ask_of(q, what, &ask, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = ogv_prints_pdf(q, facts, ask, &pdf, &r->size, err);
  json_decref(facts);
  json_decref(ask);
  r->data = pdf;
  r->type = "application/pdf";
  snprintf(r->file_name, sizeof r->file_name, "%s-%.60s.pdf", name, q->arg[0]);
  return s;
}

/* contact, parents: what the print holds. */
OGV_HANDLER(print_look) {
  json_t *facts = NULL, *ask = NULL, *out = NULL;
  ogv_print_request p;
  ogv_status s = ask_of(q, q->arg[1], &ask, err);
  if (s == OGV_OK && strcmp(q->arg[1], "contact") && strcmp(q->arg[1], "parents"))
    s = ogv_fail(err, OGV_E_NOT_FOUND, "contact or parents.", "there is no print \"%.40s\"", q->arg[1]);
  if (s == OGV_OK) s = read_ask(ask, &p, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = ogv_report_print_look(facts, &p, ogv_report_picture, q, &out, err);
  json_decref(facts);
  json_decref(ask);
  return s == OGV_OK ? ogv_reply_json(r, out, err) : s;
}

/* contact/1.png: a page of it for the screen. */
OGV_HANDLER(print_page) {
  json_t *facts = NULL, *ask = NULL;
  ogv_print_request p;
  int number, width;
  char rest[8];
  uint8_t *png = NULL;
  if (sscanf(q->arg[2], "%4d%7s", &number, rest) != 2 || strcmp(rest, ".png"))
    return ogv_fail(err, OGV_E_NOT_FOUND, "Ask for 1.png, 2.png, ...", "there is no page \"%.40s\"", q->arg[2]);
  OGV_TRY(ogv_query_int(q, "width", 100, 2400, 900, &width, err));
  ogv_status s = ask_of(q, q->arg[1], &ask, err);
  if (s == OGV_OK) s = read_ask(ask, &p, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = ogv_report_print_png(facts, &p, ogv_report_picture, q, number, width, &png, &r->size, err);
  json_decref(facts);
  json_decref(ask);
  r->data = png;
  r->type = "image/png";
  return s;
}

OGV_HANDLER(contact) { return print(q, r, "contact", "pictures", err); }

OGV_HANDLER(parents) { return print(q, r, "parents", "parents", err); }

/* growth.svg, growth.png, growth.pdf, pregnancy.svg ... */
OGV_HANDLER(figure) {
  static const struct {
    const char *end, *type;
    ogv_figure_format format;
  } kinds[] = {{".svg", "image/svg+xml", OGV_FIGURE_SVG},
               {".png", "image/png", OGV_FIGURE_PNG},
               {".pdf", "application/pdf", OGV_FIGURE_PDF}};
  char name[OGV_ARG_TEXT];
  snprintf(name, sizeof name, "%s", q->arg[1]);
  char *dot = strrchr(name, '.');
  size_t k = 0;
  while (k < 3 && (!dot || strcmp(dot, kinds[k].end))) k++;
  if (k == 3)
    return ogv_fail(err, OGV_E_NOT_FOUND, "Ask for growth.svg, .png or .pdf.", "there is no figure file %.60s",
                    q->arg[1]);
  *dot = 0;
  ogv_figure_request f = {.figure = name,
                          .quantity = ogv_query(q, "quantity"),
                          .fetus = ogv_query(q, "fetus"),
                          .chart = ogv_query(q, "chart"),
                          .compare = ogv_query(q, "compare"),
                          .dark = yes(q, "dark")};
  OGV_TRY(ogv_query_int(q, "width", 160, 2400, 640, &f.width, err));
  OGV_TRY(ogv_query_int(q, "height", 60, 1800, 420, &f.height, err));
  OGV_TRY(ogv_request_store(q, err));
  json_t *facts;
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  uint8_t *data = NULL;
  ogv_status s = ogv_report_figure(facts, &f, kinds[k].format, &data, &r->size, err);
  json_decref(facts);
  r->data = data;
  r->type = kinds[k].type;
  return s;
}
