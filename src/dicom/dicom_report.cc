/* Reading structured reports: a walk over the content tree that expects little of it. All templates are extensible and
 * scanners use them freely, so nothing but the shape of the items themselves is relied on (PS3.3 C.17.3). */
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <vector>

#include "private/dicom_object.h"

extern "C" {
#include "dicom_report.h"
#include "imaging_geometry.h"
#include "obstetrics_quantity.h"
}

namespace {

constexpr size_t most_items = 20000;
constexpr size_t most_outline = 4096; /* points of a closed outline, as imaging takes them */
constexpr int most_depth = 64;

struct coded {
  std::string value, scheme, meaning;
  /* Codes that moved between SNOMED editions are asked for under both names. */
  bool is(const char *v, const char *other = nullptr) const { return value == v || (other && value == other); }
};

/* What an item inherits from the containers above it. */
struct context {
  std::string container, section, group, fetus, laterality, vessel;
  coded site;
  bool vessels = false; /* below a heading for vessels: containers here are vessels, known or not */
};

template <size_t N>
void put(char (&dst)[N], const std::string &s) {
  ogv_dicom_copy(dst, N, s);
}

class walker {
 public:
  explicit walker(DcmItem &root) : root_(root) { charset_.choose(root); }

  ogv_status run(ogv_error *err) {
    coded title = code_at(root_, DCM_ConceptNameCodeSequence);
    context c;
    c.container = c.section = title.meaning;
    descend(root_, "1", c, 0);
    if (too_much_)
      return ogv_fail(err, OGV_E_CORRUPT, "Export the report again.",
                      "Content Sequence (0040,A730): more than %zu items, or nested deeper than %d", most_items,
                      most_depth);
    return OGV_OK;
  }
  std::vector<ogv_report_item> items;
  std::vector<double> points; /* of the items that have any, in their order */

 private:
  std::string text_at(DcmItem &i, const DcmTagKey &key, const char *delimiters = "") {
    OFString v;
    if (i.findAndGetOFStringArray(key, v).bad()) return "";
    std::string s = charset_.utf8(std::string(v.c_str(), v.size()), delimiters);
    size_t a = s.find_first_not_of(" \t"), b = s.find_last_not_of(std::string(" \t\0", 3));
    return a == std::string::npos || b == std::string::npos || b < a ? "" : s.substr(a, b - a + 1);
  }

  coded code_at(DcmItem &i, const DcmTagKey &key) {
    DcmItem *c = nullptr;
    coded r;
    if (i.findAndGetSequenceItem(key, c, 0).bad() || !c) return r;
    r.value = text_at(*c, DCM_CodeValue);
    if (r.value.empty()) r.value = text_at(*c, DCM_LongCodeValue);
    if (r.value.empty()) r.value = text_at(*c, DCM_URNCodeValue);
    r.scheme = text_at(*c, DCM_CodingSchemeDesignator);
    r.meaning = text_at(*c, DCM_CodeMeaning);
    return r;
  }

  template <class F>
  static void children(DcmItem &i, F fn) {
    DcmSequenceOfItems *seq = nullptr;
    if (i.findAndGetSequence(DCM_ContentSequence, seq).bad() || !seq) return;
    unsigned long n = 1;
    for (DcmObject *o = seq->nextInContainer(nullptr); o; o = seq->nextInContainer(o), n++)
      fn(*static_cast<DcmItem *>(o), n);
  }

  /* A child may stand elsewhere in the tree and only be referred to; then that item is looked up from the root. */
  DcmItem *target(DcmItem &i) {
    const Uint32 *ids = nullptr;
    unsigned long n = 0;
    if (i.findAndGetUint32Array(DCM_ReferencedContentItemIdentifier, ids, &n).bad() || !ids || n < 1) return &i;
    DcmItem *at = &root_;
    if (ids[0] != 1) return nullptr;
    for (unsigned long k = 1; k < n; k++) {
      DcmSequenceOfItems *seq = nullptr;
      if (at->findAndGetSequence(DCM_ContentSequence, seq).bad() || !seq || ids[k] < 1 || ids[k] > seq->card())
        return nullptr;
      at = seq->getItem(ids[k] - 1);
    }
    return at;
  }

