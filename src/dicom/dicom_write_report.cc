#include "private/dicom_common.h"

#include <cmath>
#include <cstdio>
#include <cstring>
#include <map>
#include <set>
#include <vector>

#include "dcmtk/dcmsr/dsrdoctr.h"
#include "dcmtk/dcmsr/dsrnumtn.h"
#include "private/dicom_codes.h"

extern "C" {
#include "core_unit.h"
#include "dicom_write.h"
#include "imaging_geometry.h"
#include "obstetrics_quantity.h"
}

using namespace ogv_codes;

namespace {

DSRCodedEntryValue coded(const ogv_sr_code &c) { return DSRCodedEntryValue(c.value, c.scheme, c.meaning); }

/* Adds nodes by the id of their parent, so that no cursor has to be kept in mind. The first failure is remembered. */
class tree_builder {
 public:
  tree_builder() : tree_(DSRTypes::DT_ComprehensiveSR) {}
  size_t add(size_t parent, DSRTypes::E_RelationshipType rel, DSRTypes::E_ValueType vt,
             const DSRCodedEntryValue &name) {
    if (!trouble_.empty()) return 0;
    if (parent && !tree_.gotoNode(parent)) return fail("lost its place", name);
    size_t id = tree_.addContentItem(rel, vt, parent ? DSRTypes::AM_belowCurrent : DSRTypes::AM_afterCurrent);
    if (!id) return fail("is not allowed there", name);
    if (!name.isEmpty()) check(tree_.getCurrentContentItem().setConceptName(name), name);
    return id;
  }
  size_t box(size_t parent, const ogv_sr_code &name) {
    return add(parent, DSRTypes::RT_contains, DSRTypes::VT_Container, coded(name));
  }
  void code(size_t parent, DSRTypes::E_RelationshipType rel, const ogv_sr_code &name, const ogv_sr_code &value) {
    if (add(parent, rel, DSRTypes::VT_Code, coded(name)))
      check(tree_.getCurrentContentItem().setCodeValue(coded(value)), coded(name));
  }
  void string(size_t parent, DSRTypes::E_RelationshipType rel, DSRTypes::E_ValueType vt, const ogv_sr_code &name,
              const std::string &value) {
    if (add(parent, rel, vt, coded(name)))
      check(tree_.getCurrentContentItem().setStringValue(value.c_str()), coded(name));
  }
  size_t number(size_t parent, const DSRCodedEntryValue &name, double value, const DSRCodedEntryValue &unit) {
    size_t id = add(parent, DSRTypes::RT_contains, DSRTypes::VT_Num, name);
    if (id)
      check(
          tree_.getCurrentContentItem().setNumericValue(DSRNumericMeasurementValue(ogv_dicom_ds(value).c_str(), unit)),
          name);
    return id;
  }
  void check(OFCondition c, const DSRCodedEntryValue &name) {
    if (c.bad() && trouble_.empty()) fail(c.text(), name);
  }
  DSRDocumentTree &tree() { return tree_; }
  ogv_status status(ogv_error *err) const {
    return trouble_.empty() ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "structured report: %s", trouble_.c_str());
  }

 private:
  size_t fail(const char *why, const DSRCodedEntryValue &name) {
    if (trouble_.empty()) trouble_ = std::string(name.getCodeMeaning().c_str()) + " " + why;
    return 0;
  }
  DSRDocumentTree tree_;
  std::string trouble_;
};

/* Meanings for the units the table of quantities uses (UCUM). */
const char *unit_meaning(const char *ucum) {
  static const std::map<std::string, const char *> names = {{"mm", "millimeter"},
                                                            {"cm", "centimeter"},
                                                            {"mm2", "square millimeter"},
                                                            {"cm2", "square centimeter"},
                                                            {"mL", "milliliter"},
                                                            {"g", "gram"},
                                                            {"kg", "kilogram"},
                                                            {"d", "day"},
                                                            {"wk", "week"},
                                                            {"s", "second"},
                                                            {"ms", "millisecond"},
                                                            {"cm/s", "centimeter per second"},
                                                            {"m/s", "meter per second"},
                                                            {"/min", "per minute"},
                                                            {"{H.B.}/min", "heart beats per minute"},
                                                            {"deg", "degree"},
                                                            {"1", "no units"},
                                                            {"%", "percent"},
                                                            {"mL/min", "milliliter per minute"}};
  auto it = names.find(ucum);
  return it == names.end() ? ucum : it->second;
}

