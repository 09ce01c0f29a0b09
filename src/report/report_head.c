/* First page: who, when, how far along; the summary; the dating. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/report_parts.h"

const char *part_string(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }
double part_number(const json_t *o, const char *key) { return ogv_json_number_or(o, key, NAN); }

const char *part_date(const sheet *s, const json_t *o, const char *key, char buf[OGV_MESSAGE_TEXT]) {
  ogv_date d;
  const char *text = part_string(o, key);
  buf[0] = 0;
  return *text && ogv_date_parse(text, &d, NULL) == OGV_OK ? ogv_message_date(s->m, d, buf) : buf;
}

const char *part_moment(const sheet *s, const json_t *o, const char *key, char buf[OGV_MESSAGE_TEXT]) {
  char day[OGV_DATE_TEXT];
  ogv_date d;
  snprintf(day, sizeof day, "%.10s", part_string(o, key));
  buf[0] = 0;
  return ogv_date_parse(day, &d, NULL) == OGV_OK ? ogv_message_date(s->m, d, buf) : buf;
}

char *part_message(const sheet *s, const char *id, json_t *args) {
  char *text = NULL;
  if (ogv_message(s->m, id, args, &text, NULL) != OGV_OK) text = strdup(id);
  json_decref(args);
  return text;
}

int part_reference(part_references *r, const char *citation) {
  if (!citation || !*citation) return 0;
  for (int i = 0; i < r->n; i++)
    if (!strcmp(r->list[i], citation)) return i + 1;
  if (r->n == PARTS_REFERENCES) return 0;
  r->list[r->n++] = citation;
  return r->n;
}

/* The state of the report, as a word in a frame: a draft can never be taken for a signed report. */
static void state_pill(sheet *s) {
  const json_t *report = json_object_get(s->facts, "report");
  const char *state = part_string(report, "state");
  bool draft = strcmp(state, "signed") && strcmp(state, "amended");
  const char *word = ogv_message_plain(s->m, draft                      ? "report.draft"
                                             : !strcmp(state, "signed") ? "report.signed"
                                                                        : "report.amended");
  pen_colour c = draft ? s->p.theme->warn : s->p.theme->accent;
  pen_style style = {.size = 8, .bold = true, .colour = c};
  double w = pen_text_width(&s->p, &style, word) + 14, x = s->p.rtl ? s->x : s->x + s->w - w;
  if (!s->p.dry) {
    pen_round(&s->p, x, s->y, w, 16, 8);
    pen_ink(&s->p, draft ? s->p.theme->warn_pale : s->p.theme->accent_pale);
    cairo_fill_preserve(s->p.cr);
    pen_ink(&s->p, c);
    cairo_set_line_width(s->p.cr, 0.9);
    cairo_stroke(s->p.cr);
  }
  pen_label(&s->p, x + w / 2, s->y + 8, 0.5, &style, word);
}

static double field(sheet *s, double x, double y, double w, const char *label, const char *value, double size,
                    bool bold) {
  pen_style l = {.size = 6.5, .colour = s->p.theme->soft, .lines = 1};
  pen_style v = {.size = size, .bold = bold, .colour = s->p.theme->ink, .lines = 2};
  double h = pen_text(&s->p, x, y, w, &l, label);
  if (!value || !*value) {
    value = ogv_message_plain(s->m, "head.not-given");
    v.colour = s->p.theme->faint;
    v.bold = false;
    v.size = 8;
  }
  return h + pen_text(&s->p, x, y + h, w, &v, value);
}

static double column_patient(sheet *s, double x, double y, double w) {
  const json_t *p = json_object_get(s->facts, "patient");
  char born[OGV_MESSAGE_TEXT], text[OGV_MESSAGE_TEXT * 2];
  double y0 = y;
  y += field(s, x, y, w, ogv_message_plain(s->m, "head.patient"), part_string(p, "name"), 13, true) + 2;
  part_date(s, p, "birth_date", born);
  snprintf(text, sizeof text, "%s", born);
  double age = part_number(p, "age_years");
  if (*born && isfinite(age)) {
    char *years = part_message(s, "head.age", json_pack("{s:i}", "years", (int)age));
    snprintf(text, sizeof text, "%s (%.20s)", born, years);
    free(years);
  }
  double first = s->p.rtl ? x + w / 2 : x, second = s->p.rtl ? x : x + w / 2;
  double h1 = field(s, first, y, w / 2 - 4, ogv_message_plain(s->m, "head.born"), text, 8.8, false);
  double h2 = field(s, second, y, w / 2 - 4, ogv_message_plain(s->m, "head.id"), part_string(p, "id"), 8.8, false);
  return y + fmax(h1, h2) - y0;
}

