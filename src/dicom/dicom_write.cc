#include "private/dicom_common.h"

#include <cmath>
#include <cstdlib>
#include <cstring>
#include <vector>

#include "dcmtk/dcmdata/dcpixel.h"
#include "dcmtk/dcmdata/dcpixseq.h"
#include "dcmtk/dcmdata/dcpxitem.h"
#include "dcmtk/dcmjpeg/djrplol.h"
#include "dcmtk/dcmjpeg/djrploss.h"
#include "private/dicom_jpeg.h"

extern "C" {
#include "dicom_write.h"
}

namespace {

E_TransferSyntax syntax_of(ogv_write_syntax s) {
  switch (s) {
    case OGV_WRITE_IMPLICIT_LE: return EXS_LittleEndianImplicit;
    case OGV_WRITE_JPEG_BASELINE: return EXS_JPEGProcess1;
    case OGV_WRITE_JPEG_LOSSLESS: return EXS_JPEGProcess14SV1;
    case OGV_WRITE_RLE: return EXS_RLELossless;
    default: return EXS_LittleEndianExplicit;
  }
}

struct shape {
  int width, height, channels;
};

ogv_status check(const ogv_dicom_picture *p, shape *out, ogv_error *err) {
  if (p->n_frames < 1) return ogv_fail(err, OGV_E_INVALID, NULL, "a DICOM picture needs at least one frame");
  if (!p->about.sop_instance[0] || !p->about.study[0] || !p->about.series[0])
    return ogv_fail(err, OGV_E_INVALID, NULL, "a DICOM picture needs the UIDs of study, series and instance");
  if (p->jpeg && p->syntax != OGV_WRITE_JPEG_BASELINE)
    return ogv_fail(err, OGV_E_INVALID, NULL, "ready JPEG streams are only for the JPEG baseline syntax");
  if (p->jpeg) {
    ogv_jpeg_head h;
    for (int i = 0; i < p->n_frames; i++) {
      if (!ogv_dicom_jpeg_head(p->jpeg[i], p->jpeg_size[i], &h) || h.sof != 0 || h.precision != 8)
        return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d is no JPEG baseline stream", i + 1);
      if (i == 0) *out = {h.width, h.height, h.components == 1 ? 1 : 3};
      if (h.width != out->width || h.height != out->height || (h.components == 1 ? 1 : 3) != out->channels)
        return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d differs in size from the first", i + 1);
    }
    return OGV_OK;
  }
  if (p->syntax == OGV_WRITE_JPEG_BASELINE && (p->jpeg_quality < 1 || p->jpeg_quality > 100))
    return ogv_fail(err, OGV_E_RANGE, NULL, "JPEG quality %d is not 1..100", p->jpeg_quality);
  for (int i = 0; i < p->n_frames; i++) {
    const ogv_image *f = &p->frames[i];
    if (i == 0) *out = {f->width, f->height, f->channels};
    if (!f->pixels || f->width != out->width || f->height != out->height || f->channels != out->channels)
      return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d differs in size from the first, or is empty", i + 1);
  }
  if (out->width > 65535 || out->height > 65535)
    return ogv_fail(err, OGV_E_RANGE, NULL, "a DICOM picture has at most 65535 rows and columns");
  return OGV_OK;
}

/* Ultrasound objects by the number of frames, unless the caller names another class (secondary capture). */
const char *class_of(const ogv_dicom_picture *p) {
  if (p->about.sop_class[0]) return p->about.sop_class;
  return p->n_frames > 1 ? UID_UltrasoundMultiframeImageStorage : UID_UltrasoundImageStorage;
}

void set_times(ogv_dicom_setter &s, const ogv_dicom_picture *p) {
  if (p->n_frames < 2) return;
  if (p->frame_times_ms) {
    std::string v;
    for (int i = 0; i < p->n_frames; i++) v += (i ? "\\" : "") + ogv_dicom_ds(p->frame_times_ms[i]);
    s.many(DCM_FrameTimeVector, v.c_str());
    s.check(s.item().putAndInsertTagKey(DCM_FrameIncrementPointer, DCM_FrameTimeVector), DCM_FrameIncrementPointer);
  } else {
    s.number(DCM_FrameTime, p->about.frame_ms > 0 ? p->about.frame_ms : 0);
    s.check(s.item().putAndInsertTagKey(DCM_FrameIncrementPointer, DCM_FrameTime), DCM_FrameIncrementPointer);
    if (p->about.frame_ms > 0) s.integer(DCM_RecommendedDisplayFrameRate, (int)std::lround(1000 / p->about.frame_ms));
  }
}

void set_acquisition(ogv_dicom_setter &s, const ogv_dicom_info &a) {
  s.number(DCM_MechanicalIndex, a.mechanical_index);
  s.number(DCM_BoneThermalIndex, a.thermal_bone);
  s.number(DCM_CranialThermalIndex, a.thermal_cranial);
  s.number(DCM_SoftTissueThermalIndex, a.thermal_soft);
  if (std::isfinite(a.depth_mm)) s.integer(DCM_DepthOfScanField, (int)std::lround(a.depth_mm));
  s.number(DCM_FocusDepth, a.focus_cm);
  s.text_or_nothing(DCM_ViewName, a.view_name);
  if (std::isfinite(a.spacing_row_mm) && std::isfinite(a.spacing_column_mm))
    s.many(DCM_PixelSpacing, (ogv_dicom_ds(a.spacing_row_mm) + "\\" + ogv_dicom_ds(a.spacing_column_mm)).c_str());
}

void set_module(ogv_dicom_setter &s, const ogv_dicom_picture *p, const shape &g, bool lossy) {
  const ogv_dicom_info &a = p->about;
  s.many(DCM_ImageType, a.image_type[0] ? a.image_type : "ORIGINAL\\PRIMARY");
  s.empty(DCM_PatientOrientation);
  s.text(DCM_BodyPartExamined, "UTERUS");
  s.us(DCM_SamplesPerPixel, g.channels == 3 ? 3 : 1);
  bool ycc = g.channels == 3 && p->syntax == OGV_WRITE_JPEG_BASELINE;
  s.text(DCM_PhotometricInterpretation, g.channels == 1 ? "MONOCHROME2" : ycc ? "YBR_FULL_422" : "RGB");
  if (g.channels == 3) s.us(DCM_PlanarConfiguration, 0);
  s.us(DCM_Rows, (unsigned)g.height);
  s.us(DCM_Columns, (unsigned)g.width);
  s.us(DCM_BitsAllocated, 8);
  s.us(DCM_BitsStored, 8);
  s.us(DCM_HighBit, 7);
  s.us(DCM_PixelRepresentation, 0);
  if (p->n_frames > 1 || !strcmp(class_of(p), UID_UltrasoundMultiframeImageStorage))
    s.integer(DCM_NumberOfFrames, p->n_frames);
  s.text(DCM_BurnedInAnnotation, a.burned_in ? "YES" : "NO");
  s.us(DCM_UltrasoundColorDataPresent, a.colour_data);
  s.text(DCM_LossyImageCompression, lossy || a.lossy ? "01" : "00");
  if (strstr(class_of(p), "1.2.840.10008.5.1.4.1.1.7") == class_of(p)) s.text(DCM_ConversionType, "WSD");
  set_times(s, p);
  set_acquisition(s, a);
}

void set_region(ogv_dicom_setter &s, const ogv_region &r) {
  DcmItem &i = s.item();
  s.us(DCM_RegionSpatialFormat, (unsigned)r.format);
  s.us(DCM_RegionDataType, (unsigned)r.data_type);
  s.check(i.putAndInsertUint32(DCM_RegionFlags, r.flags), DCM_RegionFlags);
  s.check(i.putAndInsertUint32(DCM_RegionLocationMinX0, (Uint32)r.x0), DCM_RegionLocationMinX0);
  s.check(i.putAndInsertUint32(DCM_RegionLocationMinY0, (Uint32)r.y0), DCM_RegionLocationMinY0);
  s.check(i.putAndInsertUint32(DCM_RegionLocationMaxX1, (Uint32)r.x1), DCM_RegionLocationMaxX1);
  s.check(i.putAndInsertUint32(DCM_RegionLocationMaxY1, (Uint32)r.y1), DCM_RegionLocationMaxY1);
  if (r.has_ref_x) {
    s.check(i.putAndInsertSint32(DCM_ReferencePixelX0, r.ref_x), DCM_ReferencePixelX0);
    s.check(i.putAndInsertFloat64(DCM_ReferencePixelPhysicalValueX, r.ref_value_x), DCM_ReferencePixelPhysicalValueX);
  }
  if (r.has_ref_y) {
    s.check(i.putAndInsertSint32(DCM_ReferencePixelY0, r.ref_y), DCM_ReferencePixelY0);
    s.check(i.putAndInsertFloat64(DCM_ReferencePixelPhysicalValueY, r.ref_value_y), DCM_ReferencePixelPhysicalValueY);
  }
  s.us(DCM_PhysicalUnitsXDirection, (unsigned)r.unit_x);
  s.us(DCM_PhysicalUnitsYDirection, (unsigned)r.unit_y);
  s.check(i.putAndInsertFloat64(DCM_PhysicalDeltaX, r.delta_x), DCM_PhysicalDeltaX);
  s.check(i.putAndInsertFloat64(DCM_PhysicalDeltaY, r.delta_y), DCM_PhysicalDeltaY);
  if (std::isfinite(r.transducer_khz) && r.transducer_khz > 0)
    s.check(i.putAndInsertUint32(DCM_TransducerFrequency, (Uint32)std::lround(r.transducer_khz)),
            DCM_TransducerFrequency);
  if (std::isfinite(r.prf_hz) && r.prf_hz > 0)
    s.check(i.putAndInsertUint32(DCM_PulseRepetitionFrequency, (Uint32)std::lround(r.prf_hz)),
            DCM_PulseRepetitionFrequency);
  if (std::isfinite(r.correction_angle_deg))
    s.check(i.putAndInsertFloat64(DCM_DopplerCorrectionAngle, r.correction_angle_deg), DCM_DopplerCorrectionAngle);
  if (std::isfinite(r.steering_angle_deg))
    s.check(i.putAndInsertFloat64(DCM_SteeringAngle, r.steering_angle_deg), DCM_SteeringAngle);
}

ogv_status set_regions(DcmDataset &ds, const ogv_dicom_picture *p, ogv_error *err) {
  for (size_t i = 0; i < p->n_regions; i++) {
    DcmItem *item = nullptr;
    if (ds.findOrCreateSequenceItem(DCM_SequenceOfUltrasoundRegions, item, -2).bad() || !item)
      return ogv_fail(err, OGV_E_INTERNAL, NULL, "Sequence of Ultrasound Regions (0018,6011): cannot add item %zu",
                      i + 1);
    ogv_dicom_setter s(*item);
    set_region(s, p->regions[i]);
    OGV_TRY(s.status(err));
  }
  return OGV_OK;
}

/* All frames one after the other, as uncompressed pixel data wants them. */
ogv_status put_plain(DcmDataset &ds, const ogv_dicom_picture *p, const shape &g, ogv_error *err) {
  size_t row = (size_t)g.width * (size_t)g.channels, frame = row * (size_t)g.height, all = frame * (size_t)p->n_frames;
  size_t even = all + (all & 1);
  if (even > 0xFFFFFFFEu)
    return ogv_fail(err, OGV_E_RANGE, "Write the clip compressed.", "the clip is larger than 4 GB");
  DcmPixelData *px = new DcmPixelData(DCM_PixelData);
  Uint8 *dst = nullptr;
  px->setVR(EVR_OB);
  OFCondition c = px->createUint8Array((Uint32)even, dst);
  if (c.good()) c = ds.insert(px, OFTrue);
  if (c.bad() || !dst) {
    if (c.bad()) delete px;
    return ogv_fail(err, OGV_E_MEMORY, NULL, "Pixel Data (7FE0,0010): %s", c.text());
  }
  dst[even - 1] = 0;
  for (int i = 0; i < p->n_frames; i++)
    for (int y = 0; y < g.height; y++, dst += row)
      memcpy(dst, p->frames[i].pixels + (size_t)y * p->frames[i].stride, row);
  return OGV_OK;
}

/* One fragment a frame and an offset table, the form every reader copes with. */
ogv_status put_jpeg(DcmDataset &ds, const ogv_dicom_picture *p, size_t *bytes, ogv_error *err) {
  DcmPixelSequence *seq = new DcmPixelSequence(DCM_PixelSequenceTag);
  DcmPixelItem *table = new DcmPixelItem(DCM_PixelItemTag);
  seq->insert(table);
  DcmOffsetList offsets;
  OFCondition c;
  *bytes = 0;
  for (int i = 0; i < p->n_frames && c.good(); i++) {
    uint8_t *made = nullptr;
    const uint8_t *data = p->jpeg ? p->jpeg[i] : nullptr;
    size_t n = p->jpeg ? p->jpeg_size[i] : 0;
    if (!p->jpeg) {
      ogv_status s = ogv_dicom_jpeg_encode(&p->frames[i], p->jpeg_quality, &made, &n, err);
      if (s != OGV_OK) {
        delete seq;
        return s;
      }
      data = made;
    }
    std::vector<Uint8> padded(data, data + n);
    if (n & 1) padded.push_back(0);
    free(made);
    *bytes += n;
    c = seq->storeCompressedFrame(offsets, padded.data(), (Uint32)padded.size(), 0);
  }
  if (c.good()) c = table->createOffsetTable(offsets);
  if (c.bad()) {
    delete seq;
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "Pixel Data (7FE0,0010): %s", c.text());
  }
  DcmPixelData *px = new DcmPixelData(DCM_PixelData);
  px->setVR(EVR_OB);
  px->putOriginalRepresentation(EXS_JPEGProcess1, nullptr, seq);
  c = ds.insert(px, OFTrue);
  if (c.bad()) delete px;
  return c.good() ? OGV_OK : ogv_fail(err, OGV_E_INTERNAL, NULL, "Pixel Data (7FE0,0010): %s", c.text());
}

