/* Proposals: what the program reads on the shown picture by itself. It only answers; nothing is stored until a person
 * accepts. A spectrum is traced and its indices computed here, both for the proposal and again when it is accepted, so
 * that the page never sends a value. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core_json.h"
#include "measure_quantity.h"
#include "measure_rate.h"
#include "measure_site.h"
#include "server_internal.h"
#include "server_propose.h"

/* --- the picture asked about
 * ------------------------------------------------------------------------------------------ */

ogv_status ogv_seen_open(ogv_request *q, const char *object, int frame, ogv_seen *s, ogv_error *err) {
  *s = (ogv_seen){.object = object, .frame = frame};
  OGV_TRY(ogv_handles_take(q->server->handles, q, object, &s->dicom, err));
  s->about = ogv_dicom_about(s->dicom);
  if (s->about->kind != OGV_DICOM_IMAGE)
    return ogv_fail(err, OGV_E_INVALID, "Choose a picture.", "this object has no picture to read");
  if (frame < 0 || frame >= s->about->frames)
    return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d is not one of 0 to %d", frame, s->about->frames - 1);
  s->regions = ogv_dicom_regions(s->dicom, &s->n);
  return OGV_OK;
}

ogv_status ogv_seen_image(ogv_seen *s, ogv_error *err) {
  return s->image.pixels ? OGV_OK : ogv_dicom_frame(s->dicom, s->frame, &s->image, err);
}

void ogv_seen_close(ogv_request *q, ogv_seen *s) {
  ogv_image_free(&s->image);
  if (s->dicom) ogv_handles_give(q->server->handles, s->object, s->dicom);
  s->dicom = NULL;
}

const ogv_region *ogv_seen_region(const ogv_seen *s, int format) {
  for (size_t i = 0; i < s->n; i++)
    if (s->regions[i].format == format) return &s->regions[i];
  return NULL;
}

static size_t spectra(const ogv_seen *p) {
  size_t n = 0;
  for (size_t i = 0; i < p->n; i++) n += p->regions[i].format == OGV_FORMAT_SPECTRAL;
  return n;
}

ogv_status ogv_seen_spectral(const ogv_seen *p, const json_t *ask, ogv_region *out, size_t *index, ogv_error *err) {
  const json_t *calibration = json_object_get(ask, "calibration"), *chosen = json_object_get(ask, "region");
  if (json_is_object(calibration)) {
    *index = p->n;
    return ogv_site_calibrate(calibration, p->about->rows, p->about->columns, out, err);
  }
  const ogv_region *r = ogv_seen_region(p, OGV_FORMAT_SPECTRAL);
  if (json_is_integer(chosen)) {
    json_int_t i = json_integer_value(chosen);
    if (i < 0 || (size_t)i >= p->n || p->regions[i].format != OGV_FORMAT_SPECTRAL)
      return ogv_fail(err, OGV_E_INVALID, "Choose one of the spectra.", "region %d is no spectrum", (int)i);
    r = &p->regions[i];
  } else if (spectra(p) > 1)
    return ogv_fail(err, OGV_E_INVALID, "Choose one of them.", "this picture has %zu spectra", spectra(p));
  if (!r)
    return ogv_fail(err, OGV_E_CALIBRATION, "Calibrate by hand on two velocities and two moments.",
                    "this picture has no calibrated spectrum");
  *out = *r;
  *index = (size_t)(r - p->regions);
  return OGV_OK;
}

/* --- spectrum
 * --------------------------------------------------------------------------------------------------------- */

typedef struct tracing {
  ogv_region region;
  size_t region_index;
  const ogv_site *site; /* NULL: not said yet */
  ogv_flow_kind flow;
  double angle_deg; /* NaN: as stored */
  ogv_spectrum_scale scale;
  ogv_spectrum found;               /* what the program traced */
  ogv_geometry automatic, geometry; /* its envelope, and the one that counts */
  ogv_spectrum now;                 /* indices of the envelope that counts */
  bool adjusted, chosen;            /* the envelope, the cycles by a person */
} tracing;

static void tracing_free(tracing *t) {
  ogv_spectrum_free(&t->found);
  ogv_spectrum_free(&t->now);
  ogv_geometry_free(&t->automatic);
  ogv_geometry_free(&t->geometry);
}

