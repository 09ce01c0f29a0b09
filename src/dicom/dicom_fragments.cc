/* Which fragments of an encapsulated object make which frame (PS3.5 A.4). Offset tables are often empty and frames may
 * span fragments, so the streams' own start marks are the last resort. */
#include "private/dicom_object.h"

static const char *todo = "Export the picture again.";

static ogv_status bad(ogv_error *err, const char *why) {
  return ogv_fail(err, OGV_E_CORRUPT, todo, "Pixel Data (7FE0,0010): %s", why);
}

bool ogv_dicom_is_encapsulated(const ogv_dicom *d) { return DcmXfer(d->syntax).isEncapsulated(); }

static DcmPixelSequence *sequence_of(ogv_dicom *d) {
  DcmElement *e = nullptr;
  if (d->data->findAndGetElement(DCM_PixelData, e).bad() || !e || e->ident() != EVR_PixelData) return nullptr;
  DcmPixelData *px = static_cast<DcmPixelData *>(e);
  E_TransferSyntax rep = EXS_Unknown;
  const DcmRepresentationParameter *param = nullptr;
  px->getOriginalRepresentationKey(rep, param);
  DcmPixelSequence *seq = nullptr;
  return px->getEncapsulatedRepresentation(rep, param, seq).good() ? seq : nullptr;
}

static bool starts_frame(ogv_dicom *d, DcmPixelItem *item) {
  Uint8 head[2];
  if (item->getLength() < 2 || item->getPartialValue(head, 0, 2, &d->cache).bad()) return false;
  return head[0] == 0xFF &&
         (head[1] == 0xD8 || head[1] == 0x4F); /* JPEG start of image, JPEG 2000 start of code stream */
}

static ogv_status by_table(ogv_dicom *d, DcmPixelSequence *seq, unsigned long n_fragments, ogv_error *err) {
  size_t frames = static_cast<size_t>(d->info.frames);
  DcmPixelItem *table = nullptr;
  Uint8 *bytes = nullptr;
  if (seq->getItem(table, 0).bad() || table->getLength() != frames * 4 || table->getUint8Array(bytes).bad() || !bytes)
    return OGV_E_NOT_FOUND;
  std::vector<Uint32> at(frames);
  for (size_t i = 0; i < frames; i++)
    at[i] = bytes[4 * i] | bytes[4 * i + 1] << 8 | bytes[4 * i + 2] << 16 | static_cast<Uint32>(bytes[4 * i + 3]) << 24;
  Uint32 offset = 0;
  size_t frame = 0;
  std::vector<ogv_frame_place> places;
  for (unsigned long k = 1; k <= n_fragments; k++) {
    DcmPixelItem *item = nullptr;
    if (seq->getItem(item, k).bad()) return bad(err, "a fragment is missing");
    if (frame < frames && at[frame] == offset) {
      places.push_back({k, k});
      frame++;
    } else if (!places.empty()) {
      places.back().last = k;
    }
    offset += 8 + item->getLength();
  }
  if (places.size() != frames) return OGV_E_NOT_FOUND; /* a table that does not fit is no table */
  d->places = places;
  return OGV_OK;
}

static ogv_status find_places(ogv_dicom *d, DcmPixelSequence *seq, ogv_error *err) {
  unsigned long items = seq->card(), frames = static_cast<unsigned long>(d->info.frames);
  if (items < 2) return bad(err, "no compressed frame");
  unsigned long n = items - 1;
  if (frames == 1) {
    d->places = {{1, n}};
    return OGV_OK;
  }
  if (n == frames) {
    for (unsigned long k = 1; k <= n; k++) d->places.push_back({k, k});
    return OGV_OK;
  }
  ogv_status s = by_table(d, seq, n, err);
  if (s != OGV_E_NOT_FOUND) return s;
  for (unsigned long k = 1; k <= n; k++) {
    DcmPixelItem *item = nullptr;
    if (seq->getItem(item, k).bad()) return bad(err, "a fragment is missing");
    if (starts_frame(d, item)) d->places.push_back({k, k});
    else if (!d->places.empty()) d->places.back().last = k;
  }
  if (d->places.size() == frames) return OGV_OK;
  size_t found = d->places.size();
  d->places.clear();
  return ogv_fail(err, OGV_E_CORRUPT, todo,
                  "Pixel Data (7FE0,0010): %zu frames found in %lu fragments, but Number of Frames (0028,0008) is %lu",
                  found, n, frames);
}

ogv_status ogv_dicom_frame_bytes(ogv_dicom *d, int frame, std::vector<Uint8> *out, ogv_error *err) {
  DcmPixelSequence *seq = sequence_of(d);
  if (!seq) return bad(err, "missing, or not in the form that Transfer Syntax UID (0002,0010) says");
  if (d->places.empty()) OGV_TRY(find_places(d, seq, err));
  const ogv_frame_place &p = d->places[static_cast<size_t>(frame)];
  out->clear();
  for (unsigned long k = p.first; k <= p.last; k++) {
    DcmPixelItem *item = nullptr;
    if (seq->getItem(item, k).bad()) return bad(err, "a fragment is missing");
    Uint32 n = item->getLength();
    size_t at = out->size();
    if (at + n > (1u << 30)) return bad(err, "a compressed frame is larger than 1 GB");
    out->resize(at + n);
    if (n && item->getPartialValue(out->data() + at, 0, n, &d->cache).bad())
      return bad(err, "a fragment cannot be read");
  }
  if (out->empty()) return bad(err, "an empty compressed frame");
  return OGV_OK;
}
