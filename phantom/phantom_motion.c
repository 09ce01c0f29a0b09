/* The beating heart: clip and M-mode. */
#include <stdlib.h>
#include <string.h>

#include "private/phantom_session.h"

typedef struct beat {
  ph_exam *x;
  const ph_size *s;
  uint64_t seed;
  ph_rng anatomy, mother;
  ph_look_of look;
  double apad, tad, turned, mi, tib;
} beat;

static void beat_of(ph_exam *x, int fetus, uint64_t salt, beat *b) {
  b->x = x;
  b->s = &x->size[fetus];
  b->seed = ph_mix(x->seed ^ (salt + (uint64_t)fetus * 100));
  ph_rng r = ph_rng_of(b->seed, 71);
  b->anatomy = ph_rng_of(b->seed, 72);
  b->mother = ph_rng_of(b->seed, 73);
  b->look = (ph_look_of){.weeks = b->s->ga_days / 7.0, .shadow = 1, .dropout = 0.1};
  b->apad = b->s->apad_mm * 0.86;
  b->tad = b->s->tad_mm * 0.86;
  b->turned = ph_range(&r, 1.2, 1.9);
  if (ph_uniform(&r) < 0.5) b->turned += PH_PI; /* spine below or above */
  b->mi = ph_round(ph_range(&r, 0.8, 1.1), 1);
  b->tib = ph_round(ph_range(&r, 0.2, 0.5), 1);
}

static void build(const beat *b, const ph_view *v, double cx, double cz, double phase, ph_scene *scene) {
  ph_scene_clear(scene, ph_mix(b->seed ^ 5));
  ph_rng m = b->mother;
  double reach = (b->apad > b->tad ? b->apad : b->tad) / 2;
  ph_add_mother(scene, v, &m, cx, cz, reach);
  ph_add_heart(scene, b->anatomy, ph_frame_at(cx, cz, b->turned), b->apad, b->tad, phase, &b->look);
}

static void clip_set(const beat *b, double focus, ph_set *set) {
  ph_set_defaults(set);
  set->seed = b->seed;
  set->looks = b->x->o->quick ? 1 : 2;
  set->pulse_mm = 0.2;
  set->beam_mm = 0.45;
  set->focus_mm = focus;
  set->gain_db = 2;
  set->beams = b->x->o->quick ? 110 : 260;
  set->samples = b->x->o->quick ? 200 : 520;
}

ogv_status ph_write_clip(ph_exam *x, int fetus, int turn, ogv_error *err) {
  beat b;
  beat_of(x, fetus, 3000 + (uint64_t)turn, &b);
  int w = x->o->quick ? 320 : 640, h = x->o->quick ? 240 : 480, n = x->o->clip_frames;
  double step = x->o->quick ? 40 : 25;
  double reach = (b.apad > b.tad ? b.apad : b.tad), mm = ph_round(reach / (0.62 * h), 4);
  ph_view v;
  ph_make_view(&v, w, h, mm, false, reach * 0.5 + 18);
  double cx, cz;
  ph_to_mm(&v, w * 0.5, h * 0.52, &cx, &cz);
  ph_set set;
  clip_set(&b, cz, &set);
  ogv_image *frames = calloc((size_t)n, sizeof *frames);
  double *times = malloc((size_t)n * sizeof *times);
  ph_scene *scene = ph_scene_new(1);
  ogv_status st = frames && times && scene ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  bool uneven = ph_mix(b.seed) & 1; /* some scanners send a vector of times that are not quite even */
  ph_rng r = ph_rng_of(b.seed, 74);
  double t = 0, start = ph_uniform(&r);
  ph_caption_text cap;
  ph_caption_of(x, "four chambers", fetus, b.mi, b.tib, &cap);
  json_t *phases = json_array();
  for (int i = 0; i < n && st == OGV_OK; i++) {
    times[i] = i == 0 ? 0 : uneven ? step + (i % 7 == 3 ? 1 : i % 5 == 2 ? -1 : 0) : step;
    t += times[i];
    double phase = start + t / 1000 * b.s->rate_bpm / 60;
    phase -= floor(phase);
    build(&b, &v, cx, cz, phase, scene);
    st = ogv_image_new(w, h, 3, &frames[i], err);
    if (st == OGV_OK) st = ph_shoot(scene, &v, &set, &frames[i], err);
    if (st != OGV_OK) break;
    ph_layout_plain(&frames[i], &v, &set, &cap.c);
    json_array_append_new(phases, json_real(ph_round(phase, 4)));
  }
  if (st == OGV_OK) {
    ogv_region region = ph_view_region(&v);
    json_t *truth = json_object();
    json_object_set_new(truth, "rate_bpm", json_real(b.s->rate_bpm));
    json_object_set_new(truth, "frame_ms", json_real(step));
    json_object_set_new(truth, "frame_times", json_string(uneven ? "vector" : "constant"));
    json_object_set(truth, "phase", phases);
    ph_object obj = {.kind = "clip", .view = "heart", .fetus = fetus, .frames = frames, .n_frames = n, .frame_times = uneven ? times : NULL,
                     .frame_ms = uneven ? 0 : step, .regions = &region, .n_regions = 1, .syntax = OGV_WRITE_JPEG_BASELINE, .quality = 88,
                     .depth_mm = v.depth_mm, .mi = b.mi, .tib = b.tib, .tis = b.tib, .truth = truth,
                     .image_type = "ORIGINAL\\PRIMARY\\FETAL HEART\\0001"};
    st = ph_store(x, &obj, NULL, NULL, err);
  }
  json_decref(phases);
  for (int i = 0; frames && i < n; i++) ogv_image_free(&frames[i]);
  free(frames);
  free(times);
  ph_scene_free(scene);
  return st;
}

