/* Ultrasound regions: which part of a picture is in which physical units, and whether that can be trusted.
 * Source: DICOM PS3.3 C.8.5.5 (US Region Calibration). Pixel coordinates are pixel centres: (0,0) is the centre of the
 * first pixel of the whole picture. */
#ifndef IMAGING_REGION_H
#define IMAGING_REGION_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

/* Region Spatial Format (0018,6012). */
typedef enum {
  OGV_FORMAT_NONE = 0,
  OGV_FORMAT_2D = 1,
  OGV_FORMAT_MMODE = 2,
  OGV_FORMAT_SPECTRAL = 3,
  OGV_FORMAT_WAVEFORM = 4,
  OGV_FORMAT_GRAPHICS = 5
} ogv_region_format;
/* Region Data Type (0018,6014); other values are kept as they are. */
typedef enum {
  OGV_DATA_NONE = 0,
  OGV_DATA_TISSUE = 1,
  OGV_DATA_COLOUR_FLOW = 2,
  OGV_DATA_PW = 3,
  OGV_DATA_CW = 4,
  OGV_DATA_GREY_BAR = 13,
  OGV_DATA_COLOUR_BAR = 14
} ogv_region_data;
/* Physical units (0018,6024/6026). */
typedef enum {
  OGV_UNIT_NONE = 0,
  OGV_UNIT_PERCENT = 1,
  OGV_UNIT_DB = 2,
  OGV_UNIT_CM = 3,
  OGV_UNIT_S = 4,
  OGV_UNIT_HZ = 5,
  OGV_UNIT_CM_S = 7,
  OGV_UNIT_DEGREES = 12
} ogv_region_unit;

typedef struct ogv_region {
  int format, data_type, unit_x, unit_y; /* the codes above, as stored */
  uint32_t flags;                        /* (0018,6016) */
  int32_t x0, y0, x1, y1;                /* inclusive corners in the whole picture */
  bool has_ref_x, has_ref_y;
  int32_t ref_x, ref_y;            /* reference pixel, relative to (x0,y0) */
  double ref_value_x, ref_value_y; /* physical value there, in the region's units; 0 when absent */
  double delta_x, delta_y;         /* units a pixel to the right / downwards, as stored (cm, s, cm/s, Hz) */
  double transducer_khz, prf_hz;   /* NaN when absent */
  double correction_angle_deg, steering_angle_deg; /* NaN when absent: unknown, not zero */
  bool has_component;                              /* pixel values have a meaning of their own (0018,6044): */
  int component_unit, component_type;              /* (0018,604C) as units above; (0018,604E) */
  double component_low, component_high;            /* smallest and largest value its table gives */
  bool by_hand;                                    /* calibrated by a person, not by the scanner */
  /* Filled by ogv_regions_judge: */
  bool measurable_x, measurable_y; /* differences along the axis can be trusted */
  bool absolute_x, absolute_y;     /* values against the reference pixel too */
  double calibration_sd;           /* relative SD of the scale, e.g. 0.005 */
  char note[160];                  /* why not, or what to know; "" when nothing */
} ogv_region;

/* Applies the rules of docs/regions.md to n regions of a picture of rows x columns and fills the judged members:
 * boxes that leave the picture by more than one pixel, zero, NaN deltas, units 0 and bars are not measurable; a
 * negative delta x is usable by its absolute value; delta x and y apart by more than 2 % are noted; an unprotected
 * scale gets a larger calibration_sd. */
void ogv_regions_judge(ogv_region *regions, size_t n, int rows, int columns);

/* A region covering the whole picture from Pixel Spacing (0028,0030), mm, for pictures that have no regions. Marked
 * with a note and a larger calibration_sd. spacing_row is the distance between rows (y). */
ogv_region ogv_region_from_spacing(double spacing_row_mm, double spacing_column_mm, int rows, int columns);

/* The region that a geometry belongs to: the smallest measurable one that holds all n points. OGV_E_CALIBRATION with
 * the reason when there is none, OGV_E_INVALID when the points lie in different regions. points: x,y pairs. */
ogv_status ogv_region_for(const ogv_region *regions, size_t n, const double *points, size_t n_points, size_t *index,
                          ogv_error *err);

/* mm a pixel in each direction for a region with both units cm; OGV_E_CALIBRATION otherwise. Always positive. */
ogv_status ogv_region_mm(const ogv_region *r, double *mm_x, double *mm_y, ogv_error *err);

/* Value on the region's own axes (s, cm/s, cm, Hz) at a pixel; needs absolute_x / absolute_y. */
ogv_status ogv_region_value_x(const ogv_region *r, double px, double *out, ogv_error *err);
ogv_status ogv_region_value_y(const ogv_region *r, double py, double *out, ogv_error *err);

/* JSON form, as evidence keeps it (docs/facts.md): the stored calibration and what was judged of it. New reference. */
json_t *ogv_region_to_json(const ogv_region *r);
/* Reads that form back; judged members are taken as they stand. OGV_E_INVALID names the member. */
ogv_status ogv_region_from_json(const json_t *v, ogv_region *out, ogv_error *err);

/* Short word for a region: "2d", "m-mode", "spectrum", "waveform", "bar", "graphics", "other". */
const char *ogv_region_word(const ogv_region *r);

#endif
