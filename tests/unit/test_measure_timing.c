/* Atrioventricular interval from a spectrum of inflow and outflow: against drawn pictures, and what is refused. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "heart_pictures.h"
#include "measure_timing.h"
#include "phantom_spectrum.h"

static void read_phantom(const ogv_phantom_spectrum_options *o, double *truth_ms, bool *drawn_up, ogv_av_timing *t) {
  ogv_image p;
  ogv_phantom_spectrum_truth truth;
  ogv_spectrum_scale scale;
  ogv_error err = {0};
  assert_int_equal(ogv_phantom_spectrum(o, &p, &truth, &err), OGV_OK);
  assert_int_equal(ogv_spectrum_scale_from_region(&truth.region, &scale, &err), OGV_OK);
  assert_int_equal(ogv_av_interval_from_spectrum(&p, &scale, t, &err), OGV_OK);
  *truth_ms = truth.av_ms;
  *drawn_up = truth.drawn_up;
  json_t *j = ogv_av_timing_json(t);
  assert_int_equal(json_is_true(json_object_get(j, "accepted")), t->interval.accepted);
  assert_int_equal(json_array_size(json_object_get(j, "onsets")), t->n);
  json_decref(j);
  ogv_phantom_spectrum_free(&truth);
  ogv_image_free(&p);
}

static ogv_phantom_spectrum_options in_and_out(uint64_t seed) {
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_defaults(&o);
  o.seed = seed;
  o.vessel = OGV_PHANTOM_IN_OUT;
  o.sweep_s = 2.6;
  return o;
}

/* 90 to 180 ms, either side up, noise, wall filter, rates where E and A stand apart. The interval that is drawn is
 * known; the limit of 8 ms is the project's own. */
static void drawn_intervals_are_read(void **state) {
  (void)state;
  for (int i = 0; i < 16; i++) {
    ogv_phantom_spectrum_options o = in_and_out(300 + (uint64_t)i);
    o.av_ms = 90 + 6 * i;
    o.rate_bpm = 115 + (i % 4) * 10;
    o.snr_db = 18 + i;
    o.away = i & 1;
    o.inverted = i & 2;
    o.wall_filter_cm_s = 1.5 + i % 3;
    double truth;
    bool up;
    ogv_av_timing t;
    read_phantom(&o, &truth, &up, &t);
    if (!t.interval.accepted) fail_msg("case %d: %s", i, t.interval.reason);
    if (fabs(t.interval.ms - truth) > 8) fail_msg("case %d: %.1f ms, drawn %.1f", i, t.interval.ms, truth);
    assert_true(fabs(t.interval.ms - truth) < 3 * t.interval.sd_ms);
    assert_true(fabs(60 / t.beat_s - o.rate_bpm) < 3);
    assert_int_equal(t.outflow_below, up); /* inflow is the forward flow of this drawing */
    assert_true(t.interval.beats >= 3);
  }
}

static void what_cannot_be_read_is_refused(void **state) {
  (void)state;
  double truth;
  bool up;
  ogv_av_timing t;
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_defaults(&o);
  read_phantom(&o, &truth, &up, &t);
  assert_false(t.interval.accepted);
  assert_non_null(strstr(t.interval.reason, "one side"));
  o.venous_cm_s = 20; /* artery and vein: flow on both sides, but no two waves */
  read_phantom(&o, &truth, &up, &t);
  assert_false(t.interval.accepted);
  assert_true(t.interval.reason[0] != 0 && isnan(t.interval.ms));
  o = in_and_out(9);
  o.sweep_s = 0.9; /* two beats */
  read_phantom(&o, &truth, &up, &t);
  assert_false(t.interval.accepted);
}

/* One broad wave a beat on each side: E and A fused, as at fast rates. */
static void fused_inflow_is_refused(void **state) {
  (void)state;
  ogv_image p;
  assert_int_equal(ogv_image_new(600, 300, 1, &p, NULL), OGV_OK);
  draw_fused(&p);
  ogv_spectrum_scale c = {.x1 = 599,
                          .y1 = 299,
                          .baseline_row = 150,
                          .cm_s_per_pixel = -0.5,
                          .s_per_pixel = 0.004,
                          .absolute = true,
                          .angle_deg = NAN,
                          .wall_filter_cm_s = NAN,
                          .hundred_hz_cm_s = NAN};
  ogv_av_timing t;
  assert_int_equal(ogv_av_interval_from_spectrum(&p, &c, &t, NULL), OGV_OK);
  assert_false(t.interval.accepted);
  assert_non_null(strstr(t.interval.reason, "E and A"));
  c.baseline_row = 400;
  ogv_error err = {0};
  assert_int_equal(ogv_av_interval_from_spectrum(&p, &c, &t, &err), OGV_E_CALIBRATION);
  ogv_image_free(&p);
}

