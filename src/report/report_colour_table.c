/* Colour flow that was kept: a table, and what is to be known when it is read. */
#include <stdio.h>

#include "private/report_parts.h"

static void row(sheet *s, const sheet_table *t, const json_t *v) {
  char picture[200], region[160];
  const char *about = part_string(v, "about"), *pulse = part_string(v, "pulsatility_text"),
             *velocity = part_string(v, "velocity_text");
  snprintf(picture, sizeof picture, "%.80s%s%.80s", part_string(v, "picture"), *about ? "\n" : "", about);
  snprintf(region, sizeof region, "%.60s, %.60s", part_string(v, "kind"), part_string(v, "region"));
  const json_t *refused = json_object_get(v, "refused");
  sheet_cell cells[6] = {{.text = picture},
                         {.text = refused ? part_string(refused, "what") : region},
                         {.text = refused ? "–" : part_string(v, "share_text"), .bold = true},
                         {.text = refused ? "–" : part_string(v, "magnitude_text"), .bold = true},
                         {.text = *pulse ? pulse : "–"},
                         {.text = *velocity ? velocity : "–"}};
  sheet_table_row(s, t, cells, NULL);
}

void part_colour(sheet *s) {
  const json_t *list = json_object_get(s->facts, "colour_flow"), *v, *note;
  size_t i, k;
  if (!json_array_size(list)) return;
  static const sheet_column columns[6] = {{110, PEN_START}, {138, PEN_START}, {58, PEN_END},
                                          {87, PEN_END},    {56, PEN_END},    {66.28, PEN_END}};
  const char *head[6] = {ogv_message_plain(s->m, "colour.picture"),     ogv_message_plain(s->m, "colour.region"),
                         ogv_message_plain(s->m, "colour.share"),       ogv_message_plain(s->m, "colour.magnitude"),
                         ogv_message_plain(s->m, "colour.pulsatility"), ogv_message_plain(s->m, "colour.velocity")};
  sheet_table t = {columns, 6, head, 8.2};
  pen_style small = sheet_small(s);
  sheet_heading(s, ogv_message_plain(s->m, "part.colour"), 60);
  sheet_table_begin(s, &t);
  json_array_foreach(list, i, v) row(s, &t, v);
  sheet_table_end(s);
  json_array_foreach(list, i, v) json_array_foreach(json_object_get(v, "notes"), k, note) {
    char text[600];
    snprintf(text, sizeof text, "%.120s: %.400s", part_string(v, "picture"), json_string_value(note));
    sheet_para(s, &small, 0, text);
  }
  sheet_para(s, &small, 0, ogv_message_plain(s->m, "colour.caution"));
}
