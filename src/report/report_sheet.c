/* Page flow: see private/report_sheet.h. */
#include "private/report_sheet.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

pen_style sheet_body(const sheet *s) { return (pen_style){.size = 8.8, .colour = s->p.theme->ink, .spacing = 0.5}; }
pen_style sheet_small(const sheet *s) { return (pen_style){.size = 7, .colour = s->p.theme->soft, .spacing = 0.3}; }

/* Words that depend on page breaks or fill figures are no part of the transcript: other fonts break elsewhere. */
static ogv_text *hush(sheet *s) {
  ogv_text *t = s->p.transcript;
  s->p.transcript = NULL;
  return t;
}

static void footer(sheet *s) {
  ogv_text *kept = hush(s);
  pen_style small = {.size = 6.5, .colour = s->p.theme->soft, .lines = 1}, end = small;
  char text[80];
  double y = SHEET_H - 30;
  end.align = PEN_END;
  pen_line(&s->p, s->x, y - 4, s->x + s->w, y - 4, 0.4, s->p.theme->hair);
  double page_x = s->p.rtl ? s->x : s->x + s->w * 0.75, seal_x = s->p.rtl ? s->x + s->w * 0.25 : s->x;
  pen_text(&s->p, seal_x, y, s->w * 0.75, &small, s->seal);
  json_t *args = json_pack("{s:i,s:i}", "page", s->page, "pages", s->pages);
  char *words = NULL;
  if (ogv_message(s->m, "report.page", args, &words, NULL) == OGV_OK) {
    snprintf(text, sizeof text, "%.79s", words);
    pen_text(&s->p, page_x, y, s->w * 0.25, &end, text);
  }
  free(words);
  json_decref(args);
  s->p.transcript = kept;
}

static void running_head(sheet *s) {
  pen_style small = {.size = 7, .colour = s->p.theme->soft, .lines = 1};
  ogv_text *kept = hush(s);
  pen_text(&s->p, s->x, 26, s->w, &small, s->running);
  s->p.transcript = kept;
  pen_line(&s->p, s->x, 38, s->x + s->w, 38, 0.4, s->p.theme->hair);
  s->y = 48;
}

void sheet_first_page(sheet *s) {
  s->x = SHEET_MARGIN;
  s->w = SHEET_W - 2 * SHEET_MARGIN;
  s->bottom = SHEET_H - 44;
  s->page = 1;
  s->y = 30;
}

void sheet_finish(sheet *s) {
  footer(s);
  if (!s->p.dry && !s->only) cairo_show_page(s->p.cr);
}

void sheet_new_page(sheet *s) {
  sheet_finish(s);
  s->page++;
  if (s->only) s->p.dry = s->page != s->only;
  running_head(s);
}

void sheet_need(sheet *s, double h) {
  if (s->y + h > s->bottom && s->y > 60) sheet_new_page(s);
}

void sheet_gap(sheet *s, double h) { s->y += h; }

void sheet_heading(sheet *s, const char *text, double keep) {
  pen_style h = {.size = 10.5, .bold = true, .colour = s->p.theme->ink};
  sheet_need(s, 20 + keep);
  s->y += 8;
  pen_tag(&s->p, "H2");
  double th = pen_text(&s->p, s->x, s->y, s->w, &h, text);
  pen_untag(&s->p, "H2");
  s->y += th + 1.5;
  pen_line(&s->p, s->x, s->y, s->x + s->w, s->y, 0.8, s->p.theme->ink);
  s->y += 5;
}

double sheet_para(sheet *s, const pen_style *style, double indent, const char *text) {
  if (!text || !*text) return 0;
  double h = pen_text_height(&s->p, s->w - indent, style, text);
  sheet_need(s, h);
  pen_tag(&s->p, "P");
  pen_text(&s->p, s->x + (s->p.rtl ? 0 : indent), s->y, s->w - indent, style, text);
  pen_untag(&s->p, "P");
  s->y += h + 1.5;
  return h;
}

/* Columns run from the end to the start in a right-to-left page. */
static double column_x(const sheet *s, const sheet_table *t, int k) {
  double before = 0;
  for (int i = 0; i < k; i++) before += t->columns[i].width;
  return s->p.rtl ? s->x + s->w - before - t->columns[k].width : s->x + before;
}

static void head_row(sheet *s, const sheet_table *t) {
  pen_style style = {.size = t->size - 0.9, .colour = s->p.theme->soft};
  ogv_text *kept = hush(s);
  double h = 0;
  for (int i = 0; i < t->n; i++) {
    double th = pen_text_height(&s->p, t->columns[i].width - 6, &style, t->head[i]);
    if (th > h) h = th;
  }
  pen_fill(&s->p, s->x, s->y, s->w, h + 4, s->p.theme->shade);
  pen_tag(&s->p, "TR");
  for (int i = 0; i < t->n; i++) {
    style.align = t->columns[i].align;
    pen_tag(&s->p, "TH");
    pen_text(&s->p, column_x(s, t, i) + 3, s->y + 2, t->columns[i].width - 6, &style, t->head[i]);
    pen_untag(&s->p, "TH");
  }
  pen_untag(&s->p, "TR");
  s->y += h + 4;
  s->p.transcript = kept;
}

void sheet_table_begin(sheet *s, const sheet_table *t) {
  sheet_need(s, 44);
  pen_tag(&s->p, "Table");
  head_row(s, t);
}

void sheet_table_need(sheet *s, const sheet_table *t, double h) {
  if (s->y + h <= s->bottom) return;
  sheet_new_page(s);
  head_row(s, t);
}

static pen_style cell_style(const sheet *s, const sheet_table *t, const sheet_cell *c, int i) {
  pen_style style = {.size = t->size,
                     .colour = c->coloured ? c->colour : s->p.theme->ink,
                     .bold = c->bold,
                     .align = t->columns[i].align};
  return style;
}

double sheet_table_row(sheet *s, const sheet_table *t, const sheet_cell *cells, double *height) {
  double h = t->size * 1.36;
  for (int i = 0; i < t->n; i++) {
    pen_style style = cell_style(s, t, &cells[i], i);
    double th = pen_text_height(&s->p, t->columns[i].width - 6, &style, cells[i].text);
    if (th > h) h = th;
  }
  h += 3;
  sheet_table_need(s, t, h);
  double top = s->y;
  pen_tag(&s->p, "TR");
  for (int i = 0; i < t->n; i++) {
    pen_style style = cell_style(s, t, &cells[i], i);
    pen_tag(&s->p, "TD");
    pen_text(&s->p, column_x(s, t, i) + 3, top + 1.5, t->columns[i].width - 6, &style, cells[i].text);
    pen_untag(&s->p, "TD");
  }
  pen_untag(&s->p, "TR");
  s->y += h;
  pen_line(&s->p, s->x, s->y, s->x + s->w, s->y, 0.3, s->p.theme->hair);
  if (height) *height = h;
  return top;
}

void sheet_table_end(sheet *s) {
  pen_untag(&s->p, "Table");
  s->y += 4;
}

void sheet_figure(sheet *s, const char *alt) {
  if (!s->p.dry && s->n_alts < SHEET_ALTS) s->alts[s->n_alts++] = strdup(alt ? alt : "");
  pen_tag(&s->p, "Figure");
  s->kept = hush(s);
}
void sheet_figure_end(sheet *s) {
  pen_untag(&s->p, "Figure");
  s->p.transcript = s->kept;
}