static double column_exam(sheet *s, double x, double y, double w) {
  const json_t *e = json_object_get(s->facts, "exam");
  char date[OGV_MESSAGE_TEXT];
  double y0 = y;
  y += field(s, x, y, w, ogv_message_plain(s->m, "head.exam"), part_date(s, e, "date", date), 13, true) + 2;
  double first = s->p.rtl ? x + w / 2 : x, second = s->p.rtl ? x : x + w / 2;
  double h1 =
      field(s, first, y, w / 2 - 4, ogv_message_plain(s->m, "head.performer"), part_string(e, "performer"), 8.8, false);
  double h2 = field(s, second, y, w / 2 - 4, ogv_message_plain(s->m, "head.referring"), part_string(e, "referring"),
                    8.8, false);
  return y + fmax(h1, h2) - y0;
}

static double column_gestation(sheet *s, double x, double y, double w) {
  const json_t *g = json_object_get(s->facts, "pregnancy");
  char due[OGV_MESSAGE_TEXT], sd[OGV_MESSAGE_TEXT], text[2 * OGV_MESSAGE_TEXT + 16];
  const char *ga = part_string(g, "ga");
  double y0 = y;
  y += field(s, x, y, w, ogv_message_plain(s->m, "head.gestation"), *ga ? ga : ogv_message_plain(s->m, "head.undated"),
             13, true) +
       2;
  double u = part_number(g, "sd_days");
  part_date(s, g, "edd", due);
  if (*due && isfinite(u)) snprintf(text, sizeof text, "%s ± %s d", due, ogv_message_number(s->m, 1.96 * u, 0, sd));
  else snprintf(text, sizeof text, "%s", due);
  y += field(s, x, y, w, ogv_message_plain(s->m, "head.due"), text, 8.8, false);
  return y - y0;
}

void part_head(sheet *s) {
  const json_t *e = json_object_get(s->facts, "exam");
  pen_style soft = {.size = 8, .colour = s->p.theme->soft, .lines = 1};
  pen_style title = {.size = 17, .bold = true, .colour = s->p.theme->ink, .lines = 1};
  const char *place = part_string(e, "institution");
  double tx = s->p.rtl ? s->x + s->w * 0.28 : s->x;
  state_pill(s);
  s->y += *place ? pen_text(&s->p, tx, s->y, s->w * 0.72, &soft, place) : 4;
  pen_tag(&s->p, "H1");
  s->y += pen_text(&s->p, tx, s->y, s->w * 0.72, &title, ogv_message_plain(s->m, "report.title"));
  pen_untag(&s->p, "H1");
  s->y += 3;
  pen_line(&s->p, s->x, s->y, s->x + s->w, s->y, 1.6, s->p.theme->accent);
  s->y += 6;
  double w[3] = {s->w * 0.38, s->w * 0.37, s->w * 0.25}, x[3] = {s->x, s->x + w[0], s->x + w[0] + w[1]};
  if (s->p.rtl) x[0] = s->x + w[1] + w[2], x[1] = s->x + w[2], x[2] = s->x;
  pen_tag(&s->p, "P");
  double pad = s->p.rtl ? 6 : 0; /* the rule between columns lies on the far side of the text */
  double h = column_patient(s, x[0] + pad, s->y, w[0] - 12);
  h = fmax(h, column_exam(s, x[1] + pad, s->y, w[1] - 14));
  h = fmax(h, column_gestation(s, x[2], s->y, w[2] - (s->p.rtl ? 8 : 0)));
  pen_untag(&s->p, "P");
  for (int i = 0; i < 2; i++) {
    double at = s->p.rtl ? x[i] : x[i + 1] - 7;
    pen_line(&s->p, at, s->y + 2, at, s->y + h, 0.4, s->p.theme->hair);
  }
  s->y += h + 5;
  pen_line(&s->p, s->x, s->y, s->x + s->w, s->y, 0.4, s->p.theme->hair);
  s->y += 2;
  sheet_figure(s, ogv_message_plain(s->m, "alt.pregnancy"));
  plot_pregnancy(&s->p, s->facts, s->m, (plot_box){s->x, s->y, s->w, 60});
  sheet_figure_end(s);
  s->y += 62;
}

