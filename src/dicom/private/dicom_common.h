/* What the C++ files of this module share: codec registration, guarded entry points, checked ways to set attributes. */
#ifndef PRIVATE_DICOM_COMMON_H
#define PRIVATE_DICOM_COMMON_H

#include "dcmtk/config/osconfig.h"

#include "dcmtk/dcmdata/dctk.h"

#include <exception>
#include <new>
#include <string>

extern "C" {
#include "dicom_file.h"
}

/* Registers decoders and encoders and silences DCMTK's own log; safe to call from any thread, does its work once. */
void ogv_dicom_setup();

/* Runs fn and turns whatever it throws into a status: nothing thrown may cross the C border. */
template <class F>
ogv_status ogv_dicom_guard(ogv_error *err, F fn) {
  try {
    return fn();
  } catch (const std::bad_alloc &) {
    return ogv_fail(err, OGV_E_MEMORY, "Close other programs, or use a machine with more memory.",
                    "no memory for the DICOM object");
  } catch (const std::exception &e) {
    return ogv_fail(err, OGV_E_INTERNAL, "Report this with the file.", "DICOM: %s", e.what());
  } catch (...) {
    return ogv_fail(err, OGV_E_INTERNAL, "Report this with the file.", "DICOM: an unknown exception was thrown");
  }
}

/* "(0018,6011) SequenceOfUltrasoundRegions" for messages. */
std::string ogv_dicom_tag_text(const DcmTagKey &key);

/* A setter that remembers its first failure, so that a long list of attributes reads as one. */
class ogv_dicom_setter {
 public:
  explicit ogv_dicom_setter(DcmItem &item) : item_(item) {}
  void text(const DcmTagKey &key, const char *utf8); /* refuses backslashes and too long values */
  void text_or_nothing(const DcmTagKey &key, const char *utf8);
  void many(const DcmTagKey &key, const char *values); /* backslash separates values */
  void date(const DcmTagKey &key, ogv_date d);         /* empty value for OGV_DATE_NONE */
  void number(const DcmTagKey &key, double v);         /* DS; nothing when not finite */
  void integer(const DcmTagKey &key, int v);           /* IS; nothing when negative */
  void us(const DcmTagKey &key, unsigned v);
  void empty(const DcmTagKey &key);
  void check(OFCondition c, const DcmTagKey &key);
  ogv_status status(ogv_error *err) const;
  DcmItem &item() { return item_; }

 private:
  DcmItem &item_;
  std::string trouble_;
};

/* A decimal string of at most 16 characters (DS), decimal point whatever the locale. */
std::string ogv_dicom_ds(double v);

/* The whole text as a finite number, decimal point whatever the locale, blanks at its ends allowed. "17,5" or "17 mm"
 * is none: half of it would be a wrong number. */
bool ogv_dicom_number(const std::string &text, double *out);

/* Patient, study, series, equipment and SOP common attributes out of `about`. */
void ogv_dicom_set_identity(ogv_dicom_setter &s, const ogv_dicom_info &about, const char *sop_class,
                            const char *modality);

/* Saves with our implementation UID and explicit lengths, durably: file and folder are synced before it returns. */
ogv_status ogv_dicom_save(DcmFileFormat &ff, const char *path, E_TransferSyntax xfer, ogv_error *err);

#endif
