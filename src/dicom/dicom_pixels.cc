/* From stored samples to a grey or RGB picture of 8 bits. Colour formulas: PS3.3 C.7.6.3.1.2. */
#include <cmath>
#include <cstring>

#include "private/dicom_object.h"

namespace {

inline Uint8 clamp(double v) { return static_cast<Uint8>(v < 0 ? 0 : v > 255 ? 255 : v + 0.5); }

inline void ycc_to_rgb(int y, int cb, int cr, Uint8 *rgb) {
  rgb[0] = clamp(y + 1.402 * (cr - 128));
  rgb[1] = clamp(y - 0.344136286 * (cb - 128) - 0.714136286 * (cr - 128));
  rgb[2] = clamp(y + 1.772 * (cb - 128));
}

/* Sample i of channel c: stored bits only, sign moved so that 0 is the lowest value. */
class sampler {
 public:
  sampler(const ogv_samples &s, size_t pixels)
      : s_(s), pixels_(pixels), mask_((1L << s.bits) - 1), sign_(1L << (s.bits - 1)) {}
  long raw(size_t i, int c) const {
    size_t k =
        s_.planar ? static_cast<size_t>(c) * pixels_ + i : i * static_cast<size_t>(s_.samples) + static_cast<size_t>(c);
    k *= static_cast<size_t>(s_.bytes_each);
    long v = s_.bytes[k];
    if (s_.bytes_each == 2) v |= static_cast<long>(s_.bytes[k + 1]) << 8;
    v &= mask_;
    return s_.is_signed && (v & sign_) ? v - 2 * sign_ : v;
  }
  Uint8 eight(size_t i, int c) const {
    long v = raw(i, c) + (s_.is_signed ? sign_ : 0);
    return static_cast<Uint8>(s_.bits > 8 ? v >> (s_.bits - 8) : v);
  }

 private:
  const ogv_samples &s_;
  size_t pixels_;
  long mask_, sign_;
};

ogv_status palette(ogv_dicom *d, const ogv_samples &s, ogv_image *out, ogv_error *err) {
  if (!d->palette_read) {
    OGV_TRY(ogv_palette_read(*d->data, s.is_signed, &d->palette, err));
    d->palette_read = true;
  }
  OGV_TRY(ogv_image_new(d->info.columns, d->info.rows, 3, out, err));
  size_t n = static_cast<size_t>(out->width) * static_cast<size_t>(out->height);
  sampler at(s, n);
  for (size_t i = 0; i < n; i++) {
    long v = at.raw(i, 0);
    for (int c = 0; c < 3; c++) out->pixels[3 * i + static_cast<size_t>(c)] = d->palette.look(c, v);
  }
  return OGV_OK;
}

/* Y1 Y2 Cb Cr for each pair of pixels; the chroma is taken for both. */
ogv_status plain_422(ogv_dicom *d, const ogv_samples &s, ogv_image *out, ogv_error *err) {
  if (s.bytes_each != 1 || d->info.columns % 2)
    return ogv_fail(
        err, OGV_E_UNSUPPORTED, "Export the picture as RGB.",
        "Photometric Interpretation (0028,0004): YBR_FULL_422 needs 8 bits and an even number of Columns (0028,0011)");
  OGV_TRY(ogv_image_new(d->info.columns, d->info.rows, 3, out, err));
  size_t n = static_cast<size_t>(out->width) * static_cast<size_t>(out->height);
  for (size_t i = 0; i + 1 < n; i += 2) {
    const Uint8 *p = &s.bytes[2 * i];
    ycc_to_rgb(p[0], p[2], p[3], out->pixels + 3 * i);
    ycc_to_rgb(p[1], p[2], p[3], out->pixels + 3 * i + 3);
  }
  return OGV_OK;
}

}  // namespace

ogv_status ogv_dicom_make_image(ogv_dicom *d, const ogv_samples &s, ogv_image *out, ogv_error *err) {
  size_t n = static_cast<size_t>(d->info.columns) * static_cast<size_t>(d->info.rows);
  bool half = s.photometric == "YBR_FULL_422";
  if (s.bytes.size() < n * static_cast<size_t>((half ? 2 : s.samples) * s.bytes_each))
    return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.",
                    "Pixel Data (7FE0,0010): the decoded frame is too short");
  if (half) return plain_422(d, s, out, err);
  if (s.photometric == "PALETTE COLOR") return palette(d, s, out, err);
  OGV_TRY(ogv_image_new(d->info.columns, d->info.rows, s.samples, out, err));
  sampler at(s, n);
  if (s.samples == 1) {
    Uint8 flip = s.photometric == "MONOCHROME1" ? 0xFF : 0;
    if (s.photometric == "MONOCHROME1" && s.bits < 8) flip = static_cast<Uint8>((1 << s.bits) - 1);
    for (size_t i = 0; i < n; i++) out->pixels[i] = at.eight(i, 0) ^ flip;
    return OGV_OK;
  }
  bool ycc = s.photometric == "YBR_FULL";
  if (!ycc && !s.planar && s.bytes_each == 1 && s.bits == 8 && !s.is_signed) {
    memcpy(out->pixels, s.bytes.data(), 3 * n);
    return OGV_OK;
  }
  if (!ycc && s.planar && s.bytes_each == 1 && s.bits == 8 && !s.is_signed) { /* as RLE leaves them */
    const Uint8 *r = s.bytes.data(), *g = r + n, *b = g + n;
    Uint8 *to = out->pixels;
    for (size_t i = 0; i < n; i++, to += 3) {
      to[0] = r[i];
      to[1] = g[i];
      to[2] = b[i];
    }
    return OGV_OK;
  }
  for (size_t i = 0; i < n; i++) {
    Uint8 v[3] = {at.eight(i, 0), at.eight(i, 1), at.eight(i, 2)};
    if (ycc) ycc_to_rgb(v[0], v[1], v[2], out->pixels + 3 * i);
    else memcpy(out->pixels + 3 * i, v, 3);
  }
  return OGV_OK;
}
