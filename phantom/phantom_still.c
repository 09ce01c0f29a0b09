#include <stdio.h>
#include <string.h>

#include "imaging_geometry.h"
#include "private/phantom_session.h"

/* What an operator measures on a still: the truth with a hand's error. SD of each end about 0.35 mm and 0.3 % of the size. */
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
  double c = ph_cos(read->angle_rad), s = ph_sin(read->angle_rad), a = read->length_mm / 2 / mm, b = read->breadth_mm / 2 / mm;
  double p[8] = {read->centre_x - a * c, read->centre_y - a * s, read->centre_x + a * c, read->centre_y + a * s,
                 read->centre_x + b * s, read->centre_y - b * c, read->centre_x - b * s, read->centre_y + b * c};
  for (int i = 0; i < 8; i++) read->points[i] = ph_round(p[i], 2);
  read->perimeter_mm = ph_ellipse_perimeter(read->length_mm, read->breadth_mm);
}

/* Numbers and places go into the report as the scanner would send them: tenths of a millimetre. */
static void report_reading(ph_exam *x, const ogv_phantom_plane_truth *t, int fetus, const char *instance, const char *series, int turn,
                           const char *const lines_q[3], const double values[3]) {
  (void)turn;
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

/* The first still of a plane is left bare, the second carries the operator's calipers and values burned in; both are measured. */
ogv_status ph_write_plane(ph_exam *x, ogv_phantom_plane_kind kind, int fetus, int turn, ogv_error *err) {
  static const ogv_write_syntax syntaxes[3][2] = {{OGV_WRITE_EXPLICIT_LE, OGV_WRITE_RLE}, {OGV_WRITE_IMPLICIT_LE, OGV_WRITE_JPEG_LOSSLESS},
                                                  {OGV_WRITE_EXPLICIT_LE, OGV_WRITE_JPEG_BASELINE}};
  ogv_phantom_plane_options o;
  plane_options(x, kind, fetus, turn, &o);
  bool grey = kind == OGV_PHANTOM_FEMUR && turn == 0;
  ogv_image img;
  ogv_phantom_plane_truth t, read;
  OGV_TRY(ogv_phantom_plane(&o, &img, &t, err));
  ph_rng r = ph_rng_of(o.seed, 52);
  double mi = ph_round(ph_range(&r, 0.7, 1.2), 1), tib = ph_round(ph_range(&r, 0.2, 0.6), 1);
  operator_reads(&t, &r, &read);
  double values[3] = {kind == OGV_PHANTOM_FEMUR ? read.length_mm : read.perimeter_mm, read.breadth_mm, read.length_mm};
  ph_caption_text cap;
  ph_caption_of(x, words[kind], fetus, mi, tib, &cap);
  ph_view v = {.mm_per_px = t.mm_per_px, .x0 = t.region.x0, .y0 = t.region.y0, .x1 = t.region.x1, .y1 = t.region.y1,
               .oy = t.region.y0 + t.region.ref_y, .ox = t.region.x0 + t.region.ref_x};
  v.depth_mm = (v.y1 - v.oy) * v.mm_per_px;
  ph_set set = {.gain_db = o.gain_db, .dynamic_range_db = 58};
  ph_layout_plain(&img, &v, &set, &cap.c);
  bool burned = turn % 2 == 1;
  if (burned) {
    char text[3][40];
    const char *lines[3];
    int n = 0;
    for (; n < 3 && quantities[kind][n]; n++) {
      char symbol[8] = {0};
      for (int i = 0; quantities[kind][n][i] && i < 7; i++) symbol[i] = (char)(quantities[kind][n][i] - 32);
      snprintf(text[n], sizeof text[n], "%-4s %.1f mm", symbol, values[n]);
      lines[n] = text[n];
    }
    ph_layout_calipers(&img, &read);
    ph_layout_values(&img, lines, n);
  }
  ogv_image mono = {0};
  ogv_status st = grey ? ogv_image_to_grey(&img, &mono, err) : OGV_OK;
  json_t *truth = ogv_phantom_plane_json(&t), *by_hand = json_object(), *pts = json_array();
  for (int i = 0; i < 3 && quantities[kind][i]; i++) {
    char key[16];
    snprintf(key, sizeof key, "%s_mm", quantities[kind][i]);
    json_object_set_new(by_hand, key, json_real(ph_round(values[i], 1)));
  }
  for (int i = 0; i < t.n_points; i++) json_array_append_new(pts, json_pack("[f,f]", read.points[2 * i], read.points[2 * i + 1]));
  json_object_set_new(by_hand, "points", pts);
  json_object_set_new(by_hand, "burned_in", json_boolean(burned));
  json_object_set_new(truth, "operator", by_hand);
  const char *instance = NULL, *series = NULL;
  ph_object obj = {.kind = "still", .view = words[kind], .fetus = fetus, .frames = grey ? &mono : &img, .n_frames = 1, .regions = &t.region,
                   .n_regions = 1, .syntax = syntaxes[kind][turn % 2], .quality = 93, .depth_mm = v.depth_mm, .mi = mi, .tib = tib,
                   .tis = ph_round(tib * 0.8, 1), .truth = truth};
  if (st == OGV_OK)
    st = ph_store(x, &obj, &instance, &series, err);
  else
    json_decref(truth);
  if (st == OGV_OK && turn < 2) report_reading(x, &read, fetus, instance, series, turn, quantities[kind], values);
  ogv_image_free(&img);
  ogv_image_free(&mono);
  return st;
}

ogv_status ph_write_early(ph_exam *x, int fetus, int turn, ogv_error *err) {
  const ph_size *s = &x->size[fetus];
  uint64_t seed = ph_mix(x->seed ^ (uint64_t)(9000 + fetus * 100 + turn));
  ph_rng r = ph_rng_of(seed, 61), inside = ph_rng_of(seed, 62);
  int w = ph_width(x), h = ph_height(x);
  bool nuchal = turn == 2;
  double mm = ph_round((s->crl_mm / (nuchal ? 0.9 : 0.6)) / w, 4), turned = ph_range(&r, -0.2, 0.2), mi = 0.8, tib = 0.2;
  ph_view v;
  ph_make_view(&v, w, h, mm, false, h / 2.0 * mm + 8);
  ph_scene *scene = ph_scene_new(ph_mix(seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_frame place;
  double cx = ph_round(w * 0.5, 1), cy = ph_round(h * 0.54, 1), mx, mz;
  ph_to_mm(&v, cx, cy, &mx, &mz);
  place = ph_frame_at(mx, mz, turned);
  ph_look_of look = {.weeks = s->ga_days / 7.0, .shadow = 1, .dropout = 0.1};
  ph_add_early(scene, &inside, place, s->crl_mm, s->nt_mm, &look);
  ph_set set;
  ph_set_defaults(&set);
  set.seed = seed;
  set.pulse_mm = 0.2;
  set.beam_mm = 0.45;
  set.focus_mm = mz;
  set.looks = x->o->quick ? 1 : 2;
  set.beams = x->o->quick ? 160 : 320;
  set.samples = x->o->quick ? 300 : 800;
  ogv_image img = {0};
  ogv_status st = ogv_image_new(w, h, 3, &img, err);
  if (st == OGV_OK) st = ph_shoot(scene, &v, &set, &img, err);
  ph_scene_free(scene);
  if (st != OGV_OK) {
    ogv_image_free(&img);
    return st;
  }
  double half = s->crl_mm / 2, uv[2][2] = {{-half, 0}, {half, 0}}, w2 = 0.45, v0 = -0.162 * s->crl_mm;
  double nt_uv[2][2] = {{0.03 * s->crl_mm, v0 - w2 / 2}, {0.03 * s->crl_mm, v0 - w2 / 2 - s->nt_mm}};
  double crl[4], nt[4], read[4];
  for (int i = 0; i < 2; i++) {
    double px, pz;
    ph_frame_out(&place, uv[i][0], uv[i][1], &px, &pz);
    ph_to_pixel(&v, px, pz, &crl[2 * i], &crl[2 * i + 1]);
    ph_frame_out(&place, nt_uv[i][0], nt_uv[i][1], &px, &pz);
    ph_to_pixel(&v, px, pz, &nt[2 * i], &nt[2 * i + 1]);
  }
  double sd = nuchal ? 0.06 : 0.45;
  for (int i = 0; i < 4; i++) read[i] = ph_round((nuchal ? nt : crl)[i] + ph_gauss(&r) * sd / mm, 2);
  double value = sqrt((read[2] - read[0]) * (read[2] - read[0]) + (read[3] - read[1]) * (read[3] - read[1])) * mm;
  ph_caption_text cap;
  ph_caption_of(x, nuchal ? "nuchal" : "crown-rump", fetus, mi, tib, &cap);
  ph_layout_plain(&img, &v, &set, &cap.c);
  if (turn) {
    char text[40];
    const char *line = text;
    snprintf(text, sizeof text, nuchal ? "NT   %.2f mm" : "CRL  %.1f mm", value);
    if (!nuchal) ph_dotted(&img, read[0], read[1], read[2], read[3], 6, ph_amber);
    ph_cross(&img, read[0], read[1], nuchal ? 4 : 8, 0, ph_amber);
    ph_cross(&img, read[2], read[3], nuchal ? 4 : 8, 0, ph_amber);
    ph_layout_values(&img, &line, 1);
  }
  json_t *t = json_object();
  json_object_set_new(t, "plane", json_string(nuchal ? "nuchal" : "crown-rump"));
  json_object_set_new(t, "mm_per_px", json_real(mm));
  json_object_set_new(t, "crl_mm", json_real(s->crl_mm));
  json_object_set_new(t, "nt_mm", json_real(s->nt_mm));
  json_object_set_new(t, "crl_points", json_pack("[[f,f],[f,f]]", ph_round(crl[0], 3), ph_round(crl[1], 3), ph_round(crl[2], 3), ph_round(crl[3], 3)));
  json_object_set_new(t, "nt_points", json_pack("[[f,f],[f,f]]", ph_round(nt[0], 3), ph_round(nt[1], 3), ph_round(nt[2], 3), ph_round(nt[3], 3)));
  json_object_set_new(t, "operator", json_pack("{s:f,s:[[f,f],[f,f]],s:b}", nuchal ? "nt_mm" : "crl_mm", ph_round(value, nuchal ? 2 : 1), "points",
                                               read[0], read[1], read[2], read[3], "burned_in", turn > 0));
  ogv_region region = ph_view_region(&v);
  const char *instance = NULL, *series = NULL;
  ph_object obj = {.kind = "still", .view = nuchal ? "nuchal" : "crown-rump", .fetus = fetus, .frames = &img, .n_frames = 1, .regions = &region,
                   .n_regions = 1, .syntax = turn ? OGV_WRITE_RLE : OGV_WRITE_EXPLICIT_LE, .depth_mm = v.depth_mm, .mi = mi, .tib = tib,
                   .tis = tib, .truth = t};
  st = ph_store(x, &obj, &instance, &series, err);
  if (st == OGV_OK && turn < 3)
    ph_measure(x, nuchal ? "nt" : "crl", ph_round(value, nuchal ? 2 : 1), "mm", fetus, instance, series, "", OGV_GEOMETRY_DISTANCE, read, 4);
  ogv_image_free(&img);
  return st;
}