static bool same_points(const ogv_geometry *a, const ogv_geometry *b) {
  return a->n == b->n && (a->n == 0 || !memcmp(a->points, b->points, sizeof(double) * 2 * a->n));
}

/* Reads what the request says and the picture shows. ask: {site?, flow?, angle_deg?, region?, calibration?, geometry?,
 * chosen?}. */
static ogv_status trace(ogv_seen *p, const json_t *ask, tracing *t, ogv_error *err) {
  const char *site = ogv_json_string_or(ask, "site", "");
  t->angle_deg = ogv_json_number_or(ask, "angle_deg", NAN);
  t->flow = OGV_FLOW_ARTERIAL_ANY;
  if (*site) {
    t->site = ogv_site_find(site);
    if (!t->site) return ogv_fail(err, OGV_E_INVALID, "GET /api/sites lists them.", "there is no site \"%.40s\"", site);
    t->flow = t->site->flow;
  }
  OGV_TRY(ogv_seen_spectral(p, ask, &t->region, &t->region_index, err));
  OGV_TRY(ogv_site_scale(&t->region, t->angle_deg, NAN, &t->scale, err));
  OGV_TRY(ogv_seen_image(p, err));
  OGV_TRY(ogv_spectrum_measure(&p->image, &t->scale, t->flow, &t->found, err));
  OGV_TRY(ogv_site_trace(&t->found, &t->scale, &t->automatic, err));
  t->scale.wall_filter_cm_s = t->found.wall_filter_cm_s;
  t->scale.sharpness = t->found.sharpness;
  json_t *given = json_object_get(ask, "geometry");
  bool below = t->found.below_baseline;
  if (json_is_object(given)) {
    OGV_TRY(ogv_geometry_from_json(given, &t->geometry, err));
    t->adjusted = !same_points(&t->geometry, &t->automatic);
    if (t->adjusted && json_is_boolean(json_object_get(ask, "below_baseline")))
      below = json_is_true(json_object_get(ask, "below_baseline"));
  } else {
    OGV_TRY(ogv_site_trace(&t->found, &t->scale, &t->geometry, err));
  }
  if (!t->adjusted && !t->found.accepted &&
      !t->found.irregular) { /* the refusal of the tracing counts, not what its curve would give */
    memcpy(t->now.reason, t->found.reason, sizeof t->now.reason);
    t->now.below_baseline = below;
    return OGV_OK;
  }
  OGV_TRY(ogv_site_indices(&t->geometry, &t->scale, t->flow, below, &t->now, err));
  const json_t *chosen = json_object_get(ask, "chosen");
  t->chosen = json_array_size(chosen) > 0;
  if (!t->adjusted && !t->chosen && !t->found.accepted && t->now.accepted) {
    t->now.accepted = false; /* cycles are not taken in unasked */
    memcpy(t->now.reason, t->found.reason, sizeof t->now.reason);
  }
  return ogv_site_choose(chosen, &t->scale, &t->now, err);
}

static json_t *cycles_on_picture(const tracing *t) {
  json_t *list = json_array();
  for (size_t i = 0; i < t->now.n_cycles; i++) {
    const ogv_spectrum_cycle *c = &t->now.cycles[i];
    json_array_append_new(list,
                          json_pack("{s:f,s:f,s:b,s:s}", "x0", t->scale.x0 + c->start_s / t->scale.s_per_pixel, "x1",
                                    t->scale.x0 + c->end_s / t->scale.s_per_pixel, "used", c->used, "why", c->why));
  }
  return list;
}

json_t *ogv_propose_value(const ogv_quantity *q, ogv_status read, double value, double sd, const ogv_error *e) {
  json_t *v = json_pack("{s:s,s:s,s:s}", "quantity", q->id, "symbol", q->symbol, "unit", q->unit);
  if (read == OGV_OK) {
    json_object_set_new(v, "value", json_real(value));
    json_object_set_new(v, "sd", json_real(sd));
    json_object_set_new(v, "decimals", json_integer(q->decimals));
  } else json_object_set_new(v, "refused", ogv_error_json(e));
  return v;
}

