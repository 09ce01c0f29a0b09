/* Doppler objects of an exam: spectra with a small picture above, and a colour still. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/phantom_session.h"

static const char *const site_view[] = {"umbilical artery", "middle cerebral artery", "uterine artery left", "uterine artery right", "ductus venosus"};

static void spectrum_options(ph_exam *x, ph_site site, int fetus, int turn, ogv_phantom_spectrum_options *o) {
  const ph_size *s = &x->size[fetus];
  ogv_phantom_spectrum_defaults(o);
  o->seed = ph_mix(x->seed ^ (uint64_t)(5000 + (int)site * 1000 + fetus * 100 + turn));
  ph_rng r = ph_rng_of(o->seed, 81);
  o->width = ph_width(x);
  o->height = ph_height(x);
  o->rate_bpm = s->rate_bpm;
  o->snr_db = ph_range(&r, 24, 32);
  o->gain_db = ph_range(&r, -2, 3);
  o->sweep_s = ph_round(ph_range(&r, 2.6, 4.2), 1);
  o->angle_deg = ph_round(ph_range(&r, 0, 30), 0);
  o->overlay = turn % 2 == 1;
  o->away = ph_uniform(&r) < 0.35;
  o->inverted = o->away && ph_uniform(&r) < 0.7;
  o->wall_filter_cm_s = ph_round(ph_range(&r, 1, 2.5), 1);
  switch (site) {
    case PH_UA:
      o->pi = s->ua_pi;
      o->psv_cm_s = s->ua_psv;
      if (ph_uniform(&r) < 0.5) o->venous_cm_s = ph_range(&r, 8, 14);
      break;
    case PH_MCA:
      o->vessel = OGV_PHANTOM_MCA;
      o->pi = s->mca_pi;
      o->psv_cm_s = s->mca_psv;
      o->angle_deg = ph_round(ph_range(&r, 0, 10), 0);
      break;
    case PH_DV:
      o->vessel = OGV_PHANTOM_DUCTUS;
      o->pi = 0.55;
      o->psv_cm_s = 58;
      break;
    default:
      o->vessel = OGV_PHANTOM_UTERINE;
      o->pi = s->uta_pi[site == PH_UTA_RIGHT];
      o->psv_cm_s = ph_round(ph_range(&r, 60, 85), 1);
      o->rate_bpm = ph_round(68 + (double)(ph_mix(x->seed ^ 0x77) % 24), 1); /* the mother's */
      o->notch = x->o->ga_days < 154 ? 0.5 : 0;
      o->sweep_s = ph_round(ph_range(&r, 4, 5.5), 1);
  }
}

