/* Atrioventricular timing: the mechanical interval from atrial to ventricular action, from one spectral trace that
 * shows inflow into the left ventricle and outflow into the aorta (onset of the A wave to onset of the next outflow),
 * or from two walls of an M-mode strip. It is longer than the electrical interval, and the two are not exchanged.
 *
 * Sources. The definition is that of the left-ventricular in/out method; studies that measured by it were seen as
 * abstracts only, not as papers: Anuwutnavin S et al., Prenat Diagn 2018;38:459-466; Heetchuay T et al., Clin Exp
 * Obstet Gynecol 2021;48:867-874; Amorim LAR et al., Ultrasonography 2025;44:212-219. Where exactly an onset is placed
 * (the line of the rise at 25 and 60 % of its height, read at the baseline), how much beats may differ and the
 * hundredth of a beat in the SD are our own rules. No reference range is built in. */
#ifndef MEASURE_TIMING_H
#define MEASURE_TIMING_H

#include <jansson.h>
#include <stdbool.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"
#include "measure_quantity.h"
#include "measure_spectrum.h"

typedef struct ogv_interval {
  bool accepted;
  char reason[240];                        /* why it was refused, and what to do */
  double ms, sd_ms;                        /* mean of the used beats and its SD; NaN when refused */
  double sd_caliper_ms, sd_calibration_ms; /* the parts of the SD */
  int beats;                               /* used */
} ogv_interval;

#define OGV_TIMING_BEATS 32
/* One beat in the picture, columns to a sixteenth: onset of the A wave and of outflow, or the movement of both walls.
 */
typedef struct ogv_av_beat {
  double atrial_x, ventricular_x;
  bool used;
} ogv_av_beat;

typedef struct ogv_av_timing {
  ogv_interval interval;
  bool from_mmode;    /* read from the walls of an M-mode strip; else from a spectrum */
  bool outflow_below; /* spectrum: outflow is drawn below the baseline */
  double beat_s;      /* length of a beat, seconds; NaN when none was found */
  int n;              /* beats found with both onsets, from left to right */
  ogv_av_beat beat[OGV_TIMING_BEATS];
} ogv_av_timing;

/* Refuses (OGV_OK, interval.accepted false, reason) without flow on both sides, without a regular outflow, when the
 * E and A waves are fused, with fewer than 3 beats, or when beats differ too much. Errors as ogv_spectrum_measure. */
ogv_status ogv_av_interval_from_spectrum(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_av_timing *out,
                                         ogv_error *err);
/* walls: first and last row of the atrial wall, then of the ventricular one. Refuses like the other when either wall
 * does not beat. OGV_E_INVALID when the bands do not lie in the strip, OGV_E_CALIBRATION without a time scale. */
ogv_status ogv_av_interval_from_mmode(const ogv_image *picture, const ogv_region *region, const int walls[4],
                                      ogv_av_timing *out, ogv_error *err);
/* The interval of t->beat as it now stands (onsets moved, beats left out by a person): fills t->interval. Rounds the
 * columns to a sixteenth. calibration_sd: relative SD of the time scale, NaN counts as 0. */
void ogv_av_reckon(ogv_av_timing *t, double s_per_pixel, double calibration_sd);
/* A region's time scale: seconds a column (positive). OGV_E_CALIBRATION without one. */
ogv_status ogv_av_time_scale(const ogv_region *r, double *s_per_pixel, ogv_error *err);

/* As a row of the ledger. OGV_E_INVALID with the reason when refused, OGV_E_RANGE when implausible. */
ogv_status ogv_av_measure(const ogv_quantity *q, const ogv_av_timing *t, ogv_measurement *out, ogv_error *err);
/* Evidence of type "av-interval" (docs/doppler.md); new reference. walls: of an M-mode strip, NULL for a spectrum. */
json_t *ogv_av_evidence(const ogv_region *r, size_t region_index, const ogv_av_timing *t, const int *walls,
                        const ogv_measurement *m);
/* Value and SD from such evidence alone: its onsets, time scale and length of a beat. */
ogv_status ogv_av_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                ogv_error *err);

/* Beats as JSON [{atrial_x, ventricular_x, used}], new reference; and back into t->beat. OGV_E_INVALID unless each beat
 * lies in columns x0..x1, its atrial onset before the ventricular one, and beats follow one another. */
json_t *ogv_av_beats_json(const ogv_av_timing *t);
ogv_status ogv_av_beats_from_json(const json_t *list, int x0, int x1, ogv_av_timing *t, ogv_error *err);
/* accepted, reason, av_interval_ms, av_interval_ms_sd, beats (how many were used), from, rate_bpm, outflow (of a
 * spectrum), onsets. New reference. */
json_t *ogv_av_timing_json(const ogv_av_timing *t);

#endif
