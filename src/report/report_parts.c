/* Pictures, structures, acoustic output, limits, evidence, references, sign-off. */
#include "private/report_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_quantity.h"
#include "private/report_picture.h"
#include "private/report_rows.h"

/* --- pictures ---------------------------------------------------------------------------------------------------- */
static int by_order(const void *a, const void *b) {
  double x = part_number(*(const json_t *const *)a, "order"), y = part_number(*(const json_t *const *)b, "order");
  if (!isfinite(x) || !isfinite(y)) return 0;
  return x < y ? -1 : x > y;
}

void part_pictures(sheet *s) {
  enum { MAX = 96, COLUMNS = 3 };
  const json_t *list[MAX], *p;
  size_t i;
  int n = 0;
  json_array_foreach(json_object_get(s->facts, "pictures"), i,
                     p) if (json_is_true(json_object_get(p, "chosen")) && n < MAX) list[n++] = p;
  if (!n) return;
  qsort(list, (size_t)n, sizeof *list, by_order);
  double gap = 9, w = (s->w - gap * (COLUMNS - 1)) / COLUMNS, h = w * 0.75, caption = 24;
  sheet_heading(s, ogv_message_plain(s->m, "part.pictures"), h + caption);
  pen_style bold = {.size = 7.6, .bold = true, .colour = s->p.theme->ink, .lines = 1};
  pen_style small = {.size = 6.5, .colour = s->p.theme->soft, .lines = 1};
  for (int k = 0; k < n; k++) {
    int column = k % COLUMNS;
    if (!column) sheet_need(s, h + caption);
    double x = s->x + (s->p.rtl ? COLUMNS - 1 - column : column) * (w + gap);
    char *alt = part_message(s, "alt.picture", json_pack("{s:s}", "caption", part_string(list[k], "caption")));
    sheet_figure(s, alt);
    free(alt);
    picture_draw(s, list[k], (plot_box){x, s->y, w, h}, PICTURE_MARKS);
    double ch = pen_text(&s->p, x, s->y + h + 1.5, w, &bold, part_string(list[k], "caption"));
    pen_text(&s->p, x, s->y + h + 1.5 + ch, w, &small, part_string(list[k], "source"));
    sheet_figure_end(s);
    if (column == COLUMNS - 1 || k == n - 1) s->y += h + caption + 2;
  }
}

/* --- structures -------------------------------------------------------------------------------------------------- */
/* Names in one state, in one line: "Skull, thalami, ...". */
static void structures_line(sheet *s, const json_t *list, const char *fetus, const char *state, const char *label_id) {
  size_t i, n;
  json_t *f;
  char names[1600] = "", text[1800];
  json_array_foreach(list, i, f) {
    if (strcmp(part_string(f, "state"), state) || strcmp(part_string(f, "fetus"), fetus)) continue;
    n = strlen(names);
    const char *reason = ogv_message_term(s->m, part_string(f, "reason"));
    if (n < sizeof names - 200)
      snprintf(names + n, sizeof names - n, "%s%.80s%s%.100s%s", n ? ", " : "", part_string(f, "name"),
               *reason ? " (" : "", reason, *reason ? ")" : "");
  }
  if (!*names) return;
  pen_style body = sheet_body(s);
  snprintf(text, sizeof text, "%s: %s.", ogv_message_plain(s->m, label_id), names);
  sheet_para(s, &body, 0, text);
}

/* Abnormal structures get a row each: they are what the reader looks for. */
static void abnormal_table(sheet *s, const json_t *list) {
  size_t i;
  json_t *f;
  bool any = false;
  json_array_foreach(list, i, f) any |=
      !strcmp(part_string(f, "state"), "abnormal") || !strcmp(part_string(f, "state"), "note");
  if (!any) return;
  static const sheet_column columns[3] = {{170, PEN_START}, {95, PEN_START}, {250.28, PEN_START}};
  const char *head[3] = {ogv_message_plain(s->m, "finding.structure"), ogv_message_plain(s->m, "finding.state"),
                         ogv_message_plain(s->m, "finding.text")};
  sheet_table t = {columns, 3, head, 8.2};
  sheet_table_begin(s, &t);
  json_array_foreach(list, i, f) {
    char id[48], name[160];
    const char *state = part_string(f, "state"), *fetus = part_string(f, "fetus"), *label = part_string(f, "name");
    if (strcmp(state, "abnormal") && strcmp(state, "note")) continue;
    snprintf(id, sizeof id, "finding.%.30s", state);
    snprintf(name, sizeof name, "%.100s%s%.10s%s", *label ? label : part_string(f, "structure"), *fetus ? " (" : "",
             fetus, *fetus ? ")" : "");
    sheet_cell cells[3] = {{.text = name, .bold = true},
                           {.text = ogv_message_plain(s->m, id), .bold = true},
                           {.text = ogv_message_term(s->m, part_string(f, "text"))}};
    sheet_table_row(s, &t, cells, NULL);
  }
  sheet_table_end(s);
}

