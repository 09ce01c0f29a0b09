#include "report_preview.h"

#include <cairo.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "private/report_page.h"
#include "private/report_sheet.h"
#include "report_facts.h"

static cairo_status_t collect(void *user, const unsigned char *data, unsigned int n) {
  ogv_text *t = user;
  ogv_text_add_bytes(t, data, n);
  return t->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

static ogv_status begin(const json_t *facts, ogv_messages **m, ogv_error *err) {
  OGV_TRY(ogv_facts_check(facts, err));
  return ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), m, err);
}

ogv_status ogv_report_pages(const json_t *facts, int *pages, ogv_error *err) {
  ogv_messages *m;
  OGV_TRY(begin(facts, &m, err));
  *pages = page_count(facts, m);
  ogv_messages_free(m);
  return OGV_OK;
}

static ogv_status paint(const json_t *facts, const ogv_messages *m, const page_view *v, int width, ogv_text *bytes,
                        ogv_error *err) {
  int height = (int)(width * SHEET_H / SHEET_W + 0.5);
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, height);
  cairo_surface_set_device_scale(surface, width / SHEET_W, width / SHEET_W);
  cairo_t *cr = cairo_create(surface);
  cairo_set_source_rgb(cr, 1, 1, 1);
  cairo_paint(cr);
  page_paint(cr, facts, m, v);
  cairo_status_t state = cairo_status(cr);
  cairo_destroy(cr);
  if (state == CAIRO_STATUS_SUCCESS) state = cairo_surface_write_to_png_stream(surface, collect, bytes);
  cairo_surface_destroy(surface);
  if (state != CAIRO_STATUS_SUCCESS || bytes->failed)
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "the page could not be drawn: %s", cairo_status_to_string(state));
  return OGV_OK;
}

ogv_status ogv_report_page_png(const json_t *facts, int page, int width, ogv_picture_source pictures, void *user,
                               uint8_t **png, size_t *size, int *pages, ogv_error *err) {
  ogv_messages *m;
  *png = NULL;
  *size = 0;
  if (width < 200 || width > 2400)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a page is drawn 200 to 2400 pixels wide, not %d", width);
  OGV_TRY(begin(facts, &m, err));
  char hash[OGV_SHA256_TEXT], *text = ogv_json_canonical(facts);
  if (!text) {
    ogv_messages_free(m);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  }
  ogv_sha256(text, strlen(text), hash);
  free(text);
  page_view v = {.page = page, .pages = page_count(facts, m), .hash = hash, .pictures = pictures, .user = user};
  if (pages) *pages = v.pages;
  ogv_text bytes;
  ogv_text_init(&bytes, 64u << 20);
  ogv_status s = page < 1 || page > v.pages
                     ? ogv_fail(err, OGV_E_NOT_FOUND, NULL, "the report has %d pages, not page %d", v.pages, page)
                     : paint(facts, m, &v, width, &bytes, err);
  ogv_messages_free(m);
  if (s == OGV_OK) {
    *size = bytes.length;
    *png = (uint8_t *)ogv_text_take(&bytes);
  }
  ogv_text_free(&bytes);
  return s;
}
