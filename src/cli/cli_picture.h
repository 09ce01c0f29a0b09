/* A picture for the measuring commands: a DICOM object (with its regions and frames) or a PNG file. */
#ifndef CLI_PICTURE_H
#define CLI_PICTURE_H

#include "dicom_file.h"
#include "imaging_image.h"

typedef struct ogv_cli_picture {
  ogv_dicom *dicom;          /* NULL for a PNG file */
  ogv_image image;           /* the frame asked for */
  const ogv_region *regions; /* borrowed from dicom */
  size_t n_regions;
  int frames;
} ogv_cli_picture;

/* frame is 0-based. Close with ogv_cli_picture_close. */
ogv_status ogv_cli_picture_open(const char *path, int frame, ogv_cli_picture *out, ogv_error *err);
void ogv_cli_picture_close(ogv_cli_picture *p);

/* First region of a format (and, if data_type >= 0, of that data type), or NULL. */
const ogv_region *ogv_cli_picture_region(const ogv_cli_picture *p, int format, int data_type);

/* Reads n numbers separated by commas, as options give them. OGV_E_INVALID names the option. */
ogv_status ogv_cli_numbers(const char *text, const char *option, double *out, size_t n, ogv_error *err);

#endif
