/* Opening objects and decoding frames. */
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <memory>

#include "private/dicom_jpeg.h"
#include "private/dicom_object.h"

namespace {

const char *const again = "Export the object again.";

struct known_class {
  const char *uid;
  ogv_dicom_kind kind;
  bool ultrasound;
};
const known_class classes[] = {
    {UID_UltrasoundImageStorage, OGV_DICOM_IMAGE, true},
    {UID_UltrasoundMultiframeImageStorage, OGV_DICOM_IMAGE, true},
    {UID_RETIRED_UltrasoundImageStorage, OGV_DICOM_IMAGE, true},
    {UID_RETIRED_UltrasoundMultiframeImageStorage, OGV_DICOM_IMAGE, true},
    {UID_SecondaryCaptureImageStorage, OGV_DICOM_IMAGE, false},
    {UID_MultiframeGrayscaleByteSecondaryCaptureImageStorage, OGV_DICOM_IMAGE, false},
    {UID_MultiframeTrueColorSecondaryCaptureImageStorage, OGV_DICOM_IMAGE, false},
    {UID_BasicTextSRStorage, OGV_DICOM_REPORT, false},
    {UID_EnhancedSRStorage, OGV_DICOM_REPORT, false},
    {UID_ComprehensiveSRStorage, OGV_DICOM_REPORT, false},
    {UID_Comprehensive3DSRStorage, OGV_DICOM_REPORT, false},
};

ogv_status check_path(const char *path, ogv_error *err) {
  struct stat st;
  int fd = open(path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) {
    int e = errno;
    ogv_status code = e == ENOENT || e == ENOTDIR ? OGV_E_NOT_FOUND
                      : e == EACCES || e == EPERM ? OGV_E_DENIED
                                                  : OGV_E_IO;
    return ogv_fail(err, code, NULL, "cannot open %.300s: %s", path, strerror(e));
  }
  bool regular = fstat(fd, &st) == 0 && S_ISREG(st.st_mode);
  close(fd);
  if (!regular) return ogv_fail(err, OGV_E_INVALID, NULL, "%.300s is not a file", path);
  if (st.st_size == 0) return ogv_fail(err, OGV_E_CORRUPT, again, "%.300s is empty", path);
  return OGV_OK;
}

bool video(E_TransferSyntax s) {
  switch (s) {
    case EXS_MPEG2MainProfileAtMainLevel:
    case EXS_MPEG2MainProfileAtHighLevel:
    case EXS_MPEG4HighProfileLevel4_1:
    case EXS_MPEG4BDcompatibleHighProfileLevel4_1:
    case EXS_MPEG4HighProfileLevel4_2_For2DVideo:
    case EXS_MPEG4HighProfileLevel4_2_For3DVideo:
    case EXS_MPEG4StereoHighProfileLevel4_2:
    case EXS_HEVCMainProfileLevel5_1:
    case EXS_HEVCMain10ProfileLevel5_1: return true;
    default: return false;
  }
}

bool decodable(E_TransferSyntax s) {
  switch (s) {
    case EXS_LittleEndianImplicit:
    case EXS_LittleEndianExplicit:
    case EXS_BigEndianExplicit:
    case EXS_DeflatedLittleEndianExplicit:
    case EXS_RLELossless:
    case EXS_JPEGProcess1:
    case EXS_JPEGProcess2_4:
    case EXS_JPEGProcess14:
    case EXS_JPEGProcess14SV1:
    case EXS_JPEGLSLossless:
    case EXS_JPEGLSLossy:
    case EXS_JPEG2000LosslessOnly:
    case EXS_JPEG2000: return true;
    default: return false;
  }
}

/* The transfer syntax decides how the rest is read, so it is looked at first; DCMTK would guess for one it does not
 * know. */
ogv_status check_syntax(const char *path, E_TransferSyntax *out, ogv_error *err) {
  *out = EXS_Unknown;
  DcmMetaInfo head;
  if (head.loadFile(path).bad()) return OGV_OK; /* bare data set, or damaged: found out when the whole is read */
  OFString uid;
  if (head.findAndGetOFString(DCM_TransferSyntaxUID, uid).bad() || uid.empty()) return OGV_OK;
  DcmXfer x(uid.c_str());
  *out = x.getXfer();
  if (x.getXfer() == EXS_Unknown)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Export it as JPEG or uncompressed.",
                    "Transfer Syntax UID (0002,0010): \"%.64s\" is not known", uid.c_str());
  if (video(x.getXfer()))
    return ogv_fail(
        err, OGV_E_UNSUPPORTED, "Export the clip as JPEG or uncompressed frames.",
        "Transfer Syntax UID (0002,0010): %s is a video stream, whose frames cannot be decoded exactly here",
        x.getXferName());
  if (!decodable(x.getXfer()))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Export it as JPEG or uncompressed.",
                    "Transfer Syntax UID (0002,0010): %s cannot be decoded", x.getXferName());
  return OGV_OK;
}

