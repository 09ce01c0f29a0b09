/* Figures as files: see report_figure.h. */
#include "report_figure.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "private/report_plot.h"
#include "report_pdf.h"
#include "report_text.h"

#define PX 0.75 /* points in a pixel at 96 to the inch */

static cairo_status_t collect(void *user, const unsigned char *data, unsigned int n) {
  ogv_text *t = user;
  ogv_text_add_bytes(t, data, n);
  return t->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

static ogv_status draw(cairo_t *cr, const json_t *facts, const ogv_messages *m, const ogv_figure_request *r,
                       ogv_error *err) {
  pen p;
  pen_open(&p, cr, r->dark ? &pen_theme_dark : &pen_theme_light);
  p.rtl = ogv_messages_right_to_left(m);
  double w = r->width * PX, h = r->height * PX;
  pen_fill(&p, 0, 0, w, h, p.theme->paper);
  plot_box box = {6, 5, w - 12, h - 10};
  ogv_status s = OGV_OK;
  if (!strcmp(r->figure, "growth")) {
    plot_growth_request g = {r->quantity ? r->quantity : "", r->fetus, r->chart, r->compare};
    s = plot_growth(&p, facts, m, &g, box, err);
  } else if (!strcmp(r->figure, "pregnancy")) plot_pregnancy(&p, facts, m, box);
  else s = ogv_fail(err, OGV_E_NOT_FOUND, "There are growth and pregnancy.", "there is no figure \"%.40s\"", r->figure);
  pen_close(&p);
  return s;
}

static cairo_surface_t *surface_for(ogv_figure_format format, const ogv_figure_request *r, ogv_text *t) {
  switch (format) {
    case OGV_FIGURE_SVG: return cairo_svg_surface_create_for_stream(collect, t, r->width * PX, r->height * PX);
    case OGV_FIGURE_PDF: {
      cairo_surface_t *s = cairo_pdf_surface_create_for_stream(collect, t, r->width * PX, r->height * PX);
      cairo_pdf_surface_set_metadata(s, CAIRO_PDF_METADATA_CREATE_DATE, "2000-01-01T00:00:00Z"); /* no clock */
      return s;
    }
    default: {
      cairo_surface_t *s = cairo_image_surface_create(CAIRO_FORMAT_RGB24, r->width, r->height);
      cairo_surface_set_device_scale(s, 1 / PX, 1 / PX);
      return s;
    }
  }
}

/* cairo numbers surfaces over the life of the process and glyphs from 0 in each file. Neither may show: the first would
 * make equal figures differ, the second would make figures of one page borrow each other's letters. */
static void settle_ids(ogv_text *t) {
  if (t->failed || !t->data) return;
  static const char surface[] = "id=\"surface", glyph[] = "glyph";
  ogv_text out;
  char hash[OGV_SHA256_TEXT];
  ogv_text_init(&out, t->maximum);
  for (int pass = 0; pass < 2; pass++) {
    const char *find = pass ? glyph : surface, *p = t->data, *q;
    if (pass) ogv_sha256(t->data, t->length, hash);
    ogv_text_init(&out, t->maximum);
    while ((q = strstr(p, find))) {
      ogv_text_add_bytes(&out, p, (size_t)(q - p));
      if (pass) ogv_text_addf(&out, "f%.8s-", hash);
      else ogv_text_add(&out, surface);
      p = q + strlen(find);
      if (!pass) p += strspn(p, "0123456789");
    }
    ogv_text_add(&out, p);
    ogv_text_free(t);
    *t = out;
    if (t->failed || !t->data) return;
  }
}

ogv_status ogv_report_figure(const json_t *facts, const ogv_figure_request *r, ogv_figure_format format, uint8_t **data,
                             size_t *size, ogv_error *err) {
  *data = NULL;
  *size = 0;
  if (r->width < 120 || r->height < 60 || r->width > 4000 || r->height > 4000)
    return ogv_fail(err, OGV_E_INVALID, "120 to 4000 pixels wide, 60 to 4000 high.",
                    "a figure of %d by %d pixels is not drawn", r->width, r->height);
  ogv_messages *m;
  const char *language =
      r->language ? r->language : ogv_json_string_or(json_object_get(facts, "settings"), "language", "en");
  OGV_TRY(ogv_messages_load(language, &m, err));
  ogv_text t;
  ogv_text_init(&t, 64u << 20);
  cairo_surface_t *s = surface_for(format, r, &t);
  cairo_t *cr = cairo_create(s);
  ogv_status status = draw(cr, facts, m, r, err);
  cairo_destroy(cr);
  if (format == OGV_FIGURE_PNG && cairo_surface_write_to_png_stream(s, collect, &t) != CAIRO_STATUS_SUCCESS)
    t.failed = true;
  cairo_surface_finish(s);
  if (status == OGV_OK && (cairo_surface_status(s) != CAIRO_STATUS_SUCCESS || t.failed || !t.length))
    status = ogv_fail(err, OGV_E_MEMORY, NULL, "the figure could not be drawn: %s",
                      cairo_status_to_string(cairo_surface_status(s)));
  cairo_surface_destroy(s);
  if (format == OGV_FIGURE_SVG) settle_ids(&t);
  ogv_messages_free(m);
  if (status == OGV_OK) {
    *size = t.length;
    *data = (uint8_t *)ogv_text_take(&t);
  }
  ogv_text_free(&t);
  return status;
}

ogv_status ogv_report_chart_svg(const json_t *facts, const char *quantity, const char *fetus, const char *chart_id,
                                int width, int height, char **svg, ogv_error *err) {
  ogv_figure_request r = {
      .figure = "growth", .quantity = quantity, .fetus = fetus, .chart = chart_id, .width = width, .height = height};
  size_t size;
  return ogv_report_figure(facts, &r, OGV_FIGURE_SVG, (uint8_t **)svg, &size, err);
}