/* A rule that another measurement might answer otherwise. */
static bool near_limit(const json_t *c) {
  return !strcmp(part_string(c, "part"), "assessment") && *part_string(c, "changes");
}

/* A rule's sentence carries the number of its source; what could change it stands below. */
static double conclusion_line(sheet *s, part_references *r, double x, double y, double w, const json_t *c, bool draw) {
  pen_style body = {.size = 9.2, .colour = s->p.theme->ink, .spacing = 0.6},
            small = {.size = 7, .colour = s->p.theme->soft};
  char text[1200];
  int n = part_reference(r, part_string(json_object_get(c, "rule"), "citation"));
  const char *changes = part_string(c, "changes");
  if (n) snprintf(text, sizeof text, "%.1100s [%d]%s", part_string(c, "text"), n, near_limit(c) ? " ≈" : "");
  else snprintf(text, sizeof text, "%.1100s", part_string(c, "text"));
  if (near_limit(c)) changes = ""; /* said once below all of them */
  double h = draw ? pen_text(&s->p, x, y, w, &body, text) : pen_text_height(&s->p, w, &body, text);
  if (*changes) h += draw ? pen_text(&s->p, x, y + h, w, &small, changes) : pen_text_height(&s->p, w, &small, changes);
  return h + 3.5;
}

void part_conclusion(sheet *s, part_references *r) {
  const json_t *list = json_object_get(s->facts, "sentences"), *c;
  size_t i;
  double h = 22, w = s->w - 24;
  json_array_foreach(list, i, c) h += conclusion_line(s, r, 0, 0, w, c, false);
  bool near = false;
  json_array_foreach(list, i, c) near |= near_limit(c);
  if (!json_array_size(list) || near) h += 12;
  if (h > s->bottom - 60) h = s->bottom - 60;
  sheet_need(s, h);
  pen_fill(&s->p, s->x, s->y, s->w, h, s->p.theme->accent_pale);
  pen_fill(&s->p, s->p.rtl ? s->x + s->w - 3 : s->x, s->y, 3, h, s->p.theme->accent);
  pen_style head = {.size = 10.5, .bold = true, .colour = s->p.theme->ink};
  double y = s->y + 4, x = s->x + 12, end = s->y + h;
  pen_tag(&s->p, "H2");
  y += pen_text(&s->p, x, y, w, &head, ogv_message_plain(s->m, "part.conclusion")) + 2;
  pen_untag(&s->p, "H2");
  pen_style body = sheet_body(s);
  if (!json_array_size(list)) pen_text(&s->p, x, y, w, &body, ogv_message_plain(s->m, "conclusion.none"));
  json_array_foreach(list, i, c) {
    double need = conclusion_line(s, r, x, y, w, c, false);
    if (y + need > end + 6) { /* longer than a page: the rest goes on plain */
      s->y = end;
      sheet_new_page(s);
      y = s->y;
      end = s->bottom;
    }
    pen_tag(&s->p, "P");
    y += conclusion_line(s, r, x, y, w, c, true);
    pen_untag(&s->p, "P");
  }
  pen_style small = sheet_small(s);
  char legend[300];
  snprintf(legend, sizeof legend, "≈ %s", ogv_message_plain(s->m, "assess.near"));
  pen_tag(&s->p, "P");
  if (near) y += pen_text(&s->p, x, y, w, &small, legend);
  pen_untag(&s->p, "P");
  s->y = fmax(y, s->page == 1 || y < end ? end : y) + 3;
}