bool has_preamble(const char *path) {
  char b[132];
  int fd = open(path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return false;
  ssize_t n = read(fd, b, sizeof b);
  close(fd);
  return n == (ssize_t)sizeof b && !memcmp(b + 128, "DICM", 4);
}

ogv_status load(ogv_dicom *d, const char *path, ogv_error *err) {
  OGV_TRY(check_path(path, err));
  E_TransferSyntax syntax;
  OGV_TRY(ogv_dicom_check_nesting(path, EXS_LittleEndianExplicit, err)); /* the header, and most data sets */
  OGV_TRY(check_syntax(path, &syntax, err));
  if (syntax != EXS_LittleEndianExplicit) OGV_TRY(ogv_dicom_check_nesting(path, syntax, err));
  OFCondition c = d->file.loadFile(path, EXS_Unknown, EGL_noChange, 4096);
  d->data = d->file.getDataset();
  bool dicom = has_preamble(path);
  if (!dicom && (c.bad() || !d->data || !d->data->tagExistsWithValue(DCM_SOPClassUID)))
    return ogv_fail(err, OGV_E_INVALID, "Choose files that a scanner or archive exported as DICOM.",
                    "%.300s is not a DICOM file", path);
  if (c.bad() || !d->data)
    return ogv_fail(err, OGV_E_CORRUPT, again, "%.200s is damaged or cut short: %s", path, c.text());
  d->syntax = d->data->getOriginalXfer();
  if (!decodable(d->syntax))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Export it as JPEG or uncompressed.",
                    "Transfer Syntax UID (0002,0010): %s cannot be decoded", DcmXfer(d->syntax).getXferName());
  ogv_dicom_copy(d->info.transfer_syntax, sizeof d->info.transfer_syntax, DcmXfer(d->syntax).getXferID());
  return OGV_OK;
}

bool accepted_modality(const char *m, bool ultrasound) {
  static const char *const plain[] = {"US", "", "OT", "SC"};
  if (ultrasound) return !strcmp(m, "US") || !strcmp(m, "IVUS") || !*m;
  for (const char *k : plain)
    if (!strcmp(m, k)) return true;
  return false;
}

ogv_status classify(ogv_dicom *d, ogv_error *err) {
  ogv_dicom_info &a = d->info;
  if (!a.sop_class[0]) return ogv_fail(err, OGV_E_CORRUPT, again, "SOP Class UID (0008,0016) is missing");
  const known_class *k = nullptr;
  for (const known_class &c : classes)
    if (!strcmp(c.uid, a.sop_class)) k = &c;
  if (!k) {
    const char *name = dcmFindNameOfUID(a.sop_class);
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Only ultrasound pictures, captures and structured reports are taken.",
                    "SOP Class UID (0008,0016): %s is neither an ultrasound picture nor a structured report",
                    name ? name : a.sop_class);
  }
  if (k->kind == OGV_DICOM_IMAGE && !accepted_modality(a.modality, k->ultrasound))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Only ultrasound pictures, captures and structured reports are taken.",
                    "Modality (0008,0060): \"%s\" is not ultrasound", a.modality);
  if (!a.sop_instance[0]) return ogv_fail(err, OGV_E_CORRUPT, again, "SOP Instance UID (0008,0018) is missing");
  a.kind = k->kind;
  return OGV_OK;
}

