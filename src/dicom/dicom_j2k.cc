/* JPEG 2000 through OpenJPEG; DCMTK in Debian has no decoder for it. */
#include <openjpeg.h>

#include <cstring>
#include <memory>

#include "private/dicom_object.h"

namespace {

struct source {
  const Uint8 *data;
  size_t size, at;
};

OPJ_SIZE_T read_some(void *to, OPJ_SIZE_T n, void *user) {
  source *s = static_cast<source *>(user);
  if (s->at >= s->size) return static_cast<OPJ_SIZE_T>(-1);
  if (n > s->size - s->at) n = s->size - s->at;
  memcpy(to, s->data + s->at, n);
  s->at += n;
  return n;
}
OPJ_OFF_T skip_some(OPJ_OFF_T n, void *user) {
  source *s = static_cast<source *>(user);
  if (n < 0 || static_cast<size_t>(n) > s->size - s->at) return -1;
  s->at += static_cast<size_t>(n);
  return n;
}
OPJ_BOOL seek_to(OPJ_OFF_T n, void *user) {
  source *s = static_cast<source *>(user);
  if (n < 0 || static_cast<size_t>(n) > s->size) return OPJ_FALSE;
  s->at = static_cast<size_t>(n);
  return OPJ_TRUE;
}

void remember(const char *message, void *user) {
  std::string *s = static_cast<std::string *>(user);
  if (s->empty()) *s = message;
  while (!s->empty() && (s->back() == '\n' || s->back() == '\r')) s->pop_back();
}
void ignore(const char *, void *) {}

using stream_ptr = std::unique_ptr<opj_stream_t, decltype(&opj_stream_destroy)>;
using codec_ptr = std::unique_ptr<opj_codec_t, decltype(&opj_destroy_codec)>;
using image_ptr = std::unique_ptr<opj_image_t, decltype(&opj_image_destroy)>;

ogv_status bad(ogv_error *err, const std::string &why) {
  return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "Pixel Data (7FE0,0010): JPEG 2000 stream: %s",
                  why.empty() ? "it cannot be decoded" : why.c_str());
}

/* The stream must have the size that the object says, all components alike. */
ogv_status check(const opj_image_t *im, const ogv_dicom_info &a, ogv_error *err) {
  if (im->numcomps != static_cast<OPJ_UINT32>(a.samples))
    return bad(err, "its components differ from Samples per Pixel (0028,0002)");
  for (OPJ_UINT32 c = 0; c < im->numcomps; c++) {
    const opj_image_comp_t &k = im->comps[c];
    if (k.w != static_cast<OPJ_UINT32>(a.columns) || k.h != static_cast<OPJ_UINT32>(a.rows))
      return bad(err, "its size differs from Rows (0028,0010) and Columns (0028,0011), or components are subsampled");
    if (k.prec < 1 || k.prec > 16 || k.prec != im->comps[0].prec || k.sgnd != im->comps[0].sgnd)
      return bad(err, "its sample precision is not 1 to 16 bits, alike in all components");
  }
  return OGV_OK;
}

/* Whether the stream holds a colour transform that the decoder undoes: the last parameter of its COD marker. */
bool has_transform(const std::vector<Uint8> &b) {
  for (size_t i = 0; i + 9 < b.size(); i++)
    if (b[i] == 0xFF && b[i + 1] == 0x52)
      return b[i + 8] != 0; /* COD: length 2, style 1, progression 1, layers 2, transform 1 */
  return false;
}

}  // namespace

ogv_status ogv_dicom_j2k(const std::vector<Uint8> &bytes, const ogv_dicom_info &a, ogv_samples *out, ogv_error *err) {
  bool boxed = bytes.size() > 12 && !memcmp(bytes.data() + 4, "jP  ", 4);
  source src{bytes.data(), bytes.size(), 0};
  std::string why;
  stream_ptr stream(opj_stream_default_create(OPJ_TRUE), opj_stream_destroy);
  codec_ptr codec(opj_create_decompress(boxed ? OPJ_CODEC_JP2 : OPJ_CODEC_J2K), opj_destroy_codec);
  if (!stream || !codec) throw std::bad_alloc();
  opj_stream_set_user_data(stream.get(), &src, nullptr);
  opj_stream_set_user_data_length(stream.get(), bytes.size());
  opj_stream_set_read_function(stream.get(), read_some);
  opj_stream_set_skip_function(stream.get(), skip_some);
  opj_stream_set_seek_function(stream.get(), seek_to);
  opj_set_error_handler(codec.get(), remember, &why);
  opj_set_warning_handler(codec.get(), ignore, nullptr);
  opj_set_info_handler(codec.get(), ignore, nullptr);
  opj_dparameters_t par;
  opj_set_default_decoder_parameters(&par);
  opj_image_t *raw = nullptr;
  if (!opj_setup_decoder(codec.get(), &par) || !opj_decoder_set_strict_mode(codec.get(), OPJ_TRUE))
    return bad(err, why);
  bool ok = opj_read_header(stream.get(), codec.get(), &raw);
  image_ptr image(raw, opj_image_destroy);
  if (!ok || !image) return bad(err, why);
  OGV_TRY(check(image.get(), a, err)); /* before memory for the pixels is taken */
  if (!opj_decode(codec.get(), stream.get(), image.get()) || !opj_end_decompress(codec.get(), stream.get()))
    return bad(err, why);
  OGV_TRY(check(image.get(), a, err));
  size_t n = static_cast<size_t>(a.rows) * static_cast<size_t>(a.columns);
  int prec = static_cast<int>(image->comps[0].prec);
  out->samples = a.samples;
  out->bytes_each = prec > 8 ? 2 : 1;
  out->bits = prec;
  out->is_signed = image->comps[0].sgnd != 0;
  out->planar = true;
  out->photometric = a.photometric;
  if (a.samples == 3) out->photometric = has_transform(bytes) || !strcmp(a.photometric, "RGB") ? "RGB" : "YBR_FULL";
  out->bytes.resize(n * static_cast<size_t>(out->samples * out->bytes_each));
  Uint8 *p = out->bytes.data();
  for (int c = 0; c < a.samples; c++) {
    const OPJ_INT32 *v = image->comps[c].data;
    if (!v) return bad(err, "a component has no data");
    for (size_t i = 0; i < n; i++) {
      *p++ = static_cast<Uint8>(v[i] & 0xFF);
      if (out->bytes_each == 2) *p++ = static_cast<Uint8>(v[i] >> 8 & 0xFF);
    }
  }
  return OGV_OK;
}