/* What is offered by itself on any spectrum must not turn up on other vessels: arteries with the cord vein, with a
 * mirror image, with reversed flow, and the ductus venosus with its own two waves. */
static void other_vessels_are_not_taken_for_it(void **state) {
  (void)state;
  static const ogv_phantom_vessel vessels[] = {OGV_PHANTOM_UMBILICAL, OGV_PHANTOM_MCA, OGV_PHANTOM_UTERINE,
                                               OGV_PHANTOM_DUCTUS};
  for (int i = 0; i < 24; i++) {
    ogv_phantom_spectrum_options o;
    ogv_phantom_spectrum_defaults(&o);
    o.seed = 700 + (uint64_t)i;
    o.width = 640;
    o.height = 480;
    o.vessel = vessels[i % 4];
    if (i % 3 == 0) o.venous_cm_s = 15;
    if (i % 3 == 1) o.mirror_db = -8;
    if (i % 3 == 2 && i % 4 == 0) o.diastole = OGV_PHANTOM_REVERSED, o.reversed_fraction = 0.3;
    o.away = i & 1;
    double truth;
    bool up;
    ogv_av_timing t;
    read_phantom(&o, &truth, &up, &t);
    if (t.interval.accepted) fail_msg("case %d: %.0f ms in a spectrum of another vessel", i, t.interval.ms);
  }
}

/* --- evidence ---------------------------------------------------------------------------------------------------- */

static json_t *stored(const ogv_av_timing *t, const ogv_region *r, ogv_measurement *m) {
  assert_int_equal(ogv_av_measure(ogv_quantity_find("av-interval"), t, m, NULL), OGV_OK);
  return ogv_av_evidence(r, 0, t, NULL, m);
}

static ogv_status again(const json_t *evidence, double *value, double *sd, ogv_error *err) {
  return ogv_measure_from_evidence(ogv_quantity_find("av-interval"), evidence, value, sd, err);
}

static void evidence_gives_value_and_sd_back(void **state) {
  (void)state;
  ogv_phantom_spectrum_options o = in_and_out(41);
  ogv_image p;
  ogv_phantom_spectrum_truth truth;
  ogv_spectrum_scale scale;
  ogv_av_timing t;
  ogv_measurement m;
  assert_int_equal(ogv_phantom_spectrum(&o, &p, &truth, NULL), OGV_OK);
  assert_int_equal(ogv_spectrum_scale_from_region(&truth.region, &scale, NULL), OGV_OK);
  assert_int_equal(ogv_av_interval_from_spectrum(&p, &scale, &t, NULL), OGV_OK);
  json_t *e = stored(&t, &truth.region, &m);
  char *text = json_dumps(e, 0); /* as it lies in the record */
  json_t *kept = json_loads(text, 0, NULL);
  double value, sd;
  assert_int_equal(again(kept, &value, &sd, NULL), OGV_OK);
  assert_true(value == m.value && sd == m.sd);
  assert_true(sd > 0.01 * 1000 * t.beat_s); /* no less than where a wave begins at all */
  /* A moved onset, a beat left out, another time scale: another value each. */
  json_t *beat = json_array_get(json_object_get(kept, "beats"), 1);
  double x = json_number_value(json_object_get(beat, "atrial_x"));
  json_object_set_new(beat, "atrial_x", json_real(x - 3));
  assert_int_equal(again(kept, &value, &sd, NULL), OGV_OK);
  assert_true(value > m.value);
  json_object_set_new(beat, "atrial_x", json_real(x));
  json_object_set_new(beat, "used", json_false());
  assert_int_equal(again(kept, &value, &sd, NULL), OGV_OK);
  assert_true(value != m.value || sd != m.sd);
  json_object_set_new(beat, "used", json_true());
  json_t *delta = json_object_get(json_object_get(kept, "region"), "delta");
  json_array_set_new(delta, 0, json_real(1.1 * json_number_value(json_array_get(delta, 0))));
  assert_int_equal(again(kept, &value, &sd, NULL), OGV_OK);
  assert_true(fabs(value / m.value - 1.1) < 1e-9);
  /* Another length of a beat: the value stays, its SD does not. */
  json_decref(kept);
  kept = json_loads(text, 0, NULL);
  json_object_set_new(kept, "beat_s", json_real(2 * t.beat_s));
  assert_int_equal(again(kept, &value, &sd, NULL), OGV_OK);
  assert_true(value == m.value && sd > m.sd);
  json_decref(kept);
  free(text);
  json_decref(e);
  ogv_phantom_spectrum_free(&truth);
  ogv_image_free(&p);
}

