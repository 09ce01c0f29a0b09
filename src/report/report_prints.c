/* Contact sheets and the parents' page: see report_prints.h. */
#include "report_prints.h"

#include <cairo-pdf.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/report_parts.h"
#include "private/report_picture.h"
#include "report_facts.h"

#define PRINT_MAX 400

typedef struct print {
  sheet s;
  const ogv_print_request *r;
  double page_w, page_h, margin;
  int columns, rows;
  const json_t *list[PRINT_MAX];
  int n;
} print;

static cairo_status_t collect(void *user, const unsigned char *data, unsigned int n) {
  ogv_text *t = user;
  ogv_text_add_bytes(t, data, n);
  return t->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

static const json_t *picture_named(const json_t *facts, const char *id) {
  size_t i;
  json_t *p;
  json_array_foreach(json_object_get(facts, "pictures"), i, p) if (!strcmp(part_string(p, "object"), id)) return p;
  return NULL;
}

static ogv_status gather(print *p, ogv_error *err) {
  size_t i;
  json_t *v;
  const json_t *facts = p->s.facts;
  if (p->r->objects) {
    json_array_foreach(p->r->objects, i, v) {
      const char *id = json_string_value(v) ? json_string_value(v) : "";
      const json_t *picture = picture_named(facts, id);
      if (!picture)
        return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "this exam has no picture %.40s (deleted, or of another exam)", id);
      if (p->n < PRINT_MAX) p->list[p->n++] = picture;
    }
  } else
    json_array_foreach(json_object_get(facts, "pictures"), i,
                       v) if (json_is_true(json_object_get(v, p->r->parents ? "keepsake" : "chosen")) &&
                              p->n < PRINT_MAX) p->list[p->n++] = v;
  return p->n ? OGV_OK : ogv_fail(err, OGV_E_NOT_FOUND, "Choose pictures first.", "no picture is chosen for the print");
}

static void tag_start(print *p, const char *caption) {
  char *alt = part_message(&p->s, "alt.picture", json_pack("{s:s}", "caption", caption));
  sheet_figure(&p->s, alt);
  free(alt);
}

/* --- contact sheets ------------------------------------------------------------------------------------------------
 */
static double contact_head(print *p) {
  const json_t *patient = json_object_get(p->s.facts, "patient"), *exam = json_object_get(p->s.facts, "exam");
  pen_style bold = {.size = 9, .bold = true, .colour = p->s.p.theme->ink, .lines = 1};
  pen_style soft = {.size = 8, .colour = p->s.p.theme->soft, .lines = 1, .align = PEN_END};
  char text[256], date[OGV_MESSAGE_TEXT];
  double w = p->page_w - 2 * p->margin;
  if (!p->r->identity) return 0;
  snprintf(text, sizeof text, "\u2068%.100s\u2069  ·  %.60s", part_string(patient, "name"), part_string(patient, "id"));
  pen_text(&p->s.p, p->margin, p->margin - 8, w * 0.6, &bold, text);
  snprintf(text, sizeof text, "%.30s  ·  %.100s", part_date(&p->s, exam, "date", date),
           part_string(exam, "institution"));
  pen_text(&p->s.p, p->margin + w * 0.6, p->margin - 7, w * 0.4, &soft, text);
  return 10;
}

static void contact_page(print *p, int first) {
  const ogv_print_request *r = p->r;
  double top = p->margin + contact_head(p), gap = 8, caption = 11;
  double w = (p->page_w - 2 * p->margin - gap * (p->columns - 1)) / p->columns;
  double h = (p->page_h - p->margin - top - gap * (p->rows - 1)) / p->rows - caption;
  pen_style small = {.size = 6.8, .colour = p->s.p.theme->soft, .lines = 1};
  for (int k = 0; k < p->columns * p->rows && first + k < p->n; k++) {
    const json_t *picture = p->list[first + k];
    double x = p->margin + (k % p->columns) * (w + gap), y = top + (k / p->columns) * (h + caption + gap);
    char text[400];
    tag_start(p, part_string(picture, "caption"));
    picture_draw(&p->s, picture, (plot_box){x, y, w, h},
                 (r->marks ? PICTURE_MARKS : 0) | (r->identity ? 0 : PICTURE_CROP) | PICTURE_TIGHT);
    snprintf(text, sizeof text, "%.200s  ·  %.80s", part_string(picture, "caption"), part_string(picture, "source"));
    pen_text(&p->s.p, x, y + h + 1, w, &small, text);
    sheet_figure_end(&p->s);
  }
}

/* --- the parents' page ---------------------------------------------------------------------------------------------
 */