static void look_again(sheet *s, const json_t *again) {
  char date[OGV_MESSAGE_TEXT];
  if (!json_is_object(again)) return;
  pen_style body = sheet_body(s);
  body.bold = true;
  char *words = part_message(s, "coverage.again",
                             json_pack("{s:s,s:s,s:i}", "date", part_date(s, again, "date", date), "ga",
                                       part_string(again, "ga"), "days", (int)part_number(again, "days")));
  sheet_para(s, &body, 0, words);
  free(words);
}

void part_findings(sheet *s, part_references *r) {
  const json_t *coverage = json_object_get(s->facts, "coverage"), *findings = json_object_get(s->facts, "findings");
  const json_t *list = json_object_get(coverage, "structures"),
               *fetuses = json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses"), *f;
  bool asked = json_is_true(json_object_get(coverage, "asked")) && json_array_size(list);
  size_t i;
  if (!asked && !json_array_size(findings)) return;
  sheet_heading(s, ogv_message_plain(s->m, "part.findings"), 50);
  pen_style small = sheet_small(s), bold = sheet_body(s);
  bold.bold = true;
  abnormal_table(s, asked ? list : findings);
  if (!asked) return;
  json_array_foreach(fetuses, i, f) {
    const char *fetus = json_string_value(f) ? json_string_value(f) : "";
    char title[64];
    snprintf(title, sizeof title, "%.40s %.10s", ogv_message_plain(s->m, "word.fetus"), fetus);
    if (json_array_size(fetuses) > 1) sheet_para(s, &bold, 0, title);
    structures_line(s, list, fetus, "not-seen", "coverage.not-seen");
    structures_line(s, list, fetus, "missing", "coverage.missing");
    structures_line(s, list, fetus, "normal", "coverage.seen");
  }
  look_again(s, json_object_get(coverage, "again"));
  const json_t *protocol = json_object_get(coverage, "protocol");
  int n = part_reference(r, part_string(protocol, "source"));
  char *words =
      part_message(s, "coverage.protocol", json_pack("{s:s,s:i}", "title", part_string(protocol, "title"), "n", n));
  sheet_para(s, &small, 0, words);
  free(words);
}

/* --- acoustic output --------------------------------------------------------------------------------------------- */
static void safety_table(sheet *s, const json_t *safety, const char *index) {
  char ti_head[64], ti_key[8];
  char *words = part_message(s, "safety.ti", json_pack("{s:s}", "index", index));
  snprintf(ti_head, sizeof ti_head, "%.60s", words);
  free(words);
  snprintf(ti_key, sizeof ti_key, "%s", !strcmp(index, "TIS") ? "tis_max" : "tib_max");
  static const sheet_column columns[5] = {
      {130, PEN_START}, {70, PEN_END}, {90, PEN_END}, {90, PEN_END}, {135.28, PEN_END}};
  const char *head[5] = {ogv_message_plain(s->m, "safety.mode"), ogv_message_plain(s->m, "safety.pictures"),
                         ogv_message_plain(s->m, "safety.mi"), ti_head, ogv_message_plain(s->m, "safety.dwell")};
  sheet_table t = {columns, 5, head, 8.2};
  sheet_table_begin(s, &t);
  size_t i;
  json_t *m;
  json_array_foreach(json_object_get(safety, "by_mode"), i, m) {
    char id[40], n[16], mi[OGV_MESSAGE_TEXT], ti[OGV_MESSAGE_TEXT], dwell[OGV_MESSAGE_TEXT];
    snprintf(id, sizeof id, "mode.%.30s", part_string(m, "mode"));
    snprintf(n, sizeof n, "%d", (int)json_integer_value(json_object_get(m, "objects")));
    double d = part_number(m, "dwell_s");
    sheet_cell cells[5] = {{.text = ogv_message_plain(s->m, id)},
                           {.text = n},
                           {.text = ogv_message_number(s->m, part_number(m, "mi_max"), 1, mi)},
                           {.text = ogv_message_number(s->m, part_number(m, ti_key), 1, ti)},
                           {.text = d > 0 ? ogv_message_number(s->m, d, 1, dwell) : "–"}};
    sheet_table_row(s, &t, cells, NULL);
  }
  sheet_table_end(s);
}