/* Four beats of 100, 110, 105 and 105 columns at 1 ms: mean 105, spread and parts computed by hand here. */
static void the_mean_and_its_parts(void **state) {
  (void)state;
  static const double length[] = {100, 110, 105, 105};
  ogv_av_timing t = {.beat_s = 0.4, .n = 4};
  for (int i = 0; i < 4; i++) t.beat[i] = (ogv_av_beat){50 + 400 * i, 50 + 400 * i + length[i], true};
  ogv_av_reckon(&t, 0.001, 0.02);
  assert_true(t.interval.accepted);
  assert_int_equal(t.interval.beats, 4);
  assert_true(fabs(t.interval.ms - 105) < 1e-9);
  double spread = sqrt((25 + 25) / 3.0) / 2, column = M_SQRT1_2, begin = 4;
  assert_true(fabs(t.interval.sd_caliper_ms - sqrt(spread * spread + column * column + begin * begin)) < 1e-9);
  assert_true(fabs(t.interval.sd_calibration_ms - 2.1) < 1e-9);
  t.beat[1].used = t.beat[2].used = false;
  ogv_av_reckon(&t, 0.001, 0.02);
  assert_false(t.interval.accepted);
  assert_non_null(strstr(t.interval.reason, "only 2 beats"));
  t.beat[1].used = t.beat[2].used = true;
  t.beat[1].ventricular_x += 100; /* 210 ms among 105: no single interval */
  ogv_av_reckon(&t, 0.001, 0.02);
  assert_false(t.interval.accepted);
  assert_non_null(strstr(t.interval.reason, "varies"));
}

static void what_evidence_cannot_say_is_refused(void **state) {
  (void)state;
  ogv_region r = {.format = OGV_FORMAT_SPECTRAL,
                  .data_type = OGV_DATA_PW,
                  .unit_x = OGV_UNIT_S,
                  .unit_y = OGV_UNIT_CM_S,
                  .x1 = 599,
                  .y1 = 299,
                  .delta_x = 0.004,
                  .delta_y = -0.5,
                  .measurable_x = true,
                  .measurable_y = true,
                  .calibration_sd = 0.005};
  ogv_av_timing t = {.beat_s = 0.43, .n = 4};
  for (int i = 0; i < 4; i++) t.beat[i] = (ogv_av_beat){60 + 107 * i, 90 + 107 * i, true};
  ogv_av_reckon(&t, r.delta_x, r.calibration_sd);
  ogv_measurement m;
  json_t *good = stored(&t, &r, &m);
  static const struct {
    const char *change, *says;
  } bad[] = {
      {"{\"beat_s\": null}", "how long a beat"},
      {"{\"beats\": []}", "only 0 beats"},
      {"{\"beats\": 7}", "not a list"},
      {"{\"beats\": [{\"atrial_x\": 60}]}", "ventricular_x"},
      {"{\"beats\": [{\"atrial_x\": 90, \"ventricular_x\": 60}]}", "out of order"},
      {"{\"beats\": [{\"atrial_x\": 590, \"ventricular_x\": 640}]}", "outside"},
      {"{\"beats\": [{\"atrial_x\": 60, \"ventricular_x\": 90}, {\"atrial_x\": 80, \"ventricular_x\": 120}]}",
       "out of order"},
      {"{\"beats\": [{\"atrial_x\": 60, \"ventricular_x\": 65}, {\"atrial_x\": 160, \"ventricular_x\": 165}, "
       "{\"atrial_x\": 260,"
       " \"ventricular_x\": 265}]}",
       "too short"},
      {"{\"region\": {}}", ""},
  };
  double value, sd;
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    json_t *e = json_deep_copy(good), *change = json_loads(bad[i].change, 0, NULL);
    json_object_update(e, change);
    ogv_error err = {0};
    if (again(e, &value, &sd, &err) == OGV_OK) fail_msg("%s was taken", bad[i].change);
    if (!strstr(err.what, bad[i].says)) fail_msg("%s: %s", bad[i].change, err.what);
    json_decref(change);
    json_decref(e);
  }
  /* A picture without a time scale, and a quantity that is no time. */
  json_object_set_new(json_object_get(good, "region"), "unit_x", json_integer(OGV_UNIT_CM));
  ogv_error err = {0};
  assert_int_equal(again(good, &value, &sd, &err), OGV_E_CALIBRATION);
  json_object_set_new(json_object_get(good, "region"), "unit_x", json_integer(OGV_UNIT_S));
  assert_int_not_equal(ogv_measure_from_evidence(ogv_quantity_find("hc"), good, &value, &sd, &err), OGV_OK);
  assert_int_not_equal(ogv_measure_from_evidence(NULL, good, &value, &sd, &err), OGV_OK);
  json_decref(good);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(drawn_intervals_are_read),
      cmocka_unit_test(what_cannot_be_read_is_refused),
      cmocka_unit_test(fused_inflow_is_refused),
      cmocka_unit_test(other_vessels_are_not_taken_for_it),
      cmocka_unit_test(evidence_gives_value_and_sd_back),
      cmocka_unit_test(the_mean_and_its_parts),
      cmocka_unit_test(what_evidence_cannot_say_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
