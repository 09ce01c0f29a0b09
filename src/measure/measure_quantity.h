/* From a geometry on a calibrated picture to the value of a quantity with its SD and evidence. */
#ifndef MEASURE_QUANTITY_H
#define MEASURE_QUANTITY_H

#include <jansson.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_geometry.h"
#include "imaging_region.h"
#include "obstetrics_quantity.h"

typedef struct ogv_measurement {
  double value; /* in q->unit */
  double sd;    /* one reading: two-observer SD, caliper floor and calibration in quadrature */
  double sd_observer, sd_caliper, sd_calibration; /* the parts */
  size_t region;                                  /* index of the region used */
  ogv_extent extent;                              /* everything the geometry measured */
  char method[64];                                /* "ellipse perimeter", "distance", ... */
} ogv_measurement;

/* Measures quantity q by geometry g on a picture with these regions. An ellipse serves circumference quantities; a
 * distance serves lengths; an ellipse also yields bpd (shorter axis) and ofd (longer axis), each outer to outer.
 * OGV_E_INVALID when the geometry does not fit the quantity, OGV_E_CALIBRATION / OGV_E_RANGE as they say. */
ogv_status ogv_measure_quantity(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *regions,
                                size_t n_regions, ogv_measurement *out, ogv_error *err);

/* {"observer","caliper","calibration"}: the parts of the SD as evidence holds them; new reference. */
json_t *ogv_measurement_sd_json(const ogv_measurement *m);

/* The evidence object stored with a measurement: geometry, region calibration as used, parts of the SD.
 * New reference. docs/facts.md has its shape. */
json_t *ogv_measurement_evidence(const ogv_quantity *q, const ogv_geometry *g, const ogv_region *r,
                                 const ogv_measurement *m);
/* Recomputes a measurement from such an evidence object alone (verify). */
ogv_status ogv_measure_from_evidence(const ogv_quantity *q, const json_t *evidence, double *value, double *sd,
                                     ogv_error *err);

#endif
