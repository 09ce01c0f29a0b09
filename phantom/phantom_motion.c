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

typedef struct clip {
  beat b;
  ph_view v;
  ph_set set;
  double cx, cz, step; /* step: ms between frames */
  int n;
  bool uneven; /* some scanners send a vector of times that are not quite even */
  ogv_image *frames;
  double *times;
  json_t *phases;
} clip;

static void clip_of(ph_exam *x, int fetus, int turn, clip *c) {
  memset(c, 0, sizeof *c);
  beat_of(x, fetus, 3000 + (uint64_t)turn, &c->b);
  int w = x->o->quick ? 320 : 640, h = x->o->quick ? 240 : 480;
  double reach = c->b.apad > c->b.tad ? c->b.apad : c->b.tad;
  c->n = x->o->clip_frames;
  c->step = x->o->quick ? 40 : 25;
  ph_make_view(&c->v, &ph_usual_probe, w, h, ph_round(reach / (0.62 * h), 4), false, reach * 0.5 + 18);
  ph_to_mm(&c->v, w * 0.5, h * 0.52, &c->cx, &c->cz);
  clip_set(&c->b, c->cz, &c->set);
  c->uneven = ph_mix(c->b.seed) & 1;
}

static ogv_status clip_frames(clip *c, const ph_caption *caption, ogv_error *err) {
  ph_scene *scene = ph_scene_new(1);
  if (!scene) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  ph_rng r = ph_rng_of(c->b.seed, 74);
  double t = 0, start = ph_uniform(&r);
  ogv_status st = OGV_OK;
  for (int i = 0; i < c->n && st == OGV_OK; i++) {
    c->times[i] = i == 0 ? 0 : c->uneven ? c->step + (i % 7 == 3 ? 1 : i % 5 == 2 ? -1 : 0) : c->step;
    t += c->times[i];
    double phase = start + t / 1000 * c->b.s->rate_bpm / 60;
    phase -= floor(phase);
    build(&c->b, &c->v, c->cx, c->cz, phase, scene);
    st = ogv_image_new(c->b.x->o->quick ? 320 : 640, c->b.x->o->quick ? 240 : 480, 3, &c->frames[i], err);
    if (st == OGV_OK) st = ph_shoot(scene, &c->v, &c->set, &c->frames[i], err);
    if (st != OGV_OK) break;
    ph_layout_plain(&c->frames[i], &c->v, &c->set, caption);
    json_array_append_new(c->phases, json_real(ph_round(phase, 4)));
  }
  ph_scene_free(scene);
  return st;
}

ogv_status ph_write_clip(ph_exam *x, int fetus, int turn, ogv_error *err) {
  clip c;
  clip_of(x, fetus, turn, &c);
  c.frames = calloc((size_t)c.n, sizeof *c.frames);
  c.times = malloc((size_t)c.n * sizeof *c.times);
  c.phases = json_array();
  ph_caption_text cap;
  ph_caption_of(x, "four chambers", fetus, c.b.mi, c.b.tib, &cap);
  ogv_status st =
      c.frames && c.times ? clip_frames(&c, &cap.c, err) : ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  if (st == OGV_OK) {
    ogv_region region = ph_view_region(&c.v);
    json_t *truth = json_object();
    json_object_set_new(truth, "rate_bpm", json_real(c.b.s->rate_bpm));
    json_object_set_new(truth, "frame_ms", json_real(c.step));
    json_object_set_new(truth, "frame_times", json_string(c.uneven ? "vector" : "constant"));
    json_object_set(truth, "phase", c.phases);
    ph_object obj = {.kind = "clip",
                     .view = "heart",
                     .fetus = fetus,
                     .frames = c.frames,
                     .n_frames = c.n,
                     .frame_times = c.uneven ? c.times : NULL,
                     .frame_ms = c.uneven ? 0 : c.step,
                     .regions = &region,
                     .n_regions = 1,
                     .syntax = OGV_WRITE_JPEG_BASELINE,
                     .quality = 88,
                     .depth_mm = c.v.depth_mm,
                     .mi = c.b.mi,
                     .tib = c.b.tib,
                     .tis = c.b.tib,
                     .truth = truth,
                     .image_type = "ORIGINAL\\PRIMARY\\FETAL HEART\\0001"};
    st = ph_store(x, &obj, NULL, NULL, err);
  }
  json_decref(c.phases);
  for (int i = 0; c.frames && i < c.n; i++) ogv_image_free(&c.frames[i]);
  free(c.frames);
  free(c.times);
  return st;
}

