/* Reading a spectral Doppler picture: maximum-velocity envelope, cycles, indices, each with an SD, or a refusal.
 *
 * Method (docs/doppler.md): every column is split into signal and noise by the largest cumulative log-likelihood ratio
 * (a generalisation of the modified geometric method, Fernando, Mathews, Clark, IEEE Trans Biomed Eng
 * 2004;51:2085-2088), the columns are joined by dynamic programming, and the edge is then refined to the half-power
 * point of the falling edge (Vilkomerson, Ricci, Tortoli, IEEE Trans UFFC 2013;60:2079-2088) in columns straightened
 * along the path, so that smoothing over time does not lower the peaks.
 *
 * Velocities are cm/s, signed so that the main flow is positive; times are seconds from the left of the box. */
#ifndef MEASURE_SPECTRUM_H
#define MEASURE_SPECTRUM_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

/* How sharply a picture shows the flow. It widens the SD of what is read from the envelope. */
typedef struct ogv_spectrum_sharpness {
  double time_s;    /* SD of the blur along time, as the grain of the flow shows it; 0: no more than one column */
  double edge_rows; /* SD of the place of the edge as a whole: broad, or cut off at white by too much gain. Rows */
} ogv_spectrum_sharpness;

typedef struct ogv_spectrum_scale {
  int x0, y0, x1, y1;               /* inclusive box of the spectrum in the picture */
  double baseline_row;              /* picture row (pixel centre, may be fractional) of zero velocity */
  double cm_s_per_pixel;            /* per row downwards: negative where up is towards the transducer */
  double s_per_pixel;               /* > 0 */
  bool absolute;                    /* velocities may be stated; else only ratios, rate and shape */
  double calibration_sd;            /* relative SD of both scales */
  double angle_deg;                 /* correction angle in force, NaN unknown */
  double wall_filter_cm_s;          /* NaN unknown: then it is read from the picture */
  ogv_spectrum_sharpness sharpness; /* of the picture that an envelope was traced on; not looked at by a measurement */
  double hundred_hz_cm_s; /* velocity of a 100 Hz shift; above it a filter may hide slow flow. NaN unknown: 3 cm/s */
  bool by_hand;           /* two-point calibration by a person */
  char note[200];         /* what to know; "" when nothing */
} ogv_spectrum_scale;

/* From a spectral region. OGV_E_CALIBRATION when the region cannot be used: units not seconds, no baseline in view (the
 * reference pixel is missing or zero velocity lies outside the box), unknown unit code. A frequency scale (Hz) becomes
 * velocity only with transducer frequency and angle; without them `absolute` is false. Above 60 degrees a note warns,
 * above 70 degrees absolute is false. */
ogv_status ogv_spectrum_scale_from_region(const ogv_region *r, ogv_spectrum_scale *out, ogv_error *err);

/* Changes the correction angle: velocities scale by cos(old)/cos(new); ratios do not change. OGV_E_INVALID when the old
 * angle is unknown. The note records it. */
ogv_status ogv_spectrum_set_angle(ogv_spectrum_scale *s, double angle_deg, ogv_error *err);

typedef enum {
  OGV_FLOW_ARTERIAL_FETAL,
  OGV_FLOW_ARTERIAL_MATERNAL,
  OGV_FLOW_ARTERIAL_ANY,
  OGV_FLOW_DUCTUS_VENOSUS
} ogv_flow_kind;

typedef enum { OGV_EDF_FORWARD, OGV_EDF_ABSENT, OGV_EDF_REVERSED, OGV_EDF_INTERMITTENT, OGV_EDF_UNCERTAIN } ogv_edf;