ogv_status open_object(const char *path, ogv_dicom **out, ogv_error *err) {
  ogv_dicom_setup();
  std::unique_ptr<ogv_dicom> d(new ogv_dicom);
  ogv_dicom_info_empty(&d->info);
  OGV_TRY(load(d.get(), path, err));
  OGV_TRY(ogv_dicom_read_about(d.get(), err));
  OGV_TRY(classify(d.get(), err));
  if (d->info.kind == OGV_DICOM_IMAGE) {
    OGV_TRY(ogv_dicom_read_image(d.get(), err));
    OGV_TRY(ogv_dicom_read_regions(d.get(), err));
  }
  *out = d.release();
  return OGV_OK;
}

ogv_status check_frame(const ogv_dicom *d, int frame, ogv_error *err) {
  if (d->info.kind != OGV_DICOM_IMAGE) return ogv_fail(err, OGV_E_INVALID, NULL, "a structured report has no picture");
  if (frame < 0 || frame >= d->info.frames)
    return ogv_fail(err, OGV_E_RANGE, NULL, "frame %d does not exist: the object has %d", frame + 1, d->info.frames);
  return OGV_OK;
}

void describe(const ogv_dicom *d, ogv_samples *s) {
  s->samples = d->info.samples;
  s->bytes_each = d->info.bits_allocated / 8;
  s->bits = d->info.bits_stored;
  Uint16 v = 0;
  s->is_signed = d->data->findAndGetUint16(DCM_PixelRepresentation, v).good() && v == 1;
  v = 0;
  s->planar = d->info.samples == 3 && d->data->findAndGetUint16(DCM_PlanarConfiguration, v).good() && v == 1;
  s->photometric = d->info.photometric;
}

/* High Bit elsewhere than at the top of the stored bits: move the samples down. */
void align(const ogv_dicom *d, ogv_samples *s) {
  Uint16 high = 0;
  if (d->data->findAndGetUint16(DCM_HighBit, high).bad() || high + 1 <= s->bits || high >= 8 * s->bytes_each) return;
  int shift = high + 1 - s->bits;
  for (size_t i = 0; i + (size_t)s->bytes_each <= s->bytes.size(); i += (size_t)s->bytes_each) {
    unsigned v = s->bytes[i];
    if (s->bytes_each == 2) v |= (unsigned)s->bytes[i + 1] << 8;
    v >>= shift;
    s->bytes[i] = (Uint8)v;
    if (s->bytes_each == 2) s->bytes[i + 1] = (Uint8)(v >> 8);
  }
}

ogv_status plain(ogv_dicom *d, int frame, ogv_samples *s, ogv_error *err) {
  size_t pixels = (size_t)d->info.rows * (size_t)d->info.columns;
  size_t n = pixels * (size_t)((s->photometric == "YBR_FULL_422" ? 2 : s->samples) * s->bytes_each);
  DcmElement *e = nullptr;
  unsigned long long offset = (unsigned long long)n * (unsigned)frame;
  if (d->data->findAndGetElement(DCM_PixelData, e).bad() || !e || offset + n > 0xFFFFFFFFull)
    return ogv_fail(err, OGV_E_CORRUPT, again, "Pixel Data (7FE0,0010) is missing or too large");
  s->bytes.resize(n);
  OFCondition c = e->getPartialValue(s->bytes.data(), (Uint32)offset, (Uint32)n, &d->cache, EBO_LittleEndian);
  if (c.bad())
    return ogv_fail(err, OGV_E_CORRUPT, again, "Pixel Data (7FE0,0010): frame %d cannot be read: %s", frame + 1,
                    c.text());
  align(d, s);
  return OGV_OK;
}

/* A data set of one frame around the compressed bytes, so that DCMTK's codecs see a clean object whatever the offset
 * table, the number of fragments or the planar configuration of the original. */
