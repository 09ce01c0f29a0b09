/* The head of the department over the report: name, lines, logo. Set-up of the site (settings.department). */
#include <stdlib.h>
#include <string.h>

#include "private/report_parts.h"

#define LOGO_W 110.0
#define LOGO_H 34.0

typedef struct bytes {
  const unsigned char *data;
  size_t size, at;
} bytes;

static cairo_status_t read_bytes(void *user, unsigned char *out, unsigned int n) {
  bytes *b = user;
  if (b->size - b->at < n) return CAIRO_STATUS_READ_ERROR;
  memcpy(out, b->data + b->at, n);
  b->at += n;
  return CAIRO_STATUS_SUCCESS;
}

/* RFC 4648, section 4. Returns the number of bytes, 0 when the text is not base64. */
static size_t unbase64(const char *text, unsigned char *out) {
  static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  unsigned value = 0, bits = 0;
  size_t n = 0;
  for (; *text && *text != '='; text++) {
    const char *d = strchr(digits, *text);
    if (!d) return 0;
    value = value << 6 | (unsigned)(d - digits);
    bits += 6;
    if (bits < 8) continue;
    bits -= 8;
    out[n++] = (unsigned char)(value >> bits & 255);
  }
  return n;
}

static cairo_surface_t *logo_of(const char *text) {
  size_t n = strlen(text);
  unsigned char *data = malloc(n + 1);
  if (!data) return NULL;
  bytes b = {data, unbase64(text, data), 0};
  cairo_surface_t *logo = cairo_image_surface_create_from_png_stream(read_bytes, &b);
  free(data);
  int w = cairo_image_surface_get_width(logo), h = cairo_image_surface_get_height(logo);
  if (cairo_surface_status(logo) == CAIRO_STATUS_SUCCESS && w > 0 && h > 0 && w <= 4000 && h <= 4000) return logo;
  cairo_surface_destroy(logo);
  return NULL;
}

/* Draws the logo at the start of the line; returns the width it takes. */
static double draw_logo(sheet *s, const char *text) {
  cairo_surface_t *logo = *text ? logo_of(text) : NULL;
  if (!logo) return 0;
  double w = cairo_image_surface_get_width(logo), h = cairo_image_surface_get_height(logo);
  double scale = LOGO_H / h < LOGO_W / w ? LOGO_H / h : LOGO_W / w;
  double x = s->p.rtl ? s->x + s->w - w * scale : s->x;
  if (!s->p.dry) {
    cairo_save(s->p.cr);
    cairo_translate(s->p.cr, x, s->y);
    cairo_scale(s->p.cr, scale, scale);
    cairo_set_source_surface(s->p.cr, logo, 0, 0);
    cairo_paint(s->p.cr);
    cairo_restore(s->p.cr);
  }
  cairo_surface_destroy(logo);
  return w * scale + 10;
}

void part_letterhead(sheet *s) {
  const json_t *d = json_object_get(json_object_get(s->facts, "settings"), "department"), *line;
  const char *name = part_string(d, "name"), *logo = part_string(d, "logo");
  size_t i;
  if (!*name && !*logo && !json_array_size(json_object_get(d, "lines"))) return;
  pen_style bold = {.size = 11, .bold = true, .colour = s->p.theme->ink, .lines = 1},
            soft = {.size = 7.6, .colour = s->p.theme->soft, .lines = 1};
  double indent = draw_logo(s, logo), w = s->w - indent, x = s->p.rtl ? s->x : s->x + indent, y = s->y;
  pen_tag(&s->p, "P");
  if (*name) y += pen_text(&s->p, x, y, w, &bold, name);
  json_array_foreach(json_object_get(d, "lines"), i, line) if (json_is_string(line) && i < 4) y +=
      pen_text(&s->p, x, y, w, &soft, json_string_value(line));
  pen_untag(&s->p, "P");
  s->y = (y > s->y + (indent > 0 ? LOGO_H : 0) ? y : s->y + LOGO_H) + 8;
}
