/* Text of DICOM attributes as UTF-8. */
#ifndef PRIVATE_DICOM_CHARSET_H
#define PRIVATE_DICOM_CHARSET_H

#include <string>

#include "dcmtk/dcmdata/dcspchrs.h"
#include "private/dicom_common.h"

class ogv_charset {
 public:
  /* Reads Specific Character Set (0008,0005). Never fails: what it cannot understand becomes a note. */
  void choose(DcmItem &item);
  /* Bytes that cannot be converted become U+FFFD and leave a note: a wrong letter must not look like a right one. */
  std::string utf8(const std::string &bytes, const char *delimiters = "\\^=");
  const std::string &note() const { return note_; }

 private:
  DcmSpecificCharacterSet set_;
  bool convert_ = false, jis_ = false, assume_utf8_ = false;
  std::string note_;
};

/* Text in ISO 2022 IR 13, 87 and 159 (katakana, JIS X 0208 and 0212) with escapes. False at bytes that do not belong.
 */
bool ogv_charset_jis(const std::string &bytes, const char *delimiters, std::string *out);

/* Copies UTF-8 text into a fixed array, cut at a whole letter. */
void ogv_dicom_copy(char *dst, size_t size, const std::string &src);

#endif
