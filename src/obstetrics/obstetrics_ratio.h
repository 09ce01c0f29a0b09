/* Ratios, conversions between caliper conventions, and volumes. Pure arithmetic; lengths mm, volumes mL. */
#ifndef OBSTETRICS_RATIO_H
#define OBSTETRICS_RATIO_H

#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

/* Converts a BPD between conventions "outer-outer" and "outer-inner" by data/conventions.json (Wong 2018; the two lines
 * are separate regressions, so there and back is off by up to 0.2 mm); others are OGV_E_INVALID. *converted may be
 * NULL. */
ogv_status ogv_bpd_convert(double bpd_mm, const char *from, const char *to, double *out, bool *converted,
                           ogv_error *err);
/* BPD corrected for head shape: sqrt(BPD * OFD / 1.265), mm. Doubilet & Greenes, AJR 1984;142:797-800. Single source.
 */
double ogv_bpd_corrected(double bpd_mm, double ofd_mm);
/* HC from two diameters (both outer to outer): pi (BPD + OFD) / 2, the form the tables use. AC likewise. */
double ogv_circumference_from_diameters(double a_mm, double b_mm);

typedef struct ogv_ratio {
  const char *id; /* row of the table of quantities: "ci" "fl-ac" "fl-bpd" "fl-hc" "hc-ac" "fl-foot" "cpr" "ucr" ... */
  double value, sd; /* in the row's unit; sd NaN when one part's SD is unknown */
  double low, high; /* published normal limits, NaN when none */
  const char *source, *status;
  char note[160]; /* what the limits mean; "" when inside them or none are known */
} ogv_ratio;

/* Ratio `id` from its two parts (numerator and denominator in the units of the table) with their SDs. ga_days < 0 when
 * unknown: limits that hold only from some age are then not given. calibration SD of one exam cancels in ratios of
 * lengths and must not be in the SDs. OGV_E_NOT_FOUND for an unknown ratio, OGV_E_INVALID for parts <= 0. */
ogv_status ogv_ratio_of(const char *id, double numerator, double numerator_sd, double denominator,
                        double denominator_sd, int ga_days, ogv_ratio *out, ogv_error *err);
/* Ids of the two parts of a ratio; false when unknown. */
bool ogv_ratio_parts(const char *id, const char **numerator, const char **denominator);

/* Volumes in mL from mm. relative SDs add in quadrature (independent lengths). */
double ogv_volume_ellipsoid(double l_mm, double w_mm, double h_mm); /* pi/6 L W H */
double ogv_volume_prolate(double l_mm, double w_mm);                /* pi/6 L W^2 */
typedef enum ogv_slice_rule {
  OGV_SLICES_MIDPOINT = 1, /* areas at slice centres */
  OGV_SLICES_TRAPEZOID,    /* areas at slice borders */
  OGV_SLICES_SIMPSON,      /* borders, even number of intervals */
  OGV_SLICES_FRUSTUM       /* borders, truncated cones */
} ogv_slice_rule;
/* Stacked discs: areas mm2 at equal spacing mm. OGV_E_INVALID for too few areas, negative areas, odd Simpson intervals.
 */
ogv_status ogv_volume_slices(const double *area_mm2, size_t n, double spacing_mm, ogv_slice_rule rule, double *ml,
                             ogv_error *err);
/* Discs from two perpendicular views: pi/4 sum(a_i b_i) L / n. b NULL: one view (a_i^2). */
ogv_status ogv_volume_discs(const double *a_mm, const double *b_mm, size_t n, double length_mm, double *ml,
                            ogv_error *err);

/* Indices of a volume with colour: grey voxels, and colour[c] voxels of colour value c = 1..100 (index 0 is not read).
 * VI = 100 colour / all (%), FI = mean colour value, VFI = sum of colour values / all. Pairleitner H et al. Ultrasound
 * Obstet Gynecol 1999;14:139-143 (definitions from memory, as all later users have them). They depend on gain,
 * repetition frequency and depth: never compare them between settings or machines. No colour: VI = VFI = 0 and FI is
 * NaN. */
typedef struct ogv_colour_indices {
  double vi, fi, vfi;
} ogv_colour_indices;
ogv_status ogv_colour_indices_of(size_t grey, const size_t colour[101], ogv_colour_indices *out, ogv_error *err);

/* Myocardial performance index (isovolumetric contraction + relaxation) / ejection, times in ms. */
ogv_status ogv_myocardial_performance(double contraction_ms, double relaxation_ms, double ejection_ms, double *out,
                                      ogv_error *err);
/* Cardiac axis in degrees from four points and one on the fetal left, all in one picture and one unit (x, y): angle
 * between the line spine to sternum and crux to apex, positive when the apex points to the fetal left. OGV_E_INVALID
 * when two points coincide or the left side cannot be told from `left`. */
ogv_status ogv_cardiac_axis(const double spine[2], const double sternum[2], const double crux[2], const double apex[2],
                            const double left[2], double *degrees, ogv_error *err);
/* Share of the canal that has funnelled: 100 funnel / (funnel + closed length), %. */
double ogv_funnelling(double funnel_length_mm, double cervical_length_mm);

#endif