ogv_status by_codec(ogv_dicom *d, std::vector<Uint8> &bytes, ogv_samples *s, ogv_error *err) {
  DcmDataset one;
  ogv_dicom_setter set(one);
  set.text(DCM_SOPClassUID, UID_UltrasoundImageStorage);
  set.us(DCM_SamplesPerPixel, (unsigned)s->samples);
  set.text(DCM_PhotometricInterpretation, s->samples == 1 ? "MONOCHROME2" : "RGB");
  if (s->samples == 3) set.us(DCM_PlanarConfiguration, 0);
  set.us(DCM_Rows, (unsigned)d->info.rows);
  set.us(DCM_Columns, (unsigned)d->info.columns);
  set.us(DCM_BitsAllocated, (unsigned)d->info.bits_allocated);
  set.us(DCM_BitsStored, (unsigned)d->info.bits_stored);
  set.us(DCM_HighBit, (unsigned)d->info.bits_stored - 1);
  set.us(DCM_PixelRepresentation, s->is_signed);
  OGV_TRY(set.status(err));
  if (bytes.size() & 1) bytes.push_back(0);
  DcmPixelSequence *seq = new DcmPixelSequence(DCM_PixelSequenceTag);
  seq->insert(new DcmPixelItem(DCM_PixelItemTag));
  DcmOffsetList offsets;
  OFCondition c = seq->storeCompressedFrame(offsets, bytes.data(), (Uint32)bytes.size(), 0);
  DcmPixelData *px = new DcmPixelData(DCM_PixelData);
  px->putOriginalRepresentation(d->syntax, nullptr, seq);
  if (c.good()) c = one.insert(px, OFTrue);
  if (c.bad()) {
    delete px;
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "Pixel Data (7FE0,0010): %s", c.text());
  }
  size_t n = (size_t)d->info.rows * (size_t)d->info.columns * (size_t)(s->samples * s->bytes_each);
  s->bytes.resize(n + (n & 1));
  OFString model;
  Uint32 first = 0;
  c = px->getUncompressedFrame(&one, 0, first, s->bytes.data(), (Uint32)s->bytes.size(), model, nullptr);
  if (c.bad()) return ogv_fail(err, OGV_E_CORRUPT, again, "Pixel Data (7FE0,0010): %s", c.text());
  s->planar = false;
  if (s->samples == 3) s->photometric = strncmp(d->info.photometric, "YBR_FULL", 8) ? "RGB" : "YBR_FULL";
  return OGV_OK;
}

/* 8-bit grey and colour streams go through libjpeg; its result is what it says, so samples other than a palette's are
 * ready colours. */
ogv_status by_jpeg(ogv_dicom *d, const std::vector<Uint8> &bytes, ogv_samples *s, ogv_error *err) {
  ogv_jpeg_head head;
  if (!ogv_dicom_jpeg_head(bytes.data(), bytes.size(), &head))
    return ogv_fail(err, OGV_E_CORRUPT, again, "Pixel Data (7FE0,0010): a frame is no JPEG stream");
  ogv_image img;
  OGV_TRY(ogv_dicom_jpeg_decode(bytes.data(), bytes.size(), ogv_dicom_jpeg_is_ycc(&head, d->info.photometric),
                                d->info.columns, d->info.rows, &img, err));
  s->samples = img.channels;
  s->bytes_each = 1;
  s->bits = 8;
  s->is_signed = s->planar = false;
  if (img.channels == 3) s->photometric = "RGB";
  s->bytes.assign(img.pixels, img.pixels + img.stride * (size_t)img.height);
  ogv_image_free(&img);
  if (s->samples != d->info.samples)
    return ogv_fail(err, OGV_E_CORRUPT, again, "Samples per Pixel (0028,0002): %d, but the JPEG stream has %d",
                    d->info.samples, s->samples);
  return OGV_OK;
}

bool jpeg_8bit(const std::vector<Uint8> &bytes) {
  ogv_jpeg_head head;
  return !ogv_dicom_jpeg_head(bytes.data(), bytes.size(), &head) || (head.precision == 8 && head.sof <= 2);
}

