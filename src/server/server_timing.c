/* The atrioventricular interval on the shown picture: its onsets are proposed, moved or left out by a person, and read
 * again here when they are accepted, so that the page never sends a value. On an M-mode strip the person marks both
 * walls first. */
#include <math.h>
#include <string.h>

#include "core_json.h"
#include "measure_quantity.h"
#include "measure_site.h"
#include "measure_timing.h"
#include "server_internal.h"
#include "server_propose.h"

typedef struct timing {
  ogv_region region;
  size_t region_index;
  double baseline_row;      /* NaN on a strip */
  int walls[4];             /* of an M-mode strip */
  ogv_av_timing found, now; /* as the program reads it; with the onsets that count */
  bool adjusted;
} timing;

static ogv_status from_spectrum(ogv_seen *p, const json_t *ask, timing *t, ogv_error *err) {
  ogv_spectrum_scale scale;
  OGV_TRY(ogv_seen_spectral(p, ask, &t->region, &t->region_index, err));
  OGV_TRY(ogv_site_scale(&t->region, NAN, NAN, &scale, err));
  OGV_TRY(ogv_seen_image(p, err));
  t->baseline_row = scale.baseline_row;
  return ogv_av_interval_from_spectrum(&p->image, &scale, &t->found, err);
}

static ogv_status wall(const json_t *walls, const char *name, int rows[2], ogv_error *err) {
  const json_t *band = json_object_get(walls, name);
  double a = json_number_value(json_array_get(band, 0)), b = json_number_value(json_array_get(band, 1));
  if (json_array_size(band) != 2 || !(a >= 0 && a < b && b < 1e6))
    return ogv_fail(err, OGV_E_INVALID, "Mark the atrial wall, then the ventricular wall of the strip.",
                    "the rows of the %s wall are missing or upside down", name);
  rows[0] = (int)round(a);
  rows[1] = (int)round(b);
  return OGV_OK;
}

static ogv_status from_strip(ogv_seen *p, const ogv_region *strip, const json_t *ask, timing *t, ogv_error *err) {
  const json_t *walls = json_object_get(ask, "walls");
  OGV_TRY(wall(walls, "atrial", t->walls, err));
  OGV_TRY(wall(walls, "ventricular", t->walls + 2, err));
  t->region = *strip;
  t->region_index = (size_t)(strip - p->regions);
  t->baseline_row = NAN;
  OGV_TRY(ogv_seen_image(p, err));
  return ogv_av_interval_from_mmode(&p->image, strip, t->walls, &t->found, err);
}

static bool same_beats(const ogv_av_timing *a, const ogv_av_timing *b) {
  bool same = a->n == b->n;
  for (int i = 0; same && i < a->n; i++)
    same = a->beat[i].atrial_x == b->beat[i].atrial_x && a->beat[i].ventricular_x == b->beat[i].ventricular_x &&
           a->beat[i].used == b->beat[i].used;
  return same;
}

static ogv_status read_timing(ogv_seen *p, const json_t *ask, timing *t, ogv_error *err) {
  const ogv_region *strip = ogv_seen_region(p, OGV_FORMAT_MMODE);
  bool spectrum = json_is_object(json_object_get(ask, "calibration")) || ogv_seen_region(p, OGV_FORMAT_SPECTRAL);
  if (!spectrum && !strip)
    return ogv_fail(err, OGV_E_CALIBRATION, "Use a spectrum of inflow and outflow, or an M-mode of both walls.",
                    "this picture has no calibrated time axis to read an interval from");
  OGV_TRY(spectrum ? from_spectrum(p, ask, t, err) : from_strip(p, strip, ask, t, err));
  t->now = t->found;
  json_t *beats = json_object_get(ask, "beats");
  if (!json_is_array(beats)) return OGV_OK;
  if (!(t->found.beat_s > 0))
    return ogv_fail(err, OGV_E_INVALID, "Measure it by hand.", "%s", t->found.interval.reason);
  double s_per_pixel;
  OGV_TRY(ogv_av_time_scale(&t->region, &s_per_pixel, err));
  OGV_TRY(ogv_av_beats_from_json(beats, t->region.x0, t->region.x1, &t->now, err));
  ogv_av_reckon(&t->now, s_per_pixel, t->region.calibration_sd);
  t->adjusted = !same_beats(&t->now, &t->found);
  if (!t->adjusted) t->now = t->found; /* its own refusal counts */
  return OGV_OK;
}

