/* A picture for the measuring commands: a DICOM object (with its regions and frames) or a PNG file. */
#ifndef CLI_PICTURE_H
#define CLI_PICTURE_H

#include "cli_command.h"
#include "dicom_file.h"
#include "imaging_image.h"
#include "measure_spectrum.h"

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
/* The spectral region to read: the N-th, from 1; `which` 0: the only one. OGV_E_INVALID when there are several and none
 * is chosen, OGV_E_RANGE when there are fewer than N, OGV_E_CALIBRATION when there is none. */
ogv_status ogv_cli_picture_spectrum(const ogv_cli_picture *p, const char *file, int which, const ogv_region **out,
                                    ogv_error *err);

/* Reads n finite numbers separated by commas, as options give them. OGV_E_INVALID names the option. */
ogv_status ogv_cli_numbers(const char *text, const char *option, double *out, size_t n, ogv_error *err);
/* The same for whole numbers, 8 at most: rows, columns, frames. */
ogv_status ogv_cli_whole_numbers(const char *text, const char *option, int *out, size_t n, ogv_error *err);

/* --flow of a measuring command; NULL changes nothing. 0, or 2 after telling what is wrong. */
int ogv_cli_flow(const ogv_command *c, const char *word, ogv_flow_kind *out);

#endif