  std::string value_as_text(DcmItem &i) {
    std::string type = text_at(i, DCM_ValueType);
    if (type == "CODE") return code_at(i, DCM_ConceptCodeSequence).meaning;
    if (type == "NUM") {
      DcmItem *m = nullptr;
      return i.findAndGetSequenceItem(DCM_MeasuredValueSequence, m, 0).good() && m ? text_at(*m, DCM_NumericValue) : "";
    }
    return text_at(i, DCM_TextValue);
  }

  void read_side(DcmItem &i, const coded &name, std::string *laterality) {
    if (name.is("272741003", "G-C171")) *laterality = code_at(i, DCM_ConceptCodeSequence).meaning;
  }

  /* Fetus, finding site and side that a container's own children state. */
  void refine(DcmItem &box, context *c) {
    std::string by_number, by_subject, by_id;
    children(box, [&](DcmItem &i, unsigned long) {
      coded name = code_at(i, DCM_ConceptNameCodeSequence);
      if (name.is("11951-1")) by_id = value_as_text(i);
      if (name.is("121037")) by_number = value_as_text(i);
      if (name.is("121030")) by_subject = value_as_text(i);
      read_side(i, name, &c->laterality);
      if (!name.is("363698007", "G-C0E3")) return;
      coded site = code_at(i, DCM_ConceptCodeSequence);
      c->site = site;
      c->vessels |= site.is("281496003", "T-D6007") || site.is("51852003", "T-F6800");
      children(
          i, [&](DcmItem &k, unsigned long) { read_side(k, code_at(k, DCM_ConceptNameCodeSequence), &c->laterality); });
    });
    if (!by_id.empty()) c->fetus = by_id;
    else if (!by_number.empty()) c->fetus = by_number;
    else if (!by_subject.empty()) c->fetus = by_subject;
  }

  void enter(DcmItem &box, const std::string &path, const context &above, int depth) {
    context c = above;
    coded name = code_at(box, DCM_ConceptNameCodeSequence);
    if (!name.meaning.empty()) c.container = name.meaning;
    if (name.is("125005")) c.group = path;
    else if (!name.meaning.empty()) c.section = name.meaning;
    const ogv_vessel *known = ogv_vessel_by_code(name.value.c_str(), name.scheme.c_str());
    bool vessel = known || (above.vessels && !name.value.empty());
    refine(box, &c);
    if (vessel) {
      c.vessel = name.meaning.empty() ? name.value : name.meaning;
      c.site = name;
    }
    descend(box, path, c, depth);
  }

  void descend(DcmItem &box, const std::string &path, const context &c, int depth) {
    if (depth > most_depth) {
      too_much_ = true;
      return;
    }
    children(box, [&](DcmItem &i, unsigned long n) {
      if (too_much_) return;
      std::string at = path + "." + std::to_string(n), type = text_at(i, DCM_ValueType),
                  rel = text_at(i, DCM_RelationshipType);
      if (rel != "CONTAINS" && !rel.empty()) return; /* modifiers are read with the item they belong to */
      if (type == "CONTAINER") enter(i, at, c, depth + 1);
      else if (type == "NUM") add(OGV_ITEM_NUMBER, i, at, c);
      else if (type == "DATE" || type == "DATETIME") add(OGV_ITEM_DATE, i, at, c);
      else if (type == "TEXT") add(OGV_ITEM_TEXT, i, at, c);
      else if (type == "CODE") add(OGV_ITEM_CODE, i, at, c);
    });
  }

  void read_number(DcmItem &i, ogv_report_item *r) {
    DcmItem *m = nullptr;
    r->value = NAN;
    if (i.findAndGetSequenceItem(DCM_MeasuredValueSequence, m, 0).bad() || !m) return;
    std::string digits = text_at(*m, DCM_NumericValue);
    put(r->text, digits);
    r->has_value = ogv_dicom_number(digits, &r->value);
    Float64 exact = 0; /* the same number with more digits, where the sender gives it */
    if (m->findAndGetFloat64(DCM_FloatingPointValue, exact).good() && std::isfinite(exact) &&
        (!r->has_value ? digits.empty() : std::fabs(exact - r->value) <= 1e-3 * std::fabs(exact))) {
      r->value = exact;
      r->has_value = true;
    }
    coded unit = code_at(*m, DCM_MeasurementUnitsCodeSequence);
    put(r->unit, unit.value);
    if (!r->has_value) r->value = NAN;
  }