DSRCodedEntryValue unit_code(const char *ucum) { return DSRCodedEntryValue(ucum, "UCUM", unit_meaning(ucum)); }

DSRCodedEntryValue concept_of(const ogv_quantity *q) {
  if (q->codes[0].value) return DSRCodedEntryValue(q->codes[0].value, q->codes[0].scheme, q->codes[0].meaning);
  return DSRCodedEntryValue(q->id, OGV_SCHEME, q->name);
}

bool text(const char *s) { return s && *s; }

struct row {
  const ogv_dicom_measure *m;
  const ogv_quantity *q;
};

ogv_status resolve(const ogv_dicom_obreport *r, std::vector<row> *rows, ogv_error *err) {
  for (size_t i = 0; i < r->n_items; i++) {
    const ogv_dicom_measure *m = &r->items[i];
    const ogv_quantity *q = m->quantity ? ogv_quantity_find(m->quantity) : nullptr;
    if (!q)
      return ogv_fail(err, OGV_E_INVALID, NULL, "item %zu: quantity \"%.60s\" is not in the table of quantities", i + 1,
                      m->quantity ? m->quantity : "");
    double converted;
    if (!std::isfinite(m->value) || !text(m->unit) ||
        ogv_unit_convert(m->value, m->unit, q->unit, &converted, err) != OGV_OK)
      return ogv_fail(err, OGV_E_INVALID, NULL, "item %zu (%s): %g %.20s does not fit the unit %s", i + 1, q->id,
                      m->value, m->unit ? m->unit : "", q->unit);
    if (text(m->image_instance) && (!text(m->image_series) || !text(m->image_class)))
      return ogv_fail(err, OGV_E_INVALID, "Fill image_series and image_class.",
                      "item %zu (%s): the picture it refers to lacks its series or class UID", i + 1, q->id);
    rows->push_back({m, q});
  }
  return OGV_OK;
}

void put_subject(tree_builder &t, size_t box, const std::string &fetus_label) {
  if (fetus_label.empty()) return;
  t.code(box, DSRTypes::RT_hasObsContext, subject_class, fetus);
  t.string(box, DSRTypes::RT_hasObsContext, DSRTypes::VT_Text, subject_id, fetus_label);
  t.string(box, DSRTypes::RT_hasObsContext, DSRTypes::VT_Text, fetus_id, fetus_label);
}

/* Stored coordinates start at the corner of the first pixel, ours at its centre. */
void put_graphic(tree_builder &t, size_t num, const ogv_dicom_measure *m) {
  double p[8];
  int n = m->graphic == OGV_GEOMETRY_ELLIPSE ? 4 : 2;
  for (int i = 0; i < 2 * n; i++) p[i] = m->points[i] + 0.5;
  bool ellipse = n == 4;
  if (ellipse && std::hypot(p[2] - p[0], p[3] - p[1]) < std::hypot(p[6] - p[4], p[7] - p[5]))
    for (int i = 0; i < 4; i++) std::swap(p[i], p[i + 4]); /* the major axis comes first */
  size_t id = t.add(num, DSRTypes::RT_inferredFrom, DSRTypes::VT_SCoord, coded(path));
  if (!id) return;
  DSRSpatialCoordinatesValue v(ellipse ? DSRTypes::GT_Ellipse : DSRTypes::GT_Polyline);
  for (int i = 0; i < n; i++) v.getGraphicDataList().addItem((Float32)p[2 * i], (Float32)p[2 * i + 1]);
  t.check(t.tree().getCurrentContentItem().setSpatialCoordinates(v), coded(path));
  if (t.add(id, DSRTypes::RT_selectedFrom, DSRTypes::VT_Image, DSRCodedEntryValue())) {
    DSRImageReferenceValue ref(m->image_class, m->image_instance);
    if (m->image_frame > 0) ref.getFrameList().addItem(m->image_frame);
    t.check(t.tree().getCurrentContentItem().setImageReference(ref), coded(source));
  }
}

