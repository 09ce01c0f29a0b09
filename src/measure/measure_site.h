/* From a spectral envelope at a named vessel to rows of the ledger, and from the evidence of such a row back to its
 * value. The evidence holds the envelope itself (one point a picture column), so that a value can be recomputed without
 * the picture. docs/doppler.md has its shape. */
#ifndef MEASURE_SITE_H
#define MEASURE_SITE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_geometry.h"
#include "imaging_region.h"
#include "measure_quantity.h"
#include "measure_spectrum.h"
#include "obstetrics_quantity.h"

/* A place where flow is recorded. vessel and side are those of the table of quantities. */
typedef struct ogv_site {
  const char *id, *name, *vessel, *side; /* side "left", "right" or "" */
  ogv_flow_kind flow;
  bool maternal; /* belongs to no fetus */
} ogv_site;
const ogv_site *ogv_site_at(size_t i); /* NULL past the end */
const ogv_site *ogv_site_find(const char *id);
const char *ogv_site_flow_word(ogv_flow_kind f); /* "fetal" "maternal" "any" "ductus-venosus" */
bool ogv_site_flow_from_word(const char *word, ogv_flow_kind *out);

/* The rows that an envelope at this site fills, in the order of the table. Returns how many of at most `maximum`. */
size_t ogv_site_quantities(const ogv_site *site, const ogv_quantity **list, size_t maximum);

/* The scale of a region with another correction angle (NaN: the stored one) and the wall filter that was found (NaN:
 * none). */
ogv_status ogv_site_scale(const ogv_region *r, double angle_deg, double wall_filter_cm_s, ogv_spectrum_scale *out,
                          ogv_error *err);

/* Two-point calibration by a person: {"box":[x0,y0,x1,y1], "baseline_row", "velocity_row", "velocity_cm_s", "time_x0",
 * "time_x1", "time_s", "angle_deg"?}. velocity_cm_s is the velocity written at velocity_row. Gives a spectral region
 * marked by_hand; its SD follows from half a pixel at each end. OGV_E_INVALID names what does not fit. */
ogv_status ogv_site_calibrate(const json_t *calibration, int rows, int columns, ogv_region *out, ogv_error *err);

/* Envelope as a trace geometry, rows rounded to a sixteenth of a pixel. Free with ogv_geometry_free. */
ogv_status ogv_site_trace(const ogv_spectrum *s, const ogv_spectrum_scale *scale, ogv_geometry *out, ogv_error *err);
/* Cycles and indices from such a trace; below: the main flow is displayed below the baseline. Points must run from left
 * to right within the region. Free the spectrum with ogv_spectrum_free. */
ogv_status ogv_site_indices(const ogv_geometry *trace, const ogv_spectrum_scale *scale, ogv_flow_kind flow, bool below,
                            ogv_spectrum *out, ogv_error *err);

/* Cycles as a person chose them: [{"x": picture column within the cycle, "used"}, ...] in the order they were chosen;
 * null: none. OGV_E_INVALID when it is not such a list. */
ogv_status ogv_site_choose(const json_t *chosen, const ogv_spectrum_scale *scale, ogv_spectrum *s, ogv_error *err);

/* One quantity of a spectrum: value, SD and its parts. Refuses velocities without a scale for them, S/D without forward
 * flow, implausible values. */
ogv_status ogv_site_measure(const ogv_quantity *q, const ogv_spectrum *s, const ogv_spectrum_scale *scale,
                            ogv_measurement *out, ogv_error *err);

/* Evidence of a row; new reference. angle_deg NaN: as stored in the region. */
json_t *ogv_site_evidence(const ogv_site *site, const ogv_region *r, double angle_deg, const ogv_geometry *trace,
                          const ogv_spectrum *s, const ogv_measurement *m);
/* Value and SD from evidence of type "spectrum" alone. */
ogv_status ogv_site_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                  ogv_error *err);

#endif