  void read_value(DcmItem &i, ogv_report_item *r) {
    switch (r->kind) {
      case OGV_ITEM_NUMBER: read_number(i, r); break;
      case OGV_ITEM_DATE: {
        std::string d = text_at(i, DCM_Date);
        if (d.empty()) d = text_at(i, DCM_DateTime).substr(0, 8);
        put(r->text, d);
        r->has_value = ogv_date_parse(d.c_str(), &r->date, nullptr) == OGV_OK;
        if (!r->has_value) r->date = OGV_DATE_NONE;
        break;
      }
      case OGV_ITEM_TEXT:
        put(r->text, text_at(i, DCM_TextValue));
        r->has_value = r->text[0] != 0;
        break;
      case OGV_ITEM_CODE: {
        coded v = code_at(i, DCM_ConceptCodeSequence);
        put(r->text, v.meaning);
        put(r->value_code, v.value);
        put(r->value_scheme, v.scheme);
        r->has_value = !v.value.empty();
        break;
      }
    }
  }

  void read_image(DcmItem &i, ogv_report_item *r) {
    DcmItem *ref = nullptr;
    if (i.findAndGetSequenceItem(DCM_ReferencedSOPSequence, ref, 0).bad() || !ref) return;
    put(r->image_instance, text_at(*ref, DCM_ReferencedSOPInstanceUID));
    Sint32 frame = 0;
    if (ref->findAndGetSint32(DCM_ReferencedFrameNumber, frame).good() && frame > 0) r->image_frame = frame;
  }

  void set_points(ogv_report_item *r, ogv_geometry_kind kind, const std::vector<double> &p) {
    size_t n = p.size() / 2;
    r->graphic = kind;
    r->n_points = n <= (kind == OGV_GEOMETRY_OUTLINE ? most_outline : size_t{OGV_GEOMETRY_MAX_POINTS}) ? n : 0;
    graphic_ = p;
  }

  /* Stored coordinates are 0\\0 at the top left corner of the first pixel and 1\\1 at its bottom right one (PS3.3
   * C.18.6, Graphic Data); ours are 0,0 at its centre. */
  void read_graphic(DcmItem &i, ogv_report_item *r) {
    std::string type = text_at(i, DCM_GraphicType);
    const Float32 *g = nullptr;
    unsigned long n = 0;
    children(i, [&](DcmItem &k, unsigned long) {
      DcmItem *t = target(k);
      if (t && text_at(*t, DCM_ValueType) == "IMAGE") read_image(*t, r);
    });
    if (i.findAndGetFloat32Array(DCM_GraphicData, g, &n).bad() || !g || n < 2 || n % 2 || n > 2 * 8192) return;
    std::vector<double> p(g, g + n);
    for (double &v : p) {
      if (!std::isfinite(v)) return;
      v -= 0.5;
    }
    if (type == "ELLIPSE" && n == 8) {
      set_points(r, OGV_GEOMETRY_ELLIPSE, p);
    } else if (type == "CIRCLE" && n == 4) {
      double rad = std::hypot(p[2] - p[0], p[3] - p[1]);
      set_points(r, OGV_GEOMETRY_ELLIPSE, {p[0] - rad, p[1], p[0] + rad, p[1], p[0], p[1] - rad, p[0], p[1] + rad});
    } else if (type == "POINT" && n == 2) {
      set_points(r, OGV_GEOMETRY_POINT, p);
    } else if (type == "POLYLINE" && n == 4) {
      set_points(r, OGV_GEOMETRY_DISTANCE, p);
    } else if (type == "POLYLINE" && n > 4) {
      bool closed = p[0] == p[n - 2] && p[1] == p[n - 1];
      if (closed) p.resize(n - 2);
      set_points(r, closed ? OGV_GEOMETRY_OUTLINE : OGV_GEOMETRY_TRACE, p);
    }
  }

