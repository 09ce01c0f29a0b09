/* Spectra at named vessels: rows, evidence that gives the value again, changed points, angle, calibration by hand. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <string.h>

#include "core_json.h"
#include "measure_quantity.h"
#include "measure_site.h"
#include "phantom_spectrum.h"

typedef struct fixture {
  ogv_image picture;
  ogv_phantom_spectrum_truth truth;
  ogv_spectrum_scale scale;
  ogv_spectrum found, now;
  ogv_geometry trace;
} fixture;

static void make(fixture *f, uint64_t seed, double angle) {
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_defaults(&o);
  o.seed = seed;
  o.angle_deg = angle;
  ogv_error e = {0};
  memset(f, 0, sizeof *f);
  assert_int_equal(ogv_phantom_spectrum(&o, &f->picture, &f->truth, &e), OGV_OK);
  assert_int_equal(ogv_site_scale(&f->truth.region, NAN, NAN, &f->scale, &e), OGV_OK);
  assert_int_equal(ogv_spectrum_measure(&f->picture, &f->scale, OGV_FLOW_ARTERIAL_FETAL, &f->found, &e), OGV_OK);
  assert_true(f->found.accepted);
  assert_int_equal(ogv_site_trace(&f->found, &f->scale, &f->trace, &e), OGV_OK);
  f->scale.wall_filter_cm_s = f->found.wall_filter_cm_s;
  f->scale.sharpness = f->found.sharpness;
  assert_int_equal(
      ogv_site_indices(&f->trace, &f->scale, OGV_FLOW_ARTERIAL_FETAL, f->found.below_baseline, &f->now, &e), OGV_OK);
  assert_true(f->now.accepted);
}

static void drop(fixture *f) {
  ogv_spectrum_free(&f->found);
  ogv_spectrum_free(&f->now);
  ogv_geometry_free(&f->trace);
  ogv_phantom_spectrum_free(&f->truth);
  ogv_image_free(&f->picture);
}

static json_t *evidence_of(const fixture *f, const char *quantity, double angle, const ogv_spectrum_scale *scale,
                           ogv_measurement *m) {
  const ogv_quantity *q = ogv_quantity_find(quantity);
  assert_int_equal(ogv_site_measure(q, &f->now, scale, m, NULL), OGV_OK);
  return ogv_site_evidence(ogv_site_find("umbilical-artery"), &f->truth.region, angle, &f->trace, &f->now, m);
}

/* The envelope rounded to a sixteenth of a row gives what the tracing gave, and both lie near the phantom's truth. */
static void the_kept_envelope_gives_the_same_indices(void **state) {
  (void)state;
  for (uint64_t seed = 1; seed <= 6; seed++) {
    fixture f;
    make(&f, seed, NAN);
    assert_true(fabs(f.now.pi.value - f.found.pi.value) < 0.004 * f.found.pi.value);
    assert_true(fabs(f.now.psv.value - f.found.psv.value) < 0.004 * f.found.psv.value);
    assert_true(fabs(f.now.pi.value - f.truth.pi) < 0.05 * f.truth.pi);
    assert_int_equal(f.now.n_used, f.found.n_used);
    assert_int_equal(f.now.edf, f.found.edf);
    drop(&f);
  }
}

/* Value and SD follow from the evidence alone, also after it went through text as the record keeps it. */
static void evidence_gives_the_value_again(void **state) {
  (void)state;
  static const char *const rows[] = {"ua-pi", "ua-ri", "ua-sd", "ua-psv", "ua-edv", "ua-tamax"};
  fixture f;
  make(&f, 3, 20);
  for (size_t i = 0; i < 6; i++) {
    ogv_measurement m;
    json_t *e = evidence_of(&f, rows[i], NAN, &f.scale, &m);
    char *text = ogv_json_canonical(e);
    json_t *back;
    assert_int_equal(ogv_json_parse(text, strlen(text), "evidence", &back, NULL), OGV_OK);
    double value, sd;
    assert_int_equal(ogv_measure_from_evidence(ogv_quantity_find(rows[i]), back, &value, &sd, NULL), OGV_OK);
    assert_true(value == m.value);
    assert_true(sd == m.sd);
    assert_true(m.sd >= m.sd_caliper && m.sd > 0);
    json_decref(back);
    json_decref(e);
    free(text);
  }
  drop(&f);
}