static void parents_page(print *p, int first) {
  const ogv_print_request *r = p->r;
  const json_t *exam = json_object_get(p->s.facts, "exam");
  pen *q = &p->s.p;
  pen_style title = {.size = 22, .bold = true, .colour = q->theme->accent, .align = PEN_MIDDLE, .lines = 1};
  pen_style line = {.size = 11, .colour = q->theme->soft, .align = PEN_MIDDLE, .lines = 2};
  pen_style foot = {.size = 8, .colour = q->theme->soft, .align = PEN_MIDDLE};
  double w = p->page_w - 2 * p->margin, y = p->margin;
  char date[OGV_MESSAGE_TEXT], text[300];
  pen_tag(q, "H1");
  y += pen_text(q, p->margin, y, w, &title, ogv_message_plain(p->s.m, "parents.title"));
  pen_untag(q, "H1");
  const char *place = part_string(exam, "institution");
  snprintf(text, sizeof text, "%.30s%s%.200s", part_date(&p->s, exam, "date", date), *place ? "  ·  " : "", place);
  pen_tag(q, "P");
  y += pen_text(q, p->margin, y + 2, w, &line, text) + 4;
  if (r->message && *r->message) y += pen_text(q, p->margin, y + 4, w, &line, r->message) + 6;
  pen_untag(q, "P");
  y += 8;
  double gap = 14, bottom = p->page_h - p->margin - 30;
  double cw = (w - gap * (p->columns - 1)) / p->columns, ch = (bottom - y - gap * (p->rows - 1)) / p->rows;
  for (int k = 0; k < p->columns * p->rows && first + k < p->n; k++) {
    tag_start(p, ogv_message_plain(p->s.m, "parents.title"));
    picture_draw(&p->s, p->list[first + k],
                 (plot_box){p->margin + (k % p->columns) * (cw + gap), y + (k / p->columns) * (ch + gap), cw, ch},
                 PICTURE_CROP | PICTURE_TIGHT);
    sheet_figure_end(&p->s);
  }
  pen_tag(q, "P");
  pen_text(q, p->margin, bottom + 8, w, &foot, ogv_message_plain(p->s.m, "parents.note"));
  pen_untag(q, "P");
}

static ogv_status check(const ogv_print_request *r, ogv_error *err) {
  int most_columns = r->parents ? 2 : 4, most_rows = r->parents ? 3 : 6;
  if (!r->columns && !r->rows) return OGV_OK;
  if (r->columns < 1 || r->rows < 1 || r->columns > most_columns || r->rows > most_rows)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%d by %d pictures do not fit; %s has 1x1 to %dx%d", r->columns, r->rows,
                    r->parents ? "the parents' page" : "a contact sheet", most_columns, most_rows);
  return OGV_OK;
}

/* A grid that suits the number of pictures, unless one is given. */
static void choose_grid(print *p) {
  static const int grids[][2] = {{1, 1}, {1, 2}, {2, 2}, {2, 3}, {3, 4}, {4, 6}};
  p->columns = p->r->columns;
  p->rows = p->r->rows;
  if (p->columns) return;
  size_t last = p->r->parents ? 3 : 5, k = 0;
  while (k < last && grids[k][0] * grids[k][1] < p->n) k++;
  bool turn = p->r->landscape && grids[k][0] < grids[k][1];
  p->columns = grids[k][turn];
  p->rows = grids[k][!turn];
}

static void draw(print *p) {
  int each = p->columns * p->rows;
  pen_fill(&p->s.p, 0, 0, p->page_w, p->page_h, p->s.p.theme->paper);
  pen_tag(&p->s.p, "Document");
  for (int first = 0; first < p->n; first += each) {
    /* cairo 1.16 refuses a page whose very first mark opens a tag in a tag, so the paper is painted before it. */
    if (first) pen_fill(&p->s.p, 0, 0, p->page_w, p->page_h, p->s.p.theme->paper);
    if (p->r->parents) parents_page(p, first);
    else contact_page(p, first);
    cairo_show_page(p->s.p.cr);
  }
  pen_untag(&p->s.p, "Document");
}

ogv_status ogv_report_print(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures, void *user,
                            uint8_t **pdf, size_t *size, ogv_error *err) {
  *pdf = NULL;
  *size = 0;
  OGV_TRY(check(r, err));
  OGV_TRY(ogv_facts_check(facts, err));
  ogv_messages *m;
  OGV_TRY(ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), &m, err));
  print *p = calloc(1, sizeof *p);
  ogv_text bytes;
  ogv_text_init(&bytes, (size_t)1 << 30);
  if (!p) {
    ogv_messages_free(m);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the print");
  }
  p->r = r;
  p->page_w = r->landscape ? SHEET_H : SHEET_W;
  p->page_h = r->landscape ? SHEET_W : SHEET_H;
  p->margin = r->parents ? 42 : 30;
  p->s.facts = facts;
  ogv_status status = gather(p, err);
  choose_grid(p);
  if (status == OGV_OK) {
    cairo_surface_t *surface = cairo_pdf_surface_create_for_stream(collect, &bytes, p->page_w, p->page_h);
    const char *as_of = part_string(facts, "as_of");
    char created[32];
    snprintf(created, sizeof created, "%.19s%s", strlen(as_of) >= 19 ? as_of : "2000-01-01T00:00:00",
             "Z"); /* never the clock */
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, created);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE,
                                   ogv_message_plain(m, r->parents ? "parents.title" : "contact.title"));
    cairo_t *cr = cairo_create(surface);
    pen_open(&p->s.p, cr, &pen_theme_light);
    p->s.p.tags = true;
    p->s.p.rtl = ogv_messages_right_to_left(m);
    p->s.m = m;
    p->s.pictures = pictures;
    p->s.user = user;
    draw(p);
    pen_close(&p->s.p);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    if (cairo_surface_status(surface) != CAIRO_STATUS_SUCCESS || bytes.failed)
      status = ogv_fail(err, OGV_E_INTERNAL, NULL, "the print could not be drawn: %s",
                        cairo_status_to_string(cairo_surface_status(surface)));
    cairo_surface_destroy(surface);
    for (size_t i = 0; i < p->s.n_alts; i++) free(p->s.alts[i]);
  }
  if (status == OGV_OK) {
    *size = bytes.length;
    *pdf = (uint8_t *)ogv_text_take(&bytes);
  }
  ogv_text_free(&bytes);
  free(p);
  ogv_messages_free(m);
  return status;
}
