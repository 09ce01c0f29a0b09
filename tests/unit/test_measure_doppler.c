/* Index formulas on known curves, bad input of the spectral reader, heart rate, atrium to ventricle. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "heart_pictures.h"
#include "measure_rate.h"
#include "measure_spectrum.h"
#include "measure_timing.h"

static ogv_spectrum_scale scale_for(double s_per_pixel) {
  return (ogv_spectrum_scale){.x0 = 0,
                              .y0 = 0,
                              .x1 = 599,
                              .y1 = 299,
                              .baseline_row = 250,
                              .cm_s_per_pixel = -0.3,
                              .s_per_pixel = s_per_pixel,
                              .absolute = true,
                              .angle_deg = NAN,
                              .wall_filter_cm_s = NAN,
                              .hundred_hz_cm_s = NAN};
}

/* A wave that jumps from D to S and falls back linearly: TAMAX = (S+D)/2, so every index is known in closed form:
 * PI = (S-D)/TAMX, RI = (S-D)/S, S/D (Gosling 1971; Pourcelot 1974; Stuart 1980). For S 50, D 20: PI 0.857, RI 0.600,
 * S/D 2.50 (worked by hand from the definitions). */
static void indices_follow_their_definitions(void **state) {
  (void)state;
  double v[600], dt = 0.004;
  int period = 104; /* 144.2 a minute */
  for (int i = 0; i < 600; i++) {
    int k = (i + 60) % period;
    v[i] = k < 4 ? 20 + 30.0 * k / 4 : 50 - 30.0 * (k - 4) / (period - 4);
  }
  ogv_spectrum_scale c = scale_for(dt);
  ogv_spectrum s;
  assert_int_equal(ogv_spectrum_from_envelope(v, NULL, 600, &c, OGV_FLOW_ARTERIAL_FETAL, &s, NULL), OGV_OK);
  assert_true(s.accepted);
  assert_true(fabs(s.pi.value - 30 / 35.0) < 0.02);
  assert_true(fabs(s.ri.value - 0.6) < 0.012);
  assert_true(fabs(s.sd_ratio.value - 2.5) < 0.07);
  assert_true(fabs(s.rate_bpm.value - 60 / (period * dt)) < 0.3);
  assert_int_equal(s.edf, OGV_EDF_FORWARD);
  /* Identity RI = 1 - 1/(S/D), cycle by cycle. */
  for (size_t i = 0; i < s.n_cycles; i++) assert_true(fabs(s.cycles[i].ri - (1 - 1 / s.cycles[i].sd_ratio)) < 1e-9);
  ogv_spectrum_free(&s);
}

/* Reversed end-diastolic flow: RI above 1, no S/D, and a mean that reverse flow lowers. */
static void reversed_flow_subtracts(void **state) {
  (void)state;
  double v[600];
  for (int i = 0; i < 600; i++) {
    int k = (i + 30) % 100;
    v[i] = k < 4 ? -5 + 45.0 * k / 4 : k < 40 ? 40 - 45.0 * (k - 4) / 36 : -5;
  }
  ogv_spectrum_scale c = scale_for(0.0042);
  ogv_spectrum s;
  assert_int_equal(ogv_spectrum_from_envelope(v, NULL, 600, &c, OGV_FLOW_ARTERIAL_FETAL, &s, NULL), OGV_OK);
  assert_true(s.accepted);
  assert_int_equal(s.edf, OGV_EDF_REVERSED);
  assert_true(fabs(s.ri.value - 1.125) < 0.02); /* (40+5)/40 */
  assert_true(isnan(s.sd_ratio.value));
  double mean = 0;
  for (int i = 0; i < 100; i++) mean += v[i] / 100;
  assert_true(fabs(s.tamax.value - mean) < 0.3);
  ogv_spectrum_free(&s);
}

static void ductus_venosus_indices(void **state) {
  (void)state;
  double v[600];
  for (int i = 0; i < 600; i++) { /* S 60, v 44, D 52, a 30: PIV = (S-a)/TAMX */
    double t = ((i + 20) % 110) / 110.0;
    v[i] = t < 0.08  ? 30 + 30 * sin(M_PI / 2 * t / 0.08)
           : t < 0.3 ? 60 - 16 * (t - 0.08) / 0.22
           : t < 0.5 ? 44 + 8 * (t - 0.3) / 0.2
           : t < 0.8 ? 52 - 6 * (t - 0.5) / 0.3
                     : 46 - 16 * (t - 0.8) / 0.2;
  }
  ogv_spectrum_scale c = scale_for(0.0038);
  ogv_spectrum s;
  assert_int_equal(ogv_spectrum_from_envelope(v, NULL, 600, &c, OGV_FLOW_DUCTUS_VENOSUS, &s, NULL), OGV_OK);
  assert_true(s.accepted);
  double mean = 0;
  for (int i = 0; i < 110; i++) mean += v[i] / 110;
  assert_true(fabs(s.pi.value - 30 / mean) < 0.06);
  assert_true(fabs(s.cycles[1].d_wave - 52) < 1.5);
  assert_true(fabs(s.cycles[1].mdv - 44) < 1.5);
  ogv_spectrum_free(&s);
}

