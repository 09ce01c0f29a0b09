#include "private/phantom_layout.h"

#include <stdio.h>

#include "private/phantom_math.h"

const ph_ink ph_white = {232, 232, 228}, ph_grey = {132, 136, 140}, ph_amber = {255, 176, 40}, ph_aqua = {60, 220, 190};

static int text_scale(const ogv_image *img) { return img->height >= 700 ? 2 : 1; }

static void ruler(ogv_image *img, const ph_view *v) {
  double mm = v->mm_per_px, x = v->x1 + img->width * 0.006;
  double step = 10;
  for (int k = 0; k * step <= v->depth_mm + 1e-9; k++) {
    double y = v->oy + k * step / mm;
    if (y < v->y0 || y > v->y1) continue;
    ph_line(img, x, y, x + (k % 5 ? 5 : 10), y, 1.2, ph_grey);
    if (k % 5 == 0 && k) {
      char text[16];
      snprintf(text, sizeof text, "%d", k);
      ph_text(img, (int)x + 12, (int)y - 3, 1, text, ph_grey);
    }
  }
}

static void bar(ogv_image *img, const ph_view *v) {
  int x = 8, w = 10, y0 = v->y0 + (v->y1 - v->y0) * 3 / 4, y1 = v->y1 - 4;
  for (int y = y0; y <= y1; y++) {
    uint8_t g = (uint8_t)(255 - 255 * (y - y0) / (y1 - y0));
    ph_fill(img, x, y, x + w, y, (ph_ink){g, g, g});
  }
}

void ph_layout_title(ogv_image *img, const ph_caption *c) {
  int k = text_scale(img), dy = 11 * k;
  if (c->patient) ph_text(img, 12, 7, k, c->patient, ph_white);
  if (c->id) ph_text(img, 12, 7 + dy, k, c->id, ph_grey);
  if (c->place) ph_text_right(img, img->width - 12, 7 + dy, k, c->place, ph_grey);
  if (c->date) ph_text_right(img, img->width - 12, 7, k, c->date, ph_white);
  if (c->age) ph_text(img, img->width / 2 - ph_text_width(k, c->age) / 2, 7, k, c->age, ph_white);
}

void ph_layout_plain(ogv_image *img, const ph_view *v, const ph_set *s, const ph_caption *c) {
  int k = text_scale(img), x = 12, y = v->y0 + 8, dy = 12 * k;
  char text[64];
  ruler(img, v);
  bar(img, v);
  snprintf(text, sizeof text, "C 4.0 MHz");
  ph_text(img, x, y, k, text, ph_grey);
  snprintf(text, sizeof text, "G %+d", (int)s->gain_db);
  ph_text(img, x, y + dy, k, text, ph_grey);
  snprintf(text, sizeof text, "DR %d", (int)s->dynamic_range_db);
  ph_text(img, x, y + 2 * dy, k, text, ph_grey);
  snprintf(text, sizeof text, "%.1f cm", v->depth_mm / 10);
  ph_text(img, x, y + 3 * dy, k, text, ph_grey);
  if (!c) return;
  ph_layout_title(img, c);
  if (c->view) ph_text(img, v->x0 + (v->x1 - v->x0) * 3 / 4, v->y1 - 10 * k, k, c->view, ph_white);
}

void ph_layout_calipers(ogv_image *img, const ogv_phantom_plane_truth *t) {
  const double *p = t->points;
  int r = text_scale(img) * 4 + 1;
  if (t->kind == OGV_PHANTOM_FEMUR) {
    ph_dotted(img, p[0], p[1], p[2], p[3], 6, ph_amber);
    ph_cross(img, p[0], p[1], r, 0, ph_amber);
    ph_cross(img, p[2], p[3], r, 0, ph_amber);
    return;
  }
  ph_dotted_ellipse(img, t->centre_x, t->centre_y, t->length_mm / 2 / t->mm_per_px, t->breadth_mm / 2 / t->mm_per_px,
                    t->angle_rad, 6, ph_amber);
  for (int i = 0; i < 4; i++) ph_cross(img, p[2 * i], p[2 * i + 1], r, i < 2 ? 0 : 1, ph_amber);
}

void ph_layout_values(ogv_image *img, const char *const *lines, int n) {
  int k = text_scale(img), y = img->height - 12 * k * (n + 1) - 8;
  for (int i = 0; i < n; i++) ph_text(img, 44, y + 12 * k * i, k, lines[i], ph_amber);
}