ogv_status put_pixels(DcmDataset &ds, const ogv_dicom_picture *p, const shape &g, ogv_error *err) {
  if (p->syntax == OGV_WRITE_JPEG_BASELINE) {
    size_t bytes;
    OGV_TRY(put_jpeg(ds, p, &bytes, err));
    ogv_dicom_setter s(ds);
    double plain = (double)g.width * g.height * g.channels * p->n_frames;
    char ratio[32];
    snprintf(ratio, sizeof ratio, "%.2f", plain / (double)bytes);
    s.many(DCM_LossyImageCompressionRatio, ratio);
    s.text(DCM_LossyImageCompressionMethod, "ISO_10918_1");
    return s.status(err);
  }
  OGV_TRY(put_plain(ds, p, g, err));
  OFCondition c;
  if (p->syntax == OGV_WRITE_JPEG_LOSSLESS) {
    DJ_RPLossless rp;
    c = ds.chooseRepresentation(EXS_JPEGProcess14SV1, &rp);
  } else if (p->syntax == OGV_WRITE_RLE) {
    c = ds.chooseRepresentation(EXS_RLELossless, nullptr);
  }
  return c.good() ? OGV_OK : ogv_fail(err, OGV_E_INTERNAL, NULL, "Pixel Data (7FE0,0010): %s", c.text());
}

ogv_status write_picture(const char *path, const ogv_dicom_picture *p, ogv_error *err) {
  ogv_dicom_setup();
  shape g{};
  OGV_TRY(check(p, &g, err));
  DcmFileFormat ff;
  DcmDataset &ds = *ff.getDataset();
  ogv_dicom_setter s(ds);
  ogv_dicom_set_identity(s, p->about, class_of(p), p->about.modality[0] ? p->about.modality : "US");
  set_module(s, p, g, p->syntax == OGV_WRITE_JPEG_BASELINE);
  OGV_TRY(s.status(err));
  OGV_TRY(set_regions(ds, p, err));
  OGV_TRY(put_pixels(ds, p, g, err));
  return ogv_dicom_save(ff, path, syntax_of(p->syntax), err);
}

}  // namespace

extern "C" ogv_status ogv_dicom_write_picture(const char *path, const ogv_dicom_picture *p, ogv_error *err) {
  return ogv_dicom_guard(err, [&] { return write_picture(path, p, err); });
}