static void dating_row(sheet *s, const sheet_table *t, const json_t *e) {
  char id[48], date[OGV_MESSAGE_TEXT], edd[OGV_MESSAGE_TEXT], basis[160],
      sd[OGV_MESSAGE_TEXT] = "", diff[OGV_MESSAGE_TEXT] = "", n[OGV_MESSAGE_TEXT];
  snprintf(id, sizeof id, "basis.%.30s", part_string(e, "basis"));
  double value = part_number(e, "value_mm");
  const char *fetus = part_string(e, "fetus");
  snprintf(basis, sizeof basis, "%.60s%s%.15s", ogv_message_plain(s->m, id), *fetus ? " " : "", fetus);
  if (isfinite(value)) {
    size_t length = strlen(basis);
    snprintf(basis + length, sizeof basis - length, " %s mm", ogv_message_number(s->m, value, 1, n));
  }
  const json_t *est = json_object_get(e, "estimate"), *refused = json_object_get(e, "refused");
  bool chosen = json_is_true(json_object_get(e, "chosen"));
  double u = part_number(est, "sd_days"), d = part_number(e, "difference_days");
  if (isfinite(u)) snprintf(sd, sizeof sd, "± %s d", ogv_message_number(s->m, 1.96 * u, 1, n));
  if (isfinite(d)) snprintf(diff, sizeof diff, "%s%d d", d > 0 ? "+" : d < 0 ? "−" : "", (int)fabs(d));
  char how[320];
  const char *note = refused ? part_string(refused, "what") : part_string(est, "note");
  snprintf(how, sizeof how, "%s%s%.250s", chosen ? ogv_message_plain(s->m, "dating.in-use") : "",
           chosen && *note ? " · " : "", note);
  pen_colour soft = s->p.theme->soft;
  sheet_cell cells[6] = {{.text = basis, .bold = chosen},
                         {.text = part_date(s, e, "date", date)},
                         {.text = part_date(s, est, "edd", edd), .bold = chosen},
                         {.text = sd},
                         {.text = diff},
                         {.text = how, .colour = chosen ? s->p.theme->accent : soft, .coloured = true, .bold = chosen}};
  sheet_table_row(s, t, cells, NULL);
}

/* A decision that the rule would not have made: both stand beside each other. */
static void dating_conflict(sheet *s, const json_t *dating) {
  const json_t *proposal = json_object_get(dating, "proposal");
  char edd[OGV_MESSAGE_TEXT];
  if (!json_is_object(proposal)) return;
  pen_style body = sheet_body(s);
  char *words = part_message(
      s, "dating.differs",
      json_pack("{s:s,s:s}", "edd", part_date(s, proposal, "edd", edd), "reason", part_string(proposal, "reason")));
  sheet_para(s, &body, 0, words);
  free(words);
}

void part_dating(sheet *s, part_references *r) {
  const json_t *d = json_object_get(s->facts, "dating"), *list = json_object_get(d, "evidence"), *e;
  size_t i;
  char moment[OGV_MESSAGE_TEXT];
  sheet_heading(s, ogv_message_plain(s->m, "part.dating"), 40);
  pen_style body = sheet_body(s);
  const char *reason = part_string(d, "reason");
  char text[640];
  snprintf(text, sizeof text, "%s",
           *reason ? reason : ogv_message_plain(s->m, json_array_size(list) ? "line.undated" : "dating.none"));
  const char *rule = part_string(d, "rule_title"); /* none when a person decided */
  if (*rule) {
    char *words =
        part_message(s, "dating.rule",
                     json_pack("{s:s,s:i}", "rule", rule, "n", part_reference(r, part_string(d, "rule_citation"))));
    size_t n = strlen(text);
    snprintf(text + n, sizeof text - n, "  %s", words);
    free(words);
  }
  sheet_para(s, &body, 0, text);
  dating_conflict(s, d);
  const json_t *decision = json_object_get(d, "decision");
  if (!strcmp(part_string(d, "state"), "decided")) {
    char *words = part_message(
        s, "dating.decided-by",
        json_pack("{s:s,s:s}", "who", part_string(decision, "who"), "date", part_moment(s, decision, "when", moment)));
    sheet_para(s, &body, 0, words);
    free(words);
  }
  if (!json_array_size(list)) return;
  static const sheet_column columns[6] = {{92, PEN_START}, {70, PEN_START}, {76, PEN_START},
                                          {56, PEN_END},   {58, PEN_END},   {163.28, PEN_START}};
  const char *head[6] = {ogv_message_plain(s->m, "dating.evidence"),   ogv_message_plain(s->m, "dating.date"),
                         ogv_message_plain(s->m, "dating.says"),       ogv_message_plain(s->m, "dating.sd"),
                         ogv_message_plain(s->m, "dating.difference"), ""};
  sheet_table t = {columns, 6, head, 8.2};
  sheet_table_begin(s, &t);
  json_array_foreach(list, i, e) {
    /* A size outside its formula's ages says nothing and would only make people look; it stays in the facts. */
    if (json_object_get(e, "refused") && !strcmp(part_string(e, "basis"), "biometry") && json_array_size(list) > 1)
      continue;
    dating_row(s, &t, e);
    if (json_is_true(json_object_get(e, "chosen")))
      part_reference(r, part_string(json_object_get(e, "estimate"), "citation"));
  }
  sheet_table_end(s);
}