#define PHASES 64
/* Grey along the M-line for every phase of the beat. */
static ogv_status m_lines(const beat *b, const ph_view *v, double cx, double cz, float *lines, int samples, ogv_error *err) {
  ph_scene *scene = ph_scene_new(1);
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_view narrow = *v;
  narrow.half_angle = 0.045;
  ph_set set;
  clip_set(b, cz, &set);
  set.beams = 19;
  set.samples = samples;
  ogv_status st = OGV_OK;
  for (int i = 0; i < PHASES && st == OGV_OK; i++) {
    ph_polar p;
    build(b, v, cx, cz, (double)i / PHASES, scene);
    st = ph_form(scene, &narrow, &set, &p, err);
    if (st != OGV_OK) break;
    for (int j = 0; j < samples; j++) lines[i * samples + j] = p.grey[(size_t)j * 19 + 9];
    free(p.grey);
  }
  ph_scene_free(scene);
  return st;
}

ogv_status ph_write_mmode(ph_exam *x, int fetus, int turn, ogv_error *err) {
  beat b;
  beat_of(x, fetus, 4000 + (uint64_t)turn, &b);
  int w = ph_width(x), h = ph_height(x);
  double reach = (b.apad > b.tad ? b.apad : b.tad);
  ogv_region regions[2];
  ph_view v;
  double depth = ph_round(reach * 1.35 + 14, 1);
  ph_small_view(&v, w, h, depth);
  /* The heart lies across the beam, and the line goes through both ventricles. */
  b.turned = PH_HEART_TURN + (b.turned > PH_PI ? PH_PI : 0);
  double u = 0.13 * b.apad / 2 + 0.21 * b.apad / 2 * ph_cos(PH_HEART_TURN), w_ = -0.1 * b.tad / 2 - 0.21 * b.apad / 2 * ph_sin(PH_HEART_TURN);
  double cx = -(u * ph_cos(b.turned) - w_ * ph_sin(b.turned)), cz = reach * 0.52 + 14;
  int x0 = w * 52 / 1024, x1 = w * 948 / 1024, y0 = h * 330 / 768, y1 = h * 732 / 768, rows = y1 - y0 + 1;
  double sweep = 3.0, s_per_px = sweep / (x1 - x0 + 1), mm_per_row = v.depth_mm / rows;
  ogv_image img = {0};
  float *lines = malloc((size_t)PHASES * (size_t)rows * sizeof *lines);
  ph_scene *scene = ph_scene_new(1);
  ogv_status st = lines && scene ? ogv_image_new(w, h, 3, &img, err) : ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  if (st == OGV_OK) st = m_lines(&b, &v, cx, cz, lines, rows, err);
  ph_set set;
  clip_set(&b, cz, &set);
  if (st == OGV_OK) {
    build(&b, &v, cx, cz, 0, scene);
    st = ph_shoot(scene, &v, &set, &img, err);
  }
  ph_rng r = ph_rng_of(b.seed, 75);
  double start = ph_uniform(&r);
  for (int px = x0; px <= x1 && st == OGV_OK; px++) {
    double phase = start + (px - x0) * s_per_px * b.s->rate_bpm / 60;
    double q = (phase - floor(phase)) * PHASES;
    int i = (int)q % PHASES, k = (i + 1) % PHASES;
    double f = q - (int)q;
    for (int j = 0; j < rows; j++) {
      double g = lines[i * rows + j] * (1 - f) + lines[k * rows + j] * f;
      double n = (double)(ph_mix(b.seed + (uint64_t)px * 5000 + (uint64_t)j) >> 11) * 0x1p-53 - 0.5;
      g = ph_clamp(g * (1 + 0.25 * n), 0, 1);
      uint8_t *p = img.pixels + (size_t)(y0 + j) * img.stride + (size_t)px * 3;
      p[0] = p[1] = p[2] = (uint8_t)(255 * g + 0.5);
    }
  }
  if (st == OGV_OK) {
    double top_x, top_y, low_x, low_y;
    ph_to_pixel(&v, 0, 2, &top_x, &top_y);
    ph_to_pixel(&v, 0, v.depth_mm - 2, &low_x, &low_y);
    ph_dotted(&img, top_x, top_y, low_x, low_y, 7, ph_amber);
    for (int k = 0; k * 0.5 < sweep; k++) ph_line(&img, x0 + k * 0.5 / s_per_px, y1 + 2, x0 + k * 0.5 / s_per_px, y1 + 8, 1.2, ph_grey);
    for (int k = 0; k * 10 < v.depth_mm; k++) ph_line(&img, x1 + 2, y0 + k * 10 / mm_per_row, x1 + (k % 5 ? 7 : 12), y0 + k * 10 / mm_per_row, 1.2, ph_grey);
    ph_caption_text cap;
    ph_caption_of(x, "M", fetus, b.mi, b.tib, &cap);
    ph_layout_title(&img, &cap.c);
    regions[0] = ph_view_region(&v);
    regions[1] = regions[0];
    regions[1].format = OGV_FORMAT_MMODE;
    regions[1].unit_x = OGV_UNIT_S;
    regions[1].x0 = x0;
    regions[1].x1 = x1;
    regions[1].y0 = y0;
    regions[1].y1 = y1;
    regions[1].ref_x = regions[1].ref_y = 0;
    regions[1].delta_x = s_per_px;
    regions[1].delta_y = mm_per_row / 10;
    json_t *truth = json_object();
    json_object_set_new(truth, "rate_bpm", json_real(b.s->rate_bpm));
    json_object_set_new(truth, "s_per_px", json_real(s_per_px));
    json_object_set_new(truth, "mm_per_row", json_real(mm_per_row));
    json_object_set_new(truth, "first_phase", json_real(ph_round(start, 4)));
    ph_object obj = {.kind = "m-mode", .view = "heart", .fetus = fetus, .frames = &img, .n_frames = 1, .regions = regions, .n_regions = 2,
                     .syntax = OGV_WRITE_EXPLICIT_LE, .depth_mm = v.depth_mm, .mi = b.mi, .tib = b.tib, .tis = b.tib, .truth = truth,
                     .image_type = "ORIGINAL\\PRIMARY\\FETAL HEART\\0003"};
    const char *instance = NULL, *series = NULL;
    st = ph_store(x, &obj, &instance, &series, err);
    double shown = ph_round(b.s->rate_bpm + ph_gauss(&r) * 0.8, 0);
    if (st == OGV_OK && turn == 0) ph_measure(x, "fhr", shown, "/min", fetus, instance, series, "", 0, NULL, 0);
  }
  free(lines);
  ph_scene_free(scene);
  ogv_image_free(&img);
  return st;
}