/* Values of the rows that the site fills; those that cannot be given say why. */
static json_t *values_of(const tracing *t) {
  json_t *list = json_array();
  const ogv_quantity *q[16];
  size_t n = t->site ? ogv_site_quantities(t->site, q, 16) : 0;
  for (size_t i = 0; i < n; i++) {
    ogv_measurement m = {0};
    ogv_error e = {0};
    ogv_status s = ogv_site_measure(q[i], &t->now, &t->scale, &m, &e);
    json_array_append_new(list, ogv_propose_value(q[i], s, m.value, m.sd, &e));
  }
  return list;
}

static json_t *spectrum_answer(const tracing *t) {
  json_t *o = json_object();
  json_object_set_new(o, "kind", json_string("spectrum"));
  json_object_set_new(o, "accepted", json_boolean(t->now.accepted));
  json_object_set_new(o, "reason", json_string(t->now.reason));
  json_object_set_new(o, "note", json_string(t->found.note));
  json_object_set_new(o, "confidence",
                      ogv_json_real(t->adjusted ? t->now.period_confidence : t->found.period_confidence));
  json_object_set_new(o, "site", t->site ? json_string(t->site->id) : json_null());
  json_object_set_new(o, "flow", json_string(ogv_site_flow_word(t->flow)));
  json_object_set_new(o, "adjusted", json_boolean(t->adjusted));
  json_object_set_new(o, "geometry", ogv_geometry_to_json(&t->geometry));
  json_object_set_new(o, "automatic", ogv_geometry_to_json(&t->automatic));
  json_object_set_new(o, "below_baseline", json_boolean(t->now.below_baseline));
  json_object_set_new(o, "cycles", cycles_on_picture(t));
  json_object_set_new(o, "end_diastolic_flow", json_string(t->now.accepted ? ogv_edf_word(t->now.edf) : "uncertain"));
  json_object_set_new(o, "rate_bpm", t->now.accepted ? ogv_json_real(t->now.rate_bpm.value) : json_null());
  json_object_set_new(o, "box", json_pack("[i,i,i,i]", t->scale.x0, t->scale.y0, t->scale.x1, t->scale.y1));
  json_object_set_new(o, "baseline_row", json_real(t->scale.baseline_row));
  json_object_set_new(o, "angle_deg", ogv_json_real(t->scale.angle_deg));
  json_object_set_new(o, "stored_angle_deg", ogv_json_real(t->region.correction_angle_deg));
  json_object_set_new(o, "calibrated_by_hand", json_boolean(t->region.by_hand));
  json_object_set_new(o, "scale_note", json_string(t->scale.note));
  json_object_set_new(o, "values", values_of(t));
  return o;
}

/* Several spectra and none chosen: where they lie. */
static json_t *spectra_to_choose(const ogv_seen *p) {
  char reason[80];
  json_t *list = json_array();
  for (size_t i = 0; i < p->n; i++) {
    const ogv_region *r = &p->regions[i];
    if (r->format == OGV_FORMAT_SPECTRAL)
      json_array_append_new(list,
                            json_pack("{s:I,s:[i,i,i,i]}", "region", (json_int_t)i, "box", r->x0, r->y0, r->x1, r->y1));
  }
  snprintf(reason, sizeof reason, "This picture has %zu spectra: choose one.", json_array_size(list));
  return json_pack("{s:s,s:b,s:s,s:o}", "kind", "spectrum", "accepted", 0, "reason", reason, "choose", list);
}

