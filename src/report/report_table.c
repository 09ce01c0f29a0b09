/* The measurements: value with its interval, how it was got, centile with its interval, strip, change. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/report_parts.h"

static const sheet_column columns[7] = {{172, PEN_START}, {88, PEN_END},    {34, PEN_MIDDLE}, {24, PEN_MIDDLE},
                                        {74, PEN_END},    {74, PEN_MIDDLE}, {49.28, PEN_END}};
#define STRIP_COLUMN 5

static bool of_fetus(const json_t *v, const char *fetus) { return !strcmp(part_string(v, "fetus"), fetus); }

static void value_text(const json_t *v, char *buf, size_t size) {
  const char *unit = part_string(v, "unit"), *plus = part_string(v, "interval_text");
  bool bare = !strcmp(unit, "1");
  snprintf(buf, size, "%s%s%s%s%s", part_string(v, "text"), *plus ? " " : "", plus, bare ? "" : " ", bare ? "" : unit);
}

/* The name and, for a weight, its second uncertainty below: the two are never mixed. */
static void name_text(sheet *s, const json_t *v, char *buf, size_t size) {
  const char *symbol = part_string(v, "symbol"), *name = part_string(v, "name"), *error = part_string(v, "error_text");
  snprintf(buf, size, "%.40s%s%.120s", symbol, strcmp(symbol, name) ? "  " : "", strcmp(symbol, name) ? name : "");
  if (!*error) return;
  char *words = part_message(s, "table.error", json_pack("{s:s}", "text", error));
  size_t n = strlen(buf);
  snprintf(buf + n, size - n, "\n%s", words);
  free(words);
}

static void change_text(sheet *s, const json_t *v, char *buf, size_t size) {
  const json_t *g = json_object_get(v, "growth");
  double dz = part_number(g, "delta_z"), u = part_number(g, "u_delta_z");
  char a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT];
  buf[0] = 0;
  if (!isfinite(dz)) return;
  snprintf(buf, size, "%s%s", fabs(dz) < 0.05 ? "" : dz < 0 ? "−" : "+", ogv_message_number(s->m, fabs(dz), 1, a));
  size_t n = strlen(buf);
  if (isfinite(u)) snprintf(buf + n, size - n, " (%s)", ogv_message_number(s->m, 1.96 * u, 1, b));
}

static void row(sheet *s, const sheet_table *t, part_references *r, const json_t *v) {
  char name[320], value[200], how[48], ref[16] = "", centile[96] = "", change[64];
  const json_t *c = json_array_get(json_object_get(v, "centiles"), 0), *refused = json_object_get(c, "refused");
  name_text(s, v, name, sizeof name);
  value_text(v, value, sizeof value);
  double n = part_number(v, "n"), of = part_number(v, "of");
  if (n > 1) snprintf(how, sizeof how, "%s ×%d", part_string(v, "evidence_mark"), (int)n);
  else if (of > 1) snprintf(how, sizeof how, "%s 1/%d", part_string(v, "evidence_mark"), (int)of);
  else snprintf(how, sizeof how, "%s", part_string(v, "evidence_mark"));
  const char *word = part_string(c, "text"), *interval = part_string(c, "interval_text");
  if (json_is_true(json_object_get(c, "circular"))) word = "";
  if (*word) {
    snprintf(centile, sizeof centile, "%s%s%s%s", word, *interval ? " (" : "", interval, *interval ? ")" : "");
    int k = part_reference(r, part_string(c, "citation"));
    if (k) snprintf(ref, sizeof ref, "%d", k);
  } else if (refused) snprintf(centile, sizeof centile, "–");
  part_reference(r, part_string(json_object_get(v, "formula"), "citation"));
  change_text(s, v, change, sizeof change);
  double z = part_number(c, "z"), u = part_number(c, "u_z");
  bool out = *word && (json_integer_value(json_object_get(c, "beyond")) || part_number(c, "centile") < 10 ||
                       part_number(c, "centile") > 90);
  pen_colour soft = s->p.theme->soft;
  sheet_cell cells[7] = {{.text = name},
                         {.text = value, .bold = true},
                         {.text = how, .colour = soft, .coloured = true},
                         {.text = ref, .colour = soft, .coloured = true},
                         {.text = centile, .bold = out},
                         {.text = ""},
                         {.text = change}};
  double h, top = sheet_table_row(s, t, cells, &h);
  if (!*word || json_is_true(json_object_get(c, "multiple"))) return;
  double before = 0;
  for (int i = 0; i < STRIP_COLUMN; i++) before += columns[i].width;
  double x = s->p.rtl ? s->x + s->w - before - columns[STRIP_COLUMN].width : s->x + before;
  int beyond = (int)json_integer_value(json_object_get(c, "beyond"));
  plot_strip(&s->p, (plot_box){x + 4, top + 2, columns[STRIP_COLUMN].width - 8, fmin(h - 4, 10)},
             isfinite(z) ? z : beyond * 4.0, isfinite(u) ? u : 0,
             part_number(json_object_get(c, "u_parts"), "measurement"), out ? s->p.theme->warn : s->p.theme->accent);
}

