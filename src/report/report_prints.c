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
  ogv_messages *m;
  const ogv_print_request *r;
  double page_w, page_h, margin;
  int columns, rows;
  int only; /* this page alone, 1 the first; 0: all */
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

static bool is_favourite(const json_t *facts, const json_t *picture) {
  size_t i;
  json_t *o;
  json_array_foreach(
      json_object_get(facts, "objects"), i,
      o) if (!strcmp(part_string(o, "id"),
                     part_string(picture, "object"))) return json_is_true(json_object_get(o, "favourite"));
  return false;
}

/* Those that the facts choose, favourites first. */
static void gather_chosen(print *p) {
  const json_t *list = json_object_get(p->s.facts, "pictures");
  size_t i;
  json_t *v;
  for (int favourite = 1; favourite >= 0; favourite--) {
    json_array_foreach(list, i, v) {
      if (json_is_true(json_object_get(v, p->r->parents ? "keepsake" : "chosen")) && p->n < PRINT_MAX &&
          is_favourite(p->s.facts, v) == favourite)
        p->list[p->n++] = v;
    }
  }
}

static ogv_status gather(print *p, ogv_error *err) {
  size_t i;
  json_t *v;
  json_array_foreach(p->r->objects, i, v) {
    const char *id = json_string_value(v) ? json_string_value(v) : "";
    const json_t *picture = picture_named(p->s.facts, id);
    if (!picture)
      return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "this exam has no picture %.40s (deleted, or of another exam)", id);
    if (p->n < PRINT_MAX) p->list[p->n++] = picture;
  }
  if (!p->r->objects) gather_chosen(p);
  return p->n ? OGV_OK : ogv_fail(err, OGV_E_NOT_FOUND, "Choose pictures first.", "no picture is chosen for the print");
}

/* The height of the tallest picture of a page at this width, at most `most`: rows stand close when pictures are wide.
 */
static double row_height(const print *p, int first, double w, double most, bool cropped) {
  double h = 0;
  for (int k = 0; k < p->columns * p->rows && first + k < p->n; k++) {
    const json_t *v = p->list[first + k], *area = json_object_get(v, "area");
    double rows = part_number(v, "rows"), columns = part_number(v, "columns");
    if (cropped && json_array_size(area) == 4) {
      columns = json_number_value(json_array_get(area, 2)) - json_number_value(json_array_get(area, 0)) + 1;
      rows = json_number_value(json_array_get(area, 3)) - json_number_value(json_array_get(area, 1)) + 1;
    }
    h = fmax(h, rows > 0 && columns > 0 ? w * rows / columns : most);
  }
  return fmin(h, most);
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
  h = row_height(p, first, w, h, !r->identity);
  for (int k = 0; k < p->columns * p->rows && first + k < p->n; k++) {
    const json_t *picture = p->list[first + k];
    double x = p->margin + (k % p->columns) * (w + gap), y = top + (k / p->columns) * (h + caption + gap);
    char text[400];
    tag_start(p, part_string(picture, "caption"));
    plot_box at =
        picture_draw(&p->s, picture, (plot_box){x, y, w, h},
                     (r->marks ? PICTURE_MARKS : 0) | (r->identity ? 0 : PICTURE_CROP) | PICTURE_TIGHT | PICTURE_TOP);
    snprintf(text, sizeof text, "%.200s  ·  %.80s", part_string(picture, "caption"), part_string(picture, "source"));
    pen_text(&p->s.p, at.x, at.y + at.h + 1, w - (at.x - x), &small, text);
    sheet_figure_end(&p->s);
  }
}

/* --- the parents' page ---------------------------------------------------------------------------------------------
 */
/* What is to be seen, in plain words: the staff's, else by what was measured on it. */
static const char *plain_caption(const print *p, const json_t *picture) {
  static const char *const words[][2] = {{"HC", "head"},     {"BPD", "head"},     {"OFD", "head"}, {"AC", "abdomen"},
                                         {"TAD", "abdomen"}, {"APAD", "abdomen"}, {"FL", "femur"}};
  const char *own = json_string_value(json_object_get(p->r->captions, part_string(picture, "object")));
  const char *symbol = part_string(json_array_get(json_object_get(picture, "marks"), 0), "symbol"), *word = "baby";
  char id[32];
  if (own && *own) return own;
  if (!strcmp(part_string(picture, "group"), "heart")) word = "heart";
  for (size_t i = 0; i < sizeof words / sizeof *words; i++)
    if (!strcmp(words[i][0], symbol)) word = words[i][1];
  snprintf(id, sizeof id, "parents.%s", word);
  return ogv_message_plain(p->m, id);
}

