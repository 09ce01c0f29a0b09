#include "private/dicom_common.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <mutex>

#include "dcmtk/dcmdata/dcrleerg.h"
#include "dcmtk/dcmjpeg/djdecode.h"
#include "dcmtk/dcmjpeg/djencode.h"
#include "dcmtk/dcmjpls/djdecode.h"
#include "dcmtk/oflog/oflog.h"

extern "C" {
#include "core_text.h"
}

/* Ours, made once from a random number as PS3.5 B.2 allows; it names the program that wrote the file. */
static const char implementation_uid[] = "2.25.63201914414112165925664954755970499111";
static const char implementation_name[] = "OGIVE";

void ogv_dicom_setup() {
  static std::once_flag once;
  std::call_once(once, [] {
    OFLog::configure(OFLogger::OFF_LOG_LEVEL);
    DJDecoderRegistration::registerCodecs(EDC_never, EUC_never, EPC_colorByPixel);
    DJLSDecoderRegistration::registerCodecs(EJLSUC_never, EJLSPC_colorByPixel);
    DcmRLEEncoderRegistration::registerCodecs();
    DJEncoderRegistration::registerCodecs(ECC_lossyYCbCr, EUC_never, OFFalse, 0, 0, 0, OFTrue, ESS_422, OFTrue, OFFalse,
                                          0, 0, 0, 0, 0, 0, 0, 0, OFTrue, OFFalse, OFFalse, OFFalse, OFTrue);
  });
}

std::string ogv_dicom_tag_text(const DcmTagKey &key) {
  DcmTag tag(key);
  char buf[64];
  snprintf(buf, sizeof buf, "(%04X,%04X)", key.getGroup(), key.getElement());
  const char *name = tag.getTagName();
  return std::string(name ? name : "attribute") + " " + buf;
}

void ogv_dicom_setter::check(OFCondition c, const DcmTagKey &key) {
  if (c.bad() && trouble_.empty()) trouble_ = ogv_dicom_tag_text(key) + ": " + c.text();
}

ogv_status ogv_dicom_setter::status(ogv_error *err) const {
  if (trouble_.empty()) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, "Correct that value.", "%s", trouble_.c_str());
}

/* Characters a value may have by its VR (PS3.5 6.2); person names count for each of their groups. */
static size_t most_characters(DcmEVR vr) {
  switch (vr) {
    case EVR_SH:
    case EVR_CS:
    case EVR_AE: return 16;
    case EVR_LO:
    case EVR_UI: return 64;
    case EVR_PN: return 64 * 3 + 2;
    case EVR_ST: return 1024;
    default: return 10240;
  }
}

static size_t characters(const char *utf8) {
  size_t n = 0;
  for (; *utf8; utf8++) n += (static_cast<unsigned char>(*utf8) & 0xC0) != 0x80;
  return n;
}

void ogv_dicom_setter::text(const DcmTagKey &key, const char *utf8) {
  if (!trouble_.empty()) return;
  size_t most = most_characters(DcmTag(key).getEVR());
  if (strchr(utf8, '\\')) trouble_ = ogv_dicom_tag_text(key) + ": a backslash is not allowed in \"" + utf8 + "\"";
  else if (!ogv_utf8_valid(utf8, strlen(utf8))) trouble_ = ogv_dicom_tag_text(key) + ": the text is not UTF-8";
  else if (characters(utf8) > most)
    trouble_ = ogv_dicom_tag_text(key) + ": \"" + utf8 + "\" is longer than " + std::to_string(most) + " characters";
  else check(item_.putAndInsertString(key, utf8), key);
}

void ogv_dicom_setter::text_or_nothing(const DcmTagKey &key, const char *utf8) {
  if (utf8 && *utf8) text(key, utf8);
}

void ogv_dicom_setter::many(const DcmTagKey &key, const char *values) {
  check(item_.putAndInsertString(key, values), key);
}

void ogv_dicom_setter::date(const DcmTagKey &key, ogv_date d) {
  if (d == OGV_DATE_NONE) {
    empty(key);
    return;
  }
  int y, m, day;
  ogv_date_to_ymd(d, &y, &m, &day);
  char buf[48];
  snprintf(buf, sizeof buf, "%04d%02d%02d", y, m, day);
  check(item_.putAndInsertString(key, buf), key);
}

std::string ogv_dicom_ds(double v) {
  char buf[64];
  for (int digits = 15; digits > 0; digits--) {
    snprintf(buf, sizeof buf, "%.*g", digits, v);
    if (strlen(buf) <= 16) break;
  }
  for (char *p = buf; *p; p++)
    if (*p == ',') *p = '.';
  return buf;
}

bool ogv_dicom_number(const std::string &text, double *out) {
  size_t a = text.find_first_not_of(' '), b = text.find_last_not_of(std::string(" \0", 2));
  if (a == std::string::npos || b == std::string::npos || b < a) return false;
  if (text[a] == '+') a++;
  auto r = std::from_chars(text.data() + a, text.data() + b + 1, *out);
  return r.ec == std::errc() && r.ptr == text.data() + b + 1 && std::isfinite(*out);
}

void ogv_dicom_setter::number(const DcmTagKey &key, double v) {
  if (std::isfinite(v)) check(item_.putAndInsertString(key, ogv_dicom_ds(v).c_str()), key);
}

void ogv_dicom_setter::integer(const DcmTagKey &key, int v) {
  if (v >= 0) check(item_.putAndInsertString(key, std::to_string(v).c_str()), key);
}

void ogv_dicom_setter::us(const DcmTagKey &key, unsigned v) {
  check(item_.putAndInsertUint16(key, static_cast<Uint16>(v)), key);
}