static const char *const kinds[] = {"biometry", "weight", "early",    "ratio",  "long-bone", "cranium", "face",
                                    "abdomen",  "thorax", "heart",    "rate",   "doppler",   "fluid",   "cervix",
                                    "placenta", "uterus", "maternal", "volume", "other"};

static void group_row(sheet *s, const sheet_table *t, const char *text) {
  pen_style style = {.size = 7.2, .bold = true, .colour = s->p.theme->soft};
  sheet_table_need(s, t, 42);
  pen_tag(&s->p, "TR");
  pen_tag(&s->p, "TH");
  pen_text(&s->p, s->x + 3, s->y + 3, s->w - 6, &style, text);
  pen_untag(&s->p, "TH");
  pen_untag(&s->p, "TR");
  s->y += 14;
  pen_line(&s->p, s->x, s->y, s->x + s->w, s->y, 0.3, s->p.theme->hair);
}

/* Flow values and ratios without a centile are told in one line below the table: they are kept, not dwelt on. */
static bool told_below(const json_t *v) {
  const char *group = part_string(v, "group");
  return (!strcmp(group, "doppler") || !strcmp(group, "ratio")) &&
         !*part_string(json_array_get(json_object_get(v, "centiles"), 0), "text");
}

static void small_list(sheet *s, const char *message, const char *list) {
  pen_style body = {.size = 7.8, .colour = s->p.theme->ink, .spacing = 0.4};
  if (!*list) return;
  char *words = part_message(s, message, json_pack("{s:s}", "list", list));
  sheet_para(s, &body, 0, words);
  free(words);
}

static void tell_below(sheet *s, const char *fetus) {
  size_t i;
  json_t *v;
  char text[2400] = "", value[200];
  json_array_foreach(json_object_get(s->facts, "values"), i, v) {
    if (!of_fetus(v, fetus) || !told_below(v)) continue;
    size_t n = strlen(text);
    value_text(v, value, sizeof value);
    if (n < sizeof text - 300)
      snprintf(text + n, sizeof text - n, "%s%.40s %.120s (%.8s)", n ? ", " : "", part_string(v, "symbol"), value,
               part_string(v, "evidence_mark"));
  }
  small_list(s, "table.also", text);
}

/* By which rule repeated readings became one number, and charts that the protocol chose in the usual one's place. */
static void tell_rules(sheet *s, const char *fetus) {
  size_t i;
  json_t *v;
  char repeats[2000] = "", charts[1600] = "";
  json_array_foreach(json_object_get(s->facts, "values"), i, v) {
    const json_t *c = json_array_get(json_object_get(v, "centiles"), 0);
    bool said = !strcmp(part_string(v, "rule_by"), "protocol");
    size_t n = strlen(repeats), k = strlen(charts);
    if (!of_fetus(v, fetus)) continue;
    if ((part_number(v, "n") > 1 || part_number(v, "of") > 1) && n < sizeof repeats - 300)
      snprintf(repeats + n, sizeof repeats - n, "%s%.40s %.160s%s%.40s%s", n ? "; " : "", part_string(v, "symbol"),
               part_string(v, "rule_text"), said ? " (" : "", said ? ogv_message_plain(s->m, "word.by-protocol") : "",
               said ? ")" : "");
    if (!strcmp(part_string(c, "chosen_by"), "protocol") && k < sizeof charts - 260)
      snprintf(charts + k, sizeof charts - k, "%s%.40s %.160s", k ? "; " : "", part_string(v, "symbol"),
               *part_string(c, "title") ? part_string(c, "title") : part_string(c, "chart"));
  }
  small_list(s, "table.repeats", repeats);
  small_list(s, "table.protocol-charts", charts);
}

