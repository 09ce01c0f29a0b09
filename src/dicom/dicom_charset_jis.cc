/* Japanese text with ISO 2022 escapes (PS3.5 6.1.2.5 and annex H): DCMTK cannot convert it with the C library's iconv,
 * which knows the sets but only by their mail names. Two-byte letters go through ISO-2022-JP-2, half-width katakana
 * through SHIFT_JIS, where they have the same bytes. */
#include <iconv.h>

#include <cstring>

#include "private/dicom_charset.h"

namespace {

bool convert(const char *from, const std::string &in, std::string *out) {
  iconv_t cd = iconv_open("UTF-8", from);
  if (cd == reinterpret_cast<iconv_t>(-1)) return false;
  std::string src = in, dst(in.size() * 4 + 16, 0);
  char *s = &src[0], *d = &dst[0];
  size_t ns = src.size(), nd = dst.size();
  size_t r = iconv(cd, &s, &ns, &d, &nd);
  iconv_close(cd);
  if (r == static_cast<size_t>(-1) || ns) return false;
  out->append(dst.data(), dst.size() - nd);
  return true;
}

enum set { ascii, kana, jis0208, jis0212 };

/* The escape at s[i], its length, and the set it puts into G0; G1 only ever holds katakana. */
size_t escape(const std::string &s, size_t i, set *g0) {
  static const struct {
    const char *bytes;
    set means;
    bool g1;
  } table[] = {{"\x1B(B", ascii, false},   {"\x1B(J", ascii, false},   {"\x1B(I", kana, false},
               {"\x1B)I", kana, true},     {"\x1B$B", jis0208, false}, {"\x1B$@", jis0208, false},
               {"\x1B$(D", jis0212, false}};
  for (const auto &t : table) {
    size_t n = strlen(t.bytes);
    if (s.compare(i, n, t.bytes)) continue;
    if (!t.g1) *g0 = t.means;
    return n;
  }
  return 0;
}

}  // namespace

bool ogv_charset_jis(const std::string &s, const char *delimiters, std::string *out) {
  set g0 = ascii;
  out->clear();
  for (size_t i = 0; i < s.size();) {
    unsigned char c = static_cast<unsigned char>(s[i]);
    if (c == 0x1B) {
      size_t n = escape(s, i, &g0);
      if (!n) return false;
      i += n;
    } else if (c >= 0xA1 && c <= 0xDF) {
      if (!convert("SHIFT_JIS", s.substr(i++, 1), out)) return false;
    } else if (c >= 0x80) {
      return false;
    } else if (c < 0x21 || g0 == ascii) {
      if (c < 0x20 || strchr(delimiters, c)) g0 = ascii; /* escapes do not reach over delimiters and line ends */
      *out += s[i++];
    } else if (g0 == kana) {
      if (!convert("SHIFT_JIS", std::string(1, static_cast<char>(c | 0x80)), out)) return false;
      i++;
    } else {
      std::string two = (g0 == jis0208 ? "\x1B$B" : "\x1B$(D") + s.substr(i, 2) + "\x1B(B";
      if (i + 1 >= s.size() || !convert("ISO-2022-JP-2", two, out)) return false;
      i += 2;
    }
  }
  return true;
}
