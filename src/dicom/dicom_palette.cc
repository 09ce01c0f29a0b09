#include "private/dicom_palette.h"

#include <cmath>

static const DcmTagKey descriptors[3] = {DCM_RedPaletteColorLookupTableDescriptor,
                                         DCM_GreenPaletteColorLookupTableDescriptor,
                                         DCM_BluePaletteColorLookupTableDescriptor};
static const DcmTagKey tables[3] = {DCM_RedPaletteColorLookupTableData, DCM_GreenPaletteColorLookupTableData,
                                    DCM_BluePaletteColorLookupTableData};
static const DcmTagKey segmented[3] = {DCM_SegmentedRedPaletteColorLookupTableData,
                                       DCM_SegmentedGreenPaletteColorLookupTableData,
                                       DCM_SegmentedBluePaletteColorLookupTableData};

namespace {

/* One pass over the segments from position `at`: `count` of them, or all when count is 0. */
class expander {
 public:
  expander(const std::vector<Uint16> &s, size_t entries, std::vector<Uint16> *out)
      : s_(s), entries_(entries), out_(out) {}
  bool all() {
    size_t at = 0;
    /* A single zero word may pad the data to an even number of bytes. */
    while (at < s_.size() && out_->size() < entries_)
      if (!one(&at, true)) return false;
    return out_->size() == entries_;
  }

 private:
  bool one(size_t *at, bool may_jump) {
    if (*at + 1 >= s_.size()) return false;
    Uint16 code = s_[*at], n = s_[*at + 1];
    if (code == 0) { /* discrete */
      if (*at + 2 + n > s_.size() || out_->size() + n > entries_) return false;
      out_->insert(out_->end(), s_.begin() + static_cast<long>(*at) + 2, s_.begin() + static_cast<long>(*at) + 2 + n);
      *at += 2u + n;
      return true;
    }
    if (code == 1) { /* linear, from the value before to the one given */
      if (*at + 3 > s_.size() || out_->empty() || out_->size() + n > entries_) return false;
      double y0 = out_->back(), y1 = s_[*at + 2];
      for (unsigned k = 1; k <= n; k++) out_->push_back(static_cast<Uint16>(std::lround(y0 + (y1 - y0) * k / n)));
      *at += 3;
      return true;
    }
    if (code == 2 && may_jump) { /* repeat n segments from a byte offset */
      if (*at + 4 > s_.size()) return false;
      size_t from = (static_cast<size_t>(s_[*at + 3]) << 16 | s_[*at + 2]) / 2;
      for (unsigned k = 0; k < n; k++)
        if (!one(&from, false)) return false;
      *at += 4;
      return true;
    }
    return false;
  }
  const std::vector<Uint16> &s_;
  size_t entries_;
  std::vector<Uint16> *out_;
};

ogv_status bad(const DcmTagKey &key, const char *why, ogv_error *err) {
  return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again, as RGB if the scanner offers it.", "%s: %s",
                  ogv_dicom_tag_text(key).c_str(), why);
}

ogv_status words_of(DcmItem &data, const DcmTagKey &key, std::vector<Uint16> *out, ogv_error *err) {
  const Uint16 *w = nullptr;
  unsigned long n = 0;
  if (data.findAndGetUint16Array(key, w, &n).good() && w && n) {
    out->assign(w, w + n);
    return OGV_OK;
  }
  const Uint8 *b = nullptr; /* OB met in explicit syntaxes */
  if (data.findAndGetUint8Array(key, b, &n).good() && b && n) {
    out->clear();
    for (unsigned long i = 0; i < n; i += 2)
      out->push_back(static_cast<Uint16>(b[i] | (i + 1 < n ? b[i + 1] << 8 : 0)));
    return OGV_OK;
  }
  return bad(key, "the colour table is missing or cannot be read", err);
}

/* Entries of a plain table: 16-bit words, or 8-bit entries packed two in a word. */
bool unpack(const std::vector<Uint16> &words, size_t entries, int bits, std::vector<Uint16> *out) {
  if (words.size() >= entries) {
    out->assign(words.begin(), words.begin() + static_cast<long>(entries));
    return true;
  }
  if (bits != 8 || words.size() * 2 < entries) return false;
  out->resize(entries);
  for (size_t i = 0; i < entries; i++) (*out)[i] = static_cast<Uint16>(i & 1 ? words[i / 2] >> 8 : words[i / 2] & 0xFF);
  return true;
}

}  // namespace

bool ogv_palette_expand(const std::vector<Uint16> &segments, size_t entries, std::vector<Uint16> *out) {
  out->clear();
  return expander(segments, entries, out).all();
}

ogv_status ogv_palette_read(DcmItem &data, bool signed_pixels, ogv_palette *out, ogv_error *err) {
  std::vector<Uint16> values[3];
  int bits[3];
  Uint16 largest = 0;
  for (int c = 0; c < 3; c++) {
    Uint16 n = 0, first = 0, b = 0;
    if (data.findAndGetUint16(descriptors[c], n, 0).bad() || data.findAndGetUint16(descriptors[c], b, 2).bad())
      return bad(descriptors[c], "missing, but Photometric Interpretation (0028,0004) is PALETTE COLOR", err);
    if (data.findAndGetUint16(descriptors[c], first, 1).bad()) { /* stored as SS */
      Sint16 sfirst = 0;
      if (data.findAndGetSint16(descriptors[c], sfirst, 1).bad())
        return bad(descriptors[c], "its second value is missing", err);
      first = static_cast<Uint16>(sfirst);
    }
    if (b != 8 && b != 16) return bad(descriptors[c], "entries must have 8 or 16 bits", err);
    size_t entries = n ? n : 65536;
    bits[c] = b;
    if (c == 0) out->first = signed_pixels ? static_cast<Sint16>(first) : first;
    std::vector<Uint16> words;
    if (data.tagExists(segmented[c]) && !data.tagExists(tables[c])) {
      OGV_TRY(words_of(data, segmented[c], &words, err));
      if (!ogv_palette_expand(words, entries, &values[c]))
        return bad(segmented[c], "its segments do not make the number of entries that the descriptor says", err);
    } else {
      OGV_TRY(words_of(data, tables[c], &words, err));
      if (!unpack(words, entries, b, &values[c]))
        return bad(tables[c], "it has fewer entries than its descriptor says", err);
    }
    for (Uint16 v : values[c]) largest = v > largest ? v : largest;
  }
  /* Some systems say 16 bits and store 8-bit values; taken literally the picture would be black. */
  for (int c = 0; c < 3; c++) {
    int shift = bits[c] == 16 && largest > 255 ? 8 : 0;
    out->channel[c].resize(values[c].size());
    for (size_t i = 0; i < values[c].size(); i++) out->channel[c][i] = static_cast<Uint8>(values[c][i] >> shift);
  }
  return OGV_OK;
}