/* Beats behind the atrioventricular interval of a fetus: marked ones that count, or one for an interval drawn by hand.
 * *mixed: some were read from a spectrum and some from an M-mode strip. */
static int interval_beats(const json_t *facts, const char *fetus, bool *mixed) {
  size_t i, k;
  json_t *row, *beat;
  int n = 0, strips = 0, spectra = 0;
  json_array_foreach(json_object_get(facts, "ledger"), i, row) {
    if (strcmp(part_string(row, "quantity"), "av-interval") || !json_is_true(json_object_get(row, "used")) ||
        !of_fetus(row, fetus))
      continue;
    const json_t *evidence = json_object_get(row, "evidence"), *beats = json_object_get(evidence, "beats");
    if (!beats) n++;
    else if (!strcmp(part_string(evidence, "from"), "m-mode")) strips++;
    else spectra++;
    json_array_foreach(beats, k, beat) n += !json_is_false(json_object_get(beat, "used"));
  }
  *mixed = strips && spectra;
  return n;
}

/* What kind of interval it is, and that no chart judges it. */
static void tell_interval(sheet *s, const char *fetus) {
  pen_style body = {.size = 7.8, .colour = s->p.theme->ink, .spacing = 0.4};
  bool mixed;
  int n = interval_beats(s->facts, fetus, &mixed);
  if (!n) return;
  char *words = part_message(s, "table.av-interval", json_pack("{s:i}", "n", n));
  sheet_para(s, &body, 0, words);
  free(words);
  if (mixed) sheet_para(s, &body, 0, ogv_message_plain(s->m, "table.av-mixed"));
}

/* What a person said of the notch of each uterine artery; of several findings the newest counts. */
static void tell_notch(sheet *s) {
  static const char *const sides[] = {"left", "right"};
  size_t i;
  json_t *f;
  char list[400] = "", structure[32], id[48];
  for (int k = 0; k < 2; k++) {
    const char *state = "";
    snprintf(structure, sizeof structure, "uterine-notch-%s", sides[k]);
    json_array_foreach(json_object_get(s->facts, "findings"), i, f) if (!strcmp(part_string(f, "structure"), structure))
        state = part_string(f, "state");
    if (strcmp(state, "abnormal") && strcmp(state, "normal")) continue;
    snprintf(id, sizeof id, "doppler.notch-%s-%s", sides[k], !strcmp(state, "abnormal") ? "present" : "absent");
    size_t n = strlen(list);
    snprintf(list + n, sizeof list - n, "%s%.180s", n ? ", " : "", ogv_message_plain(s->m, id));
  }
  small_list(s, "doppler.notch", list);
}

static int rows_of(sheet *s, const sheet_table *t, part_references *r, const char *fetus, const char *kind, bool draw) {
  size_t i;
  json_t *v;
  int n = 0;
  json_array_foreach(json_object_get(s->facts, "values"), i, v) {
    if (!of_fetus(v, fetus) || strcmp(part_string(v, "group"), kind) || told_below(v)) continue;
    n++;
    if (draw) row(s, t, r, v);
  }
  return n;
}

static void table_of(sheet *s, part_references *r, const char *fetus, const char *title) {
  const char *head[7] = {ogv_message_plain(s->m, "table.measurement"), ogv_message_plain(s->m, "table.value"),
                         ogv_message_plain(s->m, "table.how"),         ogv_message_plain(s->m, "table.reference"),
                         ogv_message_plain(s->m, "table.centile"),     ogv_message_plain(s->m, "table.scale"),
                         ogv_message_plain(s->m, "table.change")};
  sheet_table t = {columns, 7, head, 8.4};
  if (title) {
    pen_style style = {.size = 9, .bold = true, .colour = s->p.theme->ink};
    sheet_need(s, 110); /* title, head, group and a row stay together */
    sheet_para(s, &style, 0, title);
  }
  sheet_table_begin(s, &t);
  for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
    if (!rows_of(s, &t, r, fetus, kinds[k], false)) continue;
    char id[40];
    snprintf(id, sizeof id, "kind.%s", kinds[k]);
    group_row(s, &t, ogv_message_plain(s->m, id));
    rows_of(s, &t, r, fetus, kinds[k], true);
  }
  sheet_table_end(s);
  tell_below(s, fetus);
  if (!*fetus) tell_notch(s);
  tell_interval(s, fetus);
  tell_rules(s, fetus);
}