static ogv_status propose_spectrum(ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err) {
  tracing t = {0};
  if (spectra(p) > 1 && !json_is_object(json_object_get(ask, "calibration")) &&
      !json_is_integer(json_object_get(ask, "region"))) {
    *out = spectra_to_choose(p);
    return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  ogv_status s = trace(p, ask, &t, err);
  if (s == OGV_OK) *out = spectrum_answer(&t);
  /* Until the vessel is said it may be inflow and outflow of the heart: then the interval is offered too. */
  if (s == OGV_OK && !t.site && ogv_timing_seen(p, &t.scale))
    json_object_set_new(*out, "also", json_pack("[s]", "av-interval"));
  tracing_free(&t);
  return s;
}

json_t *ogv_propose_signed(const json_t *edits, const char *who) {
  if (!json_is_array(edits)) return json_null();
  json_t *list = json_array(), *e;
  size_t i;
  char now[40];
  struct timespec t;
  struct tm utc;
  clock_gettime(CLOCK_REALTIME, &t);
  gmtime_r(&t.tv_sec, &utc);
  strftime(now, sizeof now, "%Y-%m-%dT%H:%M:%SZ", &utc);
  json_array_foreach(edits, i, e) {
    if (!json_is_object(e)) continue;
    json_t *copy = json_deep_copy(e);
    const char *at = ogv_json_string_or(e, "at", "");
    int year, month, day;
    bool dated = strlen(at) < 40 && sscanf(at, "%4d-%2d-%2dT", &year, &month, &day) == 3;
    if (!dated) json_object_set_new(copy, "at", json_string(now));
    json_object_set_new(copy, "who", json_string(who));
    json_array_append_new(list, copy);
  }
  return list;
}

/* One row of a traced spectrum. */
static ogv_status spectrum_row(const ogv_quantity *q, const tracing *t, const ogv_seen *p, const json_t *ask,
                               const json_t *how, const char *who, json_t **row, ogv_error *err) {
  ogv_measurement m;
  OGV_TRY(ogv_site_measure(q, &t->now, &t->scale, &m, err));
  m.region = t->region_index;
  json_t *evidence = ogv_site_evidence(t->site, &t->region, t->angle_deg, &t->geometry, &t->now, &m);
  json_t *proposal = json_pack("{s:b,s:b,s:s,s:o}", "adjusted", t->adjusted, "accepted", t->found.accepted, "reason",
                               t->found.reason, "confidence", ogv_json_real(t->found.period_confidence));
  if (t->adjusted) { /* every edit stays, and the curve it began from */
    json_object_set_new(proposal, "geometry", ogv_geometry_to_json(&t->automatic));
    json_object_set_new(proposal, "edits", ogv_propose_signed(json_object_get(ask, "edits"), who));
    const char *from = ogv_json_string_or(ask, "from", "");
    if (*from) json_object_set_new(proposal, "from", json_string(from));
  }
  if (t->chosen) json_object_set_new(evidence, "chosen", ogv_propose_signed(json_object_get(ask, "chosen"), who));
  json_object_set_new(evidence, "proposal", proposal);
  if (json_is_object(json_object_get(ask, "calibration")))
    json_object_set(evidence, "calibration", json_object_get(ask, "calibration"));
  if (json_is_object(how)) json_object_set(evidence, "how", (json_t *)how);
  *row = json_pack("{s:s,s:f,s:s,s:f,s:s,s:o,s:s,s:i}", "quantity", q->id, "value", m.value, "unit", q->unit, "sd",
                   m.sd, "source", t->adjusted || t->chosen ? "geometry" : "proposed", "evidence", evidence, "object",
                   p->object, "frame", p->frame);
  return *row ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

static ogv_status spectrum_rows(const tracing *t, const ogv_seen *p, const json_t *ask, const json_t *how,
                                const char *who, json_t *rows, ogv_error *err) {
  const ogv_quantity *list[17];
  size_t n = ogv_site_quantities(t->site, list, 16);
  /* The fetal heart rate comes along when it is asked for. */
  if (json_is_true(json_object_get(ask, "rate")) && !t->site->maternal) list[n++] = ogv_quantity_find("fhr");
  for (size_t i = 0; i < n; i++) {
    json_t *row = NULL;
    ogv_error e = {0};
    /* The first row is the index that is asked about; the others may be missing (S/D without forward flow). */
    ogv_status s = spectrum_row(list[i], t, p, ask, how, who, &row, &e);
    if (s == OGV_OK) json_array_append_new(rows, row);
    else if (i == 0) return ogv_fail(err, e.code, e.todo, "%s", e.what);
  }
  return OGV_OK;
}

static ogv_status accept_spectrum(ogv_request *q, const json_t *body, const json_t *ask, json_t *rows, ogv_error *err) {
  const char *object, *site;
  OGV_TRY(ogv_json_string(body, "request body", "object", &object, err));
  OGV_TRY(ogv_json_string(ask, "spectrum", "site", &site, err));
  ogv_seen p;
  tracing t = {0};
  ogv_status s = ogv_seen_open(q, object, (int)ogv_json_number_or(body, "frame", 0), &p, err);
  if (s == OGV_OK) s = trace(&p, ask, &t, err);
  if (s == OGV_OK && !t.site) s = ogv_fail(err, OGV_E_INVALID, "Say which vessel it is.", "the site is missing");
  if (s == OGV_OK) s = spectrum_rows(&t, &p, ask, json_object_get(body, "how"), q->who, rows, err);
  tracing_free(&t);
  ogv_seen_close(q, &p);
  return s;
}

/* A notch is what a person sees; the program does not look for it. */
ogv_status ogv_propose_finding(ogv_request *q, const json_t *body, ogv_error *err) {
  const json_t *ask = json_object_get(body, "spectrum");
  const char *notch = ogv_json_string_or(ask, "notch", ""), *site = ogv_json_string_or(ask, "site", "");
  if (!*notch) return OGV_OK;
  bool present = !strcmp(notch, "present");
  if (!present && strcmp(notch, "absent"))
    return ogv_fail(err, OGV_E_INVALID, "Say present or absent.", "\"%.20s\" says nothing about a notch", notch);
  if (strncmp(site, "uterine-artery", 14))
    return ogv_fail(err, OGV_E_INVALID, NULL, "a notch is marked for a uterine artery only");
  bool left = !strcmp(site, "uterine-artery-left");
  char id[20], text[80];
  snprintf(text, sizeof text, "Early diastolic notch of the %s uterine artery: %s.", left ? "left" : "right", notch);
  json_t *row = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:[s]}", "exam", q->arg[0], "fetus", "", "structure",
                          left ? "uterine-notch-left" : "uterine-notch-right", "state", present ? "abnormal" : "normal",
                          "reason", "", "text", text, "objects", ogv_json_string_or(body, "object", ""));
  if (!row) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = ogv_store_finding(q->store, row, q->who, id, err);
  json_decref(row);
  return s;
}

