/* The open object as the reader's files share it. */
#ifndef PRIVATE_DICOM_OBJECT_H
#define PRIVATE_DICOM_OBJECT_H

#include <vector>

#include "dcmtk/dcmdata/dcfcache.h"
#include "dcmtk/dcmdata/dcpixel.h"
#include "dcmtk/dcmdata/dcpixseq.h"
#include "dcmtk/dcmdata/dcpxitem.h"
#include "private/dicom_charset.h"
#include "private/dicom_common.h"
#include "private/dicom_palette.h"

/* Fragments first..last of a pixel sequence (item 0 is the offset table) that make one frame. */
struct ogv_frame_place {
  unsigned long first, last;
};

struct ogv_dicom {
  DcmFileFormat file;
  DcmDataset *data = nullptr;
  E_TransferSyntax syntax = EXS_Unknown;
  ogv_dicom_info info{};
  std::vector<ogv_region> regions;
  std::vector<double> times_ms;        /* per frame; empty without a time base */
  DcmFileCache cache;                  /* keeps the file open between frames */
  std::vector<ogv_frame_place> places; /* filled at the first frame of an encapsulated object */
  ogv_palette palette;
  bool palette_read = false;
};

/* dicom_about.cc */
ogv_status ogv_dicom_read_about(ogv_dicom *d, ogv_error *err);
ogv_status ogv_dicom_read_image(ogv_dicom *d, ogv_error *err);
/* dicom_regions.cc */
ogv_status ogv_dicom_read_regions(ogv_dicom *d, ogv_error *err);

/* dicom_nesting.cc: refuses sequences nested deeper than DCMTK's recursion can bear. EXS_Unknown for files without
 * header. */
ogv_status ogv_dicom_check_nesting(const char *path, E_TransferSyntax syntax, ogv_error *err);

/* dicom_fragments.cc: the compressed bytes of one frame, put together from its fragments. */
ogv_status ogv_dicom_frame_bytes(ogv_dicom *d, int frame, std::vector<Uint8> *out, ogv_error *err);

/* Samples of one frame as stored or as the codec gives them, before colours are made. */
struct ogv_samples {
  std::vector<Uint8> bytes; /* one or two bytes a sample, little endian */
  int samples, bytes_each;  /* per pixel; 1 or 2 */
  int bits;                 /* stored bits of a sample, counted from bit 0 */
  bool is_signed, planar;
  std::string photometric; /* what the samples are now */
};

/* dicom_pixels.cc: samples to grey8 or RGB8. */
ogv_status ogv_dicom_make_image(ogv_dicom *d, const ogv_samples &s, ogv_image *out, ogv_error *err);

/* dicom_j2k.cc: decodes a JPEG 2000 code stream or JP2 file. */
ogv_status ogv_dicom_j2k(const std::vector<Uint8> &bytes, const ogv_dicom_info &info, ogv_samples *out, ogv_error *err);

/* dicom_rle.cc: decodes an RLE frame; `s` holds the described shape. */
ogv_status ogv_dicom_rle(const std::vector<Uint8> &bytes, const ogv_dicom_info &info, ogv_samples *s, ogv_error *err);

bool ogv_dicom_is_encapsulated(const ogv_dicom *d);

#endif