void put_number(tree_builder &t, size_t box, const row &r) {
  const ogv_dicom_measure *m = r.m;
  size_t id = t.number(box, concept_of(r.q), m->value, unit_code(m->unit));
  if (!id) return;
  if (text(m->derivation)) t.code(id, DSRTypes::RT_hasConceptMod, derivation, mean);
  if (text(r.q->convention)) t.string(id, DSRTypes::RT_hasConceptMod, DSRTypes::VT_Text, method, r.q->convention);
  if (!text(m->image_instance)) return;
  if (m->graphic == OGV_GEOMETRY_DISTANCE || m->graphic == OGV_GEOMETRY_ELLIPSE) {
    put_graphic(t, id, m);
  } else if (t.add(id, DSRTypes::RT_inferredFrom, DSRTypes::VT_Image, coded(source))) {
    DSRImageReferenceValue ref(m->image_class, m->image_instance);
    if (m->image_frame > 0) ref.getFrameList().addItem(m->image_frame);
    t.check(t.tree().getCurrentContentItem().setImageReference(ref), coded(source));
  }
}

std::string fetus_of(const ogv_dicom_obreport *r, const row &x) {
  return r->fetuses > 1 && x.m->fetus ? x.m->fetus : "";
}

/* Sections whose numbers stand in biometry groups (one group for each concept), and those where they stand alone. */
void put_section(tree_builder &t, size_t parent, const ogv_dicom_obreport *r, const std::vector<row> &rows,
                 const char *section, const ogv_sr_code &name, bool grouped) {
  std::vector<std::string> fetuses;
  for (const row &x : rows) {
    if (strcmp(x.q->section, section)) continue;
    std::string f = fetus_of(r, x);
    bool known = false;
    for (const std::string &k : fetuses) known |= k == f;
    if (!known) fetuses.push_back(f);
  }
  for (const std::string &f : fetuses) {
    size_t box = t.box(parent, name);
    put_subject(t, box, f);
    std::map<std::string, size_t> groups;
    for (const row &x : rows) {
      if (strcmp(x.q->section, section) || fetus_of(r, x) != f) continue;
      size_t into = box;
      if (grouped) {
        size_t &g = groups[x.q->id];
        if (!g) g = t.box(box, group);
        into = g;
      }
      put_number(t, into, x);
    }
  }
}

const ogv_sr_code *side_of(const ogv_quantity *q) {
  return !q->side ? nullptr : !strcmp(q->side, "left") ? &left : !strcmp(q->side, "right") ? &right : nullptr;
}

/* Findings with the site of all vessels of that kind, below it one container for each vessel, side and fetus. */
void put_vessels(tree_builder &t, size_t root, const ogv_dicom_obreport *r, const std::vector<row> &rows,
                 const char *section, const ogv_sr_code &site) {
  size_t findings_box = 0;
  std::map<std::string, size_t> boxes;
  for (const row &x : rows) {
    if (strcmp(x.q->section, section)) continue;
    if (!findings_box) {
      findings_box = t.box(root, findings);
      t.code(findings_box, DSRTypes::RT_hasConceptMod, finding_site, site);
    }
    const ogv_vessel *vessel = text(x.q->vessel) ? ogv_vessel_find(x.q->vessel) : nullptr;
    const ogv_sr_code *side = side_of(x.q);
    std::string f = fetus_of(r, x),
                key = std::string(vessel ? vessel->id : "") + "|" + (side ? side->value : "") + "|" + f;
    size_t &box = boxes[key];
    if (!box) {
      if (!vessel) {
        box = findings_box; /* ratios between vessels belong to none */
      } else {
        box = t.box(findings_box, {vessel->codes[0].value, vessel->codes[0].scheme, vessel->codes[0].meaning});
        if (side) t.code(box, DSRTypes::RT_hasConceptMod, laterality, *side);
        put_subject(t, box, f);
      }
    }
    put_number(t, box, x);
  }
}

