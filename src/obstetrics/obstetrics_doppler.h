/* Doppler indices from velocities. Velocities in cm/s, signed (towards the way of normal flow is positive), angles in
 * radians. TAMAX is the time average of the maximum envelope over whole cycles; in obstetrics the pulsatility index is
 * divided by it, never by the intensity-weighted mean.
 * Definitions: ISUOG Doppler guideline, Ultrasound Obstet Gynecol 2021;58:331-339, doi 10.1002/uog.23698; Gosling 1971
 * (PI), Pourcelot 1974 (RI), Stuart 1980 (S/D); veins: Hecher 1994, doi 10.1046/j.1469-0705.1994.04050381.x. Verified.
 */
#ifndef OBSTETRICS_DOPPLER_H
#define OBSTETRICS_DOPPLER_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef enum ogv_flow {
  OGV_FLOW_UNKNOWN = 0,
  OGV_FLOW_FORWARD, /* for a vein's a-wave: positive */
  OGV_FLOW_ABSENT,  /* not above the wall filter */
  OGV_FLOW_REVERSED,
  OGV_FLOW_INTERMITTENT /* cycles of a strip disagree */
} ogv_flow;
const char *ogv_flow_word(ogv_flow f); /* "unknown" "forward" "absent" "reversed" "intermittent" */

typedef struct ogv_artery {
  double psv, edv, tamax;          /* tamax NaN when no envelope was traced */
  double psv_sd, edv_sd, tamax_sd; /* NaN when unknown */
  double filter_cm_s; /* velocity below which flow cannot be told (ogv_wall_filter_velocity); NaN unknown */
} ogv_artery;
typedef struct ogv_artery_indices {
  double pi, ri, sd_ratio;          /* NaN when it does not exist (no TAMAX; S/D with absent or reversed diastole) */
  double pi_sd, ri_sd, sd_ratio_sd; /* to first order, velocities independent; NaN when a part is unknown */
  ogv_flow diastole;                /* UNKNOWN when the wall filter is unknown and |EDV| is under 2 cm/s */
  char note[160];                   /* "absent end-diastolic flow: S/D is not given"; "" when none */
} ogv_artery_indices;
/* PI = (S - D)/TAMAX, RI = (S - D)/S, S/D. OGV_E_INVALID when S is not above zero or below D, or TAMAX is outside D..S.
 */
ogv_status ogv_doppler_artery(const ogv_artery *in, ogv_artery_indices *out, ogv_error *err);

typedef struct ogv_vein {
  double s, d, a, tamax; /* systolic, early diastolic, atrial (signed); NaN where not measured */
  double filter_cm_s;
} ogv_vein;
typedef struct ogv_vein_indices {
  double piv, pvi, preload, sa; /* (S-a)/TAMAX, (S-a)/D, (S-a)/S, S/a; NaN when not to be had */
  ogv_flow a_wave;
} ogv_vein_indices;
ogv_status ogv_doppler_vein(const ogv_vein *in, ogv_vein_indices *out, ogv_error *err);

/* End-diastolic flow of a strip: every cycle alike, or intermittent. Needs 3 cycles or more. pixel_cm_s: height of one
 * pixel row (0 unknown). filter_cm_s NaN: one pixel row plus 2 cm/s is taken and *sure is false (our choice). */
ogv_status ogv_doppler_strip(const double *edv_cm_s, size_t cycles, double filter_cm_s, double pixel_cm_s,
                             ogv_flow *out, size_t counts[3], bool *sure,
                             ogv_error *err); /* counts: forward, absent, reversed */

/* Velocity of a wall filter: f c / (2 f0 cos(angle)), cm/s; c = 1540 m/s. */
double ogv_wall_filter_velocity(double filter_hz, double transmit_hz, double angle_rad);
/* Doppler equation: v = shift c / (2 f0 cos(angle)), cm/s. */
double ogv_doppler_velocity(double shift_hz, double transmit_hz, double angle_rad);
/* Largest unambiguous velocity with the baseline in the middle, cm/s: c PRF / (4 f0 cos(angle)). */
double ogv_nyquist_velocity(double prf_hz, double transmit_hz, double angle_rad);
/* From one correction angle to another: v cos(a)/cos(b). Indices do not change. */
double ogv_recorrect_velocity(double v, double angle_was_rad, double angle_is_rad);
/* Relative SD of an absolute velocity: tan(angle) u_angle, calibration, pixel height / v, in quadrature. */
double ogv_velocity_relative_sd(double v, double angle_rad, double angle_sd_rad, double calibration_sd,
                                double pixel_cm_s);
/* OGV_E_CALIBRATION for an absolute velocity above 60 degrees; *flag true above 30 (20 for the middle cerebral artery).
 */
ogv_status ogv_doppler_angle_check(double angle_rad, bool middle_cerebral, bool *flag, ogv_error *err);

/* Arithmetic mean of the two uterine PIs and its SD (observer errors independent). */
double ogv_uterine_mean_pi(double left, double right, double left_sd, double right_sd, double *sd);

typedef struct ogv_mca_psv {
  double median, mom, mom_sd;
  double hb_mom;     /* predicted haemoglobin in multiples of its median; single source */
  const char *grade; /* "none" "mild" "moderate" "severe": 1.29, 1.50, 1.55 MoM */
  const char *chart; /* id of the chart of medians */
  char note[160];
} ogv_mca_psv;
/* Peak systolic velocity of the middle cerebral artery against the median for age (chart of the quantity mca-psv).
 * Mari G et al. N Engl J Med 2000;342:9-14, doi 10.1056/NEJM200001063420102. Verified; Hb prediction single source.
 * OGV_E_RANGE outside the chart's ages. psv_sd NaN when unknown. */
ogv_status ogv_mca_psv_grade(double ga_days, double psv, double psv_sd, ogv_mca_psv *out, ogv_error *err);

/* Umbilical vein volume flow: pi (D/2)^2 k Vmax 60, mL/min, k = 0.5 (parabolic profile); D mm, V cm/s. *relative_sd
 * (may be NULL): the diameter's error counts twice. */
double ogv_vein_flow(double diameter_mm, double vmax_cm_s, double diameter_sd, double vmax_sd, double *relative_sd);
/* Stroke volume: VTI pi (d/2)^2, mL; VTI cm, d mm. */
double ogv_stroke_volume(double vti_cm, double diameter_mm);

#endif
