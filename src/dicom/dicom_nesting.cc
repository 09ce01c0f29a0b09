/* How deep a file's sequences are nested, found without recursion and before DCMTK reads it: DCMTK calls itself for
 * each level, and a file of a few hundred kilobytes can be nested deep enough to exhaust the stack. Only headers are
 * read, so a large clip costs a few reads. */
#include <fcntl.h>
#include <unistd.h>
#include <zlib.h>

#include <cstring>
#include <vector>

#include "private/dicom_object.h"

namespace {

constexpr size_t most_levels = 64;           /* reports have perhaps ten */
constexpr size_t most_inflated = 256u << 20; /* of a deflated data set */
constexpr Uint64 endless = ~static_cast<Uint64>(0);

/* Bytes by position, from a file through a window or from memory. */
class bytes_at {
 public:
  explicit bytes_at(int fd) : fd_(fd), size_(static_cast<Uint64>(lseek(fd, 0, SEEK_END))) {}
  explicit bytes_at(std::vector<Uint8> &&all) : window_(std::move(all)), size_(window_.size()) {}
  Uint64 size() const { return size_; }
  const Uint8 *get(Uint64 at, size_t n) {
    if (at + n > size_) return nullptr;
    if (at >= start_ && at + n <= start_ + window_.size()) return window_.data() + (at - start_);
    if (fd_ < 0) return nullptr;
    window_.resize(size_ - at < 4096 ? static_cast<size_t>(size_ - at) : 4096);
    start_ = at;
    if (pread(fd_, window_.data(), window_.size(), static_cast<off_t>(at)) != static_cast<ssize_t>(window_.size())) {
      window_.clear();
      return nullptr;
    }
    return window_.data();
  }

 private:
  int fd_ = -1;
  std::vector<Uint8> window_;
  Uint64 start_ = 0, size_;
};

struct level {
  Uint64 end;
  bool implicit, fragments;
};

struct form {
  bool implicit, big;
};

unsigned two(const Uint8 *p, bool big) {
  return big ? static_cast<unsigned>(p[0] << 8 | p[1]) : static_cast<unsigned>(p[1] << 8 | p[0]);
}
Uint32 four(const Uint8 *p, bool big) {
  return big ? static_cast<Uint32>(two(p, true)) << 16 | two(p + 2, true)
             : static_cast<Uint32>(two(p + 2, false)) << 16 | two(p, false);
}

bool letters(const Uint8 *p) { return p[0] >= 'A' && p[0] <= 'Z' && p[1] >= 'A' && p[1] <= 'Z'; }
bool is(const Uint8 *p, const char *vr) {
  return p[0] == static_cast<Uint8>(vr[0]) && p[1] == static_cast<Uint8>(vr[1]);
}
bool long_form(const Uint8 *p) {
  static const char all[] = "OBOWOFODOLOVSQUCURUTUNSVUV";
  for (const char *v = all; *v; v += 2)
    if (is(p, v)) return true;
  return false;
}

/* One element header; what is no header ends the walk: DCMTK stops there as well, or reads on in a flat way. */
class walk {
 public:
  walk(bytes_at &b, form f, Uint64 at) : b_(b), form_(f), at_(at) {}
  bool too_deep() {
    while (step())
      if (levels_.size() > 2 * most_levels) return true;
    return false;
  }