void put_findings(tree_builder &t, size_t root, const ogv_dicom_obreport *r, const std::vector<row> &rows,
                  const char *section, const ogv_sr_code *site) {
  std::map<std::string, size_t> boxes;
  for (const row &x : rows) {
    if (strcmp(x.q->section, section)) continue;
    std::string f = fetus_of(r, x);
    size_t &box = boxes[f];
    if (!box) {
      box = t.box(root, findings);
      if (site) t.code(box, DSRTypes::RT_hasConceptMod, finding_site, *site);
      put_subject(t, box, f);
    }
    put_number(t, box, x);
  }
}

std::string da(ogv_date d) {
  int y, m, day;
  ogv_date_to_ymd(d, &y, &m, &day);
  char buf[48];
  snprintf(buf, sizeof buf, "%04d%02d%02d", y, m, day);
  return buf;
}

void put_context(tree_builder &t, size_t root, const ogv_dicom_info &a) {
  t.code(root, DSRTypes::RT_hasConceptMod, language, english);
  if (a.performer[0]) {
    t.code(root, DSRTypes::RT_hasObsContext, observer_type, person);
    t.string(root, DSRTypes::RT_hasObsContext, DSRTypes::VT_PName, person_name, a.performer);
  } else {
    t.code(root, DSRTypes::RT_hasObsContext, observer_type, device);
    t.string(root, DSRTypes::RT_hasObsContext, DSRTypes::VT_UIDRef, device_uid, a.series);
    if (a.model[0]) t.string(root, DSRTypes::RT_hasObsContext, DSRTypes::VT_Text, device_name, a.model);
  }
}

void put_library(tree_builder &t, size_t root, const std::vector<row> &rows) {
  std::set<std::string> done;
  size_t box = 0;
  for (const row &x : rows) {
    if (!text(x.m->image_instance) || !done.insert(x.m->image_instance).second) continue;
    if (!box) box = t.box(root, image_library);
    if (t.add(box, DSRTypes::RT_contains, DSRTypes::VT_Image, DSRCodedEntryValue()))
      t.check(t.tree().getCurrentContentItem().setImageReference(
                  DSRImageReferenceValue(x.m->image_class, x.m->image_instance)),
              coded(image_library));
  }
}

void put_summary(tree_builder &t, size_t root, const ogv_dicom_obreport *r, const std::vector<row> &rows) {
  size_t box = t.box(root, summary);
  if (r->lmp != OGV_DATE_NONE) t.string(box, DSRTypes::RT_contains, DSRTypes::VT_Date, lmp, da(r->lmp));
  if (r->edd != OGV_DATE_NONE) t.string(box, DSRTypes::RT_contains, DSRTypes::VT_Date, edd, da(r->edd));
  if (r->fetuses > 0) t.number(box, coded(number_of_fetuses), r->fetuses, unit_code("1"));
  put_section(t, box, r, rows, "summary", fetus_summary, false);
}

/* The root and everything below it, section after section in the order of TID 5000. */
void build(tree_builder &t, const ogv_dicom_obreport *r, const std::vector<row> &rows) {
  size_t root = t.add(0, DSRTypes::RT_isRoot, DSRTypes::VT_Container, coded(report));
  if (!root) return;
  t.check(t.tree().getCurrentContentItem().setTemplateIdentification("5000", "DCMR"), coded(report));
  put_context(t, root, r->about);
  put_library(t, root, rows);
  put_summary(t, root, r, rows);
  put_section(t, root, r, rows, "ratios", ratios, false);
  put_section(t, root, r, rows, "biometry", biometry, true);
  put_section(t, root, r, rows, "long-bones", long_bones, true);
  put_section(t, root, r, rows, "cranium", cranium, true);
  put_section(t, root, r, rows, "early", early, true);
  put_findings(t, root, r, rows, "amniotic-sac", &amnion);
  put_section(t, root, r, rows, "pelvis", pelvis, false);
  put_vessels(t, root, r, rows, "vascular-pelvic", pelvic_vessels);
  put_vessels(t, root, r, rows, "vascular-fetal", fetal_vessels);
  put_findings(t, root, r, rows, "heart", &heart);
  for (const char *rest : {"maternal", "placenta", "other"}) put_findings(t, root, r, rows, rest, nullptr);
}

