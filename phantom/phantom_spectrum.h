/* Synthetic spectral Doppler pictures with exact truth. A test instrument; see docs/phantom.md for the model.
 *
 * What the truth is: the envelope is the velocity at which the mean spectral power, before noise, wall filter and
 * logarithmic display, has fallen to half of its plateau (-3 dB). Because the display is logarithmic the visible edge
 * lies further out by about `broadening`; see edge_sd_px. Velocities are in the direction of the flow (forward
 * positive), whichever way the picture shows them. */
#ifndef PHANTOM_SPECTRUM_H
#define PHANTOM_SPECTRUM_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

typedef enum {
  OGV_PHANTOM_UMBILICAL,
  OGV_PHANTOM_MCA,
  OGV_PHANTOM_UTERINE,
  OGV_PHANTOM_DUCTUS,
  OGV_PHANTOM_IN_OUT /* left ventricle: outflow one way, E and A waves the other */
} ogv_phantom_vessel;
typedef enum { OGV_PHANTOM_FORWARD, OGV_PHANTOM_ABSENT, OGV_PHANTOM_REVERSED } ogv_phantom_diastole;

typedef struct ogv_phantom_spectrum_options {
  uint64_t seed;
  int width, height;             /* of the whole picture, at least 320 x 240; default 1024 x 768 */
  ogv_phantom_vessel vessel;     /* shape of the wave */
  ogv_phantom_diastole diastole; /* other than FORWARD: umbilical artery only */
  double psv_cm_s;               /* 5..200 */
  double pi;                     /* pulsatility index wanted, 0.3..4; used when diastole is FORWARD (ductus: PIV) */
  double reversed_fraction;      /* REVERSED: depth of the reversed flow as a part of PSV, e.g. 0.2 */
  double absent_fraction;        /* ABSENT: part of the cycle without flow before the next upstroke, e.g. 0.3 */
  double av_ms;    /* IN_OUT: onset of the A wave to onset of outflow, at the mean cycle length; 60..200, default 120 */
  double notch;    /* uterine: depth of the early-diastolic notch, 0 none .. 1 */
  double rate_bpm; /* 40..220 */
  double rate_jitter;      /* relative SD of the cycle length from beat to beat; 0.01 */
  double amplitude_jitter; /* relative amplitude of a slow (breathing) modulation; 0.02 */
  bool away;               /* flow away from the probe: negative velocities */
  bool inverted;           /* the picture's axis is inverted: velocities grow downwards */
  double sweep_s;          /* seconds across the strip */
  double range_cm_s; /* velocities from lower to upper edge (twice the Nyquist velocity); 0: chosen so that nothing
                        aliases. Smaller than needed: the spectrum wraps around, as scanners show it */
  double baseline;   /* place of the baseline: part of the strip's height from its top; 0: chosen by direction */
  double snr_db;     /* plateau over noise, e.g. 30; below about 8 hardly readable */
  double gain_db;    /* 0 is well set; + more, noise becomes visible; - less */
  double dynamic_range_db; /* of the display, e.g. 40 */
  double wall_filter_cm_s; /* flow slower than this is not shown */
  double broadening;       /* intrinsic broadening: SD of the edge relative to the velocity, e.g. 0.015 */
  double angle_deg;        /* correction angle written to the region; NaN: none was set. Broadens the edge as 1+tan/2 */
  double mirror_db;        /* mirror artefact relative to the flow, e.g. -18; NaN or 0: none */
  double venous_cm_s;      /* steady flow on the other side of the baseline (cord vein), 0: none */
  bool hz;                 /* the axis is a frequency scale (units Hz, flag bit 2), transducer_khz given */
  double transducer_khz;   /* 3500 */
  bool overlay;            /* burned-in coloured envelope line and cycle marks as scanners draw them */
  bool captions;           /* burned-in scale, texts */
  const char *title;       /* burned-in caption, UTF-8 (Latin letters); NULL none */
} ogv_phantom_spectrum_options;

typedef struct ogv_phantom_cycle {
  double start_s, end_s;               /* foot to foot, from the strip's left edge (centre of its first column is 0) */
  bool complete;                       /* wholly inside the strip; values of others are NaN */
  double psv_cm_s, edv_cm_s, mdv_cm_s; /* peak; at the cycle's end; smallest */
  double tamax_cm_s, tamean_cm_s;      /* time averages of the envelope and of the power-weighted mean */
  double pi, ri, sd_ratio;             /* (PSV-EDV)/TAMAX, (PSV-EDV)/PSV, PSV/EDV (NaN when EDV <= 0) */
  double acceleration_s, rate_bpm;
} ogv_phantom_cycle;

typedef struct ogv_phantom_spectrum_truth {
  int x0, y0, x1, y1;  /* the strip, inclusive */
  double baseline_row; /* row of zero velocity in the whole picture, may lie between rows */
  double cm_s_per_px;  /* positive */
  double s_per_px;
  double edge_sd_px;     /* SD of the edge at the peak, in rows */
  int n;                 /* columns x0..x1 */
  double *envelope_cm_s; /* n values, forward positive */
  double *envelope_row;  /* n rows in the picture where the edge lies (not wrapped; may leave the strip when aliased) */
  double *mean_cm_s;
  ogv_phantom_cycle cycles[64];
  int n_cycles;
  double psv_cm_s, edv_cm_s, mdv_cm_s, tamax_cm_s, tamean_cm_s, pi, ri, sd_ratio,
      rate_bpm; /* means of complete cycles */
  ogv_phantom_diastole diastole;
  double av_ms;      /* IN_OUT: mean over complete cycles; NaN otherwise */
  bool aliased;      /* some part of the envelope left the shown range and was wrapped */
  bool drawn_up;     /* forward flow is above the baseline */
  ogv_region region; /* as a scanner would write it, judged */
} ogv_phantom_spectrum_truth;

/* A good umbilical recording at 140 a minute. */
void ogv_phantom_spectrum_defaults(ogv_phantom_spectrum_options *o);
/* Draws an RGB picture. OGV_E_INVALID names the option at fault. Free both with the functions below / ogv_image_free.
 */
ogv_status ogv_phantom_spectrum(const ogv_phantom_spectrum_options *o, ogv_image *picture,
                                ogv_phantom_spectrum_truth *truth, ogv_error *err);
void ogv_phantom_spectrum_free(ogv_phantom_spectrum_truth *t);
/* The truth as JSON, for truth.json; envelope included when asked. New reference. */
json_t *ogv_phantom_spectrum_json(const ogv_phantom_spectrum_truth *t, bool with_envelope);

#endif