typedef struct ogv_spectrum_cycle {
  double start_s, end_s;
  double psv, edv, mdv, tamax, tamean; /* cm/s; ductus venosus: edv is the a-wave, mdv the end-systolic trough */
  double d_wave;                       /* ductus venosus: early-diastolic peak; NaN otherwise */
  double pi, ri, sd_ratio;             /* sd_ratio NaN when edv <= 0; ductus venosus: pi is PIV */
  double acceleration_s;
  double peak_fall; /* by how much the peak falls when the envelope is blurred once more as the picture is, cm/s */
  ogv_edf edf;
  bool used;
  char why[64]; /* why it was not used; "" when used */
} ogv_spectrum_cycle;

typedef struct ogv_estimate {
  double value, sd;
} ogv_estimate; /* NaN when not given */

#define OGV_SPECTRUM_CYCLES 32
typedef struct ogv_spectrum {
  bool accepted;
  char reason[240]; /* why it was refused, and what to do */
  char note[400];   /* warnings, one sentence each */
  size_t columns;
  double *vmax, *vmean, *confidence; /* one per column of the box; NaN / 0 where there is none. Owned. */
  size_t n_cycles, n_used;
  ogv_spectrum_cycle cycles[OGV_SPECTRUM_CYCLES];
  ogv_estimate psv, edv, mdv, tamax, tamean, pi, ri, sd_ratio, acceleration_s, rate_bpm;
  double rate_variability_percent; /* SD of cycle lengths over their mean */
  double period_confidence;        /* 0..1, height of the autocorrelation peak */
  ogv_edf edf;
  double edf_share;        /* share of used cycles that are not forward */
  double wall_filter_cm_s; /* used: given or read from the picture */
  ogv_spectrum_sharpness sharpness;
  bool below_baseline; /* main flow is displayed below the baseline */
  bool aliased, unwrapped, mirror;
  bool irregular; /* refused only because most cycles differ: a person may choose among them (ogv_spectrum_choose) */
} ogv_spectrum;

/* Traces the box of the picture. Returns OGV_OK also for a refusal (accepted false, reason set); an error status only
 * for impossible arguments (empty box, no picture) or memory. Free with ogv_spectrum_free. Deterministic. */
ogv_status ogv_spectrum_measure(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_flow_kind kind,
                                ogv_spectrum *out, ogv_error *err);

/* Indices again from an envelope that a person edited (vmax, one per column, cm/s signed, NaN where there is none);
 * vmean may be NULL. */
ogv_status ogv_spectrum_from_envelope(const double *vmax, const double *vmean, size_t columns,
                                      const ogv_spectrum_scale *scale, ogv_flow_kind kind, ogv_spectrum *out,
                                      ogv_error *err);

/* The same for an envelope that was traced on the picture, perhaps with stretches moved by a person: smoothed over time
 * as the automatic reading smooths its own. scale->wall_filter_cm_s and
 * scale->sharpness are those found then. */
ogv_status ogv_spectrum_from_traced(const double *vmax, size_t columns, const ogv_spectrum_scale *scale,
                                    ogv_flow_kind kind, ogv_spectrum *out, ogv_error *err);

/* A cycle that a person leaves out of the means, or takes in: the one that lasts at at_s. */
typedef struct ogv_spectrum_choice {
  double at_s;
  bool used;
} ogv_spectrum_choice;
/* Means over the cycles as a person chose them; of several choices of one cycle the last counts, one that meets no
 * cycle is passed over. Does nothing to a spectrum refused for another reason than irregular cycles; refuses when fewer
 * than two are left. A cycle without mean flow cannot be taken in. */
void ogv_spectrum_choose(ogv_spectrum *s, const ogv_spectrum_scale *scale, const ogv_spectrum_choice *list, size_t n);

void ogv_spectrum_free(ogv_spectrum *s);
const char *ogv_edf_word(ogv_edf e); /* "forward" "absent" "reversed" "intermittent" "uncertain" */

/* All of it as JSON: accepted, reason, psv_cm_s, ..., each with _sd, cycles, envelope points in picture pixels. New
 * reference. */
json_t *ogv_spectrum_json(const ogv_spectrum *s, const ogv_spectrum_scale *scale);

#endif