ogv_status ogv_propose_leave(ogv_request *q, const json_t *body, const json_t *ids, ogv_error *err) {
  const char *quantity, *why = ogv_json_string_or(body, "why", "");
  json_t *old, *row, *id;
  size_t i;
  if (!json_is_object(json_object_get(body, "spectrum"))) return OGV_OK;
  json_object_foreach(json_object_get(body, "supersedes"), quantity, old) {
    bool given = false;
    json_array_foreach(ids, i, id) given |= !strcmp(ogv_json_string_or(id, "quantity", ""), quantity);
    if (given || !json_is_string(old)) continue;
    OGV_TRY(ogv_store_measurement(q->store, json_string_value(old), &row, err));
    bool stands = !strcmp(ogv_json_string_or(row, "state", ""), "accepted") &&
                  !strcmp(ogv_json_string_or(row, "quantity", ""), quantity) &&
                  !strcmp(ogv_json_string_or(row, "exam", ""), q->arg[0]);
    int version = (int)ogv_json_number_or(row, "version", 0);
    json_decref(row);
    char text[200];
    snprintf(text, sizeof text, "%.120s; the new reading gives no value for it", why);
    if (stands)
      OGV_TRY(ogv_store_measure_event(q->store, json_string_value(old), "withdrawn", text, q->who, version, err));
  }
  return OGV_OK;
}

/* --- rate
 * ---------------------------------------------------------------------------------------------------------------- */

static json_t *rate_answer(const ogv_rate *r, const char *from) {
  json_t *o = ogv_rate_json(r);
  json_object_set_new(o, "kind", json_string("rate"));
  json_object_set_new(o, "from", json_string(from));
  return o;
}

/* One mean beat laid on the middle of the strip: a geometry that a person can check against the walls and move. */
static json_t *one_beat(const ogv_region *r, double bpm) {
  double width = 60 / bpm / fabs(r->delta_x), x = 0.5 * (r->x0 + r->x1), y = 0.5 * (r->y0 + r->y1);
  ogv_geometry g = {OGV_GEOMETRY_INTERVAL, 2, (double[]){x - width / 2, y, x + width / 2, y}};
  return ogv_geometry_to_json(&g);
}

