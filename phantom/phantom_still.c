#include <stdio.h>
#include <string.h>

#include "imaging_geometry.h"
#include "private/phantom_session.h"

/* What an operator measures on a still: the truth with a hand's error. SD of each end about 0.35 mm and 0.3 % of the
 * size. */
static void operator_reads(const ogv_phantom_plane_truth *t, ph_rng *r, ogv_phantom_plane_truth *read) {
  *read = *t;
  double sd = 0.35 + 0.003 * t->length_mm, mm = t->mm_per_px;
  if (t->kind == OGV_PHANTOM_FEMUR) {
    for (int i = 0; i < 4; i++) read->points[i] = ph_round(t->points[i] + ph_gauss(r) * sd / mm, 1);
    double dx = (read->points[2] - read->points[0]) * mm, dy = (read->points[3] - read->points[1]) * mm;
    read->length_mm = sqrt(dx * dx + dy * dy);
    return;
  }
  read->length_mm += ph_gauss(r) * sd;
  read->breadth_mm += ph_gauss(r) * sd;
  read->centre_x += ph_gauss(r) * sd * 0.4 / mm;
  read->centre_y += ph_gauss(r) * sd * 0.4 / mm;
  read->angle_rad += ph_gauss(r) * 0.012;
  double c = ph_cos(read->angle_rad), s = ph_sin(read->angle_rad), a = read->length_mm / 2 / mm,
         b = read->breadth_mm / 2 / mm;
  double p[8] = {read->centre_x - a * c, read->centre_y - a * s, read->centre_x + a * c, read->centre_y + a * s,
                 read->centre_x + b * s, read->centre_y - b * c, read->centre_x - b * s, read->centre_y + b * c};
  for (int i = 0; i < 8; i++) read->points[i] = ph_round(p[i], 2);
  read->perimeter_mm = ph_ellipse_perimeter(read->length_mm, read->breadth_mm);
}

/* Numbers and places go into the report as the scanner would send them: tenths of a millimetre. */
static void report_reading(ph_exam *x, const ogv_phantom_plane_truth *t, int fetus, const char *instance,
                           const char *series, const char *const lines_q[3], const double values[3]) {
  for (int i = 0; i < 3; i++) {
    if (!lines_q[i]) continue;
    bool whole = i == 0 && t->kind != OGV_PHANTOM_FEMUR;
    const double *p = whole ? t->points : i == 1 ? t->points + 4 : t->points;
    ph_measure(x, lines_q[i], ph_round(values[i], 1), "mm", fetus, instance, series, "",
               whole ? OGV_GEOMETRY_ELLIPSE : OGV_GEOMETRY_DISTANCE, p, whole ? 8 : 4);
  }
}

static void plane_options(ph_exam *x, ogv_phantom_plane_kind kind, int fetus, int turn, ogv_phantom_plane_options *o) {
  const ph_size *s = &x->size[fetus];
  ogv_phantom_plane_defaults(o, kind);
  o->seed = ph_mix(x->seed ^ (uint64_t)(kind * 1000 + fetus * 100 + turn));
  ph_rng r = ph_rng_of(o->seed, 51);
  o->width = ph_width(x);
  o->height = ph_height(x);
  o->ga_weeks = s->ga_days / 7.0;
  o->length_mm = kind == OGV_PHANTOM_HEAD ? s->ofd_mm : kind == OGV_PHANTOM_ABDOMEN ? s->apad_mm : s->fl_mm;
  o->breadth_mm = kind == OGV_PHANTOM_HEAD ? s->bpd_mm : kind == OGV_PHANTOM_ABDOMEN ? s->tad_mm : 0;
  o->whole_sector = turn % 2 == 0;
  o->dropout = ph_range(&r, 0.05, 0.3);
  o->gain_db = ph_range(&r, -3, 3);
  o->flip = ph_uniform(&r) < 0.5;
  o->quick = x->o->quick;
}

static const char *const words[] = {"head", "abdomen", "femur"};
static const char *const quantities[3][3] = {{"hc", "bpd", "ofd"}, {"ac", "tad", "apad"}, {"fl", NULL, NULL}};

static json_t *operator_json(const ogv_phantom_plane_truth *read, ogv_phantom_plane_kind kind, const double values[3],
                             bool burned) {
  json_t *o = json_object(), *pts = json_array();
  for (int i = 0; i < 3 && quantities[kind][i]; i++) {
    char key[16];
    snprintf(key, sizeof key, "%s_mm", quantities[kind][i]);
    json_object_set_new(o, key, json_real(ph_round(values[i], 1)));
  }
  for (int i = 0; i < read->n_points; i++)
    json_array_append_new(pts, json_pack("[f,f]", read->points[2 * i], read->points[2 * i + 1]));
  json_object_set_new(o, "points", pts);
  json_object_set_new(o, "burned_in", json_boolean(burned));
  return o;
}

