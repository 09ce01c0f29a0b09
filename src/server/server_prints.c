/* Prints beside the report, and figures for the growth page. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "report_facts.h"
#include "report_figure.h"
#include "report_prints.h"
#include "server_internal.h"

static bool yes(const ogv_request *q, const char *name) {
  const char *v = ogv_query(q, name);
  return v && (!strcmp(v, "1") || !strcmp(v, "true"));
}

/* "a,b,c" as a list of ids; NULL when not sent. */
static json_t *listed(const ogv_request *q) {
  const char *v = ogv_query(q, "objects");
  if (!v || !*v) return NULL;
  json_t *list = json_array();
  while (*v) {
    size_t n = strcspn(v, ",");
    if (n) json_array_append_new(list, json_stringn(v, n));
    v += n + (v[n] == ',');
  }
  return list;
}

static ogv_status print(ogv_request *q, ogv_reply *r, ogv_print_request *p, const char *name, ogv_error *err) {
  json_t *facts, *objects = listed(q);
  ogv_status s = ogv_query_int(q, "columns", 0, 6, 0, &p->columns, err);
  if (s == OGV_OK) s = ogv_query_int(q, "rows", 0, 6, 0, &p->rows, err);
  p->landscape = yes(q, "landscape");
  p->objects = objects;
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) {
    s = ogv_report_facts(q->store, q->arg[0], &facts, err);
    uint8_t *pdf = NULL;
    if (s == OGV_OK) {
      s = ogv_report_print(facts, p, ogv_report_picture, q, &pdf, &r->size, err);
      json_decref(facts);
    }
    r->data = pdf;
    r->type = "application/pdf";
    snprintf(r->file_name, sizeof r->file_name, "%s-%.60s.pdf", name, q->arg[0]);
  }
  json_decref(objects);
  return s;
}

OGV_HANDLER(contact) {
  ogv_print_request p = {.identity = !yes(q, "anonymous"), .marks = yes(q, "marks")};
  return print(q, r, &p, "pictures", err);
}

OGV_HANDLER(parents) {
  ogv_print_request p = {.parents = true, .message = ogv_query(q, "message")};
  return print(q, r, &p, "parents", err);
}

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
