/* The spectral reader against phantom spectra with exact truth: velocity, pulsatility, rate, noise, gain, wall filter,
 * angle, sweep, direction, overlay. Seeds are fresh in every run (printed, so that a failure can be repeated with
 * SPECTRUM_SEED=n); the limits are the project's own goals for this test, not a published standard. SPECTRUM_CASES=n
 * runs another number. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core_file.h"
#include "measure_spectrum.h"
#include "phantom_spectrum.h"

static uint64_t state;
static double uniform(double lo, double hi) { /* splitmix64 (Steele, Lea, Flood 2014) */
  uint64_t z = (state += 0x9e3779b97f4a7c15u);
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
  return lo + (hi - lo) * ((double)((z ^ (z >> 31)) >> 11) * 0x1p-53);
}

#define MEASURES 5
static int total;                    /* pictures read */
static int covered[3], within_reach; /* PSV, EDV, PI of accepted forward flow: truth within 1.96 of the SD given */
static int plain, false_mirrors;     /* pictures without a mirror image, and how many of them were said to have one */
typedef struct {
  int n, refused;
  /* relative error of PSV and PI, absolute of the rate, relative of TAMAX, of EDV in rows of the picture */
  double sum[MEASURES], square[MEASURES], worst[MEASURES];
} tally;

static void add(tally *t, int k, double e) {
  t->sum[k] += e;
  t->square[k] += e * e;
  if (fabs(e) > fabs(t->worst[k])) t->worst[k] = e;
}

typedef struct {
  const char *name;
  ogv_phantom_vessel vessel;
  ogv_flow_kind flow;
  double psv[2], pi[2], rate[2], sweep[2];
  double notch; /* largest depth */
  int cases;
} shape;
static const shape shapes[] = {{"umbilical artery",
                                OGV_PHANTOM_UMBILICAL,
                                OGV_FLOW_ARTERIAL_FETAL,
                                {15, 90},
                                {0.5, 2.0},
                                {100, 180},
                                {2.2, 4.5},
                                0,
                                140},
                               {"middle cerebral artery",
                                OGV_PHANTOM_MCA,
                                OGV_FLOW_ARTERIAL_FETAL,
                                {15, 90},
                                {0.5, 3.0},
                                {100, 180},
                                {2.2, 4.5},
                                0,
                                120},
                               {"uterine artery, with and without notch",
                                OGV_PHANTOM_UTERINE,
                                OGV_FLOW_ARTERIAL_MATERNAL,
                                {30, 110},
                                {0.5, 2.8},
                                {55, 110},
                                {3, 6},
                                0.9,
                                80},
                               {"ductus venosus",
                                OGV_PHANTOM_DUCTUS,
                                OGV_FLOW_DUCTUS_VENOSUS,
                                {30, 90},
                                {0.3, 1.0},
                                {100, 180},
                                {2.2, 4.5},
                                0,
                                80}};
#define SHAPES (sizeof shapes / sizeof *shapes)

static void options(ogv_phantom_spectrum_options *o, const shape *v, int i) {
  ogv_phantom_spectrum_defaults(o);
  o->seed = state ^ (uint64_t)i * 77u;
  o->width = 800;
  o->height = 600;
  o->vessel = v->vessel;
  o->psv_cm_s = uniform(v->psv[0], v->psv[1]);
  o->pi = uniform(v->pi[0], v->pi[1]);
  o->rate_bpm = uniform(v->rate[0], v->rate[1]);
  o->notch = uniform(0, 1) < 0.5 ? uniform(0.2, 1) * v->notch : 0;
  o->snr_db = uniform(14, 34);
  o->gain_db = uniform(-4, 6);
  o->wall_filter_cm_s = uniform(0.8, 2.2);
  o->angle_deg = uniform(0, 55);
  o->sweep_s = uniform(v->sweep[0], v->sweep[1]);
  o->away = uniform(0, 1) < 0.3;
  o->inverted = uniform(0, 1) < 0.3;
  o->overlay = uniform(0, 1) < 0.5;
  o->venous_cm_s = uniform(0, 1) < 0.3 && v->flow == OGV_FLOW_ARTERIAL_FETAL ? uniform(6, 15) : 0;
  o->captions = true;
}

