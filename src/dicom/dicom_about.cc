/* What an object says about itself: identity, dates, equipment, indices, the shape of its pixels, its time base. */
#include <climits>
#include <cmath>
#include <cstdlib>
#include <cstring>

#include "private/dicom_object.h"

namespace {

class reader {
 public:
  explicit reader(DcmItem &item) : item_(item) { charset.choose(item); }
  std::string raw(const DcmTagKey &key) {
    OFString v;
    if (item_.findAndGetOFStringArray(key, v).bad()) return "";
    std::string s(v.c_str(), v.size());
    size_t b = s.find_last_not_of(" \0", std::string::npos, 2);
    return b == std::string::npos ? "" : s.substr(0, b + 1);
  }
  /* Free text as UTF-8; codes and identifiers are ASCII by definition and pass through the same way. */
  template <size_t N>
  void text(const DcmTagKey &key, char (&dst)[N]) {
    std::string s = charset.utf8(raw(key));
    size_t a = s.find_first_not_of(' ');
    ogv_dicom_copy(dst, N, a == std::string::npos ? "" : s.substr(a));
  }
  ogv_date date(const DcmTagKey &key) {
    ogv_date d;
    return ogv_date_parse(raw(key).c_str(), &d, nullptr) == OGV_OK ? d : OGV_DATE_NONE;
  }
  /* Component i of a decimal or integer string; NaN when absent or no number. */
  double number(const DcmTagKey &key, unsigned long i = 0) {
    OFString v;
    if (item_.findAndGetOFString(key, v, i).bad() || v.empty()) return NAN;
    double x;
    return ogv_dicom_number(std::string(v.c_str(), v.size()), &x) ? x : NAN;
  }
  std::vector<double> numbers(const DcmTagKey &key) {
    std::vector<double> out;
    std::string s = raw(key);
    for (size_t at = 0; at < s.size();) {
      size_t end = s.find('\\', at);
      if (end == std::string::npos) end = s.size();
      double x;
      out.push_back(ogv_dicom_number(s.substr(at, end - at), &x) ? x : NAN);
      at = end + 1;
    }
    return out;
  }
  int integer(const DcmTagKey &key) {
    double v = number(key);
    return v >= 0 && v <= INT_MAX ? static_cast<int>(v) : -1;
  }
  int us(const DcmTagKey &key) {
    Uint16 v;
    return item_.findAndGetUint16(key, v).good() ? v : -1;
  }
  ogv_charset charset;

 private:
  DcmItem &item_;
};

bool lossy_syntax(E_TransferSyntax s) {
  return s == EXS_JPEGProcess1 || s == EXS_JPEGProcess2_4 || s == EXS_JPEGLSLossy || s == EXS_JPEG2000;
}

/* Order of belief: vector of increments, constant frame time, cine rate. A frame time of 0 says nothing. */
void read_times(ogv_dicom *d, reader &r) {
  ogv_dicom_info &a = d->info;
  a.time_base = "none";
  a.frame_ms = 0;
  if (a.frames < 2) return;
  size_t n = static_cast<size_t>(a.frames);
  std::vector<double> steps = r.numbers(DCM_FrameTimeVector), t{0};
  /* The first increment has no meaning; some writers do not put 0 there. */
  bool good = steps.size() == n, even = true;
  for (size_t i = 1; i < n && good; i++) {
    good = std::isfinite(steps[i]) && steps[i] > 0;
    even &= std::fabs(steps[i] - steps[1]) <= 1e-9 * steps[1];
    t.push_back(t.back() + steps[i]);
  }
  if (good) {
    a.time_base = "vector";
    if (even) a.frame_ms = t[1];
    d->times_ms = t;
    return;
  }
  double ms = r.number(DCM_FrameTime), rate = r.number(DCM_CineRate);
  if (ms > 0) {
    a.time_base = "frame-time";
    a.frame_ms = ms;
  } else if (rate > 0) {
    a.time_base = "cine-rate";
    a.frame_ms = 1000 / rate;
  }
  if (a.frame_ms > 0)
    for (size_t i = 0; i < n; i++) d->times_ms.push_back(static_cast<double>(i) * a.frame_ms);
}

void read_indices(ogv_dicom_info &a, reader &r) {
  a.mechanical_index = r.number(DCM_MechanicalIndex);
  a.thermal_bone = r.number(DCM_BoneThermalIndex);
  a.thermal_cranial = r.number(DCM_CranialThermalIndex);
  a.thermal_soft = r.number(DCM_SoftTissueThermalIndex);
  a.depth_mm = r.number(DCM_DepthOfScanField);
  a.focus_cm = r.number(DCM_FocusDepth);
  double row = r.number(DCM_PixelSpacing, 0), column = r.number(DCM_PixelSpacing, 1);
  a.spacing_row_mm = row > 0 ? row : NAN;
  a.spacing_column_mm = column > 0 ? column : NAN;
}

ogv_status wrong(ogv_error *err, const DcmTagKey &key, const char *fmt, long value) {
  char why[160];
  snprintf(why, sizeof why, fmt, value);
  return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "%s: %s", ogv_dicom_tag_text(key).c_str(), why);
}

bool known_photometric(const char *p, int samples) {
  static const char *const one[] = {"MONOCHROME1", "MONOCHROME2", "PALETTE COLOR"};
  static const char *const three[] = {"RGB", "YBR_FULL", "YBR_FULL_422", "YBR_RCT", "YBR_ICT"};
  if (samples == 1) {
    for (const char *k : one)
      if (!strcmp(k, p)) return true;
  } else {
    for (const char *k : three)
      if (!strcmp(k, p)) return true;
  }
  return false;
}