/* Every referenced picture once, by series, in the order of first use. */
ogv_status put_evidence(DcmDataset &ds, const char *study, const std::vector<row> &rows, ogv_error *err) {
  std::map<std::string, DcmItem *> series;
  std::set<std::string> done;
  DcmItem *study_item = nullptr;
  for (const row &x : rows) {
    if (!text(x.m->image_instance) || !done.insert(x.m->image_instance).second) continue;
    OFCondition c;
    if (!study_item) {
      c = ds.findOrCreateSequenceItem(DCM_CurrentRequestedProcedureEvidenceSequence, study_item, -2);
      if (c.good()) c = study_item->putAndInsertString(DCM_StudyInstanceUID, study);
    }
    DcmItem *&in = series[x.m->image_series];
    if (c.good() && !in) {
      c = study_item->findOrCreateSequenceItem(DCM_ReferencedSeriesSequence, in, -2);
      if (c.good()) c = in->putAndInsertString(DCM_SeriesInstanceUID, x.m->image_series);
    }
    DcmItem *sop = nullptr;
    if (c.good()) c = in->findOrCreateSequenceItem(DCM_ReferencedSOPSequence, sop, -2);
    if (c.good()) c = sop->putAndInsertString(DCM_ReferencedSOPClassUID, x.m->image_class);
    if (c.good()) c = sop->putAndInsertString(DCM_ReferencedSOPInstanceUID, x.m->image_instance);
    if (c.bad()) return ogv_fail(err, OGV_E_INTERNAL, NULL, "evidence list (0040,A375): %s", c.text());
  }
  return OGV_OK;
}

void put_document(ogv_dicom_setter &s) {
  s.text(DCM_CompletionFlag, "COMPLETE");
  s.text(DCM_VerificationFlag, "UNVERIFIED");
  DcmItem &i = s.item();
  s.check(i.insertEmptyElement(DCM_PerformedProcedureCodeSequence), DCM_PerformedProcedureCodeSequence);
  s.check(i.insertEmptyElement(DCM_ReferencedPerformedProcedureStepSequence),
          DCM_ReferencedPerformedProcedureStepSequence);
}

ogv_status put_scheme(DcmDataset &ds, const std::vector<row> &rows, ogv_error *err) {
  bool needed = false;
  for (const row &x : rows) needed |= !x.q->codes[0].value;
  if (!needed) return OGV_OK;
  DcmItem *item = nullptr;
  if (ds.findOrCreateSequenceItem(DCM_CodingSchemeIdentificationSequence, item, -2).bad())
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "Coding Scheme Identification Sequence (0008,0110) cannot be made");
  ogv_dicom_setter s(*item);
  s.text(DCM_CodingSchemeDesignator, OGV_SCHEME);
  s.text(DCM_CodingSchemeName, "Quantities of Ogive without a standard code");
  s.text(DCM_CodingSchemeResponsibleOrganization, "Ogive project");
  return s.status(err);
}

ogv_status write_report(const char *path, const ogv_dicom_obreport *r, ogv_error *err) {
  ogv_dicom_setup();
  if (!r->about.sop_instance[0] || !r->about.study[0] || !r->about.series[0])
    return ogv_fail(err, OGV_E_INVALID, NULL, "a report needs the UIDs of study, series and instance");
  std::vector<row> rows;
  OGV_TRY(resolve(r, &rows, err));
  tree_builder t;
  build(t, r, rows);
  OGV_TRY(t.status(err));
  DcmFileFormat ff;
  DcmDataset &ds = *ff.getDataset();
  ogv_dicom_setter s(ds);
  ogv_dicom_set_identity(s, r->about, UID_ComprehensiveSRStorage, "SR");
  put_document(s);
  OGV_TRY(s.status(err));
  OGV_TRY(put_scheme(ds, rows, err));
  OGV_TRY(put_evidence(ds, r->about.study, rows, err));
  OFCondition c = t.tree().write(ds);
  if (c.bad()) return ogv_fail(err, OGV_E_INTERNAL, NULL, "structured report: %s", c.text());
  return ogv_dicom_save(ff, path, EXS_LittleEndianExplicit, err);
}

}  // namespace

extern "C" ogv_status ogv_dicom_write_obreport(const char *path, const ogv_dicom_obreport *r, ogv_error *err) {
  return ogv_dicom_guard(err, [&] { return write_report(path, r, err); });
}
