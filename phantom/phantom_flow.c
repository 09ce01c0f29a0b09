/* Spectra of an exam, with a small picture of the place above the strip. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "private/phantom_session.h"

static const char *const site_view[] = {"umbilical artery",    "middle cerebral artery",
                                        "uterine artery left", "uterine artery right",
                                        "ductus venosus",      "left ventricular inflow and outflow"};

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
    case PH_IN_OUT: /* velocities and interval are our own round figures */
      o->vessel = OGV_PHANTOM_IN_OUT;
      o->psv_cm_s = ph_round(ph_range(&r, 40, 48), 1);
      o->av_ms = ph_round(ph_range(&r, 108, 132), 0);
      o->sweep_s = 2.6;
      o->angle_deg = ph_round(ph_range(&r, 0, 15), 0);
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

/* What the gate lies in, its middle at depth cz; moves the gate from there to the vessel. */
static void place_scene(const ph_exam *x, ph_site site, int fetus, const ph_view *v, double cz, ph_rng *r,
                        ph_scene *scene, double *gate_x, double *gate_z) {
  const ph_size *s = &x->size[fetus];
  ph_look_of look = {.weeks = s->ga_days / 7.0, .shadow = 1, .dropout = 0.1};
  if (site == PH_MCA) {
    ph_add_mother(scene, v, r, 0, cz, s->ofd_mm / 2);
    ph_add_head(scene, r, ph_frame_at(0, cz, 0.1), s->ofd_mm, s->bpd_mm, &look);
    *gate_x = s->ofd_mm * 0.12;
    *gate_z = cz - s->bpd_mm * 0.17;
  } else if (site == PH_DV) {
    ph_add_mother(scene, v, r, 0, cz, s->apad_mm / 2);
    ph_add_abdomen(scene, r, ph_frame_at(0, cz, 1.5), s->apad_mm, s->tad_mm, &look);
  } else if (site == PH_IN_OUT) {
    ph_add_mother(scene, v, r, 0, cz, s->apad_mm / 2);
    ph_frame gate = ph_add_heart(scene, *r, ph_frame_at(0, cz, 1.4), s->apad_mm * 0.9, s->tad_mm * 0.86, 0.7, &look);
    *gate_x = gate.cx;
    *gate_z = gate.cz;
  } else if (site == PH_UA) {
    ph_cord cord;
    ph_add_mother(scene, v, r, 0, cz, 24);
    ph_add_cord(scene, r, ph_frame_at(0, cz, ph_range(r, -0.4, 0.4)), 50, look.weeks, &cord);
    *gate_x = cord.x[1][30];
    *gate_z = cord.z[1][30];
  } else {
    ph_add_mother(scene, v, r, 30, cz + 20, 28);
    for (int i = 0; i < 2; i++)
      ph_add_shape(scene, ph_frame_at(0, cz + i * 9.0, 0.5 - i * 1.1), 26, 1.6 + i, PH_FLUID)->warped = false;
  }
}

/* The small picture above the strip. */
static ogv_status small_picture(ph_exam *x, ph_site site, int fetus, uint64_t seed, ogv_image *img, ogv_region *region,
                                ogv_error *err) {
  const ph_size *s = &x->size[fetus];
  ph_view v;
  ph_scene *scene = ph_scene_new(ph_mix(seed ^ 5));
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_rng r = ph_rng_of(seed, 82);
  double size = site == PH_MCA ? s->ofd_mm : site == PH_DV || site == PH_IN_OUT ? s->apad_mm : 50;
  ph_small_view(&v, img->width, img->height, ph_round(size + 34, 1));
  double cz = size * 0.5 + 16, gate_x = 0, gate_z = cz;
  place_scene(x, site, fetus, &v, cz, &r, scene, &gate_x, &gate_z);
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

static void report_flow(ph_exam *x, ph_site site, int fetus, const ogv_phantom_spectrum_truth *t, ph_rng *r,
                        const char *instance, const char *series) {
  static const char *const ids[5][5] = {
      {"ua-pi", "ua-ri", "ua-sd", "ua-psv", "ua-edv"},
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
    ph_object obj = {.kind = "spectrum",
                     .view = site_view[site],
                     .fetus = mother ? -1 : fetus,
                     .frames = &img,
                     .n_frames = 1,
                     .regions = regions,
                     .n_regions = 2,
                     .syntax = o.overlay ? OGV_WRITE_RLE : OGV_WRITE_EXPLICIT_LE,
                     .mi = mi,
                     .tib = tib,
                     .tis = ph_round(tib * 0.7, 1),
                     .colour = o.overlay,
                     .truth = truth,
                     .image_type = "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0009"};
    st = ph_store(x, &obj, &instance, &series, err);
    /* The interval is left to the reader: the operator did not measure it. */
    if (st == OGV_OK && turn == 0 && site != PH_IN_OUT) report_flow(x, site, fetus, &t, &r, instance, series);
  }
  ogv_image_free(&img);
  ogv_phantom_spectrum_free(&t);
  return st;
}