 private:
  void push(Uint64 start, Uint32 length, bool implicit, bool fragments) {
    levels_.push_back({length == 0xFFFFFFFFu ? endless : start + length, implicit, fragments});
  }
  bool item(unsigned element, Uint32 length) {
    bool fragments = !levels_.empty() && levels_.back().fragments,
         implicit = levels_.empty() ? form_.implicit : levels_.back().implicit;
    at_ += 8;
    if (element == 0xE000 && fragments) at_ += length;
    else if (element == 0xE000) push(at_, length, implicit, false);
    else if (!levels_.empty()) levels_.pop_back();
    return true;
  }
  bool step() {
    while (!levels_.empty() && at_ >= levels_.back().end) levels_.pop_back();
    const Uint8 *p = b_.get(at_, 8);
    if (!p) return false;
    unsigned group = two(p, form_.big), element = two(p + 2, form_.big);
    if (group == 0xFFFE) return item(element, four(p + 4, form_.big));
    bool implicit = levels_.empty() ? form_.implicit : levels_.back().implicit;
    bool sequence, unknown = false;
    Uint32 length;
    size_t header = 8;
    if (implicit) {
      length = four(p + 4, form_.big);
      sequence =
          length == 0xFFFFFFFFu || DcmTag(static_cast<Uint16>(group), static_cast<Uint16>(element)).getEVR() == EVR_SQ;
    } else {
      if (!letters(p + 4)) return false;
      unknown = is(p + 4, "UN");
      bool sq = is(p + 4, "SQ"), wide = long_form(p + 4);
      length = two(p + 6, form_.big);
      if (wide) {
        header = 12;
        if (!(p = b_.get(at_, 12))) return false;
        length = four(p + 8, form_.big);
      }
      sequence = sq || (wide && length == 0xFFFFFFFFu);
    }
    at_ += header;
    if (sequence) push(at_, length, implicit || unknown, group == 0x7FE0 && element == 0x0010);
    else at_ += length;
    return true;
  }
  bytes_at &b_;
  form form_;
  Uint64 at_;
  std::vector<level> levels_;
};

/* Where the data set starts: behind the preamble and the file header, which is always explicit little endian. */
Uint64 behind_preamble(bytes_at &b) {
  const Uint8 *p = b.get(0, 132);
  return p && !memcmp(p + 128, "DICM", 4) ? 132 : 0;
}
Uint64 behind_header(bytes_at &b) {
  Uint64 at = behind_preamble(b);
  const Uint8 *p;
  while ((p = b.get(at, 8)) && two(p, false) == 2 && letters(p + 4)) {
    bool wide = long_form(p + 4);
    if (wide && !(p = b.get(at, 12))) break;
    at += wide ? 12 + static_cast<Uint64>(four(p + 8, false)) : 8 + static_cast<Uint64>(two(p + 6, false));
  }
  return at;
}

bool inflate_rest(bytes_at &b, Uint64 at, std::vector<Uint8> *out) {
  z_stream z{};
  if (inflateInit2(&z, -MAX_WBITS) != Z_OK) throw std::bad_alloc();
  int r = Z_OK;
  while (r == Z_OK && at < b.size() && out->size() < most_inflated) {
    size_t n = b.size() - at < 4096 ? static_cast<size_t>(b.size() - at) : 4096;
    z.next_in = const_cast<Uint8 *>(b.get(at, n));
    if (!z.next_in) break;
    z.avail_in = static_cast<uInt>(n);
    at += n;
    while (z.avail_in && r == Z_OK && out->size() < most_inflated) {
      size_t had = out->size();
      out->resize(had + 65536);
      z.next_out = out->data() + had;
      z.avail_out = 65536;
      r = inflate(&z, Z_NO_FLUSH);
      out->resize(had + 65536 - z.avail_out);
    }
  }
  inflateEnd(&z);
  return out->size() < most_inflated;
}

form form_of(E_TransferSyntax x, bytes_at &b, Uint64 at) {
  if (x == EXS_BigEndianExplicit) return {false, true};
  if (x == EXS_LittleEndianImplicit) return {true, false};
  if (x != EXS_Unknown) return {false, false};
  const Uint8 *p = b.get(at, 8); /* no header: by the look of the first element */
  if (!p) return {true, false};
  return {!letters(p + 4), p[0] == 0 && p[1] != 0};
}

}  // namespace

ogv_status ogv_dicom_check_nesting(const char *path, E_TransferSyntax syntax, ogv_error *err) {
  int fd = open(path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return OGV_OK; /* said by who opens it next */
  bool deep = false, large = false;
  try {
    bytes_at file(fd);
    /* The file header is explicit little endian too, and could be nested itself. */
    Uint64 at = syntax == EXS_LittleEndianExplicit ? behind_preamble(file) : behind_header(file);
    if (syntax == EXS_DeflatedLittleEndianExplicit) {
      std::vector<Uint8> all;
      large = !inflate_rest(file, at, &all);
      bytes_at memory(std::move(all));
      if (!large) deep = walk(memory, {false, false}, 0).too_deep();
    } else {
      deep = walk(file, form_of(syntax, file, at), at).too_deep();
    }
  } catch (...) {
    close(fd);
    throw;
  }
  close(fd);
  if (large)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Export it without deflation.",
                    "the deflated data set is larger than %zu MB", most_inflated >> 20);
  if (deep)
    return ogv_fail(err, OGV_E_CORRUPT, "Export the object again.",
                    "sequences are nested deeper than %zu levels, as in no real object", most_levels);
  return OGV_OK;
}