ogv_status ogv_propose_strip_rate(ogv_seen *p, json_t **out, ogv_error *err) {
  ogv_rate rate;
  const ogv_region *r = ogv_seen_region(p, OGV_FORMAT_MMODE);
  if (!r) return ogv_fail(err, OGV_E_INVALID, "Use an M-mode picture.", "this picture has no M-mode strip");
  OGV_TRY(ogv_seen_image(p, err));
  OGV_TRY(ogv_rate_from_mmode(&p->image, r, &rate, err));
  *out = rate_answer(&rate, "m-mode");
  if (rate.accepted) {
    json_object_set_new(*out, "geometry", one_beat(r, rate.bpm));
    json_object_set_new(*out, "quantities", json_pack("[s]", "fhr"));
  }
  return OGV_OK;
}

static ogv_status clip_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_dicom_frame(user, frame, out, err);
}

/* box: x0,y0,x1,y1 of the moving part round a point shown by a person, or of the whole picture. */
static ogv_status clip_rate(ogv_seen *p, const int box[4], ogv_rate *rate, ogv_error *err) {
  int n = p->about->frames;
  double *times = malloc(sizeof *times * (size_t)n);
  if (!times) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; i < n; i++) times[i] = ogv_dicom_frame_time_ms(p->dicom, i);
  ogv_status s = ogv_rate_from_clip(clip_frame, p->dicom, times, n, box, rate, err);
  free(times);
  return s;
}

/* A third of the picture round the point that a person showed. */
static void clip_box(const ogv_seen *p, const json_t *ask, int box[4]) {
  const json_t *at = json_object_get(ask, "at");
  memset(box, 0, 4 * sizeof *box);
  if (json_array_size(at) != 2) return;
  double x = json_number_value(json_array_get(at, 0)), y = json_number_value(json_array_get(at, 1)),
         w = p->about->columns, h = p->about->rows;
  box[0] = (int)fmax(0, x - w / 6);
  box[1] = (int)fmax(0, y - h / 6);
  box[2] = (int)fmin(w - 1, x + w / 6);
  box[3] = (int)fmin(h - 1, y + h / 6);
}

ogv_status ogv_propose_clip_rate(ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err) {
  int box[4];
  ogv_rate rate;
  clip_box(p, ask, box);
  OGV_TRY(clip_rate(p, box, &rate, err));
  *out = rate_answer(&rate, "clip");
  json_object_set_new(*out, "box", json_pack("[i,i,i,i]", box[0], box[1], box[2], box[3]));
  json_object_set_new(*out, "frames", json_pack("[i,i]", 0, p->about->frames - 1));
  json_object_set_new(*out, "quantities", json_pack("[s]", "fhr"));
  return OGV_OK;
}

/* A rate read from a clip: the frames and the part looked at are its evidence. */
static ogv_status accept_rate(ogv_request *q, const json_t *body, const json_t *ask, json_t *rows, ogv_error *err) {
  const char *object;
  OGV_TRY(ogv_json_string(body, "request body", "object", &object, err));
  ogv_seen p;
  ogv_rate rate = {0};
  int box[4];
  ogv_status s = ogv_seen_open(q, object, (int)ogv_json_number_or(body, "frame", 0), &p, err);
  if (s == OGV_OK && p.about->frames < 2)
    s = ogv_fail(err, OGV_E_INVALID, "Measure one beat on an M-mode picture.", "this picture is no clip");
  if (s == OGV_OK) {
    clip_box(&p, ask, box);
    s = clip_rate(&p, box, &rate, err);
  }
  if (s == OGV_OK && !rate.accepted) s = ogv_fail(err, OGV_E_INVALID, "Measure it by hand.", "%s", rate.reason);
  const ogv_quantity *u = ogv_quantity_find("fhr");
  if (s == OGV_OK) s = ogv_quantity_plausible(u, rate.bpm, err);
  if (s == OGV_OK) {
    json_t *evidence = json_pack("{s:s,s:s,s:[i,i],s:[i,i,i,i],s:f,s:f,s:f,s:s,s:{s:n,s:f,s:n}}", "type", "rate",
                                 "from", "clip", "frames", 0, p.about->frames - 1, "box", box[0], box[1], box[2],
                                 box[3], "period_s", 60 / rate.bpm, "confidence", rate.confidence, "beats", rate.beats,
                                 "method", "repeat of the clip", "sd", "observer", "caliper", rate.sd, "calibration");
    if (json_is_object(json_object_get(body, "how"))) json_object_set(evidence, "how", json_object_get(body, "how"));
    json_array_append_new(
        rows, json_pack("{s:s,s:f,s:s,s:f,s:s,s:o,s:s,s:i}", "quantity", u->id, "value", rate.bpm, "unit", u->unit,
                        "sd", rate.sd, "source", "proposed", "evidence", evidence, "object", object, "frame", p.frame));
  }
  ogv_seen_close(q, &p);
  return s;
}

