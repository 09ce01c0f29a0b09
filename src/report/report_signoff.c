/* Coverage, what an amendment changed, critical results, the second signature. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/report_parts.h"

/* --- coverage ---------------------------------------------------------------------------------------------------- */
static bool several(const sheet *s) {
  return json_array_size(json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses")) > 1;
}

/* "12, 14": the numbers of the pictures that show a structure. */
static void picture_numbers(const sheet *s, const json_t *objects, char *buf, size_t size) {
  size_t i, k, n = 0;
  json_t *id, *o;
  buf[0] = 0;
  json_array_foreach(objects, i, id) json_array_foreach(json_object_get(s->facts, "objects"), k, o) {
    if (!json_is_string(id) || strcmp(json_string_value(id), part_string(o, "id"))) continue;
    double number = part_number(o, "number");
    if (n + 12 < size)
      n += (size_t)snprintf(buf + n, size - n, "%s%d", n ? ", " : "", isfinite(number) ? (int)number : (int)k + 1);
  }
}

static void structure_row(sheet *s, const sheet_table *t, const json_t *o) {
  char id[48], name[200], remark[700], pictures[80];
  const char *state = part_string(o, "state"), *fetus = part_string(o, "fetus"), *reason = part_string(o, "reason"),
             *words = part_string(o, "text");
  bool missing = !strcmp(state, "missing"), optional = strcmp(part_string(o, "need"), "required");
  snprintf(id, sizeof id, "finding.%.30s", missing && optional ? "optional" : state);
  snprintf(name, sizeof name, "%.150s%s%.15s", ogv_message_term(s->m, part_string(o, "name")),
           several(s) && *fetus ? " · " : "", several(s) ? fetus : "");
  snprintf(remark, sizeof remark, "%.300s%s%.380s", reason, *reason && *words ? ". " : "", words);
  picture_numbers(s, json_object_get(o, "objects"), pictures, sizeof pictures);
  bool loud = !strcmp(state, "abnormal") || (missing && !optional);
  sheet_cell cells[4] = {{.text = name},
                         {.text = ogv_message_plain(s->m, id),
                          .bold = loud || !strcmp(state, "not-seen"),
                          .colour = s->p.theme->warn,
                          .coloured = loud},
                         {.text = remark},
                         {.text = pictures}};
  sheet_table_row(s, t, cells, NULL);
}

static void not_measured(sheet *s, const json_t *coverage) {
  ogv_text list;
  json_t *o;
  size_t i;
  ogv_text_init(&list, 4000);
  json_array_foreach(json_object_get(coverage, "rows"), i, o) {
    if (!strcmp(part_string(o, "state"), "done") || json_is_false(json_object_get(o, "required"))) continue;
    const char *reason = part_string(o, "reason");
    ogv_text_addf(&list, "%s%s%s%s%s%s%s", list.length ? ", " : "", part_string(o, "name"), several(s) ? " " : "",
                  several(s) ? part_string(o, "fetus") : "", *reason ? " (" : "", reason, *reason ? ")" : "");
  }
  if (list.length) {
    pen_style body = sheet_body(s);
    char text[1200];
    snprintf(text, sizeof text, "%.200s: %.950s.", ogv_message_plain(s->m, "coverage.measurements"), list.data);
    sheet_para(s, &body, 0, text);
  }
  ogv_text_free(&list);
}

void part_coverage(sheet *s, part_references *r) {
  const json_t *coverage = json_object_get(s->facts, "coverage"), *list = json_object_get(coverage, "structures"), *o;
  size_t i;
  if (!json_array_size(list) || !json_is_true(json_object_get(coverage, "asked"))) {
    part_findings(s, r);
    return;
  }
  sheet_heading(s, ogv_message_plain(s->m, "part.findings"), 40);
  static const sheet_column columns[4] = {{165, PEN_START}, {95, PEN_START}, {195.28, PEN_START}, {60, PEN_START}};
  const char *head[4] = {ogv_message_plain(s->m, "finding.structure"), ogv_message_plain(s->m, "finding.state"),
                         ogv_message_plain(s->m, "finding.text"), ogv_message_plain(s->m, "coverage.pictures")};
  sheet_table t = {columns, 4, head, 8.2};
  sheet_table_begin(s, &t);
  json_array_foreach(list, i, o) structure_row(s, &t, o);
  sheet_table_end(s);
  not_measured(s, coverage);
  pen_style small = sheet_small(s);
  const json_t *protocol = json_object_get(coverage, "protocol");
  int n = part_reference(r, part_string(protocol, "source"));
  char *by =
      part_message(s, "coverage.protocol", json_pack("{s:s,s:i}", "title", part_string(protocol, "title"), "n", n));
  sheet_para(s, &small, 0, by);
  free(by);
}

/* --- amendment --------------------------------------------------------------------------------------------------- */
void part_amendment(sheet *s) {
  const json_t *a = json_object_get(json_object_get(s->facts, "report"), "amends"),
               *changes = json_object_get(a, "changes"), *c;
  size_t i;
  if (!json_is_object(a)) return;
  pen_style body = sheet_body(s), bold = body;
  char date[OGV_MESSAGE_TEXT], hash[17];
  bold.bold = true;
  bold.colour = s->p.theme->warn;
  snprintf(hash, sizeof hash, "%.16s", part_string(a, "sha256"));
  char *line =
      part_message(s, "sign.amends",
                   json_pack("{s:i,s:s,s:s,s:s}", "number", (int)json_integer_value(json_object_get(a, "number")),
                             "date", part_moment(s, a, "at", date), "name", part_string(a, "name"), "hash", hash));
  char *reason = part_message(s, "sign.reason", json_pack("{s:s}", "reason", part_string(a, "reason")));
  s->y += 4;
  sheet_para(s, &bold, 0, line);
  sheet_para(s, &body, 0, reason);
  free(line);
  free(reason);
  if (!json_array_size(changes)) {
    sheet_para(s, &body, 0, ogv_message_plain(s->m, "sign.no-changes"));
    return;
  }
  static const sheet_column columns[3] = {{115, PEN_START}, {200, PEN_START}, {200.28, PEN_START}};
  const char *head[3] = {ogv_message_plain(s->m, "sign.what"), ogv_message_plain(s->m, "sign.before"),
                         ogv_message_plain(s->m, "sign.after")};
  sheet_table t = {columns, 3, head, 7.8};
  sheet_table_begin(s, &t);
  json_array_foreach(changes, i, c) {
    sheet_cell cells[3] = {
        {.text = part_string(c, "what")}, {.text = part_string(c, "before")}, {.text = part_string(c, "after")}};
    sheet_table_row(s, &t, cells, NULL);
  }
  sheet_table_end(s);
}

/* --- after the signatures ----------------------------------------------------------------------------------------- */
static const char *finding_name(const sheet *s, const char *finding) {
  size_t i;
  json_t *o;
  json_array_foreach(json_object_get(json_object_get(s->facts, "coverage"), "structures"), i,
                     o) if (*finding && !strcmp(part_string(o, "finding"), finding)) return part_string(o, "name");
  return "–";
}

void part_signoff(sheet *s) {
  const json_t *report = json_object_get(s->facts, "report"), *told = json_object_get(s->facts, "told"), *t;
  size_t i;
  pen_style body = sheet_body(s), bold = body;
  bold.bold = true;
  if (json_array_size(told)) sheet_para(s, &bold, 0, ogv_message_plain(s->m, "told.title"));
  json_array_foreach(told, i, t) {
    char *line =
        part_message(s, "told.line",
                     json_pack("{s:s,s:s,s:s,s:s,s:s,s:s}", "finding", finding_name(s, part_string(t, "finding")),
                               "whom", part_string(t, "whom"), "how", part_string(t, "how"), "when",
                               part_string(t, "when"), "text", part_string(t, "text"), "who", part_string(t, "who")));
    sheet_para(s, &body, 0, line);
    free(line);
  }
  if (json_is_true(json_object_get(report, "second_missing"))) {
    bold.colour = s->p.theme->warn;
    sheet_para(s, &bold, 0, ogv_message_plain(s->m, "sign.second-missing"));
  }
}
