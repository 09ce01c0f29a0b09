/* Exams, their facts, growth charts, the report, and the tables of quantities and charts. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "charts_chart.h"
#include "core_json.h"
#include "obstetrics_quantity.h"
#include "report_facts.h"
#include "report_pdf.h"
#include "server_internal.h"

OGV_HANDLER(exams) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *filter = json_object(), *list;
  static const char *const names[] = {"text", "from", "to", "patient", "pregnancy"};
  for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
    const char *v = ogv_query(q, names[i]);
    if (v && *v) json_object_set_new(filter, names[i], json_string(v));
  }
  ogv_status s = ogv_store_exams(q->store, filter, &list, err);
  json_decref(filter);
  if (s != OGV_OK) return s;
  return ogv_reply_json(r, json_pack("{s:o}", "exams", list), err);
}

OGV_HANDLER(exam) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *exam, *facts = NULL;
  OGV_TRY(ogv_store_exam(q->store, q->arg[0], &exam, err));
  json_t *answer = json_pack("{s:o}", "exam", exam);
  int with_facts;
  if (ogv_query_int(q, "facts", 0, 1, 1, &with_facts, err) != OGV_OK) {
    json_decref(answer);
    return err ? err->code : OGV_E_INVALID;
  }
  if (!with_facts) return ogv_reply_json(r, answer, err); /* the pictures first: the page asks again for the rest */
  ogv_error e2 = {0};
  /* Facts that cannot be computed do not hide the pictures: the exam is shown and the reason stands beside it. */
  if (ogv_report_facts(q->store, q->arg[0], &facts, &e2) == OGV_OK) json_object_set_new(answer, "facts", facts);
  else json_object_set_new(answer, "refused", ogv_error_json(&e2));
  return ogv_reply_json(r, answer, err);
}

OGV_HANDLER(chart) {
  char quantity[OGV_ARG_TEXT];
  snprintf(quantity, sizeof quantity, "%s", q->arg[1]);
  size_t n = strlen(quantity);
  if (n < 5 || strcmp(quantity + n - 4, ".svg"))
    return ogv_fail(err, OGV_E_NOT_FOUND, "Ask for QUANTITY.svg.", "there is no chart file %.60s", quantity);
  quantity[n - 4] = 0;
  int width, height;
  OGV_TRY(ogv_query_int(q, "width", 160, 2400, 640, &width, err));
  OGV_TRY(ogv_query_int(q, "height", 120, 1800, 420, &height, err));
  const char *fetus = ogv_query(q, "fetus"), *chart = ogv_query(q, "chart");
  OGV_TRY(ogv_request_store(q, err));
  json_t *facts;
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  char *svg = NULL;
  ogv_status s = ogv_report_chart_svg(facts, quantity, fetus && *fetus ? fetus : "A", chart && *chart ? chart : NULL,
                                      width, height, &svg, err);
  json_decref(facts);
  if (s != OGV_OK) return s;
  r->type = "image/svg+xml";
  r->data = svg;
  r->size = strlen(svg);
  return OGV_OK;
}

/* Pictures of the report come out of the store while it is drawn. */
ogv_status ogv_report_picture(void *user, const char *object_id, int frame, ogv_image *out, ogv_error *err) {
  ogv_request *q = user;
  ogv_dicom *d;
  OGV_TRY(ogv_handles_take(q->server->handles, q, object_id, &d, err));
  ogv_status s = ogv_dicom_frame(d, frame, out, err);
  ogv_handles_give(q->server->handles, object_id, d);
  return s;
}

OGV_HANDLER(report) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *facts;
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  uint8_t *pdf = NULL;
  ogv_status s = ogv_report_pdf(facts, ogv_report_picture, q, &pdf, &r->size, err);
  json_decref(facts);
  if (s != OGV_OK) return s;
  r->data = pdf;
  r->type = "application/pdf";
  snprintf(r->file_name, sizeof r->file_name, "report-%.60s.pdf", q->arg[0]);
  return OGV_OK;
}

OGV_HANDLER(quantities) {
  (void)q;
  json_t *list = json_array();
  const ogv_quantity *u;
  for (size_t i = 0; (u = ogv_quantity_at(i)); i++)
    json_array_append_new(
        list,
        json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:i,s:s,s:s,s:o,s:o,s:o,s:o,s:s}", "id", u->id, "symbol", u->symbol,
                  "name", u->name, "kind", u->kind, "unit", u->unit, "geometry", u->geometry, "convention",
                  u->convention, "technique", u->technique, "decimals", u->decimals, "section",
                  u->section ? u->section : "", "vessel", u->vessel ? u->vessel : "", "low", ogv_json_real(u->low),
                  "high", ogv_json_real(u->high), "sd_relative", ogv_json_real(u->sd_relative), "sd_absolute",
                  ogv_json_real(u->sd_absolute), "sd_source", u->sd_source ? u->sd_source : ""));
  r->cache = "no-cache";
  return ogv_reply_json(r, json_pack("{s:o}", "quantities", list), err);
}

OGV_HANDLER(charts) {
  (void)q;
  json_t *list = json_array();
  const ogv_chart *c;
  for (size_t i = 0; (c = ogv_chart_at(i)); i++) {
    const ogv_chart_info *a = ogv_chart_about(c);
    json_array_append_new(
        list, json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:b,s:b}", "id", a->id, "quantity", a->quantity, "title", a->title,
                        "citation", a->citation, "convention", a->convention, "status", a->status, "enabled",
                        a->enabled, "default", a->default_for_quantity));
  }
  return ogv_reply_json(r, json_pack("{s:o}", "charts", list), err);
}