#define PHASES 64
/* Grey along the M-line for every phase of the beat. */
static ogv_status m_lines(const beat *b, const ph_view *v, double cx, double cz, float *lines, int samples,
                          ogv_error *err) {
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

typedef struct strip {
  beat b;
  ph_view v;
  ph_set set;
  double cx, cz, start; /* start: phase at the left edge */
  int x0, y0, x1, y1, rows;
  double sweep, s_per_px, mm_per_row;
} strip;

static void strip_of(ph_exam *x, int fetus, int turn, strip *m) {
  memset(m, 0, sizeof *m);
  beat *b = &m->b;
  beat_of(x, fetus, 4000 + (uint64_t)turn, b);
  int w = ph_width(x), h = ph_height(x);
  double reach = b->apad > b->tad ? b->apad : b->tad;
  ph_small_view(&m->v, w, h, ph_round(reach * 1.35 + 14, 1));
  /* The heart lies across the beam, and the line goes through both ventricles. */
  b->turned = PH_HEART_TURN + (b->turned > PH_PI ? PH_PI : 0);
  double step = 0.21 * b->apad / 2, u = 0.13 * b->apad / 2 + step * ph_cos(PH_HEART_TURN);
  double across = -0.1 * b->tad / 2 - step * ph_sin(PH_HEART_TURN);
  m->cx = -(u * ph_cos(b->turned) - across * ph_sin(b->turned));
  m->cz = reach * 0.52 + 14;
  m->x0 = w * 52 / 1024;
  m->x1 = w * 948 / 1024;
  m->y0 = h * 330 / 768;
  m->y1 = h * 732 / 768;
  m->rows = m->y1 - m->y0 + 1;
  m->sweep = 3.0;
  m->s_per_px = m->sweep / (m->x1 - m->x0 + 1);
  m->mm_per_row = m->v.depth_mm / m->rows;
  clip_set(b, m->cz, &m->set);
}

static void draw_strip(const strip *m, const float *lines, ogv_image *img) {
  for (int px = m->x0; px <= m->x1; px++) {
    double phase = m->start + (px - m->x0) * m->s_per_px * m->b.s->rate_bpm / 60, q = (phase - floor(phase)) * PHASES;
    int i = (int)q % PHASES, k = (i + 1) % PHASES;
    double f = q - (int)q;
    for (int j = 0; j < m->rows; j++) {
      double g = lines[i * m->rows + j] * (1 - f) + lines[k * m->rows + j] * f;
      double n = (double)(ph_mix(m->b.seed + (uint64_t)px * 5000 + (uint64_t)j) >> 11) * 0x1p-53 - 0.5;
      g = ph_clamp(g * (1 + 0.25 * n), 0, 1);
      uint8_t *p = img->pixels + (size_t)(m->y0 + j) * img->stride + (size_t)px * 3;
      p[0] = p[1] = p[2] = (uint8_t)(255 * g + 0.5);
    }
  }
}

static void draw_marks(const strip *m, ogv_image *img) {
  double top_x, top_y, low_x, low_y;
  ph_to_pixel(&m->v, 0, 2, &top_x, &top_y);
  ph_to_pixel(&m->v, 0, m->v.depth_mm - 2, &low_x, &low_y);
  ph_dotted(img, top_x, top_y, low_x, low_y, 7, ph_amber);
  for (int k = 0; k * 0.5 < m->sweep; k++) {
    double x = m->x0 + k * 0.5 / m->s_per_px;
    ph_line(img, x, m->y1 + 2, x, m->y1 + 8, 1.2, ph_grey);
  }
  for (int k = 0; k * 10 < m->v.depth_mm; k++) {
    double y = m->y0 + k * 10 / m->mm_per_row;
    ph_line(img, m->x1 + 2, y, m->x1 + (k % 5 ? 7 : 12), y, 1.2, ph_grey);
  }
}

static ogv_region strip_region(const strip *m) {
  ogv_region r = ph_view_region(&m->v);
  r.format = OGV_FORMAT_MMODE;
  r.unit_x = OGV_UNIT_S;
  r.x0 = m->x0;
  r.x1 = m->x1;
  r.y0 = m->y0;
  r.y1 = m->y1;
  r.ref_x = r.ref_y = 0;
  r.delta_x = m->s_per_px;
  r.delta_y = m->mm_per_row / 10;
  return r;
}

static ogv_status store_strip(ph_exam *x, const strip *m, int fetus, int turn, ogv_image *img, ph_rng *r,
                              ogv_error *err) {
  ogv_region regions[2] = {ph_view_region(&m->v), strip_region(m)};
  json_t *truth = json_object();
  json_object_set_new(truth, "rate_bpm", json_real(m->b.s->rate_bpm));
  json_object_set_new(truth, "s_per_px", json_real(m->s_per_px));
  json_object_set_new(truth, "mm_per_row", json_real(m->mm_per_row));
  json_object_set_new(truth, "first_phase", json_real(ph_round(m->start, 4)));
  ph_object obj = {.kind = "m-mode",
                   .view = "heart",
                   .fetus = fetus,
                   .frames = img,
                   .n_frames = 1,
                   .regions = regions,
                   .n_regions = 2,
                   .syntax = OGV_WRITE_EXPLICIT_LE,
                   .depth_mm = m->v.depth_mm,
                   .mi = m->b.mi,
                   .tib = m->b.tib,
                   .tis = m->b.tib,
                   .truth = truth,
                   .image_type = "ORIGINAL\\PRIMARY\\FETAL HEART\\0003"};
  const char *instance = NULL, *series = NULL;
  OGV_TRY(ph_store(x, &obj, &instance, &series, err));
  double shown = ph_round(m->b.s->rate_bpm + ph_gauss(r) * 0.8, 0);
  if (turn == 0) ph_measure(x, "fhr", shown, "/min", fetus, instance, series, "", 0, NULL, 0);
  return OGV_OK;
}

ogv_status ph_write_mmode(ph_exam *x, int fetus, int turn, ogv_error *err) {
  strip m;
  strip_of(x, fetus, turn, &m);
  ph_rng r = ph_rng_of(m.b.seed, 75);
  m.start = ph_uniform(&r);
  ogv_image img = {0};
  float *lines = malloc((size_t)PHASES * (size_t)m.rows * sizeof *lines);
  ph_scene *scene = ph_scene_new(1);
  ogv_status st = lines && scene ? ogv_image_new(ph_width(x), ph_height(x), 3, &img, err)
                                 : ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  if (st == OGV_OK) st = m_lines(&m.b, &m.v, m.cx, m.cz, lines, m.rows, err);
  if (st == OGV_OK) {
    build(&m.b, &m.v, m.cx, m.cz, 0, scene);
    st = ph_shoot(scene, &m.v, &m.set, &img, err);
  }
  if (st == OGV_OK) {
    ph_caption_text cap;
    ph_caption_of(x, "M", fetus, m.b.mi, m.b.tib, &cap);
    draw_strip(&m, lines, &img);
    draw_marks(&m, &img);
    ph_layout_title(&img, &cap.c);
    st = store_strip(x, &m, fetus, turn, &img, &r, err);
  }
  free(lines);
  ph_scene_free(scene);
  ogv_image_free(&img);
  return st;
}