void ogv_dicom_setter::empty(const DcmTagKey &key) { check(item_.insertEmptyElement(key), key); }

extern "C" void ogv_dicom_info_empty(ogv_dicom_info *info) {
  *info = ogv_dicom_info{};
  info->birth_date = info->study_date = info->content_date = info->lmp = OGV_DATE_NONE;
  info->instance_number = info->series_number = -1;
  info->time_base = "none";
  info->mechanical_index = info->thermal_bone = info->thermal_cranial = info->thermal_soft = NAN;
  info->depth_mm = info->focus_cm = info->spacing_row_mm = info->spacing_column_mm = NAN;
}

void ogv_dicom_set_identity(ogv_dicom_setter &s, const ogv_dicom_info &a, const char *sop_class, const char *modality) {
  s.many(DCM_SpecificCharacterSet, "ISO_IR 192");
  s.text(DCM_SOPClassUID, sop_class);
  s.text(DCM_SOPInstanceUID, a.sop_instance);
  s.text(DCM_PatientName, a.patient_name);
  s.text(DCM_PatientID, a.patient_id);
  s.text_or_nothing(DCM_IssuerOfPatientID, a.issuer);
  s.date(DCM_PatientBirthDate, a.birth_date);
  s.empty(DCM_PatientSex);
  if (a.lmp != OGV_DATE_NONE) s.date(DCM_LastMenstrualDate, a.lmp);
  s.text(DCM_StudyInstanceUID, a.study);
  s.date(DCM_StudyDate, a.study_date);
  s.text(DCM_StudyTime, a.study_time);
  s.text(DCM_AccessionNumber, a.accession);
  s.text(DCM_ReferringPhysicianName, a.referring);
  s.empty(DCM_StudyID);
  s.text_or_nothing(DCM_StudyDescription, a.study_description);
  s.text(DCM_SeriesInstanceUID, a.series);
  s.integer(DCM_SeriesNumber, a.series_number < 0 ? 1 : a.series_number);
  s.text(DCM_Modality, modality);
  s.text_or_nothing(DCM_SeriesDescription, a.series_description);
  s.text_or_nothing(DCM_PerformingPhysicianName, a.performer);
  s.text(DCM_Manufacturer, a.manufacturer);
  s.text_or_nothing(DCM_ManufacturerModelName, a.model);
  s.text_or_nothing(DCM_StationName, a.station);
  s.text_or_nothing(DCM_SoftwareVersions, a.software);
  s.text_or_nothing(DCM_InstitutionName, a.institution);
  s.integer(DCM_InstanceNumber, a.instance_number < 0 ? 1 : a.instance_number);
  s.date(DCM_ContentDate, a.content_date == OGV_DATE_NONE ? a.study_date : a.content_date);
  s.text(DCM_ContentTime, a.content_time[0] ? a.content_time : a.study_time);
}

static ogv_status io_fail(ogv_error *err, const char *verb, const char *path, int e) {
  ogv_status code = e == EACCES || e == EROFS || e == EPERM ? OGV_E_DENIED : OGV_E_IO;
  const char *todo = e == ENOSPC ? "Free space on the disk." : "Check the folder and its permissions.";
  return ogv_fail(err, code, todo, "cannot %s %.300s: %s", verb, path, strerror(e));
}

static ogv_status sync_path(const char *path, ogv_error *err) {
  int fd = open(path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return io_fail(err, "sync", path, errno);
  int e = fsync(fd) ? errno : 0;
  close(fd);
  return e ? io_fail(err, "sync", path, e) : OGV_OK;
}

static std::string folder_of(const std::string &path) {
  size_t slash = path.rfind('/');
  return slash == std::string::npos ? "." : slash == 0 ? "/" : path.substr(0, slash);
}

ogv_status ogv_dicom_save(DcmFileFormat &ff, const char *path, E_TransferSyntax xfer, ogv_error *err) {
  OFCondition c = ff.validateMetaInfo(xfer, EWM_createNewMeta);
  DcmMetaInfo *meta = ff.getMetaInfo();
  if (c.good()) c = meta->putAndInsertString(DCM_ImplementationClassUID, implementation_uid);
  if (c.good()) c = meta->putAndInsertString(DCM_ImplementationVersionName, implementation_name);
  if (c.good())
    c = meta->computeGroupLengthAndPadding(EGL_withGL, EPD_noChange, EXS_LittleEndianExplicit, EET_UndefinedLength);
  if (c.bad()) return ogv_fail(err, OGV_E_INTERNAL, NULL, "DICOM file header: %s", c.text());
  std::string tmp = std::string(path) + ".part";
  int fd = open(tmp.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600); /* for a message with the real reason */
  if (fd < 0) return io_fail(err, "write", path, errno);
  close(fd);
  c = ff.saveFile(tmp.c_str(), xfer, EET_ExplicitLength, EGL_recalcGL, EPD_noChange, 0, 0, EWM_dontUpdateMeta);
  if (c.bad()) {
    int e = errno;
    unlink(tmp.c_str());
    if (e == ENOSPC || e == EFBIG) return io_fail(err, "write", path, e);
    return ogv_fail(err, OGV_E_IO, "Check the disk.", "cannot write %.300s: %s", path, c.text());
  }
  ogv_status s = sync_path(tmp.c_str(), err);
  if (s == OGV_OK && rename(tmp.c_str(), path)) s = io_fail(err, "write", path, errno);
  if (s != OGV_OK) {
    unlink(tmp.c_str());
    return s;
  }
  return sync_path(folder_of(path).c_str(), err);
}
