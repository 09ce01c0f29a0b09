/* RLE frames (PS3.5 annex G). Our own: DCMTK 3.6.7 reads outside the frame when segment offsets are damaged (found by
 * tests/fuzz/fuzz_dicom). */
#include <cstring>

#include "private/dicom_object.h"

namespace {

Uint32 word(const std::vector<Uint8> &b, size_t i) {
  return b[i] | static_cast<Uint32>(b[i + 1]) << 8 | static_cast<Uint32>(b[i + 2]) << 16 |
         static_cast<Uint32>(b[i + 3]) << 24;
}

/* Expands one segment to exactly n bytes, every `step`-th byte of dst. Extra bytes at its end are padding. */
bool expand(const Uint8 *src, size_t size, Uint8 *dst, size_t n, size_t step) {
  size_t at = 0, made = 0;
  while (made < n) {
    if (at >= size) return false;
    Uint8 code = src[at++];
    if (code < 128) { /* code + 1 bytes as they are */
      size_t run = code + 1u;
      if (run > size - at) return false;
      if (step == 1) {
        size_t take = run < n - made ? run : n - made;
        memcpy(dst + made, src + at, take);
        made += take;
      } else {
        for (size_t k = 0; k < run && made < n; k++) dst[step * made++] = src[at + k];
      }
      at += run;
    } else if (code > 128) { /* the next byte 257 - code times */
      if (at >= size) return false;
      size_t run = 257u - code, take = run < n - made ? run : n - made;
      if (step == 1) memset(dst + made, src[at], take);
      else
        for (size_t k = 0; k < take; k++) dst[step * (made + k)] = src[at];
      made += take;
      at++;
    }
  }
  return true;
}

ogv_status bad(ogv_error *err, const char *why) {
  return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "Pixel Data (7FE0,0010): RLE frame: %s", why);
}

}  // namespace

ogv_status ogv_dicom_rle(const std::vector<Uint8> &b, const ogv_dicom_info &a, ogv_samples *s, ogv_error *err) {
  size_t pixels = static_cast<size_t>(a.rows) * static_cast<size_t>(a.columns),
         each = static_cast<size_t>(s->bytes_each);
  size_t segments = static_cast<size_t>(s->samples) * each;
  if (b.size() < 64) return bad(err, "its header is cut short");
  if (word(b, 0) != segments)
    return bad(err, "its number of segments does not fit Samples per Pixel (0028,0002) and Bits Allocated (0028,0100)");
  s->bytes.assign(pixels * segments, 0);
  for (size_t k = 0; k < segments; k++) {
    size_t from = word(b, 4 + 4 * k), to = k + 1 < segments ? word(b, 8 + 4 * k) : b.size();
    if (from < 64 || from > to || to > b.size()) return bad(err, "a segment lies outside the frame");
    /* One plane for each sample; of two bytes the upper one comes first, our samples have it second. */
    Uint8 *plane = s->bytes.data() + k / each * pixels * each + (each - 1 - k % each);
    if (!expand(b.data() + from, to - from, plane, pixels, each))
      return bad(err, "a segment ends before its pixels do");
  }
  s->planar = s->samples > 1;
  if (s->samples == 3) s->photometric = a.photometric[0] == 'Y' ? "YBR_FULL" : "RGB";
  return OGV_OK;
}
