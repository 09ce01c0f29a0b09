/* Geometry that a person or the program places on a picture, and what it measures in physical units.
 * Points are in pixel-centre coordinates of the whole picture. Geometry never knows a quantity; `measure` does. */
#ifndef IMAGING_GEOMETRY_H
#define IMAGING_GEOMETRY_H

#include <jansson.h>
#include <stddef.h>

#include "core_status.h"
#include "imaging_region.h"

typedef enum ogv_geometry_kind {
  OGV_GEOMETRY_DISTANCE = 1, /* 2 points */
  OGV_GEOMETRY_ELLIPSE, /* 4 points: ends of one axis, ends of the other; need not be exactly perpendicular in pixels */
  OGV_GEOMETRY_OUTLINE, /* 3..4096 points, closed polygon */
  OGV_GEOMETRY_ANGLE,   /* 3 points, the middle one is the corner */
  OGV_GEOMETRY_POINT,   /* 1 point: a value on the axes of an M-mode or spectral region */
  OGV_GEOMETRY_TRACE,   /* 2..8192 points, open line over time in a spectral or M-mode region */
  OGV_GEOMETRY_INTERVAL /* 2 points: a time difference in an M-mode or spectral region */
} ogv_geometry_kind;

#define OGV_GEOMETRY_MAX_POINTS 8192
typedef struct ogv_geometry {
  ogv_geometry_kind kind;
  size_t n;       /* points */
  double *points; /* x0,y0,x1,y1,... owned; free with ogv_geometry_free */
} ogv_geometry;

/* JSON form: {"kind":"ellipse","points":[[x,y],...]}; kinds: distance ellipse outline angle point trace interval.
 * Checks the number of points and that every coordinate is finite. */
ogv_status ogv_geometry_from_json(const json_t *v, ogv_geometry *out, ogv_error *err);
json_t *ogv_geometry_to_json(const ogv_geometry *g); /* new reference */
void ogv_geometry_free(ogv_geometry *g);
const char *ogv_geometry_word(ogv_geometry_kind k);

/* What a geometry measures in the units of its region; members that do not apply are NaN. */
typedef struct ogv_extent {
  double length_mm;              /* distance; open trace length */
  double axis1_mm, axis2_mm;     /* full axes of an ellipse, longer first */
  double perimeter_mm, area_mm2; /* ellipse (exact elliptic integral to double precision) or outline */
  double angle_deg;
  double time_s;           /* interval, or distance along x where x is in seconds */
  double value_x, value_y; /* a point, in the region's own units */
  double sd_point_mm;      /* caliper SD of one end: half a pixel diagonal, as a floor; see docs/uncertainty.md */
} ogv_extent;

/* Refuses (OGV_E_CALIBRATION / OGV_E_INVALID) what the region cannot measure, with the reason. */
ogv_status ogv_geometry_measure(const ogv_geometry *g, const ogv_region *r, ogv_extent *out, ogv_error *err);

/* Perimeter of an ellipse with full axes a, b (same unit): exact, by the arithmetic-geometric mean. */
double ogv_ellipse_perimeter(double a, double b);

#endif