/* Calipers and values as the scanner leaves them in the picture. */
static void burn_in(ogv_image *img, const ogv_phantom_plane_truth *read, ogv_phantom_plane_kind kind,
                    const double values[3]) {
  char text[3][40];
  const char *lines[3];
  int n = 0;
  for (; n < 3 && quantities[kind][n]; n++) {
    char symbol[8] = {0};
    for (int i = 0; quantities[kind][n][i] && i < 7; i++)
      symbol[i] = (char)(quantities[kind][n][i] - 32); /* upper case */
    snprintf(text[n], sizeof text[n], "%-4s %.1f mm", symbol, values[n]);
    lines[n] = text[n];
  }
  ph_layout_calipers(img, read);
  ph_layout_values(img, lines, n);
}

/* The view that a plane's truth implies, enough for the ruler. */
static ph_view view_of(const ogv_phantom_plane_truth *t) {
  ph_view v = {.mm_per_px = t->mm_per_px,
               .x0 = t->region.x0,
               .y0 = t->region.y0,
               .x1 = t->region.x1,
               .y1 = t->region.y1,
               .oy = t->region.y0 + t->region.ref_y,
               .ox = t->region.x0 + t->region.ref_x};
  v.depth_mm = (v.y1 - v.oy) * v.mm_per_px;
  return v;
}

/* The first still of a plane is left bare, the second carries the operator's calipers and values burned in; both are
 * measured. */
ogv_status ph_write_plane(ph_exam *x, ogv_phantom_plane_kind kind, int fetus, int turn, ogv_error *err) {
  static const ogv_write_syntax syntaxes[3][2] = {{OGV_WRITE_EXPLICIT_LE, OGV_WRITE_RLE},
                                                  {OGV_WRITE_IMPLICIT_LE, OGV_WRITE_JPEG_LOSSLESS},
                                                  {OGV_WRITE_EXPLICIT_LE, OGV_WRITE_JPEG_BASELINE}};
  ogv_phantom_plane_options o;
  plane_options(x, kind, fetus, turn, &o);
  bool grey = kind == OGV_PHANTOM_FEMUR && turn == 0, burned = turn % 2 == 1;
  ogv_image img, mono = {0};
  ogv_phantom_plane_truth t, read;
  OGV_TRY(ogv_phantom_plane(&o, &img, &t, err));
  ph_rng r = ph_rng_of(o.seed, 52);
  double mi = ph_round(ph_range(&r, 0.7, 1.2), 1), tib = ph_round(ph_range(&r, 0.2, 0.6), 1);
  operator_reads(&t, &r, &read);
  double values[3] = {kind == OGV_PHANTOM_FEMUR ? read.length_mm : read.perimeter_mm, read.breadth_mm, read.length_mm};
  ph_caption_text cap;
  ph_caption_of(x, words[kind], fetus, mi, tib, &cap);
  ph_view v = view_of(&t);
  ph_set set = {.gain_db = o.gain_db, .dynamic_range_db = 58};
  ph_layout_plain(&img, &v, &set, &cap.c);
  if (burned) burn_in(&img, &read, kind, values);
  ogv_status st = grey ? ogv_image_to_grey(&img, &mono, err) : OGV_OK;
  const char *instance = NULL, *series = NULL;
  if (st == OGV_OK) {
    ph_object obj = {.kind = "still",
                     .view = words[kind],
                     .fetus = fetus,
                     .frames = grey ? &mono : &img,
                     .n_frames = 1,
                     .regions = &t.region,
                     .n_regions = 1,
                     .syntax = syntaxes[kind][turn % 2],
                     .quality = 93,
                     .depth_mm = v.depth_mm,
                     .mi = mi,
                     .tib = tib,
                     .tis = ph_round(tib * 0.8, 1),
                     .truth = ogv_phantom_plane_json(&t)};
    json_object_set_new(obj.truth, "operator", operator_json(&read, kind, values, burned));
    st = ph_store(x, &obj, &instance, &series, err);
  }
  if (st == OGV_OK && turn < 2) report_reading(x, &read, fetus, instance, series, quantities[kind], values);
  ogv_image_free(&img);
  ogv_image_free(&mono);
  return st;
}
