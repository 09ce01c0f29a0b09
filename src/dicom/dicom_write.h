/* Writing DICOM: ultrasound pictures and clips, and obstetric structured reports. Used by the phantom, and by outputs.
 */
#ifndef DICOM_WRITE_H
#define DICOM_WRITE_H

#include "dicom_file.h"

typedef enum {
  OGV_WRITE_EXPLICIT_LE,
  OGV_WRITE_IMPLICIT_LE,
  OGV_WRITE_JPEG_BASELINE,
  OGV_WRITE_JPEG_LOSSLESS,
  OGV_WRITE_RLE
} ogv_write_syntax;

typedef struct ogv_dicom_picture {
  ogv_dicom_info about; /* identity, dates, equipment, indices; UIDs must be set; kind, rows, columns, frames ignored */
  const ogv_image *frames; /* n_frames pictures of one size and channel count */
  int n_frames;
  const uint8_t *const *jpeg; /* optional, per frame: ready JPEG baseline streams, stored as they are */
  const size_t *jpeg_size;
  const double *frame_times_ms; /* optional vector of increments, first 0; else about.frame_ms */
  const ogv_region *regions;
  size_t n_regions;
  ogv_write_syntax syntax;
  int jpeg_quality; /* 1..100 for baseline when `jpeg` is NULL */
} ogv_dicom_picture;

/* Writes US Image or US Multi-frame Image. Same input, same bytes (fixed implementation UID, no clock). */
ogv_status ogv_dicom_write_picture(const char *path, const ogv_dicom_picture *p, ogv_error *err);

typedef struct ogv_dicom_measure { /* one numeric item of a report */
  const char *quantity;            /* id in the table of quantities */
  double value;
  const char *unit;           /* UCUM */
  const char *fetus;          /* "A"; "" when there is one fetus */
  const char *derivation;     /* "" or "mean" */
  const char *image_instance; /* "" when none */
  const char *image_class;
  int image_frame;
  int graphic;              /* ogv_geometry_kind or 0; distance and ellipse are written as SCOORD */
  double points[8];         /* pixel-centre coordinates */
  const char *image_series; /* series of image_instance: the report's evidence list names it; needed with an instance */
} ogv_dicom_measure;

typedef struct ogv_dicom_obreport {
  ogv_dicom_info about; /* identity; UIDs set */
  ogv_date lmp, edd;    /* OGV_DATE_NONE to leave out */
  int fetuses;
  const ogv_dicom_measure *items;
  size_t n_items;
} ogv_dicom_obreport;

/* Comprehensive SR, TID 5000 with biometry groups (TID 5008), long bones, cranium, Doppler groups, fetus summary.
 * Quantities without a standard code are written under our private scheme 99OGIVE. Items keep their order within a
 * group. OGV_E_INVALID for unknown quantities, units that do not fit, and references without a series. */
ogv_status ogv_dicom_write_obreport(const char *path, const ogv_dicom_obreport *r, ogv_error *err);

#endif
