/* Sequence of Ultrasound Regions (0018,6011) as stored; imaging judges them. */
#include <cmath>
#include <cstring>

#include "private/dicom_object.h"

namespace {

int us(DcmItem &i, const DcmTagKey &key) {
  Uint16 v = 0;
  return i.findAndGetUint16(key, v).good() ? v : 0;
}
/* Values over 2^31 are wrapped negatives; the judge sees them as leaving the picture. */
int32_t ul(DcmItem &i, const DcmTagKey &key) {
  Uint32 v = 0;
  return i.findAndGetUint32(key, v).good() ? static_cast<int32_t>(v) : 0;
}
double fd(DcmItem &i, const DcmTagKey &key) {
  Float64 v = 0;
  return i.findAndGetFloat64(key, v).good() ? v : NAN;
}
double count(DcmItem &i, const DcmTagKey &key) {
  Uint32 v = 0;
  return i.findAndGetUint32(key, v).good() && v > 0 ? v : NAN;
}
bool pixel(DcmItem &i, const DcmTagKey &key, int32_t *out) {
  Sint32 v = 0;
  if (i.findAndGetSint32(key, v).good()) {
    *out = v;
    return true;
  }
  Uint32 u = 0; /* the retired unsigned form */
  if (i.findAndGetUint32(key, u).bad()) return false;
  *out = static_cast<int32_t>(u);
  return true;
}

/* Smallest and largest value of a table; false when it has none. */
template <class T>
bool spread(const T *v, unsigned long n, ogv_region *r) {
  r->component_low = INFINITY;
  r->component_high = -INFINITY;
  for (unsigned long k = 0; v && k < n; k++) {
    if (!std::isfinite(v[k])) return false;
    r->component_low = std::fmin(r->component_low, v[k]);
    r->component_high = std::fmax(r->component_high, v[k]);
  }
  return r->component_high >= r->component_low;
}

/* Pixel component calibration: pieces of a line over bits (0) or a range (1) of the pixel value, or a table of values
 * (2). Only what the values span is kept. */
void read_component(DcmItem &i, ogv_region *r) {
  Uint16 how = 0;
  if (i.findAndGetUint16(DCM_PixelComponentOrganization, how).bad() || how > 2) return;
  const Float64 *points = nullptr;
  const Float32 *values = nullptr;
  unsigned long n = 0;
  if (how == 2) {
    if (i.findAndGetFloat32Array(DCM_TableOfParameterValues, values, &n).bad() || !spread(values, n, r)) return;
  } else if (i.findAndGetFloat64Array(DCM_TableOfYBreakPoints, points, &n).bad() || !spread(points, n, r)) return;
  r->has_component = true;
  r->component_unit = us(i, DCM_PixelComponentPhysicalUnits);
  r->component_type = us(i, DCM_PixelComponentDataType);
}

ogv_region read_one(DcmItem &i) {
  ogv_region r{};
  r.format = us(i, DCM_RegionSpatialFormat);
  r.data_type = us(i, DCM_RegionDataType);
  r.flags = static_cast<uint32_t>(ul(i, DCM_RegionFlags));
  r.x0 = ul(i, DCM_RegionLocationMinX0);
  r.y0 = ul(i, DCM_RegionLocationMinY0);
  r.x1 = ul(i, DCM_RegionLocationMaxX1);
  r.y1 = ul(i, DCM_RegionLocationMaxY1);
  r.has_ref_x = pixel(i, DCM_ReferencePixelX0, &r.ref_x);
  r.has_ref_y = pixel(i, DCM_ReferencePixelY0, &r.ref_y);
  double vx = fd(i, DCM_ReferencePixelPhysicalValueX), vy = fd(i, DCM_ReferencePixelPhysicalValueY);
  r.ref_value_x = std::isnan(vx) ? 0 : vx;
  r.ref_value_y = std::isnan(vy) ? 0 : vy;
  r.unit_x = us(i, DCM_PhysicalUnitsXDirection);
  r.unit_y = us(i, DCM_PhysicalUnitsYDirection);
  r.delta_x = fd(i, DCM_PhysicalDeltaX);
  r.delta_y = fd(i, DCM_PhysicalDeltaY);
  r.transducer_khz = count(i, DCM_TransducerFrequency);
  r.prf_hz = count(i, DCM_PulseRepetitionFrequency);
  r.correction_angle_deg = fd(i, DCM_DopplerCorrectionAngle);
  r.steering_angle_deg = fd(i, DCM_SteeringAngle);
  read_component(i, &r);
  return r;
}

/* Where Pixel Spacing is there too, it should tell the same; the regions are believed. */
void compare_spacing(ogv_dicom *d) {
  for (ogv_region &r : d->regions) {
    double mm_x, mm_y;
    if (r.format != OGV_FORMAT_2D || ogv_region_mm(&r, &mm_x, &mm_y, nullptr) != OGV_OK) continue;
    if (std::fabs(d->info.spacing_column_mm / mm_x - 1) <= 0.01 && std::fabs(d->info.spacing_row_mm / mm_y - 1) <= 0.01)
      continue;
    size_t n = strlen(r.note);
    snprintf(r.note + n, sizeof r.note - n, "%sPixel Spacing (0028,0030) says otherwise (%.4g x %.4g mm)",
             n ? "; " : "", d->info.spacing_column_mm, d->info.spacing_row_mm);
  }
}

}  // namespace

ogv_status ogv_dicom_read_regions(ogv_dicom *d, ogv_error *err) {
  DcmSequenceOfItems *seq = nullptr;
  if (d->data->findAndGetSequence(DCM_SequenceOfUltrasoundRegions, seq).good() && seq) {
    unsigned long n = seq->card();
    if (n > 256)
      return ogv_fail(err, OGV_E_CORRUPT, "Export the picture again.",
                      "Sequence of Ultrasound Regions (0018,6011) has %lu items, which no picture has", n);
    for (unsigned long i = 0; i < n; i++) d->regions.push_back(read_one(*seq->getItem(i)));
  }
  bool spacing = std::isfinite(d->info.spacing_row_mm) && std::isfinite(d->info.spacing_column_mm);
  if (d->regions.empty()) {
    if (spacing)
      d->regions.push_back(
          ogv_region_from_spacing(d->info.spacing_row_mm, d->info.spacing_column_mm, d->info.rows, d->info.columns));
    return OGV_OK;
  }
  ogv_regions_judge(d->regions.data(), d->regions.size(), d->info.rows, d->info.columns);
  if (spacing) compare_spacing(d);
  return OGV_OK;
}