/* The small picture above the strip: what the gate lies in. */
static ogv_status small_picture(ph_exam *x, ph_site site, int fetus, uint64_t seed, ogv_image *img, ogv_region *region, ogv_error *err) {
  const ph_size *s = &x->size[fetus];
  ph_view v;
  ph_scene *scene = ph_scene_new(ph_mix(seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_rng r = ph_rng_of(seed, 82);
  ph_look_of look = {.weeks = s->ga_days / 7.0, .shadow = 1, .dropout = 0.1};
  double size = site == PH_MCA ? s->ofd_mm : site == PH_DV ? s->apad_mm : 50, gate_x = 0, gate_z;
  ph_small_view(&v, img->width, img->height, ph_round(size + 34, 1));
  double cz = size * 0.5 + 16;
  gate_z = cz;
  if (site == PH_MCA) {
    ph_add_mother(scene, &v, &r, 0, cz, size / 2);
    ph_add_head(scene, &r, ph_frame_at(0, cz, 0.1), s->ofd_mm, s->bpd_mm, &look);
    gate_x = s->ofd_mm * 0.12;
    gate_z = cz - s->bpd_mm * 0.17;
  } else if (site == PH_DV) {
    ph_add_mother(scene, &v, &r, 0, cz, size / 2);
    ph_add_abdomen(scene, &r, ph_frame_at(0, cz, 1.5), s->apad_mm, s->tad_mm, &look);
  } else if (site == PH_UA) {
    ph_cord cord;
    ph_add_mother(scene, &v, &r, 0, cz, 24);
    ph_add_cord(scene, &r, ph_frame_at(0, cz, ph_range(&r, -0.4, 0.4)), 50, look.weeks, &cord);
    gate_x = cord.x[1][30];
    gate_z = cord.z[1][30];
  } else {
    ph_add_mother(scene, &v, &r, 30, cz + 20, 28);
    for (int i = 0; i < 2; i++) ph_add_shape(scene, ph_frame_at(0, cz + i * 9.0, 0.5 - i * 1.1), 26, 1.6 + i, PH_FLUID)->warped = false;
  }
  ph_set set;
  ph_set_defaults(&set);
  set.seed = seed;
  set.looks = 1;
  set.beams = x->o->quick ? 80 : 180;
  set.samples = x->o->quick ? 150 : 420;
  set.focus_mm = cz;
  ogv_status st = ph_shoot(scene, &v, &set, img, err);
  ph_scene_free(scene);
  double px, py, fx, fy;
  ph_to_pixel(&v, gate_x, gate_z, &px, &py);
  ph_to_pixel(&v, gate_x * 0.1, 0, &fx, &fy);
  ph_dotted(img, fx, fy, px, py, 6, ph_grey); /* beam and gate */
  ph_line(img, px - 6, py - 4, px + 6, py - 4, 1.3, ph_aqua);
  ph_line(img, px - 6, py + 4, px + 6, py + 4, 1.3, ph_aqua);
  *region = ph_view_region(&v);
  return st;
}

static void report_flow(ph_exam *x, ph_site site, int fetus, const ogv_phantom_spectrum_truth *t, ph_rng *r, const char *instance, const char *series) {
  static const char *const ids[5][5] = {{"ua-pi", "ua-ri", "ua-sd", "ua-psv", "ua-edv"},
                                        {"mca-pi", "mca-ri", "mca-sd", "mca-psv", "mca-edv"},
                                        {"uta-pi-left", "uta-ri-left", "uta-sd-left", "uta-psv-left", "uta-edv-left"},
                                        {"uta-pi-right", "uta-ri-right", "uta-sd-right", "uta-psv-right", "uta-edv-right"},
                                        {"dv-piv", NULL, NULL, "dv-s", "dv-a"}};
  double v[5] = {t->pi, t->ri, t->sd_ratio, t->psv_cm_s, t->edv_cm_s}, sd[5] = {0.03, 0.015, 0.03, 0.025, 0.04};
  for (int i = 0; i < 5; i++)
    if (ids[site][i] && v[i] == v[i])
      ph_measure(x, ids[site][i], ph_round(v[i] * (1 + sd[i] * ph_gauss(r)), i < 3 ? 2 : 1), i < 3 ? "1" : "cm/s",
                 site == PH_UTA_LEFT || site == PH_UTA_RIGHT ? -1 : fetus, instance, series, "", 0, NULL, 0);
}

ogv_status ph_write_spectrum(ph_exam *x, ph_site site, int fetus, int turn, ogv_error *err) {
  ogv_phantom_spectrum_options o;
  spectrum_options(x, site, fetus, turn, &o);
  ogv_image img;
  ogv_phantom_spectrum_truth t;
  OGV_TRY(ogv_phantom_spectrum(&o, &img, &t, err));
  ogv_region regions[2];
  regions[1] = t.region;
  ogv_status st = small_picture(x, site, fetus, o.seed, &img, &regions[0], err);
  if (st == OGV_OK) {
    ph_rng r = ph_rng_of(o.seed, 83);
    bool mother = site == PH_UTA_LEFT || site == PH_UTA_RIGHT;
    double mi = ph_round(ph_range(&r, 0.3, 0.7), 1), tib = ph_round(ph_range(&r, 0.5, 1.2), 1);
    ph_caption_text cap;
    ph_caption_of(x, site_view[site], mother ? -1 : fetus, mi, tib, &cap);
    ph_layout_title(&img, &cap.c);
    json_t *truth = ogv_phantom_spectrum_json(&t, true);
    json_object_set_new(truth, "site", json_string(site_view[site]));
    json_object_set_new(truth, "overlay", json_boolean(o.overlay));
    const char *instance = NULL, *series = NULL;
    ph_object obj = {.kind = "spectrum", .view = site_view[site], .fetus = mother ? -1 : fetus, .frames = &img, .n_frames = 1,
                     .regions = regions, .n_regions = 2, .syntax = o.overlay ? OGV_WRITE_RLE : OGV_WRITE_EXPLICIT_LE, .mi = mi, .tib = tib,
                     .tis = ph_round(tib * 0.7, 1), .colour = o.overlay, .truth = truth, .image_type = "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0009"};
    st = ph_store(x, &obj, &instance, &series, err);
    if (st == OGV_OK && turn == 0) report_flow(x, site, fetus, &t, &r, instance, series);
  }
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  return st;
}

/* Colour of a velocity as a part of the largest one shown: towards the probe warm, away from it cold. */
static ph_ink flow_ink(double t) {
  double m = t < 0 ? -t : t;
  m = ph_clamp(m, 0, 1);
  double a = 70 + 185 * (m < 0.5 ? m * 2 : 1), b = m < 0.35 ? 0 : 235 * (m - 0.35) / 0.65, c = m < 0.7 ? 0 : 170 * (m - 0.7) / 0.3;
  if (t >= 0) return (ph_ink){(uint8_t)a, (uint8_t)b, (uint8_t)c};
  return (ph_ink){(uint8_t)c, (uint8_t)b, (uint8_t)a};
}

typedef struct flow {
  const ph_cord *cord;
  const ph_view *v;
  double nyquist, speed[3];
  uint64_t seed;
} flow;

/* Velocity towards the probe at a place, 0 outside the vessels. */
static double flow_at(const flow *f, double x, double z) {
  for (int k = 0; k < 3; k++) {
    double best = 1e9;
    int at = 0;
    for (int i = 0; i < f->cord->n; i++) {
      double dx = x - f->cord->x[k][i], dz = z - f->cord->z[k][i], d = dx * dx + dz * dz;
      if (d < best) best = d, at = i;
    }
    double rho2 = best / (f->cord->radius[k] * f->cord->radius[k]);
    if (rho2 > 1) continue;
    int a = at > 0 ? at - 1 : 0, b = at < f->cord->n - 1 ? at + 1 : at;
    double tx = f->cord->x[k][b] - f->cord->x[k][a], tz = f->cord->z[k][b] - f->cord->z[k][a], tl = sqrt(tx * tx + tz * tz);
    double bx = x, bz = z + f->v->radius_mm, bl = sqrt(bx * bx + bz * bz);
    double away = (tx * bx + tz * bz) / (tl * bl);
    return -f->speed[k] * (1 - 0.85 * rho2) * away;
  }
  return 0;
}

typedef struct colour_box { int x0, y0, x1, y1; } colour_box;
typedef struct colour_sums { int inside, coloured; double speed; } colour_sums;

static void paint_flow(const flow *f, const colour_box *b, ogv_image *img, colour_sums *sum) {
  for (int y = b->y0; y <= b->y1; y++)
    for (int x = b->x0; x <= b->x1; x++) {
      double mx, mz;
      ph_to_mm(f->v, x, y, &mx, &mz);
      sum->inside++;
      double v = flow_at(f, mx, mz);
      if (v == 0) continue;
      v += 0.06 * f->nyquist * ph_value_noise(mx * 2.2, mz * 2.2, f->seed); /* estimates vary from sample to sample */
      if (v > -0.06 * f->nyquist && v < 0.06 * f->nyquist) continue;         /* wall filter */
      sum->coloured++;
      sum->speed += v < 0 ? -v : v;
      while (v > f->nyquist) v -= 2 * f->nyquist; /* aliasing wraps */
      while (v < -f->nyquist) v += 2 * f->nyquist;
      ph_dot(img, x, y, flow_ink(v / f->nyquist));
    }
}

static void colour_bar(const ogv_image *pic, double nyquist, colour_box *bar, ogv_image *img) {
  *bar = (colour_box){10, pic->height * 120 / 768, 10 + pic->width * 14 / 1024, pic->height * 330 / 768};
  for (int y = bar->y0; y <= bar->y1; y++) {
    ph_ink c = flow_ink(1 - 2.0 * (y - bar->y0) / (bar->y1 - bar->y0));
    ph_fill(img, bar->x0, y, bar->x1, y, c);
  }
  char text[24];
  int k = pic->height >= 700 ? 2 : 1;
  snprintf(text, sizeof text, "+%.0f", nyquist);
  ph_text(img, bar->x1 + 5, bar->y0, k, text, ph_grey);
  snprintf(text, sizeof text, "-%.0f cm/s", nyquist);
  ph_text(img, bar->x1 + 5, bar->y1 - 7 * k, k, text, ph_grey);
}

ogv_status ph_write_colour(ph_exam *x, int fetus, int turn, ogv_error *err) {
  const ph_size *s = &x->size[fetus];
  uint64_t seed = ph_mix(x->seed ^ (uint64_t)(7000 + fetus * 100 + turn));
  ph_rng r = ph_rng_of(seed, 91);
  int w = ph_width(x), h = ph_height(x);
  double weeks = s->ga_days / 7.0, mm = ph_round(85.0 / h, 4);
  ph_view v;
  ph_make_view(&v, w, h, mm, true, 45);
  ph_scene *scene = ph_scene_new(ph_mix(seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  double cx, cz;
  ph_to_mm(&v, w * 0.5, h * 0.55, &cx, &cz);
  ph_cord cord;
  ph_add_mother(scene, &v, &r, cx, cz, 24);
  ph_add_cord(scene, &r, ph_frame_at(cx, cz, ph_range(&r, -0.6, 0.6)), 46, weeks, &cord);
  ph_set set;
  ph_set_defaults(&set);
  set.seed = seed;
  set.looks = 1;
  set.focus_mm = cz;
  if (x->o->quick) set.beams = 160, set.samples = 300;
  ogv_image img = {0};
  ogv_status st = ogv_image_new(w, h, 3, &img, err);
  if (st == OGV_OK) st = ph_shoot(scene, &v, &set, &img, err);
  ph_scene_free(scene);
  if (st == OGV_OK) {
    flow f = {.cord = &cord, .v = &v, .nyquist = ph_round(ph_range(&r, 22, 34), 0), .seed = seed};
    f.speed[0] = -ph_range(&r, 9, 14);
    f.speed[1] = f.speed[2] = s->ua_psv * 0.8;
    colour_box box = {w * 300 / 1024, h * 250 / 768, w * 724 / 1024, h * 590 / 768}, bar;
    colour_sums sum = {0};
    paint_flow(&f, &box, &img, &sum);
    ph_line(&img, box.x0, box.y0, box.x1, box.y0, 1.2, ph_grey);
    ph_line(&img, box.x0, box.y1, box.x1, box.y1, 1.2, ph_grey);
    ph_line(&img, box.x0, box.y0, box.x0, box.y1, 1.2, ph_grey);
    ph_line(&img, box.x1, box.y0, box.x1, box.y1, 1.2, ph_grey);
    ph_caption_text cap;
    double mi = 0.8, tib = 0.6;
    ph_caption_of(x, "cord", fetus, mi, tib, &cap);
    ph_layout_title(&img, &cap.c);
    colour_bar(&img, f.nyquist, &bar, &img);
    ogv_region regions[2] = {ph_view_region(&v), ph_view_region(&v)};
    regions[1].data_type = OGV_DATA_COLOUR_FLOW;
    regions[1].flags = 3;
    regions[1].ref_x += regions[1].x0 - box.x0;
    regions[1].ref_y += regions[1].y0 - box.y0;
    regions[1].x0 = box.x0;
    regions[1].y0 = box.y0;
    regions[1].x1 = box.x1;
    regions[1].y1 = box.y1;
    json_t *t = json_object();
    json_object_set_new(t, "box", json_pack("[i,i,i,i]", box.x0, box.y0, box.x1, box.y1));
    json_object_set_new(t, "bar", json_pack("[i,i,i,i]", bar.x0, bar.y0, bar.x1, bar.y1));
    json_object_set_new(t, "bar_top_cm_s", json_real(f.nyquist));
    json_object_set_new(t, "bar_bottom_cm_s", json_real(-f.nyquist));
    json_object_set_new(t, "coloured_pixels", json_integer(sum.coloured));
    json_object_set_new(t, "box_pixels", json_integer(sum.inside));
    json_object_set_new(t, "fraction", ph_real((double)sum.coloured / sum.inside, 5));
    json_object_set_new(t, "mean_speed_cm_s", ph_real(sum.coloured ? sum.speed / sum.coloured : 0, 3));
    ph_object obj = {.kind = "colour", .view = "cord", .fetus = fetus, .frames = &img, .n_frames = 1, .regions = regions, .n_regions = 2,
                     .syntax = OGV_WRITE_RLE, .depth_mm = v.depth_mm, .mi = mi, .tib = tib, .tis = tib, .colour = true, .truth = t,
                     .image_type = "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0011"};
    st = ph_store(x, &obj, NULL, NULL, err);
  }
  ogv_image_free(&img);
  return st;
}
