/* The report as a PDF: see report_pdf.h. */
#include "report_pdf.h"

#include <cairo-pdf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "private/report_file.h"
#include "private/report_page.h"
#include "private/report_parts.h"
#include "report_facts.h"

static cairo_status_t collect(void *user, const unsigned char *data, unsigned int n) {
  ogv_text *t = user;
  ogv_text_add_bytes(t, data, n);
  return t->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

static void name_sheet(sheet *s, const char *facts_hash) {
  const json_t *exam = json_object_get(s->facts, "exam"), *patient = json_object_get(s->facts, "patient");
  char date[OGV_MESSAGE_TEXT], hash[17];
  snprintf(hash, sizeof hash, "%.16s", facts_hash);
  const char *id = part_string(json_object_get(s->facts, "report"), "id");
  char *seal =
      part_message(s, "report.seal", json_pack("{s:s,s:s}", "id", *id ? id : part_string(exam, "id"), "hash", hash));
  snprintf(s->seal, sizeof s->seal, "%.150s", seal);
  free(seal);
  snprintf(s->running, sizeof s->running,
           "\u2068%.90s\u2069  ·  \u2068%.40s\u2069  ·  \u2068%.40s\u2069  ·  \u2068%.16s\u2069",
           part_string(patient, "name"), part_string(patient, "id"), part_date(s, exam, "date", date),
           part_string(json_object_get(s->facts, "pregnancy"), "ga"));
}

static void draw_all(sheet *s) {
  part_references references = {{NULL}, 0};
  sheet_first_page(s);
  pen_tag(&s->p, "Document");
  part_letterhead(s);
  part_head(s);
  part_amendment(s);
  part_conclusion(s, &references);
  part_dating(s, &references);
  part_measurements(s, &references);
  part_assessment(s, &references);
  part_growth(s);
  part_compared(s, &references);
  part_colour(s);
  part_coverage(s, &references);
  part_pictures(s);
  part_safety(s, &references);
  part_limits(s);
  part_sign(s);
  part_signoff(s);
  part_evidence(s);
  part_references_list(s, &references);
  sheet_finish(s);
  pen_untag(&s->p, "Document");
}

static void sheet_open(sheet *s, cairo_t *cr, const json_t *facts, const ogv_messages *m) {
  memset(s, 0, sizeof *s);
  pen_open(&s->p, cr, &pen_theme_light);
  s->p.rtl = ogv_messages_right_to_left(m);
  s->facts = facts;
  s->m = m;
}

static void sheet_close(sheet *s) {
  for (size_t i = 0; i < s->n_alts; i++) free(s->alts[i]);
  pen_close(&s->p);
}

/* Nothing is painted: how many pages there are. */
int page_count(const json_t *facts, const ogv_messages *m) {
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1);
  cairo_t *cr = cairo_create(surface);
  sheet s;
  sheet_open(&s, cr, facts, m);
  s.p.dry = true;
  name_sheet(&s, "");
  draw_all(&s);
  int pages = s.page;
  sheet_close(&s);
  cairo_destroy(cr);
  cairo_surface_destroy(surface);
  return pages;
}

void page_paint(cairo_t *cr, const json_t *facts, const ogv_messages *m, const page_view *v) {
  sheet s;
  sheet_open(&s, cr, facts, m);
  s.pages = v->pages;
  s.only = v->page;
  s.p.dry = v->page != 1;
  s.pictures = v->pictures;
  s.user = v->user;
  name_sheet(&s, v->hash);
  draw_all(&s);
  sheet_close(&s);
}

static void hash_text(ogv_text *words, char out[OGV_SHA256_TEXT]) {
  ogv_sha256(words->data ? words->data : "", words->length, out);
}

ogv_status page_text_hash(const json_t *facts, char out[OGV_SHA256_TEXT], ogv_error *err) {
  ogv_messages *m;
  OGV_TRY(ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), &m, err));
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1);
  cairo_t *cr = cairo_create(surface);
  ogv_text words;
  ogv_text_init(&words, 16u << 20);
  sheet s;
  sheet_open(&s, cr, facts, m);
  s.p.transcript = &words;
  name_sheet(&s, "");
  draw_all(&s);
  hash_text(&words, out);
  ogv_text_free(&words);
  sheet_close(&s);
  cairo_destroy(cr);
  cairo_surface_destroy(surface);
  ogv_messages_free(m);
  return OGV_OK;
}