/* Pictures and clip seconds in each class of index, beside the longest time recommended for it. */
static void safety_classes(sheet *s, part_references *r, const json_t *safety, const char *index) {
  static const sheet_column columns[4] = {{130, PEN_START}, {70, PEN_END}, {90, PEN_END}, {225.28, PEN_END}};
  char class_head[64], limit_head[80];
  snprintf(class_head, sizeof class_head, "%.20s", index);
  snprintf(limit_head, sizeof limit_head, "%.60s [%d]", ogv_message_plain(s->m, "safety.longest"),
           part_reference(r, part_string(safety, "source")));
  const char *head[4] = {class_head, ogv_message_plain(s->m, "safety.pictures"),
                         ogv_message_plain(s->m, "safety.dwell"), limit_head};
  sheet_table t = {columns, 4, head, 8.2};
  size_t i;
  json_t *c;
  sheet_table_begin(s, &t);
  json_array_foreach(json_object_get(safety, "classes"), i, c) {
    int n = (int)json_integer_value(json_object_get(c, "objects"));
    double over = part_number(c, "over"), to = part_number(c, "to"), minutes = part_number(c, "minutes"),
           d = part_number(c, "dwell_s");
    char range[64], count[16], a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT], dwell[OGV_MESSAGE_TEXT], longest[64];
    if (!n) continue;
    if (isfinite(to))
      snprintf(range, sizeof range, "%.20s–%.20s", ogv_message_number(s->m, over, 1, a),
               ogv_message_number(s->m, to, 1, b));
    else snprintf(range, sizeof range, "> %.20s", ogv_message_number(s->m, over, 1, a));
    snprintf(count, sizeof count, "%d", n);
    if (!isfinite(minutes)) snprintf(longest, sizeof longest, "%.60s", ogv_message_plain(s->m, "safety.no-limit"));
    else if (minutes == 0)
      snprintf(longest, sizeof longest, "%.60s", ogv_message_plain(s->m, "safety.not-recommended"));
    else snprintf(longest, sizeof longest, "%.0f min", minutes);
    sheet_cell cells[4] = {{.text = range},
                           {.text = count},
                           {.text = d > 0 ? ogv_message_number(s->m, d, 1, dwell) : "–"},
                           {.text = longest}};
    sheet_table_row(s, &t, cells, NULL);
  }
  sheet_table_end(s);
}

void part_safety(sheet *s, part_references *r) {
  const json_t *safety = json_object_get(s->facts, "safety"), *note;
  size_t i;
  if (!json_is_object(safety)) return;
  pen_style body = sheet_body(s), small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.safety"), 60);
  if (!json_array_size(json_object_get(safety, "by_mode"))) {
    sheet_para(s, &body, 0, ogv_message_plain(s->m, "safety.none"));
    return;
  }
  char mi[OGV_MESSAGE_TEXT], ti[OGV_MESSAGE_TEXT];
  const char *index = part_string(safety, "index");
  char *intro = part_message(s, "safety.intro",
                             json_pack("{s:s,s:s,s:s,s:s}", "index", index, "why", part_string(safety, "why"), "mi",
                                       ogv_message_number(s->m, part_number(safety, "mi_max"), 1, mi), "ti",
                                       ogv_message_number(s->m, part_number(safety, "ti_max"), 1, ti)));
  sheet_para(s, &body, 0, intro);
  free(intro);
  safety_table(s, safety, index);
  safety_classes(s, r, safety, index);
  json_array_foreach(json_object_get(safety, "notes"), i, note) sheet_para(s, &body, 0, json_string_value(note));
  int unknown = (int)json_integer_value(json_object_get(safety, "unknown"));
  char text[512];
  char *words = unknown ? part_message(s, "safety.unknown", json_pack("{s:i}", "n", unknown)) : strdup("");
  snprintf(text, sizeof text, "%s%s%s", words, *words ? " " : "", ogv_message_plain(s->m, "safety.dwell-note"));
  free(words);
  sheet_para(s, &small, 0, text);
}

