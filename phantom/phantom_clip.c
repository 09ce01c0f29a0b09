#include "phantom_clip.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_date.h"
#include "dicom_write.h"
#include "private/phantom_math.h"
#include "private/phantom_plane_frame.h"

void ogv_phantom_clip_defaults(ogv_phantom_clip_options *o, ogv_phantom_plane_kind kind) {
  memset(o, 0, sizeof *o);
  ogv_phantom_plane_defaults(&o->plane, kind);
  o->frames = 60;
  o->frame_ms = 40;
  o->move_mm = 2;
  o->turn_deg = 4;
  o->wander = 0.1;
  o->leaves = 1;
}

static ogv_status check(const ogv_phantom_clip_options *o, ogv_error *err) {
  struct {
    const char *name;
    double v, lo, hi;
  } c[] = {{"frames", o->frames, 2, 600},    {"frame_ms", o->frame_ms, 5, 1000}, {"move_mm", o->move_mm, 0, 20},
           {"turn_deg", o->turn_deg, 0, 45}, {"wander", o->wander, 0, 0.5},      {"leaves", o->leaves, 0, 5}};
  for (size_t i = 0; i < sizeof c / sizeof *c; i++)
    if (!(c[i].v >= c[i].lo && c[i].v <= c[i].hi))
      return ogv_fail(err, OGV_E_INVALID, NULL, "phantom clip: %s is %g, allowed is %g to %g", c[i].name, c[i].v,
                      c[i].lo, c[i].hi);
  return OGV_OK;
}

/* Slow motion that never repeats, SD about 1: two rhythms, a slow one and breathing-like one. */
static double drift(double seconds, uint64_t seed) {
  return 1.9 * ph_value_noise(seconds / 0.9, 0.5, seed) + 0.9 * ph_value_noise(seconds / 0.35, 0.5, seed ^ 77);
}

/* How far the plane lies from the standard one: it wanders, and is left and found again. */
static double off_plane(const ogv_phantom_clip_options *o, int frame) {
  double t = frame * o->frame_ms / 1000, all = o->frames * o->frame_ms / 1000;
  double off = o->wander * drift(t, ph_mix(o->plane.seed ^ 0xc11d));
  ph_rng r = ph_rng_of(o->plane.seed, 81);
  for (int i = 0; i < o->leaves; i++) {
    double at = ph_uniform(&r) * all, half = all * ph_range(&r, 0.05, 0.14) + 1e-9,
           side = ph_uniform(&r) < 0.5 ? -1 : 1;
    double near = 1 - fabs(t - at) / half;
    if (near > 0) off += side * ph_range(&r, 0.7, 1) * ph_smooth(1.5 * near);
    else (void)ph_uniform(&r);
  }
  return ph_clamp(off, -1, 1);
}

ogv_status ogv_phantom_clip_frame(const ogv_phantom_clip_options *o, int frame, ogv_image *picture,
                                  ogv_phantom_frame_truth *truth, ogv_error *err) {
  memset(truth, 0, sizeof *truth);
  memset(picture, 0, sizeof *picture);
  OGV_TRY(check(o, err));
  if (frame < 0 || frame >= o->frames)
    return ogv_fail(err, OGV_E_INVALID, NULL, "phantom clip: frame %d of %d", frame, o->frames);
  double t = frame * o->frame_ms / 1000;
  uint64_t s = ph_mix(o->plane.seed ^ 0xd21f7);
  ph_pose pose = {.dx_mm = o->move_mm * drift(t, s),
                  .dz_mm = 0.7 * o->move_mm * drift(t, s + 1),
                  .turn = o->turn_deg * PH_PI / 180 * drift(t, s + 2),
                  .off = off_plane(o, frame),
                  .frame = (uint64_t)frame};
  truth->off = fabs(pose.off);
  return ph_plane_frame(&o->plane, &pose, picture, &truth->plane, err);
}

static json_t *frame_json(const ogv_phantom_frame_truth *t) {
  json_t *o = ogv_phantom_plane_json(&t->plane);
  json_object_set_new(o, "off", json_real(ph_round(t->off, 4)));
  return o;
}

static ogv_status write_frames(const ogv_phantom_clip_options *o, const char *path, const ogv_image *frames,
                               const ogv_region *region, ogv_error *err) {
  ogv_dicom_picture p = {.frames = frames,
                         .n_frames = o->frames,
                         .regions = region,
                         .n_regions = 1,
                         .syntax = OGV_WRITE_JPEG_BASELINE,
                         .jpeg_quality = 92};
  ogv_dicom_info_empty(&p.about);
  char *const uid[] = {p.about.study, p.about.series, p.about.sop_instance};
  for (uint64_t i = 0; i < 3; i++)
    snprintf(uid[i], sizeof p.about.study, "2.25.%llu",
             (unsigned long long)ph_mix(ph_mix(o->plane.seed * 8 + (uint64_t)o->plane.kind) + i));
  snprintf(p.about.patient_id, sizeof p.about.patient_id, "PHANTOM");
  snprintf(p.about.patient_name, sizeof p.about.patient_name, "Phantom^Clip");
  OGV_TRY(ogv_date_parse("2026-03-02", &p.about.study_date, err));
  p.about.content_date = p.about.study_date;
  p.about.frame_ms = o->frame_ms;
  return ogv_dicom_write_picture(path, &p, err);
}

ogv_status ogv_phantom_clip_write(const ogv_phantom_clip_options *o, const char *path, json_t **truth, ogv_error *err) {
  OGV_TRY(check(o, err));
  ogv_image *frames = calloc((size_t)o->frames, sizeof *frames);
  json_t *list = json_array();
  ogv_status st =
      frames && list ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "phantom clip: no memory for %d frames", o->frames);
  ogv_phantom_frame_truth t = {0};
  for (int i = 0; i < o->frames && st == OGV_OK; i++) {
    st = ogv_phantom_clip_frame(o, i, &frames[i], &t, err);
    if (st == OGV_OK) json_array_append_new(list, frame_json(&t));
  }
  if (st == OGV_OK) st = write_frames(o, path, frames, &t.plane.region, err);
  for (int i = 0; frames && i < o->frames; i++) ogv_image_free(&frames[i]);
  free(frames);
  if (st == OGV_OK && truth) {
    const ogv_phantom_plane_options *p = &o->plane;
    bool femur = p->kind == OGV_PHANTOM_FEMUR;
    *truth = json_pack("{s:f,s:f,s:f,s:O}", "frame_ms", o->frame_ms, "length_mm", p->length_mm, "mm_per_px",
                       t.plane.mm_per_px, "frames", list);
    json_object_set_new(*truth, "breadth_mm", femur ? json_null() : json_real(p->breadth_mm));
    json_object_set_new(
        *truth, "perimeter_mm",
        femur ? json_null() : json_real(ph_round(ph_ellipse_perimeter(p->length_mm, p->breadth_mm), 3)));
  }
  json_decref(list);
  return st;
}