static json_t *values_of(const timing *t) {
  const ogv_quantity *q = ogv_quantity_find("av-interval");
  ogv_measurement m = {0};
  ogv_error e = {0};
  ogv_status s = ogv_av_measure(q, &t->now, &m, &e);
  return json_pack("[o]", ogv_propose_value(q, s, m.value, m.sd, &e));
}

ogv_status ogv_timing_propose(ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err) {
  timing t = {0};
  OGV_TRY(read_timing(p, ask, &t, err));
  const ogv_region *r = &t.region;
  json_t *o = json_object();
  json_object_set_new(o, "kind", json_string("av-interval"));
  json_object_set_new(o, "from", json_string(t.now.from_mmode ? "m-mode" : "spectrum"));
  json_object_set_new(o, "accepted", json_boolean(t.now.interval.accepted));
  json_object_set_new(o, "reason", json_string(t.now.interval.reason));
  json_object_set_new(o, "adjusted", json_boolean(t.adjusted));
  json_object_set_new(o, "beats", ogv_av_beats_json(&t.now));
  json_object_set_new(o, "automatic_beats", ogv_av_beats_json(&t.found));
  json_object_set_new(o, "box", json_pack("[i,i,i,i]", r->x0, r->y0, r->x1, r->y1));
  json_object_set_new(o, "calibrated_by_hand", json_boolean(r->by_hand));
  if (t.now.from_mmode)
    json_object_set_new(
        o, "walls",
        json_pack("{s:[i,i],s:[i,i]}", "atrial", t.walls[0], t.walls[1], "ventricular", t.walls[2], t.walls[3]));
  else {
    json_object_set_new(o, "baseline_row", json_real(t.baseline_row));
    json_object_set_new(o, "outflow", json_string(t.now.outflow_below ? "below" : "above"));
  }
  json_object_set_new(o, "quantities", json_pack("[s]", "av-interval"));
  json_object_set_new(o, "values", values_of(&t));
  *out = o;
  return OGV_OK;
}

bool ogv_timing_seen(ogv_seen *p, const ogv_spectrum_scale *scale) {
  ogv_av_timing t;
  return ogv_seen_image(p, NULL) == OGV_OK && ogv_av_interval_from_spectrum(&p->image, scale, &t, NULL) == OGV_OK &&
         t.interval.accepted;
}

/* The evidence with what the program proposed; when a person moved or left out onsets, each change with its author and
 * the onsets it began from. */
static json_t *evidence_of(const timing *t, const ogv_measurement *m, const json_t *body, const char *who) {
  const json_t *ask = json_object_get(body, "av_interval");
  json_t *evidence = ogv_av_evidence(&t->region, t->region_index, &t->now, t->now.from_mmode ? t->walls : NULL, m);
  json_t *proposal = json_pack("{s:b,s:b,s:s}", "adjusted", t->adjusted, "accepted", t->found.interval.accepted,
                               "reason", t->found.interval.reason);
  if (t->adjusted) {
    json_object_set_new(proposal, "beats", ogv_av_beats_json(&t->found));
    json_object_set_new(proposal, "edits", ogv_propose_signed(json_object_get(ask, "edits"), who));
    json_object_set_new(proposal, "adjusted_by", json_string(who));
  }
  json_object_set_new(evidence, "proposal", proposal);
  if (json_is_object(json_object_get(ask, "calibration")))
    json_object_set(evidence, "calibration", json_object_get(ask, "calibration"));
  if (json_is_object(json_object_get(body, "how"))) json_object_set(evidence, "how", json_object_get(body, "how"));
  return evidence;
}

ogv_status ogv_timing_rows(ogv_request *q, const json_t *body, json_t *rows, ogv_error *err) {
  const ogv_quantity *u = ogv_quantity_find("av-interval");
  const char *object;
  ogv_seen p;
  timing t = {0};
  ogv_measurement m;
  OGV_TRY(ogv_json_string(body, "request body", "object", &object, err));
  ogv_status s = ogv_seen_open(q, object, (int)ogv_json_number_or(body, "frame", 0), &p, err);
  if (s == OGV_OK) s = read_timing(&p, json_object_get(body, "av_interval"), &t, err);
  if (s == OGV_OK) s = ogv_av_measure(u, &t.now, &m, err);
  if (s == OGV_OK)
    json_array_append_new(
        rows, json_pack("{s:s,s:f,s:s,s:f,s:s,s:o,s:s,s:i}", "quantity", u->id, "value", m.value, "unit", u->unit, "sd",
                        m.sd, "source", t.adjusted ? "geometry" : "proposed", "evidence",
                        evidence_of(&t, &m, body, q->who), "object", object, "frame", p.frame));
  ogv_seen_close(q, &p);
  return s;
}