/* --- limits and cautions ----------------------------------------------------------------------------------------- */
void part_limits(sheet *s) {
  const json_t *limits = json_object_get(s->facts, "limits"), *cautions = json_object_get(s->facts, "cautions"), *l;
  size_t i;
  pen_style body = sheet_body(s), small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.limits"), 30);
  json_array_foreach(limits, i, l) {
    char text[1024];
    const char *todo = part_string(l, "todo");
    snprintf(text, sizeof text, "• %.600s%s%.300s", part_string(l, "what"), *todo ? "  " : "", todo);
    sheet_para(s, &body, 0, text);
  }
  s->y += 3;
  json_array_foreach(cautions, i, l) sheet_para(s, &small, 0, json_string_value(l));
}

/* --- evidence ---------------------------------------------------------------------------------------------------- */
static void picture_words(sheet *s, const json_t *row, char *buf, size_t size) {
  int frame;
  const char *id = rows_object(row, &frame);
  size_t i;
  json_t *o;
  buf[0] = 0;
  if (!*id) return;
  json_array_foreach(json_object_get(s->facts, "objects"), i, o) {
    if (strcmp(part_string(o, "id"), id)) continue;
    double frames = part_number(o, "frames"), number = part_number(o, "number");
    const char *kind = part_string(o, "kind");
    const char *message = !strcmp(kind, "report") ? "picture.report" : frames > 1 ? "picture.clip" : "picture.still";
    char *words = part_message(
        s, message, json_pack("{s:i,s:i}", "number", isfinite(number) ? (int)number : 0, "frame", frame + 1));
    snprintf(buf, size, "%s", words);
    free(words);
    return;
  }
  snprintf(buf, size, "%s", id);
}