/* One point of a peak moved: another value. A point outside the box, or out of order, is refused by name. */
static void a_changed_point_changes_the_value(void **state) {
  (void)state;
  fixture f;
  make(&f, 5, NAN);
  ogv_measurement m;
  json_t *e = evidence_of(&f, "ua-pi", NAN, &f.scale, &m),
         *points = json_object_get(json_object_get(e, "geometry"), "points");
  size_t mid = json_array_size(points) / 2;
  double value, sd, y = json_number_value(json_array_get(json_array_get(points, mid), 1));
  json_array_set_new(json_array_get(points, mid), 1, json_real(y - 3));
  const ogv_quantity *q = ogv_quantity_find("ua-pi");
  assert_int_equal(ogv_measure_from_evidence(q, e, &value, &sd, NULL), OGV_OK);
  assert_true(fabs(value - m.value) > 1e-6);
  ogv_error err = {0};
  json_array_set_new(json_array_get(points, mid), 0, json_real(5000));
  assert_int_equal(ogv_measure_from_evidence(q, e, &value, &sd, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "outside the spectrum"));
  json_array_set_new(json_array_get(points, mid), 0,
                     json_real(json_number_value(json_array_get(json_array_get(points, 0), 0))));
  assert_int_equal(ogv_measure_from_evidence(q, e, &value, &sd, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "back in time"));
  json_object_set_new(e, "flow", json_string("sideways"));
  assert_int_equal(ogv_measure_from_evidence(q, e, &value, &sd, &err), OGV_E_INVALID);
  json_decref(e);
  drop(&f);
}

/* v = c f / (2 f0 cos a): another angle scales velocities by cos(old)/cos(new) and leaves ratios (Evans and McDicken
 * 2000). 30 to 60 degrees: 1.7321 times. Over 70 degrees no velocity is given. */
static void another_angle_scales_velocities_only(void **state) {
  (void)state;
  fixture f;
  make(&f, 7, 30);
  const ogv_quantity *psv = ogv_quantity_find("ua-psv"), *pi = ogv_quantity_find("ua-pi");
  ogv_measurement was, now, ratio_was, ratio_now;
  ogv_spectrum_scale wide;
  ogv_spectrum s;
  assert_int_equal(ogv_site_measure(psv, &f.now, &f.scale, &was, NULL), OGV_OK);
  assert_int_equal(ogv_site_measure(pi, &f.now, &f.scale, &ratio_was, NULL), OGV_OK);
  assert_int_equal(ogv_site_scale(&f.truth.region, 60, f.found.wall_filter_cm_s * sqrt(3), &wide, NULL), OGV_OK);
  assert_int_equal(ogv_site_indices(&f.trace, &wide, OGV_FLOW_ARTERIAL_FETAL, f.found.below_baseline, &s, NULL),
                   OGV_OK);
  assert_int_equal(ogv_site_measure(psv, &s, &wide, &now, NULL), OGV_OK);
  assert_int_equal(ogv_site_measure(pi, &s, &wide, &ratio_now, NULL), OGV_OK);
  assert_true(fabs(now.value / was.value - sqrt(3)) < 1e-9);
  assert_true(fabs(ratio_now.value - ratio_was.value) < 1e-9);
  ogv_spectrum_free(&s);
  json_t *e = evidence_of(&f, "ua-pi", 60, &wide, &now);
  assert_true(json_is_true(json_object_get(e, "angle_changed")));
  json_decref(e);
  ogv_error err = {0};
  assert_int_equal(ogv_site_scale(&f.truth.region, 75, NAN, &wide, NULL), OGV_OK);
  assert_int_equal(ogv_site_measure(psv, &f.now, &wide, &now, &err), OGV_E_CALIBRATION);
  assert_non_null(strstr(err.what, "over 70"));
  assert_int_equal(ogv_site_measure(pi, &f.now, &wide, &now, NULL), OGV_OK);
  drop(&f);
}