static void parents_pictures(print *p, int first, double y, double bottom) {
  pen_style words = {.size = 10, .colour = p->s.p.theme->ink, .align = PEN_MIDDLE, .lines = 1};
  double gap = 14, caption = 16, w = p->page_w - 2 * p->margin;
  double cw = (w - gap * (p->columns - 1)) / p->columns;
  double ch = (bottom - y - gap * (p->rows - 1)) / p->rows - caption;
  ch = row_height(p, first, cw, ch, true);
  for (int k = 0; k < p->columns * p->rows && first + k < p->n; k++) {
    const json_t *picture = p->list[first + k];
    const char *text = plain_caption(p, picture);
    double x = p->margin + (k % p->columns) * (cw + gap), top = y + (k / p->columns) * (ch + caption + gap);
    tag_start(p, text);
    plot_box at = picture_draw(&p->s, picture, (plot_box){x, top, cw, ch}, PICTURE_CROP | PICTURE_TIGHT | PICTURE_TOP);
    pen_text(&p->s.p, x, at.y + at.h + 2, cw, &words, text);
    sheet_figure_end(&p->s);
  }
}

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
  y += pen_text(q, p->margin, y, w, &title, ogv_message_plain(p->m, "parents.title"));
  pen_untag(q, "H1");
  const char *place = part_string(exam, "institution");
  snprintf(text, sizeof text, "%.30s%s%.200s", part_date(&p->s, exam, "date", date), *place ? "  ·  " : "", place);
  pen_tag(q, "P");
  y += pen_text(q, p->margin, y + 2, w, &line, text) + 4;
  if (r->message && *r->message) y += pen_text(q, p->margin, y + 4, w, &line, r->message) + 6;
  pen_untag(q, "P");
  y += 8;
  double bottom = p->page_h - p->margin - 30;
  parents_pictures(p, first, y, bottom);
  pen_tag(q, "P");
  pen_text(q, p->margin, bottom + 8, w, &foot, ogv_message_plain(p->m, "parents.note"));
  pen_untag(q, "P");
}

static bool has_number(const char *text) {
  for (; text && *text; text++)
    if (*text >= '0' && *text <= '9') return true;
  return false;
}

static ogv_status check(const ogv_print_request *r, ogv_error *err) {
  int most_columns = r->parents ? 2 : 4, most_rows = r->parents ? 3 : 6;
  const char *id;
  json_t *v;
  json_object_foreach((json_t *)r->captions, id, v) {
    if (!json_is_string(v) || json_string_length(v) > 120)
      return ogv_fail(err, OGV_E_INVALID, "Shorten it.", "a caption for the parents is longer than 120 bytes");
    if (has_number(json_string_value(v)))
      return ogv_fail(err, OGV_E_INVALID, "Say it in words; numbers belong in the report.",
                      "the caption \"%.120s\" has a number in it", json_string_value(v));
  }
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

static int page_number(const print *p) { return (p->n + p->columns * p->rows - 1) / (p->columns * p->rows); }

static void draw(print *p) {
  int each = p->columns * p->rows;
  pen_fill(&p->s.p, 0, 0, p->page_w, p->page_h, p->s.p.theme->paper);
  pen_tag(&p->s.p, "Document");
  for (int first = 0; first < p->n; first += each) {
    if (p->only && first / each + 1 != p->only) continue;
    /* cairo 1.16 refuses a page whose very first mark opens a tag in a tag, so the paper is painted before it. */
    if (first) pen_fill(&p->s.p, 0, 0, p->page_w, p->page_h, p->s.p.theme->paper);
    if (p->r->parents) parents_page(p, first);
    else contact_page(p, first);
    if (!p->only) cairo_show_page(p->s.p.cr);
  }
  pen_untag(&p->s.p, "Document");
}

/* Everything but the surface. Close also after a failure. */
static ogv_status print_begin(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures, void *user,
                              print **out, ogv_error *err) {
  *out = NULL;
  OGV_TRY(check(r, err));
  OGV_TRY(ogv_facts_check(facts, err));
  print *p = calloc(1, sizeof *p);
  if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the print");
  *out = p;
  OGV_TRY(ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), &p->m, err));
  p->r = r;
  p->page_w = r->landscape ? SHEET_H : SHEET_W;
  p->page_h = r->landscape ? SHEET_W : SHEET_H;
  p->margin = r->parents ? 42 : 30;
  p->s.facts = facts;
  OGV_TRY(gather(p, err));
  choose_grid(p);
  p->s.pictures = pictures;
  p->s.user = user;
  p->s.m = p->m;
  return OGV_OK;
}

