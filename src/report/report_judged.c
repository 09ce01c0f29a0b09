/* Assessment and references side by side, on the page. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "obstetrics_quantity.h"
#include "private/report_parts.h"

/* "7.4", or "<1" where the chart gives only a bound; "" for anything else. */
static const char *shown(const sheet *s, const json_t *condition, char buf[OGV_MESSAGE_TEXT]) {
  const json_t *value = json_object_get(condition, "value");
  const char *member = strchr(part_string(condition, "fact"), '.');
  char number[OGV_MESSAGE_TEXT];
  double below = part_number(value, "below"), above = part_number(value, "above");
  buf[0] = 0;
  if (json_is_number(value)) {
    double v = json_number_value(value);
    if (member && !strcmp(member, ".centile") && (v < 1 || v > 99)) {
      snprintf(buf, OGV_MESSAGE_TEXT, "%s", v < 1 ? "<1" : ">99");
      return buf;
    }
    return ogv_message_number(s->m, v, fabs(v) < 10 ? 1 : 0, buf);
  }
  if (isfinite(below) || isfinite(above))
    snprintf(buf, OGV_MESSAGE_TEXT, "%s%.40s", isfinite(below) ? "<" : ">",
             ogv_message_number(s->m, isfinite(below) ? below : above, 0, number));
  return buf;
}

/* What a rule asks before it applies says nothing of why it answers so. */
static bool decides(const json_t *condition) {
  const char *fact = part_string(condition, "fact");
  return strcmp(fact, "ga_days") && strcmp(fact, "fetus_count") && strcmp(fact, "smaller") && strcmp(fact, "anomaly") &&
         strcmp(fact, "chorionicity");
}

/* "EFW centile" for efw.centile; the words of its condition for a fact that is no quantity. */
static void fact_name(const sheet *s, const json_t *conditions, const char *fact, char *buf, size_t size) {
  char id[64];
  size_t i;
  json_t *c;
  size_t n = strcspn(fact, ".");
  if (n >= sizeof id) n = sizeof id - 1;
  memcpy(id, fact, n);
  id[n] = 0;
  const ogv_quantity *q = ogv_quantity_find(id);
  const char *member = strchr(fact, '.');
  if (q && member && strcmp(member, ".centile_fall")) {
    const char *what = !strcmp(member, ".centile") ? ogv_message_plain(s->m, "word.centile-short")
                       : !strcmp(member, ".mom")   ? "MoM"
                                                   : "";
    snprintf(buf, size, "%s%s%.40s", q->symbol, *what ? " " : "", what);
    return;
  }
  snprintf(buf, size, "%.90s", fact);
  json_array_foreach(conditions, i, c) if (!strcmp(part_string(c, "fact"), fact))
      snprintf(buf, size, "%s", ogv_message_term(s->m, part_string(c, "text")));
}

/* "EFW centile ≥ 10": the other side of a limit. False for a condition without a number as its limit. */
static bool other_side(const sheet *s, const json_t *answer, const json_t *c, char *buf, size_t size) {
  static const struct {
    const char *key, *sign;
  } sides[] = {{"below", "≥"}, {"at_most", ">"}, {"above", "≤"}, {"at_least", "<"}};
  const json_t *limit = json_object_get(c, "limit");
  char name[160], number[OGV_MESSAGE_TEXT];
  for (size_t i = 0; i < 4; i++) {
    double v = part_number(limit, sides[i].key);
    if (!isfinite(v)) continue;
    fact_name(s, json_object_get(answer, "conditions"), part_string(c, "fact"), name, sizeof name);
    snprintf(buf, size, "%.150s %s %.30s", name, sides[i].sign,
             ogv_message_number(s->m, v, v == floor(v) ? 0 : 2, number));
    return true;
  }
  return false;
}

static void append(char *buf, size_t size, const char *separator, const char *text) {
  size_t n = strlen(buf);
  if (n + strlen(text) + strlen(separator) + 1 < size) snprintf(buf + n, size - n, "%s%s", n ? separator : "", text);
}

static void append_message(const sheet *s, char *buf, size_t size, const char *id, const char *list) {
  if (!*list) return;
  char *words = part_message(s, id, json_pack("{s:s}", "list", list));
  append(buf, size, "; ", words);
  free(words);
}

/* "EFW below the 10th centile: 7.4": the conditions that decide, each with its value; what would change a rule that is
 * met; what is missing for one that cannot tell. */
static void because(sheet *s, const json_t *answer, char *buf, size_t size) {
  const json_t *list = json_object_get(answer, "conditions"), *c;
  bool met = !strcmp(part_string(answer, "answer"), "met");
  size_t i;
  char value[OGV_MESSAGE_TEXT], text[400], missing[700] = "", changes[700] = "";
  buf[0] = 0;
  json_array_foreach(list, i, c) {
    bool holds = !strcmp(part_string(c, "answer"), "met");
    if (!decides(c) || (met && !holds)) continue;
    if (*shown(s, c, value)) {
      snprintf(text, sizeof text, "%.280s: %s", ogv_message_term(s->m, part_string(c, "text")), value);
      append(buf, size, "; ", text);
    }
    if (met && other_side(s, answer, c, text, sizeof text)) append(changes, sizeof changes, ", ", text);
  }
  const json_t *names = json_object_get(answer, "missing"), *m;
  json_array_foreach(names, i, m) {
    fact_name(s, list, json_string_value(m) ? json_string_value(m) : "", text, sizeof text);
    append(missing, sizeof missing, ", ", text);
  }
  append_message(s, buf, size, "assess.changes", changes);
  if (!met) append_message(s, buf, size, "assess.missing", missing);
}

static void answer_row(sheet *s, const sheet_table *t, part_references *r, const json_t *a) {
  char rule[560], answer[64], why[2400], ref[16] = "";
  const char *fetus = part_string(a, "fetus"), *text = part_string(a, "text");
  bool several = json_array_size(json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses")) > 1,
       met = !strcmp(part_string(a, "answer"), "met");
  if (!strcasecmp(text, part_string(a, "title"))) text = "";
  snprintf(rule, sizeof rule, "%.10s%s%.300s%s%.220s", several ? fetus : "", several && *fetus ? "  " : "",
           ogv_message_term(s->m, part_string(a, "title")), *text && met ? ": " : "",
           met ? ogv_message_term(s->m, text) : "");
  snprintf(answer, sizeof answer, "assess.answer.%.30s", part_string(a, "answer"));
  because(s, a, why, sizeof why);
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