void part_measurements(sheet *s, part_references *r) {
  const json_t *values = json_object_get(s->facts, "values"),
               *fetuses = json_object_get(json_object_get(s->facts, "pregnancy"), "fetuses"), *f, *v;
  size_t i, k;
  if (!json_array_size(values)) return;
  sheet_heading(s, ogv_message_plain(s->m, "part.biometry"), 60);
  bool several = json_array_size(fetuses) > 1;
  json_array_foreach(fetuses, i, f) {
    const char *id = json_string_value(f) ? json_string_value(f) : "";
    char title[64];
    bool any = false;
    json_array_foreach(values, k, v) any |= of_fetus(v, id);
    snprintf(title, sizeof title, "%.40s %.10s", ogv_message_plain(s->m, "word.fetus"), id);
    if (any) table_of(s, r, id, several ? title : NULL);
  }
  bool mother = false, unnamed = false;
  json_array_foreach(fetuses, i, f) unnamed |= json_is_string(f) && !*json_string_value(f);
  if (!unnamed) json_array_foreach(values, k, v) mother |= of_fetus(v, "");
  if (mother) table_of(s, r, "", ogv_message_plain(s->m, "table.mother"));
  pen_style small = sheet_small(s);
  sheet_para(s, &small, 0, ogv_message_plain(s->m, "table.legend"));
}

/* Growth charts, two in a row. */
static bool charted(const json_t *v) {
  static const char *const always[] = {"bpd", "hc", "ac", "fl", "efw", "ua-pi", "mca-pi", "cpr", "uta-pi"};
  const json_t *c = json_array_get(json_object_get(v, "centiles"), 0);
  if (!*part_string(c, "text") || strcmp(part_string(c, "x_unit"), "d") || json_is_true(json_object_get(c, "multiple")))
    return false;
  for (size_t i = 0; i < sizeof always / sizeof *always; i++)
    if (!strcmp(part_string(v, "quantity"), always[i])) return true;
  double at = part_number(c, "centile"); /* others when they stand out */
  return strcmp(part_string(v, "kind"), "ratio") &&
         (json_integer_value(json_object_get(c, "beyond")) || at < 10 || at > 90);
}

static void growth_chart(sheet *s, const json_t *v, double x, double w, double h) {
  plot_growth_request g = {.quantity = part_string(v, "quantity")};
  ogv_error e = {0};
  char *alt = part_message(s, "alt.growth",
                           json_pack("{s:s,s:s}", "name", part_string(v, "name"), "value", part_string(v, "text")));
  sheet_figure(s, alt);
  free(alt);
  if (plot_growth(&s->p, s->facts, s->m, &g, (plot_box){x, s->y, w, h}, &e) != OGV_OK) {
    pen_style small = sheet_small(s);
    pen_text(&s->p, x, s->y, w, &small, e.what);
  }
  sheet_figure_end(s);
}

void part_growth(sheet *s) {
  const json_t *values = json_object_get(s->facts, "values"), *v, *drawn[64];
  size_t i;
  int n = 0;
  for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) json_array_foreach(values, i, v) {
      if (strcmp(part_string(v, "group"), kinds[k]) || !charted(v) || n == 64) continue;
      bool have = false;
      for (int j = 0; j < n; j++) have |= !strcmp(part_string(drawn[j], "quantity"), part_string(v, "quantity"));
      if (!have) drawn[n++] = v;
    }
  if (!n) return;
  double gap = 16, w = (s->w - gap) / 2, h = 171;
  sheet_heading(s, ogv_message_plain(s->m, "part.growth"), h);
  for (int k = 0; k < n; k += 2) {
    sheet_need(s, h);
    growth_chart(s, drawn[k], s->x, w, h);
    if (k + 1 < n) growth_chart(s, drawn[k + 1], s->x + w + gap, w, h);
    s->y += h + 8;
  }
  pen_style small = sheet_small(s);
  sheet_para(s, &small, 0, ogv_message_plain(s->m, "growth.legend"));
}
