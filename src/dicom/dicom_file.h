/* Reading DICOM ultrasound objects. A thin adapter over DCMTK (and OpenJPEG for JPEG 2000); no C++ crosses this border
 * and no exception leaves it. One handle is for one thread at a time. */
#ifndef DICOM_FILE_H
#define DICOM_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_date.h"
#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

typedef struct ogv_dicom ogv_dicom;

typedef enum { OGV_DICOM_IMAGE, OGV_DICOM_REPORT, OGV_DICOM_OTHER } ogv_dicom_kind;

#define OGV_UID 72
/* Text members are UTF-8, converted from the object's Specific Character Set; "" when absent. */
typedef struct ogv_dicom_info {
  ogv_dicom_kind kind;
  char sop_class[OGV_UID], sop_instance[OGV_UID], study[OGV_UID], series[OGV_UID], transfer_syntax[OGV_UID];
  char modality[20];
  char patient_id[128], issuer[128], patient_name[512]; /* name as DICOM PN with carets; see ogv_dicom_name_text */
  ogv_date birth_date, study_date, content_date;        /* OGV_DATE_NONE when absent or unreadable */
  char study_time[20], content_time[20];                /* HHMMSS.FFF as stored */
  char accession[64], study_description[256], series_description[256], referring[512], performer[512];
  char institution[256], manufacturer[128], model[128], station[64], software[128];
  char image_type[256], view_name[64];
  ogv_date lmp;                       /* Last Menstrual Date (0010,21D0) */
  int instance_number, series_number; /* -1 when absent */
  /* Images: */
  int rows, columns, frames, samples, bits_allocated, bits_stored;
  char photometric[24];
  bool lossy, colour_data, burned_in; /* burned_in: (0028,0301) YES, or absent in an ultrasound picture */
  double frame_ms;                    /* > 0: constant frame time; 0: none or irregular (see ogv_dicom_frame_time_ms) */
  const char *time_base;              /* "vector", "frame-time", "cine-rate", "none" */
  double mechanical_index, thermal_bone, thermal_cranial, thermal_soft; /* NaN when absent: unknown */
  double depth_mm, focus_cm;                                            /* NaN when absent */
  double spacing_row_mm, spacing_column_mm;                             /* Pixel Spacing; NaN when absent */
  char note[256]; /* what a reader should know, e.g. letters that could not be converted; "" when nothing */
} ogv_dicom_info;

/* Everything unknown: texts empty, dates OGV_DATE_NONE, numbers NaN or -1. Start from this when filling one by hand. */
void ogv_dicom_info_empty(ogv_dicom_info *info);

/* Opens a Part 10 file (or a bare data set). OGV_E_CORRUPT for damaged files, OGV_E_UNSUPPORTED for objects that are
 * not ultrasound pictures, secondary captures or structured reports; messages name the tag at fault. Close with
 * ogv_dicom_close. */
ogv_status ogv_dicom_open(const char *path, ogv_dicom **out, ogv_error *err);
void ogv_dicom_close(ogv_dicom *d); /* NULL is allowed */

const ogv_dicom_info *ogv_dicom_about(const ogv_dicom *d);              /* borrowed, lives as long as d */
const ogv_region *ogv_dicom_regions(const ogv_dicom *d, size_t *count); /* judged; borrowed */

/* Decodes one frame (0-based) to grey8 or RGB8 in the picture's own colours, no window applied to 8-bit grey; more than
 * 8 bits are scaled by bits stored. Free with ogv_image_free. */
ogv_status ogv_dicom_frame(ogv_dicom *d, int frame, ogv_image *out, ogv_error *err);

/* The JPEG baseline bytes of one frame when the browser can show them as they are (8-bit, YBR_FULL/YBR_FULL_422/RGB/
 * MONOCHROME2): *data is malloc'ed. OGV_E_UNSUPPORTED for other syntaxes: decode instead. */
ogv_status ogv_dicom_frame_jpeg(ogv_dicom *d, int frame, uint8_t **data, size_t *size, ogv_error *err);

/* Milliseconds from the first frame to frame k, from the vector or frame time; NaN without a time base. */
double ogv_dicom_frame_time_ms(const ogv_dicom *d, int frame);

/* "DOE^JANE^^DR" -> "Dr Jane Doe" style text for display, ideographic and phonetic groups kept. buf is always
 * terminated. */
void ogv_dicom_name_text(const char *pn, char *buf, size_t size);

#endif
