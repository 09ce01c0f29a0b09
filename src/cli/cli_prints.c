#include "cli_prints.h"

#include <stdio.h>
#include <string.h>

#include "report_facts.h"
#include "report_prints.h"

ogv_status ogv_cli_prints_pdf(const ogv_cli_prints *p, const json_t *facts, ogv_store *store, uint8_t **data,
                              size_t *size, ogv_error *err) {
  ogv_print_request r = {.parents = p->parents,
                         .landscape = p->landscape,
                         .identity = !p->anonymous,
                         .marks = p->marks,
                         .message = p->message};
  char rest;
  if (p->contact && strcmp(p->contact, "auto") && sscanf(p->contact, "%dx%d%c", &r.columns, &r.rows, &rest) != 2)
    return ogv_fail(err, OGV_E_INVALID, "Write columns x rows, such as 3x4.", "\"%.20s\" is no grid of pictures",
                    p->contact);
  json_t *ids = json_array();
  for (size_t i = 0; i < p->pictures.n; i++) json_array_append_new(ids, json_string(p->pictures.value[i]));
  if (p->pictures.n) r.objects = ids;
  ogv_status s = ogv_report_print(facts, &r, store ? ogv_report_store_picture : NULL, store, data, size, err);
  json_decref(ids);
  return s;
}