/* v_b = v_a cos(a)/cos(b): from 30 to 45 degrees a factor of 1.2247 (Evans & McDicken 2000; worked by hand). */
static void changed_angle_scales_velocities_only(void **state) {
  (void)state;
  ogv_spectrum_scale c = scale_for(0.004);
  c.angle_deg = 30;
  assert_int_equal(ogv_spectrum_set_angle(&c, 45, NULL), OGV_OK);
  assert_true(fabs(c.cm_s_per_pixel / -0.3 - 1.2247) < 1e-4);
  assert_true(c.absolute);
  assert_int_equal(ogv_spectrum_set_angle(&c, 65, NULL), OGV_OK);
  assert_non_null(strstr(c.note, "over 60"));
  assert_int_equal(ogv_spectrum_set_angle(&c, 75, NULL), OGV_OK);
  assert_false(c.absolute);
  ogv_error err;
  assert_int_equal(ogv_spectrum_set_angle(&c, 95, &err), OGV_E_INVALID);
  c.angle_deg = NAN;
  assert_int_equal(ogv_spectrum_set_angle(&c, 20, &err), OGV_E_INVALID);
}

static ogv_region spectral_region(void) {
  return (ogv_region){.format = OGV_FORMAT_SPECTRAL,
                      .data_type = OGV_DATA_PW,
                      .unit_x = OGV_UNIT_S,
                      .unit_y = OGV_UNIT_CM_S,
                      .x0 = 0,
                      .y0 = 0,
                      .x1 = 399,
                      .y1 = 199,
                      .has_ref_x = true,
                      .has_ref_y = true,
                      .ref_y = 150,
                      .delta_x = 0.005,
                      .delta_y = -0.5,
                      .transducer_khz = 3500,
                      .prf_hz = NAN,
                      .correction_angle_deg = 0,
                      .steering_angle_deg = NAN,
                      .calibration_sd = 0.005};
}

static void unusable_regions_are_refused_with_the_reason(void **state) {
  (void)state;
  ogv_spectrum_scale c;
  ogv_error err;
  ogv_region r = spectral_region();
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_OK);
  assert_true(fabs(c.baseline_row - 150) < 1e-9);
  /* f_wf 100 Hz at 3.5 MHz and 0 degrees: 2.2 cm/s. */
  assert_true(fabs(c.hundred_hz_cm_s - 2.2) < 1e-9);
  r.has_ref_y = false;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_E_CALIBRATION);
  assert_non_null(strstr(err.what, "baseline"));
  r = spectral_region();
  r.ref_y = 400;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_E_CALIBRATION);
  r = spectral_region();
  r.unit_y = 9;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_E_CALIBRATION);
  assert_non_null(strstr(err.what, "unit code 9"));
  r = spectral_region();
  r.unit_y = OGV_UNIT_HZ;
  r.delta_y = -26;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_OK);
  assert_true(fabs(c.cm_s_per_pixel + 26 * 0.022) < 1e-9);
  r.correction_angle_deg = NAN;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_OK);
  assert_false(c.absolute);
}

static void pictures_without_a_spectrum_are_refused(void **state) {
  (void)state;
  ogv_image p;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(400, 200, 1, &p, &err), OGV_OK);
  ogv_region r = spectral_region();
  ogv_spectrum_scale c;
  assert_int_equal(ogv_spectrum_scale_from_region(&r, &c, &err), OGV_OK);
  ogv_spectrum s;
  assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_OK);
  assert_false(s.accepted);
  assert_true(s.reason[0] != 0);
  ogv_spectrum_free(&s);
  srand(5);
  for (size_t i = 0; i < (size_t)200 * p.stride; i++) p.pixels[i] = (uint8_t)(rand() % 256);
  assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_OK);
  assert_false(s.accepted);
  ogv_spectrum_free(&s);
  c.x1 = 500;
  assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_E_INVALID);
  ogv_image_free(&p);
}

/* Flow up to an envelope 20 to 60 rows high, from `inner` of it where that is over 35; grey levels as given, +- 30. */
static void draw_band(ogv_image *p, double inner, int flow, int noise) {
  srand(5);
  for (int x = 0; x < p->width; x++) {
    double t = (x % 60) / 60.0, v = 20 + 40 * (t < 0.1 ? t / 0.1 : exp(-3 * (t - 0.1)));
    for (int y = 0; y < p->height; y++) {
      double d = 150 - y;
      int level = (d >= (v > 35 ? inner * v : 0) && d <= v ? flow : noise) + rand() % 61 - 30;
      p->pixels[(size_t)y * p->stride + (size_t)x] = (uint8_t)(level < 0 ? 0 : level > 255 ? 255 : level);
    }
  }
}

/* Plug flow has an empty window below it (common practice: seen in wide arteries in early systole). Where it is so wide
 * that the flow is taken for none, as where the noise is nearly as bright as the flow, zeros must not pass for a trace.
 */
