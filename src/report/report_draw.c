/* Drawing kit: see private/report_draw.h. */
#include "private/report_draw.h"

#include <math.h>
#include <string.h>

#define RGB(hex) \
  { ((hex) >> 16 & 255) / 255.0, ((hex) >> 8 & 255) / 255.0, ((hex)&255) / 255.0 }

const pen_theme pen_theme_light = {.paper = RGB(0xffffff),
                                   .ink = RGB(0x16191d),
                                   .soft = RGB(0x4d565f),
                                   .faint = RGB(0x808a94),
                                   .hair = RGB(0xc3cad1),
                                   .grid = RGB(0xe3e7ea),
                                   .shade = RGB(0xf1f4f6),
                                   .accent = RGB(0x0072b2),
                                   .accent_pale = RGB(0xe3eff7),
                                   .warn = RGB(0xb84a00),
                                   .warn_pale = RGB(0xfbeee2),
                                   .series = {RGB(0x0072b2), RGB(0xd55e00), RGB(0x009e73)}};

const pen_theme pen_theme_dark = {.paper = RGB(0x14181c),
                                  .ink = RGB(0xe8ecef),
                                  .soft = RGB(0xb3bcc4),
                                  .faint = RGB(0x87929c),
                                  .hair = RGB(0x3d464e),
                                  .grid = RGB(0x2a3138),
                                  .shade = RGB(0x1c2228),
                                  .accent = RGB(0x56b4e9),
                                  .accent_pale = RGB(0x1d3443),
                                  .warn = RGB(0xe69f00),
                                  .warn_pale = RGB(0x3b2f16),
                                  .series = {RGB(0x56b4e9), RGB(0xe69f00), RGB(0x35c49a)}};

/* Families in order; fontconfig fills in what these lack. */
#define FAMILIES "Noto Sans,DejaVu Sans,Noto Sans Arabic,Noto Sans Devanagari,Droid Sans Fallback"