/* The same picture calibrated by hand from its own scale gives the same indices and says that it was done by hand. */
static void two_points_calibrate(void **state) {
  (void)state;
  fixture f;
  make(&f, 9, NAN);
  const ogv_phantom_spectrum_truth *t = &f.truth;
  double up = t->drawn_up ? -1 : 1;
  json_t *c = json_pack("{s:[i,i,i,i],s:f,s:f,s:f,s:f,s:f,s:f}", "box", t->x0, t->y0, t->x1, t->y1, "baseline_row",
                        t->baseline_row, "velocity_row", t->baseline_row + up * 40 / t->cm_s_per_px, "velocity_cm_s",
                        40.0, "time_x0", (double)t->x0 + 10, "time_x1", t->x0 + 10 + 1 / t->s_per_px, "time_s", 1.0);
  ogv_region r;
  ogv_error err = {0};
  assert_int_equal(ogv_site_calibrate(c, f.picture.height, f.picture.width, &r, &err), OGV_OK);
  assert_true(r.by_hand);
  ogv_spectrum_scale s;
  assert_int_equal(ogv_site_scale(&r, NAN, NAN, &s, &err), OGV_OK);
  assert_true(s.by_hand && fabs(s.baseline_row - t->baseline_row) < 1e-6);
  assert_true(fabs(fabs(s.cm_s_per_pixel) - t->cm_s_per_px) < 1e-9 && fabs(s.s_per_pixel - t->s_per_px) < 1e-9);
  ogv_spectrum again;
  assert_int_equal(ogv_spectrum_measure(&f.picture, &s, OGV_FLOW_ARTERIAL_FETAL, &again, NULL), OGV_OK);
  assert_true(again.accepted && fabs(again.pi.value - f.found.pi.value) < 0.01 * f.found.pi.value);
  ogv_spectrum_free(&again);
  static const struct {
    const char *key;
    double value;
    const char *word;
  } bad[] = {{"baseline_row", 1e5, "baseline"},
             {"velocity_cm_s", 0, "velocity scale"},
             {"time_s", -1, "time scale"},
             {"velocity_row", NAN, "velocity_row"}};
  for (size_t i = 0; i < 4; i++) {
    json_t *d = json_deep_copy(c);
    json_object_set_new(d, bad[i].key, ogv_json_real(bad[i].value));
    assert_int_equal(ogv_site_calibrate(d, f.picture.height, f.picture.width, &r, &err), OGV_E_INVALID);
    assert_non_null(strstr(err.what, bad[i].word));
    json_decref(d);
  }
  json_object_set_new(c, "box", json_pack("[i,i,i,i]", 0, 0, 5, 5));
  assert_int_equal(ogv_site_calibrate(c, f.picture.height, f.picture.width, &r, &err), OGV_E_INVALID);
  json_decref(c);
  drop(&f);
}

/* Every site fills its own rows: sides of the uterine arteries, the vein's own indices. */
static void sites_name_their_rows(void **state) {
  (void)state;
  static const struct {
    const char *site;
    size_t n;
    const char *first;
  } want[] = {{"umbilical-artery", 6, "ua-pi"},
              {"middle-cerebral-artery", 6, "mca-pi"},
              {"uterine-artery-left", 6, "uta-pi-left"},
              {"uterine-artery-right", 6, "uta-pi-right"},
              {"ductus-venosus", 5, "dv-piv"}};
  for (size_t i = 0; i < sizeof want / sizeof *want; i++) {
    const ogv_quantity *q[16];
    size_t n = ogv_site_quantities(ogv_site_find(want[i].site), q, 16);
    assert_int_equal(n, want[i].n);
    assert_string_equal(q[0]->id, want[i].first);
  }
  assert_null(ogv_site_find("aorta of a giraffe"));
}

/* Cycles left out by a person: the mean is that of the others (computed here), the evidence alone gives it again, and a
 * choice that was taken back changes nothing. */