static void print_end(print *p) {
  if (!p) return;
  for (size_t i = 0; i < p->s.n_alts; i++) free(p->s.alts[i]);
  ogv_messages_free(p->m);
  free(p);
}

static void pen_on(print *p, cairo_surface_t *surface, bool tags) {
  cairo_t *cr = cairo_create(surface);
  pen_open(&p->s.p, cr, &pen_theme_light);
  p->s.p.tags = tags;
  p->s.p.rtl = ogv_messages_right_to_left(p->m);
  draw(p);
  pen_close(&p->s.p);
  cairo_destroy(cr);
}

static ogv_status finish(cairo_surface_t *surface, ogv_text *bytes, uint8_t **data, size_t *size, ogv_error *err) {
  cairo_status_t state = cairo_surface_status(surface);
  cairo_surface_destroy(surface);
  if (state != CAIRO_STATUS_SUCCESS || bytes->failed) {
    ogv_text_free(bytes);
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "the print could not be drawn: %s", cairo_status_to_string(state));
  }
  *size = bytes->length;
  *data = (uint8_t *)ogv_text_take(bytes);
  ogv_text_free(bytes);
  return OGV_OK;
}

ogv_status ogv_report_print(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures, void *user,
                            uint8_t **pdf, size_t *size, ogv_error *err) {
  print *p;
  *pdf = NULL;
  *size = 0;
  ogv_status status = print_begin(facts, r, pictures, user, &p, err);
  if (status == OGV_OK) {
    ogv_text bytes;
    ogv_text_init(&bytes, (size_t)1 << 30);
    cairo_surface_t *surface = cairo_pdf_surface_create_for_stream(collect, &bytes, p->page_w, p->page_h);
    const char *as_of = part_string(facts, "as_of");
    char created[32];
    snprintf(created, sizeof created, "%.19s%s", strlen(as_of) >= 19 ? as_of : "2000-01-01T00:00:00",
             "Z"); /* never the clock */
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, created);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE,
                                   ogv_message_plain(p->m, r->parents ? "parents.title" : "contact.title"));
    pen_on(p, surface, true);
    cairo_surface_finish(surface);
    status = finish(surface, &bytes, pdf, size, err);
  }
  print_end(p);
  return status;
}

ogv_status ogv_report_print_png(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures,
                                void *user, int page, int width, uint8_t **png, size_t *size, ogv_error *err) {
  print *p;
  *png = NULL;
  *size = 0;
  if (width < 100 || width > 2400)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a page is drawn 100 to 2400 pixels wide, not %d", width);
  ogv_status status = print_begin(facts, r, pictures, user, &p, err);
  if (status == OGV_OK && (page < 1 || page > page_number(p)))
    status = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the print has %d pages, not page %d", page_number(p), page);
  if (status == OGV_OK) {
    ogv_text bytes;
    ogv_text_init(&bytes, 64u << 20);
    double scale = width / p->page_w;
    cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, (int)(p->page_h * scale + 0.5));
    cairo_surface_set_device_scale(surface, scale, scale);
    p->only = page;
    pen_on(p, surface, false);
    cairo_surface_write_to_png_stream(surface, collect, &bytes);
    status = finish(surface, &bytes, png, size, err);
  }
  print_end(p);
  return status;
}

ogv_status ogv_report_print_look(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures,
                                 void *user, json_t **out, ogv_error *err) {
  print *p;
  *out = NULL;
  ogv_status status = print_begin(facts, r, pictures, user, &p, err);
  if (status == OGV_OK) {
    json_t *list = json_array();
    for (int i = 0; i < p->n; i++) {
      json_t *o = r->parents || !r->identity ? picture_look(&p->s, p->list[i])
                                             : json_pack("{s:s,s:s}", "object", part_string(p->list[i], "object"),
                                                         "caption", part_string(p->list[i], "caption"));
      if (r->parents) json_object_set_new(o, "words", json_string(plain_caption(p, p->list[i])));
      json_array_append_new(list, o);
    }
    *out = json_pack("{s:i,s:i,s:i,s:o}", "pages", page_number(p), "columns", p->columns, "rows", p->rows, "pictures",
                     list);
  }
  print_end(p);
  return status;
}