static void flow_clear_of_the_baseline_is_not_called_none(void **state) {
  (void)state;
  ogv_image p;
  ogv_error err = {0};
  assert_int_equal(ogv_image_new(600, 200, 1, &p, &err), OGV_OK);
  ogv_spectrum_scale c = scale_for(0.0075);
  c.y1 = 199;
  c.baseline_row = 150;
  ogv_spectrum s;
  draw_band(&p, 0, 200, 30);
  assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_OK);
  assert_true(s.accepted);
  assert_true(fabs(s.psv.value - 60 * 0.3) < 1);
  double pi = s.pi.value;
  ogv_spectrum_free(&s);
  int clear = 0;
  for (int i = 0; i <= 8; i++) {
    draw_band(&p, 0.5 + 0.05 * i, 200, 30);
    assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_OK);
    if (s.accepted) assert_true(fabs(s.pi.value / pi - 1) < 0.1);
    else clear += strstr(s.reason, "clear of the baseline") != NULL;
    ogv_spectrum_free(&s);
  }
  assert_true(clear > 0);
  c.wall_filter_cm_s = 40; /* faster than all that was traced */
  draw_band(&p, 0, 200, 30);
  assert_int_equal(ogv_spectrum_measure(&p, &c, OGV_FLOW_ARTERIAL_FETAL, &s, &err), OGV_OK);
  assert_false(s.accepted);
  ogv_spectrum_free(&s);
  ogv_image_free(&p);
}

static void mmode_gives_rate_and_interval(void **state) {
  (void)state;
  ogv_image p;
  assert_int_equal(ogv_image_new(600, 200, 1, &p, NULL), OGV_OK);
  ogv_region r = {.format = OGV_FORMAT_MMODE,
                  .unit_x = OGV_UNIT_S,
                  .unit_y = OGV_UNIT_CM,
                  .x1 = 599,
                  .y1 = 199,
                  .delta_x = 0.005,
                  .delta_y = 0.02};
  for (double bpm = 90; bpm <= 200; bpm += 10) {
    draw_walls(&p, bpm, 0.12, 0.005, 0.3);
    ogv_rate rate;
    assert_int_equal(ogv_rate_from_mmode(&p, &r, &rate, NULL), OGV_OK);
    assert_true(rate.accepted);
    assert_true(fabs(rate.bpm - bpm) < 1);
  }
  draw_walls(&p, 150, 0.12, 0.005, 0.2);
  ogv_av_timing av;
  assert_int_equal(ogv_av_interval_from_mmode(&p, &r, (int[]){40, 90, 120, 170}, &av, NULL), OGV_OK);
  assert_true(av.interval.accepted);
  assert_true(fabs(av.interval.ms - 120) < 8);
  ogv_error err;
  assert_int_equal(ogv_av_interval_from_mmode(&p, &r, (int[]){40, 90, 120, 250}, &av, &err), OGV_E_INVALID);
  r.unit_x = 0;
  ogv_rate rate;
  assert_int_equal(ogv_rate_from_mmode(&p, &r, &rate, &err), OGV_E_CALIBRATION);
  ogv_image_free(&p);
}

typedef struct {
  double bpm, frame_ms;
} clip;

static ogv_status clip_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  const clip *c = user;
  return draw_beating(frame, frame * c->frame_ms / 1000, c->bpm, out, err);
}

static void clips_give_a_rate_or_a_reason(void **state) {
  (void)state;
  double t[120];
  const int whole[4] = {0};
  for (double bpm = 100; bpm <= 180; bpm += 20) {
    clip c = {bpm, 33.3};
    for (int i = 0; i < 90; i++) t[i] = 33.3 * i;
    ogv_rate r;
    assert_int_equal(ogv_rate_from_clip(clip_frame, &c, t, 90, whole, &r, NULL), OGV_OK);
    assert_true(r.accepted);
    assert_true(fabs(r.bpm - bpm) < 2);
  }
  clip still = {0, 33.3};
  ogv_rate r;
  assert_int_equal(ogv_rate_from_clip(clip_frame, &still, t, 90, whole, &r, NULL), OGV_OK);
  assert_false(r.accepted);
  for (int i = 0; i < 90; i++) t[i] = 0;
  assert_int_equal(ogv_rate_from_clip(clip_frame, &still, t, 90, whole, &r, NULL), OGV_OK);
  assert_false(r.accepted);
  assert_non_null(strstr(r.reason, "frame times"));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(indices_follow_their_definitions),
      cmocka_unit_test(reversed_flow_subtracts),
      cmocka_unit_test(ductus_venosus_indices),
      cmocka_unit_test(changed_angle_scales_velocities_only),
      cmocka_unit_test(unusable_regions_are_refused_with_the_reason),
      cmocka_unit_test(pictures_without_a_spectrum_are_refused),
      cmocka_unit_test(flow_clear_of_the_baseline_is_not_called_none),
      cmocka_unit_test(mmode_gives_rate_and_interval),
      cmocka_unit_test(clips_give_a_rate_or_a_reason),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