static void chosen_cycles_count(void **state) {
  (void)state;
  fixture f;
  make(&f, 5, 0);
  assert_true(f.now.n_cycles >= 4 && f.now.n_used == f.now.n_cycles);
  const ogv_quantity *q = ogv_quantity_find("ua-pi");
  double all = f.now.pi.value, sum = 0, value, sd;
  for (size_t i = 0; i < f.now.n_cycles; i++) sum += i == 1 ? 0 : f.now.cycles[i].pi;
  const ogv_spectrum_cycle *c = &f.now.cycles[1];
  double x = f.scale.x0 + 0.5 * (c->start_s + c->end_s) / f.scale.s_per_pixel;
  json_t *chosen = json_pack("[{s:f,s:b}]", "x", x, "used", 0);
  assert_int_equal(ogv_site_choose(chosen, &f.scale, &f.now, NULL), OGV_OK);
  assert_true(!c->used && !strcmp(c->why, "left out by hand") && f.now.n_used + 1 == f.now.n_cycles);
  assert_true(fabs(f.now.pi.value - sum / (double)f.now.n_used) < 1e-12 && fabs(f.now.pi.value - all) > 1e-9);
  ogv_measurement m;
  json_t *e = evidence_of(&f, "ua-pi", NAN, &f.scale, &m);
  json_object_set(e, "chosen", chosen);
  assert_int_equal(ogv_site_from_evidence(q, e, &value, &sd, NULL), OGV_OK);
  assert_true(value == m.value && sd == m.sd);
  json_array_append_new(chosen, json_pack("{s:f,s:b}", "x", x, "used", 1));
  assert_int_equal(ogv_site_from_evidence(q, e, &value, &sd, NULL), OGV_OK);
  assert_true(fabs(value - all) < 1e-12);
  for (size_t i = 0; i < f.now.n_cycles; i++)
    json_array_append_new(
        chosen,
        json_pack("{s:f,s:b}", "x", f.scale.x0 + (f.now.cycles[i].start_s + 0.01) / f.scale.s_per_pixel, "used", 0));
  assert_int_equal(ogv_site_choose(chosen, &f.scale, &f.now, NULL), OGV_OK);
  assert_true(!f.now.accepted && strstr(f.now.reason, "Fewer than two"));
  json_array_append_new(chosen, json_pack("{s:s}", "x", "here"));
  assert_int_equal(ogv_site_choose(chosen, &f.scale, &f.now, NULL), OGV_E_INVALID);
  json_decref(e);
  json_decref(chosen);
  drop(&f);
}

/* Most cycles differ: refused, until a person says which of them count. */
static void an_irregular_strip_is_chosen_from(void **state) {
  (void)state;
  static const double factor[] = {1, 1.24, 0.78, 1.24, 0.78};
  fixture f;
  ogv_spectrum s;
  make(&f, 5, 0);
  for (size_t i = 0; i < f.now.n_cycles; i++)
    for (size_t k = 0; k < f.now.columns; k++) {
      double t = (double)k * f.scale.s_per_pixel;
      if (t >= f.now.cycles[i].start_s && t < f.now.cycles[i].end_s) f.now.vmax[k] *= factor[i % 5];
    }
  assert_int_equal(ogv_spectrum_from_traced(f.now.vmax, f.now.columns, &f.scale, OGV_FLOW_ARTERIAL_FETAL, &s, NULL),
                   OGV_OK);
  if (!s.irregular) fail_msg("not called irregular: %s (%zu of %zu)", s.reason, s.n_used, s.n_cycles);
  assert_false(s.accepted);
  ogv_spectrum_choice list[2];
  size_t n = 0;
  for (size_t i = 0; i < s.n_cycles && n < 2; i++)
    if (!s.cycles[i].used) list[n++] = (ogv_spectrum_choice){s.cycles[i].start_s + 0.01, true};
  size_t before = s.n_used;
  ogv_spectrum_choose(&s, &f.scale, list, n);
  assert_true(s.accepted && !s.irregular && !s.reason[0] && s.n_used == before + n && isfinite(s.pi.sd));
  ogv_spectrum_free(&s);
  drop(&f);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(the_kept_envelope_gives_the_same_indices),
                                     cmocka_unit_test(evidence_gives_the_value_again),
                                     cmocka_unit_test(a_changed_point_changes_the_value),
                                     cmocka_unit_test(another_angle_scales_velocities_only),
                                     cmocka_unit_test(two_points_calibrate),
                                     cmocka_unit_test(sites_name_their_rows),
                                     cmocka_unit_test(chosen_cycles_count),
                                     cmocka_unit_test(an_irregular_strip_is_chosen_from)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
