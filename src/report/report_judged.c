/* Assessment and references side by side, on the page. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/report_parts.h"

static void answer_row(sheet *s, const sheet_table *t, part_references *r, const json_t *a) {
  char rule[560], answer[64], why[2400] = "", ref[16] = "";
  const char *fetus = part_string(a, "fetus"), *text = part_string(a, "text");
  bool several = json_array_size(json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses")) > 1,
       met = !strcmp(part_string(a, "answer"), "met");
  if (!strcasecmp(text, part_string(a, "title"))) text = "";
  snprintf(rule, sizeof rule, "%.10s%s%.300s%s%.220s", several ? fetus : "", several && *fetus ? "  " : "",
           part_string(a, "title"), *text && met ? ": " : "", met ? text : "");
  snprintf(answer, sizeof answer, "assess.answer.%.30s", part_string(a, "answer"));
  static const char *const reasons[] = {"because", "changes", "lacks"};
  for (size_t i = 0; i < 3; i++) {
    const char *reason = part_string(a, reasons[i]);
    size_t n = strlen(why);
    if (*reason) snprintf(why + n, sizeof why - n, "%s%s", n ? "; " : "", reason);
  }
  int k = part_reference(r, part_string(a, "citation"));
  if (k) snprintf(ref, sizeof ref, "%d", k);
  pen_colour soft = s->p.theme->soft;
  sheet_cell cells[4] = {{.text = rule, .bold = met},
                         {.text = ogv_message_plain(s->m, answer), .bold = met},
                         {.text = ref, .colour = soft, .coloured = true},
                         {.text = why, .colour = soft, .coloured = true}};
  sheet_table_row(s, t, cells, NULL);
}

void part_assessment(sheet *s, part_references *r) {
  static const char *const order[] = {"met", "cannot-tell", "not-met"};
  const json_t *list = json_object_get(s->facts, "assessment"), *a;
  size_t i;
  if (!json_array_size(list)) return;
  pen_style small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.assessment"), 60);
  static const sheet_column columns[4] = {{196, PEN_START}, {54, PEN_START}, {24, PEN_MIDDLE}, {241.28, PEN_START}};
  const char *head[4] = {ogv_message_plain(s->m, "assess.rule"), ogv_message_plain(s->m, "assess.answer"),
                         ogv_message_plain(s->m, "table.reference"), ogv_message_plain(s->m, "assess.facts")};
  sheet_table t = {columns, 4, head, 7.8};
  sheet_table_begin(s, &t);
  for (int k = 0; k < 3; k++)
    json_array_foreach(list, i, a) if (!strcmp(part_string(a, "answer"), order[k])) answer_row(s, &t, r, a);
  sheet_table_end(s);
  sheet_para(s, &small, 0, ogv_message_plain(s->m, "assess.intro"));
}

static void compared_row(sheet *s, const sheet_table *t, part_references *r, const json_t *v, const json_t *c,
                         bool first) {
  char name[80], centile[96], ref[16] = "";
  bool several = json_array_size(json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses")) > 1;
  const char *interval = part_string(c, "interval_text");
  snprintf(name, sizeof name, "%.50s%s%.10s", part_string(v, "symbol"), several ? " " : "",
           several ? part_string(v, "fetus") : "");
  snprintf(centile, sizeof centile, "%.30s%s%.30s%s", part_string(c, "text"), *interval ? " (" : "", interval,
           *interval ? ")" : "");
  int k = part_reference(r, part_string(c, "citation"));
  if (k) snprintf(ref, sizeof ref, "%d", k);
  sheet_cell cells[5] = {{.text = first ? name : "", .bold = true},
                         {.text = part_string(c, "title")},
                         {.text = ref, .colour = s->p.theme->soft, .coloured = true},
                         {.text = centile, .bold = first},
                         {.text = ""}};
  double h, top = sheet_table_row(s, t, cells, &h), z = part_number(c, "z"), u = part_number(c, "u_z");
  double x = s->p.rtl ? s->x : s->x + s->w - t->columns[4].width;
  int beyond = (int)json_integer_value(json_object_get(c, "beyond"));
  plot_strip(&s->p, (plot_box){x + 4, top + 2, t->columns[4].width - 8, fmin(h - 4, 10)},
             isfinite(z) ? z : beyond * 4.0, isfinite(u) ? u : 0,
             part_number(json_object_get(c, "u_parts"), "measurement"), first ? s->p.theme->accent : s->p.theme->soft);
}

/* Only values of this exam that have more than one reference. */
void part_compared(sheet *s, part_references *r) {
  const json_t *values = json_object_get(s->facts, "values"), *v, *c;
  size_t i, k;
  bool any = false;
  json_array_foreach(values, i, v) any |= json_array_size(json_object_get(v, "centiles")) > 1;
  if (!any) return;
  sheet_heading(s, ogv_message_plain(s->m, "part.references-compared"), 60);
  static const sheet_column columns[5] = {
      {50, PEN_START}, {264, PEN_START}, {24, PEN_MIDDLE}, {87, PEN_END}, {90.28, PEN_MIDDLE}};
  const char *head[5] = {"", ogv_message_plain(s->m, "table.reference-name"),
                         ogv_message_plain(s->m, "table.reference"), ogv_message_plain(s->m, "table.centile"),
                         ogv_message_plain(s->m, "table.scale")};
  sheet_table t = {columns, 5, head, 7.8};
  sheet_table_begin(s, &t);
  json_array_foreach(values, i, v) {
    const json_t *list = json_object_get(v, "centiles");
    if (json_array_size(list) < 2) continue;
    json_array_foreach(list, k, c) if (*part_string(c, "text")) compared_row(s, &t, r, v, c, k == 0);
  }
  sheet_table_end(s);
}