ogv_status decode(ogv_dicom *d, int frame, ogv_image *out, ogv_error *err) {
  OGV_TRY(check_frame(d, frame, err));
  ogv_samples s{};
  describe(d, &s);
  if (!ogv_dicom_is_encapsulated(d)) {
    OGV_TRY(plain(d, frame, &s, err));
    return ogv_dicom_make_image(d, s, out, err);
  }
  std::vector<Uint8> bytes;
  OGV_TRY(ogv_dicom_frame_bytes(d, frame, &bytes, err));
  if (d->syntax == EXS_JPEG2000 || d->syntax == EXS_JPEG2000LosslessOnly)
    OGV_TRY(ogv_dicom_j2k(bytes, d->info, &s, err));
  else if ((d->syntax == EXS_JPEGProcess1 || d->syntax == EXS_JPEGProcess2_4) && jpeg_8bit(bytes))
    OGV_TRY(by_jpeg(d, bytes, &s, err));
  else if (d->syntax == EXS_RLELossless) OGV_TRY(ogv_dicom_rle(bytes, d->info, &s, err));
  else OGV_TRY(by_codec(d, bytes, &s, err));
  return ogv_dicom_make_image(d, s, out, err);
}

/* What a browser makes of a stream: the marks in it, else YCbCr; it does not see the DICOM header. */
bool browser_agrees(const ogv_jpeg_head &h, const char *photometric) {
  if (h.components == 1) return !strcmp(photometric, "MONOCHROME2");
  if (h.components != 3 || h.sof < 0 || h.sof > 2 || h.precision != 8) return false;
  return ogv_dicom_jpeg_is_ycc(&h, photometric) == ogv_dicom_jpeg_is_ycc(&h, "");
}

ogv_status frame_jpeg(ogv_dicom *d, int frame, uint8_t **data, size_t *size, ogv_error *err) {
  OGV_TRY(check_frame(d, frame, err));
  if (d->syntax != EXS_JPEGProcess1)
    return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "the picture is not stored as JPEG baseline");
  std::vector<Uint8> bytes;
  OGV_TRY(ogv_dicom_frame_bytes(d, frame, &bytes, err));
  ogv_jpeg_head head;
  if (!ogv_dicom_jpeg_head(bytes.data(), bytes.size(), &head) || head.width != d->info.columns ||
      head.height != d->info.rows)
    return ogv_fail(err, OGV_E_CORRUPT, again,
                    "Pixel Data (7FE0,0010): frame %d is no JPEG stream of the picture's size", frame + 1);
  if (head.precision != 8 || head.components != d->info.samples || !browser_agrees(head, d->info.photometric))
    return ogv_fail(err, OGV_E_UNSUPPORTED, NULL, "a browser would show this JPEG stream in other colours");
  *data = (uint8_t *)malloc(bytes.size());
  if (!*data) throw std::bad_alloc();
  memcpy(*data, bytes.data(), bytes.size());
  *size = bytes.size();
  return OGV_OK;
}

}  // namespace

extern "C" {

ogv_status ogv_dicom_open(const char *path, ogv_dicom **out, ogv_error *err) {
  *out = nullptr;
  return ogv_dicom_guard(err, [&] { return open_object(path, out, err); });
}

void ogv_dicom_close(ogv_dicom *d) {
  ogv_dicom_guard(nullptr, [&] {
    delete d;
    return OGV_OK;
  });
}

const ogv_dicom_info *ogv_dicom_about(const ogv_dicom *d) { return &d->info; }

const ogv_region *ogv_dicom_regions(const ogv_dicom *d, size_t *count) {
  *count = d->regions.size();
  return d->regions.data();
}

ogv_status ogv_dicom_frame(ogv_dicom *d, int frame, ogv_image *out, ogv_error *err) {
  *out = ogv_image{};
  return ogv_dicom_guard(err, [&] { return decode(d, frame, out, err); });
}

ogv_status ogv_dicom_frame_jpeg(ogv_dicom *d, int frame, uint8_t **data, size_t *size, ogv_error *err) {
  *data = nullptr;
  *size = 0;
  return ogv_dicom_guard(err, [&] { return frame_jpeg(d, frame, data, size, err); });
}

double ogv_dicom_frame_time_ms(const ogv_dicom *d, int frame) {
  if (frame < 0 || (size_t)frame >= d->times_ms.size()) return NAN;
  return d->times_ms[(size_t)frame];
}

}  // extern "C"
