/* Pages: a flow of headings, paragraphs, tables, figures and pictures with page breaks, running heads and structure
 * tags. A report is drawn twice by the same code: once dry to count the pages, once for good. */
#ifndef REPORT_SHEET_H
#define REPORT_SHEET_H

#include <jansson.h>

#include "report_draw.h"
#include "report_pdf.h"
#include "report_plot.h"
#include "report_text.h"

#define SHEET_W 595.28 /* A4 */
#define SHEET_H 841.89
#define SHEET_MARGIN 40.0

#define SHEET_ALTS 256
typedef struct sheet {
  pen p;
  const json_t *facts;
  const ogv_messages *m;
  ogv_picture_source pictures;
  void *user;
  double x, w;      /* the column */
  double y, bottom; /* next free line, last usable one */
  int page, pages;  /* pages is 0 in the dry pass */
  int only;         /* paint this page alone; 0: all */
  char running[256], seal[160];
  char *alts[SHEET_ALTS]; /* alternative texts of the figures, in order; owned */
  size_t n_alts;
  ogv_text *kept; /* the transcript while a figure is open */
} sheet;

void sheet_first_page(sheet *s);
void sheet_finish(sheet *s); /* draws the last footer */
void sheet_new_page(sheet *s);
/* Starts a new page unless h points are left. */
void sheet_need(sheet *s, double h);
void sheet_heading(sheet *s, const char *text, double keep); /* with at least `keep` points of what follows */
double sheet_para(sheet *s, const pen_style *style, double indent, const char *text);
void sheet_gap(sheet *s, double h);

typedef struct sheet_column {
  double width;
  pen_align align;
} sheet_column;
typedef struct sheet_cell {
  const char *text;
  bool bold;
  pen_colour colour;
  bool coloured;
} sheet_cell;
typedef struct sheet_table {
  const sheet_column *columns;
  int n;
  const char *const *head;
  double size;
} sheet_table;
void sheet_table_begin(sheet *s, const sheet_table *t);
/* Draws one row; returns its top so that a strip or rule can be laid into it, its height in *h. */
double sheet_table_row(sheet *s, const sheet_table *t, const sheet_cell *cells, double *h);
/* A new page, with the table's head again, unless h points are left. */
void sheet_table_need(sheet *s, const sheet_table *t, double h);
void sheet_table_end(sheet *s);

/* Opens and closes a Figure with its alternative text. */
void sheet_figure(sheet *s, const char *alt);
void sheet_figure_end(sheet *s);

pen_style sheet_body(const sheet *s);
pen_style sheet_small(const sheet *s);

#endif
