#include "private/dicom_charset.h"

#include <cstring>

extern "C" {
#include "core_text.h"
}

void ogv_dicom_copy(char *dst, size_t size, const std::string &src) {
  size_t n = src.size();
  if (n >= size) {
    n = size - 1;
    while (n > 0 && (static_cast<unsigned char>(src[n]) & 0xC0) == 0x80) n--;
  }
  memcpy(dst, src.data(), n);
  dst[n] = 0;
}

static std::string upper_trimmed(const OFString &s) {
  std::string r(s.c_str());
  for (char &c : r)
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 32);
  size_t a = r.find_first_not_of(' '), b = r.find_last_not_of(' ');
  return a == std::string::npos ? "" : r.substr(a, b - a + 1);
}

/* Spellings met in the field, and what the standard calls them. */
static std::string standard_name(const std::string &name) {
  static const struct {
    const char *met, *standard;
  } table[] = {{"ISO-IR 6", "ISO_IR 6"},     {"ISO_IR_6", "ISO_IR 6"},     {"ISO IR 100", "ISO_IR 100"},
               {"ISO-IR 100", "ISO_IR 100"}, {"ISO_IR_100", "ISO_IR 100"}, {"ISO 8859-1", "ISO_IR 100"},
               {"ISO-8859-1", "ISO_IR 100"}, {"ISO_8859-1", "ISO_IR 100"}, {"LATIN1", "ISO_IR 100"},
               {"ISO IR 192", "ISO_IR 192"}, {"ISO-IR 192", "ISO_IR 192"}, {"ISO_IR_192", "ISO_IR 192"},
               {"UTF-8", "ISO_IR 192"},      {"UTF8", "ISO_IR 192"},       {"ISO 2022 IR192", "ISO_IR 192"}};
  for (const auto &t : table)
    if (name == t.met) return t.standard;
  return name;
}

/* All values are the default set or one of the Japanese ones, and at least one is Japanese. */
static bool japanese(const std::string &names) {
  bool any = false;
  for (size_t at = 0; at <= names.size();) {
    size_t end = names.find('\\', at);
    if (end == std::string::npos) end = names.size();
    std::string one = names.substr(at, end - at);
    if (one == "ISO 2022 IR 13" || one == "ISO 2022 IR 87" || one == "ISO 2022 IR 159") any = true;
    else if (!one.empty() && one != "ISO 2022 IR 6") return false;
    at = end + 1;
  }
  return any;
}

void ogv_charset::choose(DcmItem &item) {
  OFString raw;
  if (item.findAndGetOFStringArray(DCM_SpecificCharacterSet, raw).bad()) raw.clear();
  std::string names, all = upper_trimmed(raw);
  for (size_t at = 0; at <= all.size();) {
    size_t end = all.find('\\', at);
    if (end == std::string::npos) end = all.size();
    std::string one = standard_name(upper_trimmed(all.substr(at, end - at).c_str()));
    bool several = all.find('\\') != std::string::npos;
    if (several && one.compare(0, 7, "ISO_IR ") == 0)
      one = "ISO 2022 IR " + one.substr(7); /* with escapes only these names are right */
    names += (at ? "\\" : "") + one;
    at = end + 1;
  }
  assume_utf8_ = names.empty() || names == "ISO_IR 192";
  jis_ = japanese(names);
  convert_ =
      !assume_utf8_ && !jis_ && names != "ISO_IR 6" && set_.selectCharacterSet(names.c_str(), "ISO_IR 192").good();
  if (!convert_ && !jis_ && !assume_utf8_ && names != "ISO_IR 6")
    note_ = "Specific Character Set (0008,0005) \"" + names +
            "\" is not known; letters beyond ASCII are shown as \xEF\xBF\xBD";
}

static bool ascii(const std::string &s) {
  for (char c : s)
    if (static_cast<unsigned char>(c) >= 0x80 || c == 0x1B) return false;
  return true;
}

std::string ogv_charset::utf8(const std::string &bytes, const char *delimiters) {
  if (ascii(bytes)) return bytes;
  if (jis_) {
    std::string out;
    if (ogv_charset_jis(bytes, delimiters, &out)) return out;
  } else if (convert_) {
    OFString out;
    if (set_.convertString(bytes.c_str(), bytes.size(), out, delimiters).good() &&
        ogv_utf8_valid(out.c_str(), out.size()))
      return std::string(out.c_str(), out.size());
  } else if (assume_utf8_ && ogv_utf8_valid(bytes.data(), bytes.size()) && bytes.find('\x1B') == std::string::npos) {
    return bytes;
  }
  if (note_.empty())
    note_ =
        "text has bytes that do not belong to its Specific Character Set (0008,0005); they are shown as \xEF\xBF\xBD";
  std::string out;
  for (char c : bytes) {
    if (static_cast<unsigned char>(c) >= 0x80 || c == 0x1B) out += "\xEF\xBF\xBD";
    else out += c;
  }
  return out;
}