static void set_metadata(cairo_surface_t *surface, const char *title, const char *created) {
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, title);
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR, "Ogive " OGV_VERSION);
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, created);
}

/* Dates go in as RFC 3339 without fractions; a fixed one when the facts have none, never the clock. */
static void creation_date(const json_t *facts, char buf[32]) {
  const char *as_of = part_string(facts, "as_of");
  if (strlen(as_of) >= 19 && as_of[4] == '-' && as_of[10] == 'T') snprintf(buf, 32, "%.19sZ", as_of);
  else snprintf(buf, 32, "2000-01-01T00:00:00Z");
}

static ogv_status draw_pages(sheet *s, const json_t *facts, const ogv_messages *m, ogv_picture_source pictures,
                             void *user, const char *facts_hash, const char *title, const char *created,
                             ogv_text *bytes, ogv_text *words, ogv_error *err) {
  int pages = page_count(facts, m);
  cairo_surface_t *surface = cairo_pdf_surface_create_for_stream(collect, bytes, SHEET_W, SHEET_H);
  set_metadata(surface, title, created);
  cairo_t *cr = cairo_create(surface);
  sheet_open(s, cr, facts, m);
  s->p.tags = true;
  s->p.transcript = words;
  s->pages = pages;
  s->pictures = pictures;
  s->user = user;
  name_sheet(s, facts_hash);
  draw_all(s);
  pen_close(&s->p);
  cairo_status_t state = cairo_status(cr);
  cairo_destroy(cr);
  cairo_surface_finish(surface);
  if (state == CAIRO_STATUS_SUCCESS) state = cairo_surface_status(surface);
  cairo_surface_destroy(surface);
  if (state != CAIRO_STATUS_SUCCESS || bytes->failed || words->failed)
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "the report could not be drawn: %s", cairo_status_to_string(state));
  return OGV_OK;
}

ogv_status ogv_report_pdf(const json_t *facts, ogv_picture_source pictures, void *user, uint8_t **pdf, size_t *size,
                          ogv_error *err) {
  *pdf = NULL;
  *size = 0;
  OGV_TRY(ogv_facts_check(facts, err));
  ogv_messages *m;
  OGV_TRY(ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), &m, err));
  char *text = ogv_json_canonical(facts), hash[OGV_SHA256_TEXT], words_hash[OGV_SHA256_TEXT], created[32], title[400];
  if (!text) {
    ogv_messages_free(m);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  }
  ogv_sha256(text, strlen(text), hash);
  creation_date(facts, created);
  snprintf(title, sizeof title, "%.100s, %.150s, %.20s", ogv_message_plain(m, "report.title"),
           part_string(json_object_get(facts, "patient"), "name"), part_string(json_object_get(facts, "exam"), "date"));
  ogv_text bytes, words;
  ogv_text_init(&bytes, (size_t)1 << 30);
  ogv_text_init(&words, 16u << 20);
  sheet *s = calloc(1, sizeof *s);
  ogv_status status = s ? draw_pages(s, facts, m, pictures, user, hash, title, created, &bytes, &words, err)
                        : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the report");
  if (status == OGV_OK) {
    hash_text(&words, words_hash);
    file_extra x = {.facts = text,
                    .facts_size = strlen(text),
                    .title = title,
                    .language = ogv_messages_language(m),
                    .created = created,
                    .text_hash = words_hash,
                    .alts = s->alts,
                    .n_alts = s->n_alts};
    status = file_extend(bytes.data, bytes.length, &x, pdf, size, err);
  }
  if (s)
    for (size_t i = 0; i < s->n_alts; i++) free(s->alts[i]);
  free(s);
  ogv_text_free(&words);
  ogv_text_free(&bytes);
  free(text);
  ogv_messages_free(m);
  return status;
}