static void evidence_row(sheet *s, const sheet_table *t, const json_t *row) {
  char id[40], value[80], picture[80], at[32], quantity[64], n[OGV_MESSAGE_TEXT];
  const char *unit = part_string(row, "unit"), *fetus = part_string(row, "fetus");
  snprintf(id, sizeof id, "source.%.30s", part_string(row, "source"));
  snprintf(value, sizeof value, "%s%s%.20s", ogv_message_number(s->m, part_number(row, "value"), 2, n),
           strcmp(unit, "1") ? " " : "", strcmp(unit, "1") ? unit : "");
  picture_words(s, row, picture, sizeof picture);
  snprintf(at, sizeof at, "%.16s", part_string(row, "at"));
  for (char *c = at; *c; c++)
    if (*c == 'T') *c = ' ';
  const ogv_quantity *q = ogv_quantity_find(part_string(row, "quantity"));
  bool several = json_array_size(json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses")) > 1;
  snprintf(quantity, sizeof quantity, "%.40s%s%.10s", q ? q->symbol : part_string(row, "quantity"),
           several && *fetus ? " · " : "", several ? fetus : "");
  bool used = json_is_true(json_object_get(row, "used"));
  char state[40];
  snprintf(state, sizeof state, "state.%.30s",
           *part_string(row, "superseded_by") ? "superseded" : part_string(row, "state"));
  const char *source = ogv_message_plain(s->m, id);
  sheet_cell cells[7] = {{.text = quantity, .bold = used},
                         {.text = value},
                         {.text = source},
                         {.text = picture},
                         {.text = part_string(row, "who")},
                         {.text = at},
                         {.text = used                               ? ogv_message_plain(s->m, "word.yes")
                                  : !strcmp(state, "state.accepted") ? ogv_message_plain(s->m, "word.no")
                                                                     : ogv_message_plain(s->m, state)}};
  sheet_table_row(s, t, cells, NULL);
}

/* How the readings that count compare with the blind second reading; those that the program proposed are left out. */
static void rereads(sheet *s, const pen_style *style) {
  const json_t *row;
  size_t i;
  int agree = 0, differ = 0, unread = 0;
  json_array_foreach(json_object_get(s->facts, "ledger"), i, row) {
    const json_t *again = json_object_get(row, "reread");
    const char *result = part_string(again, "result");
    if (!again || !strcmp(part_string(again, "basis"), "proposed") || strcmp(part_string(row, "state"), "accepted"))
      continue;
    agree += !strcmp(result, "agrees");
    differ += !strcmp(result, "differs");
    unread += !strcmp(result, "could-not-read");
  }
  if (!(agree + differ + unread)) return;
  char *words = part_message(s, "evidence.rereads",
                             json_pack("{s:i,s:i,s:i}", "agree", agree, "differ", differ, "unread", unread));
  sheet_para(s, style, 0, words);
  free(words);
}

void part_evidence(sheet *s) {
  enum { MOST = 60 };
  const json_t *ledger = json_object_get(s->facts, "ledger"), *row;
  size_t i;
  if (!json_array_size(ledger)) return;
  pen_style small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.evidence"), 60);
  static const sheet_column columns[7] = {{88, PEN_START}, {76, PEN_END},   {88, PEN_START},   {86, PEN_START},
                                          {58, PEN_START}, {72, PEN_START}, {47.28, PEN_START}};
  const char *head[7] = {ogv_message_plain(s->m, "evidence.quantity"), ogv_message_plain(s->m, "evidence.value"),
                         ogv_message_plain(s->m, "evidence.source"),   ogv_message_plain(s->m, "evidence.picture"),
                         ogv_message_plain(s->m, "evidence.who"),      ogv_message_plain(s->m, "evidence.at"),
                         ogv_message_plain(s->m, "evidence.used")};
  sheet_table t = {columns, 7, head, 7.2};
  sheet_table_begin(s, &t);
  json_array_foreach(ledger, i, row) {
    if (i == MOST) break;
    evidence_row(s, &t, row);
  }
  sheet_table_end(s);
  size_t more = json_array_size(ledger) > MOST ? json_array_size(ledger) - MOST : 0;
  if (more) {
    char *words = part_message(s, "evidence.more", json_pack("{s:i}", "n", (int)more));
    sheet_para(s, &small, 0, words);
    free(words);
  }
  rereads(s, &small);
  sheet_para(s, &small, 0, ogv_message_plain(s->m, "evidence.intro"));
}

void part_references_list(sheet *s, const part_references *r) {
  if (!r->n) return;
  pen_style small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.references"), 30);
  for (int i = 0; i < r->n; i++) {
    char text[700];
    snprintf(text, sizeof text, "%d  %.680s", i + 1, r->list[i]);
    sheet_para(s, &small, 0, text);
  }
}

/* --- sign-off ---------------------------------------------------------------------------------------------------- */
static void signature_lines(sheet *s) {
  static const char *const labels[3] = {"sign.name", "sign.role", "sign.date"};
  pen_style label = {.size = 6.5, .colour = s->p.theme->soft};
  double gap = 14, w = (s->w - 2 * gap) / 3;
  s->y += 24;
  for (int i = 0; i < 3; i++) {
    double x = s->x + i * (w + gap);
    pen_line(&s->p, x, s->y, x + w, s->y, 0.6, s->p.theme->soft);
    pen_text(&s->p, x, s->y + 2, w, &label, ogv_message_plain(s->m, labels[s->p.rtl ? 2 - i : i]));
  }
  s->y += 16;
}

void part_sign(sheet *s) {
  const json_t *report = json_object_get(s->facts, "report"), *signatures = json_object_get(report, "signatures"), *g;
  size_t i;
  pen_style body = sheet_body(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.sign"), 64);
  if (!json_array_size(signatures)) {
    body.bold = true;
    body.colour = s->p.theme->warn;
    sheet_para(s, &body, 0, ogv_message_plain(s->m, "sign.unsigned"));
    signature_lines(s);
    return;
  }
  json_array_foreach(signatures, i, g) {
    char *words = part_message(s, "sign.signed",
                               json_pack("{s:s,s:s,s:s}", "name", part_string(g, "name"), "role",
                                         part_string(g, "role"), "at", part_string(g, "at")));
    sheet_para(s, &body, 0, words);
    free(words);
  }
}