ogv_status check_shape(const ogv_dicom_info &a, ogv_error *err) {
  if (a.rows < 1 || a.rows > 32768) return wrong(err, DCM_Rows, "missing, or %ld is not possible", a.rows);
  if (a.columns < 1 || a.columns > 32768) return wrong(err, DCM_Columns, "missing, or %ld is not possible", a.columns);
  if (a.samples != 1 && a.samples != 3)
    return wrong(err, DCM_SamplesPerPixel, "missing, or %ld is neither 1 nor 3", a.samples);
  if (a.bits_allocated != 8 && a.bits_allocated != 16)
    return wrong(err, DCM_BitsAllocated, "missing, or %ld is neither 8 nor 16", a.bits_allocated);
  if (a.bits_stored < 1 || a.bits_stored > a.bits_allocated)
    return wrong(err, DCM_BitsStored, "%ld does not fit Bits Allocated (0028,0100)", a.bits_stored);
  if (a.frames < 1 || a.frames > 1000000) return wrong(err, DCM_NumberOfFrames, "%ld is not possible", a.frames);
  if (!known_photometric(a.photometric, a.samples))
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Export the picture as RGB or MONOCHROME2.",
                    "Photometric Interpretation (0028,0004): \"%s\" with %d samples a pixel cannot be shown",
                    a.photometric, a.samples);
  return OGV_OK;
}

/* Plain pixel data must be all there; the length is known without reading it. */
ogv_status check_length(ogv_dicom *d, ogv_error *err) {
  const ogv_dicom_info &a = d->info;
  DcmElement *e = nullptr;
  if (d->data->findAndGetElement(DCM_PixelData, e).bad() || !e)
    return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.", "Pixel Data (7FE0,0010) is missing");
  if (ogv_dicom_is_encapsulated(d)) return OGV_OK;
  unsigned long long per_row = (unsigned long long)a.columns * (unsigned)a.bits_allocated / 8;
  per_row *= !strcmp(a.photometric, "YBR_FULL_422") ? 2u : (unsigned)a.samples;
  unsigned long long need = per_row * (unsigned)a.rows * (unsigned)a.frames, have = e->getLengthField();
  if (have < need)
    return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.",
                    "Pixel Data (7FE0,0010) holds %llu bytes, but %d frames of %d x %d pixels need %llu", have,
                    a.frames, a.columns, a.rows, need);
  return OGV_OK;
}

}  // namespace

ogv_status ogv_dicom_read_about(ogv_dicom *d, ogv_error *err) {
  (void)err;
  reader r(*d->data);
  ogv_dicom_info &a = d->info;
  r.text(DCM_SOPClassUID, a.sop_class);
  r.text(DCM_SOPInstanceUID, a.sop_instance);
  r.text(DCM_StudyInstanceUID, a.study);
  r.text(DCM_SeriesInstanceUID, a.series);
  r.text(DCM_Modality, a.modality);
  r.text(DCM_PatientID, a.patient_id);
  r.text(DCM_IssuerOfPatientID, a.issuer);
  r.text(DCM_PatientName, a.patient_name);
  a.birth_date = r.date(DCM_PatientBirthDate);
  a.study_date = r.date(DCM_StudyDate);
  a.content_date = r.date(DCM_ContentDate);
  a.lmp = r.date(DCM_LastMenstrualDate);
  r.text(DCM_StudyTime, a.study_time);
  r.text(DCM_ContentTime, a.content_time);
  r.text(DCM_AccessionNumber, a.accession);
  r.text(DCM_StudyDescription, a.study_description);
  r.text(DCM_SeriesDescription, a.series_description);
  r.text(DCM_ReferringPhysicianName, a.referring);
  r.text(DCM_PerformingPhysicianName, a.performer);
  if (!a.performer[0]) r.text(DCM_OperatorsName, a.performer);
  r.text(DCM_InstitutionName, a.institution);
  r.text(DCM_Manufacturer, a.manufacturer);
  r.text(DCM_ManufacturerModelName, a.model);
  r.text(DCM_StationName, a.station);
  r.text(DCM_SoftwareVersions, a.software);
  r.text(DCM_ImageType, a.image_type);
  r.text(DCM_ViewName, a.view_name);
  a.instance_number = r.integer(DCM_InstanceNumber);
  a.series_number = r.integer(DCM_SeriesNumber);
  ogv_dicom_copy(a.note, sizeof a.note, r.charset.note());
  return OGV_OK;
}

ogv_status ogv_dicom_read_image(ogv_dicom *d, ogv_error *err) {
  reader r(*d->data);
  ogv_dicom_info &a = d->info;
  a.rows = r.us(DCM_Rows);
  a.columns = r.us(DCM_Columns);
  a.samples = r.us(DCM_SamplesPerPixel);
  a.bits_allocated = r.us(DCM_BitsAllocated);
  a.bits_stored = r.us(DCM_BitsStored);
  if (a.bits_stored < 0) a.bits_stored = a.bits_allocated;
  r.text(DCM_PhotometricInterpretation, a.photometric);
  bool has_frames = !r.raw(DCM_NumberOfFrames).empty();
  a.frames = has_frames ? r.integer(DCM_NumberOfFrames) : 1;
  a.lossy = r.raw(DCM_LossyImageCompression) == "01" || lossy_syntax(d->syntax);
  a.colour_data = r.us(DCM_UltrasoundColorDataPresent) == 1;
  a.burned_in = r.raw(DCM_BurnedInAnnotation) != "NO";
  read_indices(a, r);
  OGV_TRY(check_shape(a, err));
  OGV_TRY(check_length(d, err));
  read_times(d, r);
  return OGV_OK;
}