static void read_picture(const ogv_image *p, const ogv_region *r, ogv_flow_kind flow, ogv_spectrum *s) {
  ogv_spectrum_scale scale;
  ogv_error err = {0};
  if (ogv_spectrum_scale_from_region(r, &scale, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_int_equal(ogv_spectrum_measure(p, &scale, flow, s, &err), OGV_OK);
  total++;
}

static bool measure(const ogv_phantom_spectrum_options *o, ogv_phantom_spectrum_truth *t, ogv_spectrum *s) {
  ogv_image p;
  ogv_error err = {0};
  assert_int_equal(ogv_phantom_spectrum(o, &p, t, &err), OGV_OK);
  read_picture(&p, &t->region, OGV_FLOW_ARTERIAL_FETAL, s);
  ogv_image_free(&p);
  return s->accepted;
}

static int cases(int otherwise) {
  const char *n = getenv("SPECTRUM_CASES");
  return n ? (int)strtol(n, NULL, 10) : otherwise;
}

/* The picture at half its size, two by two pixels averaged, as an export does; its region goes along. */
static void halve(ogv_image *p, ogv_region *r) {
  ogv_image q;
  assert_int_equal(ogv_image_new(p->width / 2, p->height / 2, 3, &q, NULL), OGV_OK);
  for (int y = 0; y < q.height; y++)
    for (int x = 0; x < q.width; x++)
      for (int c = 0; c < 3; c++) {
        const uint8_t *a = p->pixels + (size_t)(2 * y) * p->stride + (size_t)(2 * x) * 3 + (size_t)c,
                      *b = a + p->stride;
        q.pixels[(size_t)y * q.stride + (size_t)x * 3 + (size_t)c] = (uint8_t)((a[0] + a[3] + b[0] + b[3] + 2) / 4);
      }
  ogv_image_free(p);
  *p = q;
  double base =
      (r->y0 + r->ref_y - r->ref_value_y / r->delta_y + 0.5) / 2 - 0.5; /* pixel centres halve about the corner */
  r->x0 = (r->x0 + 1) / 2;
  r->x1 = (r->x1 - 1) / 2;
  r->y0 = (r->y0 + 1) / 2;
  r->y1 = (r->y1 - 1) / 2;
  r->delta_x *= 2;
  r->delta_y *= 2;
  r->ref_y = (int32_t)floor(base) - r->y0;
  r->ref_value_y = -(base - floor(base)) * r->delta_y;
}

/* Upright crosses of one light grey at every peak and near every end of diastole: they have no colour to know them by.
 */
static void draw_cross(ogv_image *p, double x, double y) {
  for (int k = -6; k <= 6; k++)
    for (int axis = 0; axis < 2; axis++) {
      int px = (int)lround(x) + (axis ? 0 : k), py = (int)lround(y) + (axis ? k : 0);
      if (px >= 0 && py >= 0 && px < p->width && py < p->height)
        memset(p->pixels + (size_t)py * p->stride + (size_t)px * 3, 235, 3);
    }
}

static void draw_crosses(ogv_image *p, const ogv_phantom_spectrum_truth *t) {
  for (int i = 0; i < t->n_cycles; i++) {
    const ogv_phantom_cycle *c = &t->cycles[i];
    if (!c->complete) continue;
    double at[2] = {(c->start_s + c->acceleration_s) / t->s_per_px, c->end_s / t->s_per_px - 3};
    for (int k = 0; k < 2; k++) draw_cross(p, t->x0 + at[k], t->envelope_row[(int)(at[k] + 0.5)]);
  }
}

/* The picture blurred by a Gaussian, as an export that is scaled up or filtered shows it. */
static void blur(ogv_image *p, double sd) {
  int reach = (int)ceil(3 * sd), longest = p->width > p->height ? p->width : p->height;
  double weight[32], sum = 0;
  float *line = malloc(sizeof *line * (size_t)longest);
  assert_non_null(line);
  for (int k = -reach; k <= reach; k++) sum += weight[k + reach] = exp(-0.5 * k * k / (sd * sd));
  for (int axis = 0; axis < 2; axis++) {
    int n = axis ? p->height : p->width, lines = axis ? p->width : p->height;
    size_t step = axis ? p->stride : 3, next = axis ? 3 : p->stride;
    for (int l = 0; l < lines * 3; l++) {
      uint8_t *q = p->pixels + (size_t)(l / 3) * next + (size_t)(l % 3);
      for (int i = 0; i < n; i++) line[i] = q[(size_t)i * step];
      for (int i = 0; i < n; i++) {
        double v = 0;
        for (int k = -reach; k <= reach; k++)
          v += weight[k + reach] * (double)line[i + k < 0 ? 0 : i + k >= n ? n - 1 : i + k];
        q[(size_t)i * step] = (uint8_t)(v / sum + 0.5);
      }
    }
  }
  free(line);
}

typedef enum { AS_DRAWN, HALF_SIZE, WITH_CROSSES, SLOW, QUARTER_SIZE, BLURRED } variant;

static void compare(tally *t, int *edf_wrong, const ogv_phantom_spectrum_options *o, const shape *v,
                    const ogv_phantom_spectrum_truth *truth, const ogv_spectrum *s, int i) {
  t->n++;
  plain++;
  false_mirrors += s->mirror;
  if (!s->accepted) {
    t->refused++;
    if (getenv("SPECTRUM_VERBOSE"))
      printf("%4d REFUSED snr %.1f gain %.1f pi %.2f: %s\n", i, o->snr_db, o->gain_db, o->pi, s->reason);
    return;
  }
  double e[MEASURES] = {s->psv.value / truth->psv_cm_s - 1, s->pi.value / truth->pi - 1,
                        s->rate_bpm.value - truth->rate_bpm, s->tamax.value / truth->tamax_cm_s - 1,
                        (s->edv.value - truth->edv_cm_s) / truth->cm_s_per_px};
  within_reach++;
  covered[0] += fabs(s->psv.value - truth->psv_cm_s) < 1.96 * s->psv.sd;
  covered[1] += fabs(s->edv.value - truth->edv_cm_s) < 1.96 * s->edv.sd;
  covered[2] += fabs(s->pi.value - truth->pi) < 1.96 * s->pi.sd;
  /* Flow under the wall filter is not shown, so "absent" or "uncertain" is right there, and its EDV is 0. */
  bool hidden = truth->edv_cm_s < s->wall_filter_cm_s + 1.5 * truth->cm_s_per_px;
  for (int k = 0; k < MEASURES; k++) add(t, k, k == 4 && hidden ? 0 : e[k]);
  if (s->edf == OGV_EDF_REVERSED || (!hidden && s->edf != OGV_EDF_FORWARD)) ++*edf_wrong;
  if (getenv("SPECTRUM_VERBOSE"))
    printf(
        "%4d %s psv %5.1f (%+5.1f%%) pi %.2f (%+5.1f%%) rate %5.1f (%+4.1f) edv %5.1f/%5.1f ta %+5.1f%% snr %4.1f gain "
        "%+4.1f wf %.1f/%.1f ang %2.0f sw %.1f away %d inv %d ov %d vein %4.1f notch %.1f conf %.2f used %zu/%zu %s\n",
        i, v->name, truth->psv_cm_s, 100 * e[0], truth->pi, 100 * e[1], truth->rate_bpm, e[2], s->edv.value,
        truth->edv_cm_s, 100 * e[3], o->snr_db, o->gain_db, o->wall_filter_cm_s, s->wall_filter_cm_s, o->angle_deg,
        o->sweep_s, o->away, o->inverted, o->overlay, o->venous_cm_s, o->notch, s->period_confidence, s->n_used,
        s->n_cycles, s->note);
}

static void judge(const char *name, const tally *t, int edf_wrong, bool coarse) {
  int m = t->n - t->refused;
  double bias[MEASURES], sd[MEASURES];
  for (int k = 0; k < MEASURES; k++) {
    bias[k] = t->sum[k] / m;
    sd[k] = sqrt(fmax(0, t->square[k] / m - bias[k] * bias[k]));
  }
  printf(
      "%s: %d spectra, %d refused; PSV bias %+.2f %% limits %.2f %% worst %+.1f %%; PI bias %+.2f %% limits %.2f %% "
      "worst "
      "%+.1f %%; TAMAX bias %+.2f %% limits %.2f %%; EDV bias %+.2f limits %.2f rows; rate bias %+.2f limits %.2f "
      "worst "
      "%+.2f /min; end-diastole wrong %d\n",
      name, t->n, t->refused, 100 * bias[0], 196 * sd[0], 100 * t->worst[0], 100 * bias[1], 196 * sd[1],
      100 * t->worst[1], 100 * bias[3], 196 * sd[3], bias[4], 1.96 * sd[4], bias[2], 1.96 * sd[2], t->worst[2],
      edf_wrong);
  assert_true(t->refused * 10 < t->n);
  assert_true(fabs(bias[0]) < (coarse ? 0.04 : 0.02) && 1.96 * sd[0] < 0.06);
  assert_true(fabs(bias[1]) < (coarse ? 0.04 : 0.02) && 1.96 * sd[1] < 0.10);
  assert_true(fabs(bias[4]) < (coarse ? 5 : 1.5) && fabs(bias[3]) < (coarse ? 0.03 : 0.02));
  assert_true(fabs(t->worst[2]) < 2);
  assert_true(edf_wrong * 100 <= (coarse ? 15 : 3) * m);
}

static void run_shape(const shape *v, variant how, int n, tally *t, int *edf_wrong) {
  for (int i = 0; i < n; i++) {
    ogv_phantom_spectrum_options o;
    ogv_phantom_spectrum_truth truth;
    ogv_image p;
    ogv_spectrum s;
    ogv_error err = {0};
    options(&o, v, i);
    if (how == HALF_SIZE || how == QUARTER_SIZE) o.width = 1024, o.height = 768;
    if (how == SLOW) o.sweep_s = uniform(8, 11);
    if (how >= SLOW) o.overlay = o.captions = false;
    assert_int_equal(ogv_phantom_spectrum(&o, &p, &truth, &err), OGV_OK);
    if (how == WITH_CROSSES) draw_crosses(&p, &truth);
    ogv_region r = truth.region;
    if (how == HALF_SIZE || how == QUARTER_SIZE) halve(&p, &r);
    if (how == QUARTER_SIZE) halve(&p, &r);
    if (how == BLURRED) blur(&p, uniform(1, 2.5));
    read_picture(&p, &r, v->flow, &s);
    compare(t, edf_wrong, &o, v, &truth, &s, i);
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
    ogv_image_free(&p);
  }
}

static void forward_flow_meets_the_limits(void **unused) {
  (void)unused;
  for (size_t k = 0; k < SHAPES; k++) {
    tally t = {0};
    int wrong = 0;
    run_shape(&shapes[k], AS_DRAWN, cases(shapes[k].cases), &t, &wrong);
    judge(shapes[k].name, &t, wrong, false);
  }
}

static void half_size_and_marked_pictures_meet_the_limits(void **unused) {
  (void)unused;
  for (int how = HALF_SIZE; how <= WITH_CROSSES; how++) {
    tally t = {0};
    int wrong = 0;
    for (size_t k = 0; k < SHAPES; k++) run_shape(&shapes[k], (variant)how, cases(15), &t, &wrong);
    judge(how == HALF_SIZE ? "half size" : "crosses at peaks and ends of diastole", &t, wrong, false);
  }
}

static void absent_and_reversed_flow_are_told_apart(void **unused) {
  (void)unused;
  int n = 0, right = 0, normal_when_reversed = 0, refused = 0;
  for (int i = 0; i < cases(150); i++) {
    ogv_phantom_spectrum_options o;
    options(&o, &shapes[0], i);
    o.psv_cm_s = uniform(25, 70);
    o.diastole = i % 2 ? OGV_PHANTOM_REVERSED : OGV_PHANTOM_ABSENT;
    o.reversed_fraction = uniform(0.15, 0.35);
    o.absent_fraction = uniform(0.25, 0.5);
    o.venous_cm_s = 0;
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    if (measure(&o, &truth, &s)) {
      n++;
      ogv_edf want = i % 2 ? OGV_EDF_REVERSED : OGV_EDF_ABSENT;
      right += s.edf == want;
      normal_when_reversed += i % 2 && s.edf == OGV_EDF_FORWARD;
      if (s.edf != want && getenv("SPECTRUM_VERBOSE"))
        printf("%4d want %s got %s psv %.1f edv %.1f/%.1f snr %.1f gain %.1f wf %.1f/%.1f %s\n", i, ogv_edf_word(want),
               ogv_edf_word(s.edf), truth.psv_cm_s, s.edv.value, truth.edv_cm_s, o.snr_db, o.gain_db,
               o.wall_filter_cm_s, s.wall_filter_cm_s, s.note);
    } else {
      refused++;
      if (getenv("SPECTRUM_VERBOSE")) printf("%4d REFUSED %s\n", i, s.reason);
    }
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
  }
  printf("absent or reversed: %d read, %d right, %d refused, %d reversed called normal\n", n, right, refused,
         normal_when_reversed);
  assert_true(right * 100 >= 97 * n);
  assert_int_equal(normal_when_reversed, 0);
  assert_true(refused * 5 < n);
}

/* Spectra that wrap around: unwrapped within the limits, or refused; never a wrong number. */
static void aliased_flow_is_unwrapped_or_refused(void **unused) {
  (void)unused;
  int read = 0, refused = 0, wrong = 0, told = 0, n = cases(60);
  for (int i = 0; i < n; i++) {
    ogv_phantom_spectrum_options o;
    options(&o, &shapes[i % 5 < 3 ? 0 : 1], i);
    o.venous_cm_s = 0;
    /* Half of the range is on each side of the baseline: the peak wraps a little, far, or right round. */
    o.range_cm_s = o.psv_cm_s * (i % 3 ? uniform(1.3, 1.9) : uniform(0.7, 1.3));
    o.baseline = 0.5;
    o.inverted = o.away = false;
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    if (measure(&o, &truth, &s)) {
      read++;
      double e = s.psv.value / truth.psv_cm_s - 1, p = s.pi.value / truth.pi - 1;
      told += s.unwrapped;
      wrong += fabs(e) > 0.08 || fabs(p) > 0.15;
      if (getenv("SPECTRUM_VERBOSE") && (fabs(e) > 0.08 || fabs(p) > 0.15))
        printf("%4d psv %.1f range %.1f: %+.1f %% pi %+.1f %% %s\n", i, o.psv_cm_s, o.range_cm_s, 100 * e, 100 * p,
               s.note);
    } else {
      refused++;
      if (getenv("SPECTRUM_VERBOSE"))
        printf("%4d psv %.1f range %.1f REFUSED %s\n", i, o.psv_cm_s, o.range_cm_s, s.reason);
    }
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
  }
  printf("aliased: %d read (%d unwrapped), %d refused, %d wrong\n", read, told, refused, wrong);
  assert_int_equal(wrong, 0);
  assert_true(read * 10 > n * 4); /* a third of them wraps too far on purpose */
}

/* Runs after the grids of forward flow. High resistance beside them: little flow at the end of diastole, near the wall
 * filter, where a row is a tenth of the velocity. The SD given has to say so. */
static void the_sd_given_covers_the_truth(void **unused) {
  (void)unused;
  tally t = {0};
  int wrong = 0;
  for (int i = 0; i < 3; i++) {
    shape high = shapes[i];
    high.pi[0] = 0.9 * high.pi[1];
    run_shape(&high, AS_DRAWN, cases(30), &t, &wrong);
  }
  printf("truth within 1.96 SD: PSV %d, EDV %d, PI %d of %d\n", covered[0], covered[1], covered[2], within_reach);
  for (int k = 0; k < 3; k++) assert_true(covered[k] * 100 >= 88 * within_reach);
}

/* Slow sweeps, small pictures and blurred ones smear the peaks over time: what the picture's grain says of the blur is
 * taken back, and the SD covers the rest. The grain of this phantom is a column wide at any sweep, so a little too much
 * is taken back here (other drawings err to the other side, docs/doppler.md): the bias allowed is wider, the limits are
 * not. */
static void coarse_pictures_are_read_and_their_sd_covers_the_truth(void **unused) {
  (void)unused;
  static const char *const names[] = {"slow sweep", "quarter size", "blurred"};
  for (int how = SLOW; how <= BLURRED; how++) {
    tally t = {0};
    int wrong = 0, before[3], seen = within_reach;
    memcpy(before, covered, sizeof before);
    for (size_t k = 0; k < SHAPES; k++) run_shape(&shapes[k], (variant)how, cases(15), &t, &wrong);
    judge(names[how - SLOW], &t, wrong, true);
    seen = within_reach - seen;
    printf("truth within 1.96 SD: PSV %d, EDV %d, PI %d of %d\n", covered[0] - before[0], covered[1] - before[1],
           covered[2] - before[2], seen);
    /* 95 are aimed at; blurred pictures of this phantom reach 85 to 95, and 60 are few. */
    for (int k = 0; k < 3; k++) assert_true((covered[k] - before[k]) * 100 >= 70 * seen);
  }
}

/* Too few columns a beat, or rows to the peak: the picture cannot carry an index. */
static void too_coarse_pictures_are_refused(void **unused) {
  (void)unused;
  for (int i = 0; i < 6; i++) {
    ogv_phantom_spectrum_options o;
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    options(&o, &shapes[0], i);
    o.width = 400;
    o.rate_bpm = uniform(140, 170);
    o.sweep_s = 11.5;
    o.snr_db = 30;
    o.overlay = false;
    assert_false(measure(&o, &truth, &s));
    if (!strstr(s.reason, "columns for a heart beat")) fail_msg("%s", s.reason);
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
    o.width = 800;
    o.sweep_s = 3;
    o.range_cm_s = 14 * o.psv_cm_s; /* 22 rows to the peak */
    o.pi = 1;
    assert_false(measure(&o, &truth, &s));
    if (!strstr(s.reason, "rows high")) fail_msg("%s", s.reason);
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
  }
}

/* A burned-in baseline as scaled exports show it: bright, with a dimmer row on either side of it. */
static void draw_baseline(ogv_image *p, const ogv_phantom_spectrum_truth *t) {
  int row = (int)lround(t->baseline_row);
  double side = uniform(70, 130);
  for (int dy = -1; dy <= 1; dy++)
    for (int x = t->x0; x <= t->x1; x++)
      if (row + dy >= t->y0 && row + dy <= t->y1)
        memset(p->pixels + (size_t)(row + dy) * p->stride + (size_t)x * 3, (int)((dy ? side : 200) + uniform(-12, 12)),
               3);
}

/* A wall filter that hides slow flow must not turn low flow into absent flow, whether the baseline is drawn or not. */
static void hidden_flow_is_not_called_absent(void **unused) {
  (void)unused;
  int n = cases(150), absent = 0, reversed = 0, read = 0;
  for (int i = 0; i < n; i++) {
    ogv_phantom_spectrum_options o;
    options(&o, &shapes[0], i);
    o.psv_cm_s = uniform(30, 60);
    o.venous_cm_s = 0;
    o.angle_deg = uniform(0, 20);
    o.wall_filter_cm_s = uniform(5, 8);
    o.pi = uniform(2.0, 2.4); /* end-diastolic flow below the filter */
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    ogv_image p;
    ogv_error err = {0};
    assert_int_equal(ogv_phantom_spectrum(&o, &p, &truth, &err), OGV_OK);
    if (i % 3 == 2) draw_baseline(&p, &truth);
    read_picture(&p, &truth.region, OGV_FLOW_ARTERIAL_FETAL, &s);
    if (s.accepted) {
      read++;
      absent += s.edf == OGV_EDF_ABSENT;
      reversed += s.edf == OGV_EDF_REVERSED;
      if (getenv("SPECTRUM_VERBOSE"))
        printf("%4d wall filter %.1f/%.1f edf %s %s\n", i, o.wall_filter_cm_s, s.wall_filter_cm_s, ogv_edf_word(s.edf),
               s.note);
    } else if (getenv("SPECTRUM_VERBOSE")) printf("%4d REFUSED %s\n", i, s.reason);
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
    ogv_image_free(&p);
  }
  printf("wall filter: %d read of %d, %d called absent, %d called reversed\n", read, n, absent, reversed);
  assert_int_equal(absent, 0);
  assert_int_equal(reversed, 0);
  assert_true(read * 2 > n);
}

typedef struct {
  int read, said, seen, unsaid, wrong, edf_wrong, normal_when_reversed;
} mirror_tally;

static void read_mirror(const ogv_phantom_spectrum_options *o, int i, mirror_tally *m) {
  ogv_phantom_spectrum_truth truth;
  ogv_spectrum s;
  bool read = measure(o, &truth, &s);
  bool seen = o->snr_db + o->mirror_db >= 8; /* the copy stands 8 dB above the noise: the eye sees it */
  bool back = o->diastole == OGV_PHANTOM_REVERSED;
  m->seen += seen;
  m->said += s.mirror;
  m->unsaid += seen && !s.mirror;
  if (read) {
    bool bad = !back && fabs(s.pi.value / truth.pi - 1) > 0.15;
    m->read++;
    m->wrong += bad;
    m->edf_wrong += back ? s.edf != OGV_EDF_REVERSED : s.edf == OGV_EDF_REVERSED;
    m->normal_when_reversed += back && s.edf == OGV_EDF_FORWARD;
    if (getenv("SPECTRUM_VERBOSE") || bad)
      printf("%4d mirror %.0f dB snr %.1f gain %.1f base %.2f edf %s pi %+.1f %% psv %+.1f %% %s\n", i, o->mirror_db,
             o->snr_db, o->gain_db, o->baseline, ogv_edf_word(s.edf), 100 * (s.pi.value / truth.pi - 1),
             100 * (s.psv.value / truth.psv_cm_s - 1), s.note);
  } else if (getenv("SPECTRUM_VERBOSE")) printf("%4d mirror %.0f dB REFUSED %s\n", i, o->mirror_db, s.reason);
  ogv_spectrum_free(&s);
  ogv_phantom_spectrum_free(&truth);
}

/* A strong mirror image: where the other side is small its copy of the peaks goes round the end of the scale and meets
 * the flow itself; where both sides are alike it stands there whole. None may move an index unsaid, and none may stand
 * for reverse flow or hide it. */
static void mirrored_flow_is_read_right_and_said(void **unused) {
  (void)unused;
  mirror_tally forward = {0}, reversed = {0};
  int n = cases(300), m = cases(60);
  for (int i = 0; i < n + m; i++) {
    ogv_phantom_spectrum_options o;
    options(&o, &shapes[0], i);
    o.psv_cm_s = uniform(30, 60);
    o.venous_cm_s = 0;
    o.angle_deg = uniform(0, 20);
    o.mirror_db = uniform(-16, -8);
    o.wall_filter_cm_s = 1.2;
    o.baseline = i % 3 ? 0 : 0.5;
    if (i >= n) {
      o.diastole = OGV_PHANTOM_REVERSED;
      o.reversed_fraction = uniform(0.15, 0.35);
    }
    read_mirror(&o, i, i < n ? &forward : &reversed);
  }
  printf(
      "mirror: %d read of %d, %d wrong, %d called reversed, said in %d, strong enough to be seen in %d, unsaid of "
      "those %d\n",
      forward.read, n, forward.wrong, forward.edf_wrong, forward.said, forward.seen, forward.unsaid);
  printf("mirror with reversed flow: %d read of %d, %d not called reversed, %d called normal\n", reversed.read, m,
         reversed.edf_wrong, reversed.normal_when_reversed);
  assert_int_equal(forward.wrong, 0);
  assert_int_equal(forward.edf_wrong, 0);
  assert_int_equal(forward.unsaid + reversed.unsaid, 0);
  assert_true(forward.read * 10 >= n * 9);
  assert_int_equal(reversed.normal_when_reversed, 0);
  assert_true(reversed.edf_wrong * 20 <= reversed.read);
  assert_true(reversed.read * 2 > m);
}

/* Gain far too high, so that flow is one white area, or far too low: right or refused. */
static void wrong_gain_gives_no_wrong_index(void **unused) {
  (void)unused;
  int n = cases(100), read = 0, wrong = 0, high = 0, within = 0;
  double sum = 0, square = 0;
  for (int i = 0; i < n; i++) {
    ogv_phantom_spectrum_options o;
    options(&o, &shapes[i % 3], i);
    o.gain_db = i % 2 ? uniform(6, 25) : uniform(-20, -4);
    ogv_phantom_spectrum_truth truth;
    ogv_spectrum s;
    if (measure(&o, &truth, &s)) {
      bool bad = fabs(s.pi.value / truth.pi - 1) > 0.15;
      read++;
      wrong += bad;
      if (i % 2) {
        double e = s.pi.value / truth.pi - 1;
        high++;
        sum += e;
        square += e * e;
        within += fabs(s.pi.value - truth.pi) < 1.96 * s.pi.sd;
      }
      if (bad)
        printf("%4d gain %.1f snr %.1f: pi %+.1f %% edv %.1f/%.1f %s\n", i, o.gain_db, o.snr_db,
               100 * (s.pi.value / truth.pi - 1), s.edv.value, truth.edv_cm_s, s.note);
    }
    ogv_spectrum_free(&s);
    ogv_phantom_spectrum_free(&truth);
  }
  double bias = sum / high;
  printf(
      "gain wrong: %d read of %d, %d wrong; too high: %d read, PI bias %+.2f %% limits %.2f %%, truth within 1.96 SD "
      "%d\n",
      read, n, wrong, high, 100 * bias, 196 * sqrt(fmax(0, square / high - bias * bias)), within);
  assert_int_equal(wrong, 0);
  assert_true(read * 2 > n);
}

static void there_were_enough(void **unused) {
  (void)unused;
  printf("%d spectra read in all; mirror said in %d of %d without one\n", total, false_mirrors, plain);
  assert_true(false_mirrors * 50 <= plain);
  assert_true(getenv("SPECTRUM_CASES") || total >= 500);
}

int main(void) {
  const char *seed = getenv("SPECTRUM_SEED");
  if (seed) state = strtoull(seed, NULL, 10);
  else ogv_random(&state, sizeof state);
  state &= 0xffffffff;
  printf("SPECTRUM_SEED=%llu\n", (unsigned long long)state);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(forward_flow_meets_the_limits),
      cmocka_unit_test(half_size_and_marked_pictures_meet_the_limits),
      cmocka_unit_test(coarse_pictures_are_read_and_their_sd_covers_the_truth),
      cmocka_unit_test(too_coarse_pictures_are_refused),
      cmocka_unit_test(the_sd_given_covers_the_truth),
      cmocka_unit_test(absent_and_reversed_flow_are_told_apart),
      cmocka_unit_test(aliased_flow_is_unwrapped_or_refused),
      cmocka_unit_test(hidden_flow_is_not_called_absent),
      cmocka_unit_test(mirrored_flow_is_read_right_and_said),
      cmocka_unit_test(wrong_gain_gives_no_wrong_index),
      cmocka_unit_test(there_were_enough),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