void pen_open(pen *p, cairo_t *cr, const pen_theme *theme) {
  memset(p, 0, sizeof *p);
  p->cr = cr;
  p->theme = theme;
  p->pango = pango_cairo_create_context(cr);
  /* Glyph places must not depend on the surface: no hinting, 72 units an inch. */
  cairo_font_options_t *o = cairo_font_options_create();
  cairo_font_options_set_hint_style(o, CAIRO_HINT_STYLE_NONE);
  cairo_font_options_set_hint_metrics(o, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_antialias(o, CAIRO_ANTIALIAS_GRAY);
  pango_cairo_context_set_font_options(p->pango, o);
  cairo_font_options_destroy(o);
  pango_cairo_context_set_resolution(p->pango, 72);
}

void pen_close(pen *p) {
  if (p->pango) g_object_unref(p->pango);
  p->pango = NULL;
}

static bool right_to_left_letter(gunichar c) {
  if (!g_unichar_isalpha(c)) return false;
  switch (g_unichar_get_script(c)) {
    case G_UNICODE_SCRIPT_ARABIC:
    case G_UNICODE_SCRIPT_HEBREW:
    case G_UNICODE_SCRIPT_SYRIAC:
    case G_UNICODE_SCRIPT_THAANA:
    case G_UNICODE_SCRIPT_NKO: return true;
    default: return false;
  }
}

/* By the first letter outside isolates, as the Unicode bidirectional algorithm finds a paragraph's direction (UAX #9,
 * P2). On a right-to-left page any such letter decides: sentences there may begin with a symbol, and only bare numbers
 * stay as they are. */
static bool reads_right_to_left(const char *text, bool page) {
  int isolated = 0;
  for (; *text; text = g_utf8_next_char(text)) {
    gunichar c = g_utf8_get_char(text);
    if (c >= 0x2066 && c <= 0x2068) isolated++;
    if (c == 0x2069 && isolated) isolated--;
    if (page && right_to_left_letter(c)) return true;
    if (page || isolated || !g_unichar_isalpha(c)) continue;
    return right_to_left_letter(c);
  }
  return false;
}

/* Text whose bytes were cut inside a letter (a name longer than its field) loses that letter, nothing else. */
static void set_text(PangoLayout *l, const char *text) {
  const char *end;
  if (g_utf8_validate(text, -1, &end)) {
    pango_layout_set_text(l, text, -1);
    return;
  }
  GString *clean = g_string_new(NULL);
  while (*text) {
    bool whole = g_utf8_validate(text, -1, &end);
    g_string_append_len(clean, text, end - text);
    text = whole || !*end ? end : end + 1;
  }
  pango_layout_set_text(l, clean->str, -1);
  g_string_free(clean, TRUE);
}

static PangoLayout *layout_of(pen *p, double width, const pen_style *s, const char *text) {
  bool text_rtl = reads_right_to_left(text, p->rtl);
  pango_context_set_base_dir(p->pango, text_rtl ? PANGO_DIRECTION_RTL : PANGO_DIRECTION_LTR);
  PangoLayout *l = pango_layout_new(p->pango);
  pango_layout_set_auto_dir(l, FALSE);
  PangoFontDescription *d = pango_font_description_new();
  pango_font_description_set_family_static(d, FAMILIES);
  pango_font_description_set_absolute_size(d, s->size * PANGO_SCALE);
  if (s->bold) pango_font_description_set_weight(d, PANGO_WEIGHT_BOLD);
  if (s->italic) pango_font_description_set_style(d, PANGO_STYLE_ITALIC);
  pango_layout_set_font_description(l, d);
  pango_font_description_free(d);
  set_text(l, text);
  if (width > 0) {
    pango_layout_set_width(l, (int)(width * PANGO_SCALE));
    pango_layout_set_wrap(l, PANGO_WRAP_WORD_CHAR);
    /* Without automatic direction, pango takes left and right as they are: a name in Arabic stays in its column. */
    bool right = p->rtl ? s->align == PEN_START : s->align == PEN_END;
    pango_layout_set_alignment(l, s->align == PEN_MIDDLE ? PANGO_ALIGN_CENTER
                                  : right                ? PANGO_ALIGN_RIGHT
                                                         : PANGO_ALIGN_LEFT);
    if (s->lines) {
      pango_layout_set_height(l, -s->lines);
      pango_layout_set_ellipsize(l, PANGO_ELLIPSIZE_END);
    }
  }
  if (s->spacing != 0) pango_layout_set_spacing(l, (int)(s->spacing * PANGO_SCALE));
  return l;
}

static void transcribe(pen *p, const char *text) {
  if (p->transcript && !p->dry) {
    ogv_text_add(p->transcript, text);
    ogv_text_add(p->transcript, "\n");
  }
}

double pen_text(pen *p, double x, double y, double width, const pen_style *s, const char *text) {
  if (!text || !*text) return 0;
  PangoLayout *l = layout_of(p, width, s, text);
  int h;
  pango_layout_get_size(l, NULL, &h);
  transcribe(p, text);
  if (!p->dry) {
    pen_ink(p, s->colour);
    cairo_move_to(p->cr, x, y);
    pango_cairo_show_layout(p->cr, l);
  }
  g_object_unref(l);
  return (double)h / PANGO_SCALE;
}

double pen_text_height(pen *p, double width, const pen_style *s, const char *text) {
  if (!text || !*text) return 0;
  PangoLayout *l = layout_of(p, width, s, text);
  int h;
  pango_layout_get_size(l, NULL, &h);
  g_object_unref(l);
  return (double)h / PANGO_SCALE;
}

double pen_text_width(pen *p, const pen_style *s, const char *text) {
  PangoLayout *l = layout_of(p, 0, s, text);
  int w;
  pango_layout_get_size(l, &w, NULL);
  g_object_unref(l);
  return (double)w / PANGO_SCALE;
}

void pen_label(pen *p, double x, double y, double anchor, const pen_style *s, const char *text) {
  PangoLayout *l = layout_of(p, 0, s, text);
  int w, h;
  pango_layout_get_size(l, &w, &h);
  transcribe(p, text);
  if (!p->dry) {
    pen_ink(p, s->colour);
    cairo_move_to(p->cr, x - anchor * w / PANGO_SCALE, y - 0.5 * h / PANGO_SCALE);
    pango_cairo_show_layout(p->cr, l);
  }
  g_object_unref(l);
}

void pen_ink(pen *p, pen_colour c) { cairo_set_source_rgb(p->cr, c.r, c.g, c.b); }

void pen_line(pen *p, double x0, double y0, double x1, double y1, double width, pen_colour c) {
  if (p->dry) return;
  pen_ink(p, c);
  cairo_set_line_width(p->cr, width);
  cairo_move_to(p->cr, x0, y0);
  cairo_line_to(p->cr, x1, y1);
  cairo_stroke(p->cr);
}

void pen_dashed(pen *p, double on, double off) {
  double d[2] = {on, off};
  cairo_set_dash(p->cr, d, on > 0 ? 2 : 0, 0);
}

void pen_fill(pen *p, double x, double y, double w, double h, pen_colour c) {
  if (p->dry) return;
  pen_ink(p, c);
  cairo_rectangle(p->cr, x, y, w, h);
  cairo_fill(p->cr);
}

void pen_frame(pen *p, double x, double y, double w, double h, double width, pen_colour c) {
  if (p->dry) return;
  pen_ink(p, c);
  cairo_set_line_width(p->cr, width);
  cairo_rectangle(p->cr, x, y, w, h);
  cairo_stroke(p->cr);
}

void pen_round(pen *p, double x, double y, double w, double h, double radius) {
  cairo_t *cr = p->cr;
  double r = fmin(radius, fmin(w, h) / 2);
  cairo_new_sub_path(cr);
  cairo_arc(cr, x + w - r, y + r, r, -M_PI / 2, 0);
  cairo_arc(cr, x + w - r, y + h - r, r, 0, M_PI / 2);
  cairo_arc(cr, x + r, y + h - r, r, M_PI / 2, M_PI);
  cairo_arc(cr, x + r, y + r, r, M_PI, 3 * M_PI / 2);
  cairo_close_path(cr);
}

static void marker_path(cairo_t *cr, pen_shape shape, double x, double y, double r) {
  cairo_new_path(cr);
  switch (shape) {
    case PEN_CIRCLE: cairo_arc(cr, x, y, r, 0, 2 * M_PI); break;
    case PEN_SQUARE: cairo_rectangle(cr, x - 0.88 * r, y - 0.88 * r, 1.76 * r, 1.76 * r); break;
    case PEN_TRIANGLE:
      cairo_move_to(cr, x, y - 1.2 * r);
      cairo_line_to(cr, x + 1.1 * r, y + 0.8 * r);
      cairo_line_to(cr, x - 1.1 * r, y + 0.8 * r);
      cairo_close_path(cr);
      break;
    case PEN_DIAMOND:
      cairo_move_to(cr, x, y - 1.3 * r);
      cairo_line_to(cr, x + 1.3 * r, y);
      cairo_line_to(cr, x, y + 1.3 * r);
      cairo_line_to(cr, x - 1.3 * r, y);
      cairo_close_path(cr);
      break;
  }
}

void pen_marker(pen *p, pen_shape shape, double x, double y, double radius, bool filled, pen_colour c) {
  if (p->dry) return;
  marker_path(p->cr, shape, x, y, radius);
  pen_ink(p, filled ? c : p->theme->paper);
  cairo_fill_preserve(p->cr);
  pen_ink(p, filled ? p->theme->paper : c);
  cairo_set_line_width(p->cr, filled ? 0.5 : 1.1);
  cairo_stroke(p->cr);
}

void pen_tag(pen *p, const char *name) {
  if (p->tags && !p->dry) cairo_tag_begin(p->cr, name, NULL);
}
void pen_untag(pen *p, const char *name) {
  if (p->tags && !p->dry) cairo_tag_end(p->cr, name);
}

#ifdef __SANITIZE_ADDRESS__
/* fontconfig keeps its configuration for the life of the process in memory that the leak checker cannot follow. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void) { return "leak:libfontconfig\n"; }
#endif