/* --- one answer for whatever is shown
 * --------------------------------------------------------------------------------------- */

static ogv_status propose(ogv_request *q, ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err) {
  const char *kind = ogv_json_string_or(ask, "kind", "");
  const ogv_region *strip = ogv_seen_region(p, OGV_FORMAT_MMODE);
  if (!strcmp(kind, "av-interval")) return ogv_timing_propose(p, ask, out, err);
  if (!strcmp(kind, "spectrum") || (!*kind && ogv_seen_region(p, OGV_FORMAT_SPECTRAL)))
    return propose_spectrum(p, ask, out, err);
  if (!strcmp(kind, "rate") || (!*kind && strip)) {
    if (strip) return ogv_propose_strip_rate(p, out, err);
    if (p->about->frames > 1) return ogv_propose_clip_rate(p, ask, out, err);
    return ogv_fail(err, OGV_E_CALIBRATION, "Use an M-mode picture, a spectrum or a clip.",
                    "a still picture has no time axis to read a rate from");
  }
  OGV_TRY(ogv_second_propose(q, p, ask, out, err));
  if (*kind || p->about->frames < 2 || strcmp(ogv_json_string_or(*out, "kind", ""), "none")) return OGV_OK;
  json_decref(*out); /* a clip of something else: what moves regularly */
  *out = NULL;
  return ogv_propose_clip_rate(p, ask, out, err);
}

OGV_HANDLER(proposals) {
  json_t *body, *answer = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_seen p;
  ogv_status s = ogv_seen_open(q, q->arg[0], (int)ogv_json_number_or(body, "frame", 0), &p, err);
  if (s == OGV_OK) s = propose(q, &p, body, &answer, err);
  ogv_seen_close(q, &p);
  json_decref(body);
  return s == OGV_OK ? ogv_reply_json(r, answer, err) : s;
}

OGV_HANDLER(sites) {
  (void)q;
  json_t *list = json_array();
  const ogv_site *site;
  for (size_t i = 0; (site = ogv_site_at(i)); i++) {
    const ogv_quantity *quantity[16];
    json_t *names = json_array();
    size_t n = ogv_site_quantities(site, quantity, 16);
    for (size_t k = 0; k < n; k++) json_array_append_new(names, json_string(quantity[k]->id));
    json_array_append_new(list,
                          json_pack("{s:s,s:s,s:s,s:b,s:o}", "id", site->id, "name", site->name, "flow",
                                    ogv_site_flow_word(site->flow), "maternal", site->maternal, "quantities", names));
  }
  return ogv_reply_json(r, json_pack("{s:o}", "sites", list), err);
}

bool ogv_propose_asked(const json_t *body) {
  return json_is_object(json_object_get(body, "spectrum")) || json_is_object(json_object_get(body, "rate")) ||
         json_is_object(json_object_get(body, "clip")) || json_is_object(json_object_get(body, "av_interval"));
}

ogv_status ogv_propose_rows(ogv_request *q, const json_t *body, json_t *rows, ogv_error *err) {
  const json_t *spectrum = json_object_get(body, "spectrum"), *clip = json_object_get(body, "clip");
  if (clip) return ogv_clip_rows(q, body, clip, rows, err);
  if (json_object_get(body, "av_interval")) return ogv_timing_rows(q, body, rows, err);
  return spectrum ? accept_spectrum(q, body, spectrum, rows, err)
                  : accept_rate(q, body, json_object_get(body, "rate"), rows, err);
}
