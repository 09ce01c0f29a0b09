/* JPEG baseline streams by libjpeg: made for the writer, decoded for the reader. 8 bits a sample. */
#ifndef PRIVATE_DICOM_JPEG_H
#define PRIVATE_DICOM_JPEG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#include "core_status.h"
#include "imaging_image.h"

/* Grey stays grey; RGB becomes YCbCr 4:2:2. *data is malloc'ed. Same picture and quality, same bytes. */
ogv_status ogv_dicom_jpeg_encode(const ogv_image *img, int quality, uint8_t **data, size_t *size, ogv_error *err);

typedef struct ogv_jpeg_head {
  int width, height, components, precision;
  int sof;     /* the number n of the SOFn marker: 0 baseline, 1 extended, 2 progressive, 3 lossless */
  bool jfif;   /* APP0 JFIF seen: three components are YCbCr by definition */
  int adobe;   /* transform of an Adobe marker, -1 without one: 0 RGB, 1 YCbCr */
  char ids[4]; /* component identifiers */
} ogv_jpeg_head;

/* Reads the markers up to the frame header. False when the bytes are no JPEG stream. */
bool ogv_dicom_jpeg_head(const uint8_t *data, size_t size, ogv_jpeg_head *out);

/* Whether three components are stored as YCbCr: by the stream's own marks, else by the photometric interpretation. */
bool ogv_dicom_jpeg_is_ycc(const ogv_jpeg_head *h, const char *photometric);

/* Decodes 8-bit baseline, extended or progressive. `ycc`: components are YCbCr and become RGB. */
ogv_status ogv_dicom_jpeg_decode(const uint8_t *data, size_t size, bool ycc, int width, int height, ogv_image *out,
                                 ogv_error *err);

#ifdef __cplusplus
}
#endif
#endif