  void read_modifier(DcmItem &child, ogv_report_item *r) {
    DcmItem *t = target(child);
    if (!t) return;
    DcmItem &i = *t;
    coded name = code_at(i, DCM_ConceptNameCodeSequence), value = code_at(i, DCM_ConceptCodeSequence);
    std::string type = text_at(i, DCM_ValueType), side;
    if (type == "SCOORD") read_graphic(i, r);
    else if (type == "IMAGE") read_image(i, r);
    else if (name.is("121401")) put(r->derivation, value.value);
    else if (name.is("121404")) put(r->selection, value.value);
    else if (name.is("370129005", "G-C036")) put(r->method, value_as_text(i));
    else if (name.is("121420") || name.is("121421") || name.is("121422") || name.is("121423") || name.is("121424"))
      put(r->equation, value_as_text(i));
    else if (name.is("11951-1") || name.is("121037")) put(r->fetus, value_as_text(i));
    else if (name.is("363698007", "G-C0E3")) read_site(i, value, r);
    read_side(i, name, &side);
    if (!side.empty()) put(r->laterality, side);
  }

  void read_site(DcmItem &i, const coded &value, ogv_report_item *r) {
    if (r->vessel[0]) return; /* the vessel's container has said it */
    put(r->site, value.value);
    put(r->site_scheme, value.scheme);
    if (ogv_vessel_by_code(value.value.c_str(), value.scheme.c_str())) put(r->vessel, value.meaning);
    children(i, [&](DcmItem &k, unsigned long) {
      std::string side;
      read_side(k, code_at(k, DCM_ConceptNameCodeSequence), &side);
      if (!side.empty()) put(r->laterality, side);
    });
  }

  void add(ogv_item_kind kind, DcmItem &i, const std::string &path, const context &c) {
    if (items.size() >= most_items) {
      too_much_ = true;
      return;
    }
    ogv_report_item r{};
    r.kind = kind;
    r.value = NAN;
    r.date = OGV_DATE_NONE;
    coded name = code_at(i, DCM_ConceptNameCodeSequence);
    put(r.path, path);
    put(r.container, c.container);
    put(r.section, c.section);
    put(r.group, c.group);
    put(r.code, name.value);
    put(r.scheme, name.scheme);
    put(r.meaning, name.meaning);
    put(r.fetus, c.fetus);
    put(r.laterality, c.laterality);
    put(r.vessel, c.vessel);
    put(r.site, c.site.value);
    put(r.site_scheme, c.site.scheme);
    read_value(i, &r);
    children(i, [&](DcmItem &k, unsigned long) { read_modifier(k, &r); });
    items.push_back(r);
    if (r.n_points) points.insert(points.end(), graphic_.begin(), graphic_.end());
  }

  std::vector<double> graphic_; /* of the item being read */

  DcmItem &root_;
  ogv_charset charset_;
  bool too_much_ = false;
};

ogv_status read_items(ogv_dicom *d, ogv_report_item **out, size_t *count, ogv_error *err) {
  if (d->info.kind != OGV_DICOM_REPORT) return ogv_fail(err, OGV_E_INVALID, NULL, "the object is no structured report");
  walker w(*d->data);
  OGV_TRY(w.run(err));
  size_t n = w.items.size();
  static_assert(sizeof(ogv_report_item) % alignof(double) == 0, "the points follow the items");
  ogv_report_item *list =
      static_cast<ogv_report_item *>(calloc(1, (n ? n : 1) * sizeof *list + w.points.size() * sizeof(double)));
  if (!list) throw std::bad_alloc();
  double *p = reinterpret_cast<double *>(list + n);
  if (n) memcpy(list, w.items.data(), n * sizeof *list);
  if (!w.points.empty()) memcpy(p, w.points.data(), w.points.size() * sizeof *p);
  for (size_t k = 0; k < n; k++)
    if (list[k].n_points) {
      list[k].points = p;
      p += 2 * list[k].n_points;
    }
  *out = list;
  *count = n;
  return OGV_OK;
}

}  // namespace

extern "C" ogv_status ogv_dicom_report_items(ogv_dicom *d, ogv_report_item **items, size_t *count, ogv_error *err) {
  *items = nullptr;
  *count = 0;
  return ogv_dicom_guard(err, [&] { return read_items(d, items, count, err); });
}
