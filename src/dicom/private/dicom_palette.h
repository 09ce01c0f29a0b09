/* Palette colour tables: descriptors (0028,1101-1103), plain tables (0028,1201-1203) and segmented ones
 * (0028,1221-1223; PS3.3 C.7.9.2). */
#ifndef PRIVATE_DICOM_PALETTE_H
#define PRIVATE_DICOM_PALETTE_H

#include <vector>

#include "private/dicom_common.h"

struct ogv_palette {
  long first = 0;                /* stored value of the first entry */
  std::vector<Uint8> channel[3]; /* 8-bit entries */
  /* Colour of a stored value: values outside the table take its nearest end (PS3.3 C.7.6.3.1.5). */
  Uint8 look(int c, long value) const {
    long i = value - first, n = static_cast<long>(channel[c].size());
    return channel[c][static_cast<size_t>(i < 0 ? 0 : i >= n ? n - 1 : i)];
  }
};

ogv_status ogv_palette_read(DcmItem &data, bool signed_pixels, ogv_palette *out, ogv_error *err);

/* Expands a segmented table to `entries` values. False when the segments do not make exactly that many. */
bool ogv_palette_expand(const std::vector<Uint16> &segments, size_t entries, std::vector<Uint16> *out);

#endif
