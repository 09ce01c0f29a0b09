/* Colour and power Doppler in an outlined region: how much of it is coloured, and how strong the colour is against the
 * bar; over a clip as a curve. What a person keeps is computed here once more and stays with the exam as an event with
 * its evidence: no published table has a row for it. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "measure_colour_reading.h"
#include "server_jobs.h"
#include "server_propose.h"

#define CURVE_FRAMES 240
#define OUTLINE_POINTS 2000

/* --- what is looked at ------------------------------------------------------------------------------------------- */

typedef struct looking {
  ogv_seen *seen;
  ogv_job *job; /* NULL: a still, counted at once */
  int of;       /* steps of the job */
  ogv_geometry outline;
  const char *by; /* "person", "box" (the colour region), "picture" */
} looking;

static ogv_status next_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  looking *l = user;
  if (l->job) OGV_TRY(ogv_job_step(l->job, l->of, err));
  return ogv_dicom_frame(l->seen->dicom, frame, out, err);
}

static const ogv_region *colour_region(const ogv_seen *p) {
  for (size_t i = 0; i < p->n; i++)
    if (p->regions[i].format == OGV_FORMAT_2D && p->regions[i].data_type == OGV_DATA_COLOUR_FLOW) return &p->regions[i];
  return NULL;
}

static ogv_status outline_of(const ogv_seen *p, const json_t *ask, looking *l, ogv_error *err) {
  const json_t *given = json_object_get(ask, "outline");
  if (json_is_object(given)) {
    l->by = "person";
    OGV_TRY(ogv_geometry_from_json(given, &l->outline, err));
    if (l->outline.kind != OGV_GEOMETRY_OUTLINE || l->outline.n < 3 || l->outline.n > OUTLINE_POINTS)
      return ogv_fail(err, OGV_E_INVALID, "Draw around the region.", "the region is no outline of 3 to %d points",
                      OUTLINE_POINTS);
    return OGV_OK;
  }
  const ogv_region *r = colour_region(p);
  l->by = r ? "box" : "picture";
  double x0 = r ? r->x0 : 0, y0 = r ? r->y0 : 0, x1 = r ? r->x1 : p->about->columns - 1,
         y1 = r ? r->y1 : p->about->rows - 1;
  json_t *box = json_pack("{s:s,s:[[f,f],[f,f],[f,f],[f,f]]}", "kind", "outline", "points", x0 - 0.5, y0 - 0.5,
                          x1 + 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5, x0 - 0.5, y1 + 0.5);
  ogv_status s = ogv_geometry_from_json(box, &l->outline, err);
  json_decref(box);
  return s;
}

/* A refusal is an answer too: the page says why. */
static json_t *refused(const looking *l, const ogv_error *e) {
  json_t *o = json_pack("{s:s,s:b,s:s}", "kind", "colour", "accepted", 0, "reason", e->what);
  if (l->outline.n) json_object_set_new(o, "geometry", ogv_geometry_to_json(&l->outline));
  return o;
}

static bool about_the_picture(ogv_status s) { return s == OGV_E_NOT_FOUND || s == OGV_E_RANGE; }

/* Reads the picture, and of a clip (job given) the frames of its curve. */
static ogv_status look(ogv_seen *p, ogv_job *job, const json_t *ask, json_t **out, ogv_error *err) {
  int n = p->about->frames, many = job ? n < CURVE_FRAMES ? n : CURVE_FRAMES : 0, frames[CURVE_FRAMES];
  double times[CURVE_FRAMES];
  looking l = {.seen = p, .job = job, .of = many + 1};
  ogv_error e = {0};
  json_t *reading = NULL;
  for (int i = 0; i < many; i++) {
    frames[i] = (int)((long)i * n / many);
    times[i] = ogv_dicom_frame_time_ms(p->dicom, frames[i]);
  }
  ogv_status s = outline_of(p, ask, &l, &e);
  const ogv_colour_ask colour = {next_frame, &l, p->regions, p->n, &l.outline, p->frame, frames, many, times};
  if (s == OGV_OK) s = ogv_colour_read(&colour, &reading, &e);
  if (s == OGV_OK) {
    *out = json_pack("{s:s,s:b,s:s,s:s}", "kind", "colour", "accepted", 1, "reason", "", "by", l.by);
    json_object_update(*out, reading);
  } else if (about_the_picture(s)) {
    *out = refused(&l, &e);
    s = OGV_OK;
  } else if (err) *err = e;
  json_decref(reading);
  ogv_geometry_free(&l.outline);
  return s;
}

static ogv_status colour_work(ogv_request *q, ogv_job *job, const json_t *ask, json_t **answer, ogv_error *err) {
  ogv_seen seen;
  ogv_status s =
      ogv_seen_open(q, ogv_json_string_or(ask, "object", ""), (int)ogv_json_number_or(ask, "frame", 0), &seen, err);
  if (s == OGV_OK) s = look(&seen, job, ask, answer, err);
  ogv_seen_close(q, &seen);
  return s;
}

OGV_HANDLER(colour) {
  json_t *body, *answer = NULL;
  char id[33] = "";
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_seen seen;
  ogv_status s = ogv_seen_open(q, q->arg[0], (int)ogv_json_number_or(body, "frame", 0), &seen, err);
  bool clip = s == OGV_OK && json_is_true(json_object_get(body, "clip"));
  if (clip && seen.about->frames < 2)
    s = ogv_fail(err, OGV_E_INVALID, "Count the colour of the picture itself.", "this picture is no clip");
  if (s == OGV_OK && !clip) s = look(&seen, NULL, body, &answer, err);
  ogv_seen_close(q, &seen);
  if (s == OGV_OK && clip) {
    json_object_set_new(body, "object", json_string(q->arg[0]));
    s = ogv_job_start(q, colour_work, body, id, err);
  }
  json_decref(body);
  if (s != OGV_OK) return s;
  if (!clip) return ogv_reply_json(r, answer, err);
  r->status = MHD_HTTP_ACCEPTED;
  return ogv_reply_json(r, json_pack("{s:s}", "job", id), err);
}

/* --- keeping ----------------------------------------------------------------------------------------------------- */

/* The answer that is to be kept: a clip's from its job, a still's computed now. */
static ogv_status answer_to_keep(ogv_request *q, const json_t *body, json_t **answer, ogv_error *err) {
  const char *object, *job = ogv_json_string_or(body, "job", "");
  OGV_TRY(ogv_json_string(body, "request body", "object", &object, err));
  if (*job) {
    json_t *ask;
    OGV_TRY(ogv_job_answer(q->server, job, &ask, answer, err));
    bool same = !strcmp(object, ogv_json_string_or(ask, "object", ""));
    json_decref(ask);
    return same ? OGV_OK : ogv_fail(err, OGV_E_CONFLICT, "Count it again.", "the reading belongs to another clip");
  }
  ogv_seen seen;
  ogv_status s = ogv_seen_open(q, object, (int)ogv_json_number_or(body, "frame", 0), &seen, err);
  if (s == OGV_OK) s = look(&seen, NULL, body, answer, err);
  ogv_seen_close(q, &seen);
  return s;
}

/* The velocity at the end of the bar, where the object does not say it, is printed beside it; a person reads it off. */
static ogv_status with_scale(json_t *detail, const json_t *body, ogv_error *err) {
  const json_t *end = json_object_get(body, "bar_end_cm_s"), *colour = json_object_get(detail, "colour");
  if (!end || json_is_null(end)) return OGV_OK;
  double v = json_number_value(end);
  if (!json_is_number(end) || !(v >= 1 && v <= 300))
    return ogv_fail(err, OGV_E_RANGE, "Read it off the end of the bar.", "the velocity is not 1 to 300 cm/s");
  if (!strcmp(ogv_json_string_or(colour, "kind", ""), "power"))
    return ogv_fail(err, OGV_E_INVALID, "Leave the velocity out.", "a power Doppler bar has no velocities");
  if (json_object_get(detail, "bar_end_cm_s"))
    return ogv_fail(err, OGV_E_CONFLICT, "Leave the velocity out.", "the object itself says the velocity at its end");
  json_object_set(detail, "bar_end_cm_s", (json_t *)end);
  json_object_set_new(detail, "bar_end_from", json_string("typed"));
  return ogv_colour_derive(detail, err);
}

static ogv_status keep(ogv_request *q, const json_t *body, json_t **detail, ogv_error *err) {
  const char *key;
  OGV_TRY(ogv_json_string(body, "request body", "key", &key, err));
  OGV_TRY(answer_to_keep(q, body, detail, err));
  json_t *d = *detail;
  if (!json_is_true(json_object_get(d, "accepted")) || !json_object_get(d, "colour"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s", ogv_json_string_or(d, "reason", "nothing was counted"));
  OGV_TRY(with_scale(d, body, err));
  double share =
      ogv_json_number_or(d, "mean_fraction", ogv_json_number_or(json_object_get(d, "colour"), "colour_fraction", NAN));
  double strong =
      ogv_json_number_or(d, "mean_magnitude", ogv_json_number_or(json_object_get(d, "colour"), "mean_magnitude", NAN));
  json_object_set_new(d, "id", json_sprintf("%.40s", key));
  json_object_set(d, "object", json_object_get(body, "object"));
  json_object_set_new(d, "about", json_sprintf("%.80s", ogv_json_string_or(body, "about", "")));
  json_object_set_new(
      d, "text",
      json_sprintf("%.1f %% of the region coloured, mean strength %.0f %% of the bar", 100 * share, 100 * strong));
  return OGV_OK;
}

static ogv_status take_back(const json_t *exam, const json_t *body, const char *id, json_t **detail, ogv_error *err) {
  const char *why;
  size_t i;
  json_t *e;
  bool found = false;
  OGV_TRY(ogv_json_string(body, "request body", "why", &why, err));
  json_array_foreach(json_object_get(exam, "events"), i, e) {
    const json_t *d = json_object_get(e, "detail");
    found |= !strcmp(ogv_json_string_or(e, "verb", ""), "colour") && !strcmp(ogv_json_string_or(d, "id", ""), id);
  }
  if (!found) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no colour reading \"%.40s\" on this exam", id);
  *detail = json_pack("{s:s,s:s,s:s}", "withdraws", id, "why", why, "text", "a colour reading was taken back");
  return OGV_OK;
}

/* The same key again stores nothing again. */
static bool kept_already(const json_t *exam, const char *id) {
  size_t i;
  json_t *e;
  json_array_foreach(json_object_get(exam, "events"), i,
                     e) if (!strcmp(ogv_json_string_or(json_object_get(e, "detail"), "id", ""), id)) return true;
  return false;
}

OGV_HANDLER(colour_keep) {
  json_t *body, *exam = NULL, *detail = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *withdraw = ogv_json_string_or(body, "withdraw", "");
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  if (s == OGV_OK && !kept_already(exam, ogv_json_string_or(body, "key", "-"))) {
    s = *withdraw ? take_back(exam, body, withdraw, &detail, err) : keep(q, body, &detail, err);
    if (s == OGV_OK) {
      pthread_mutex_lock(&q->server->write_lock);
      s = ogv_store_event(q->store, "exam", ogv_json_string_or(exam, "id", ""), "colour", detail, q->who, err);
      pthread_mutex_unlock(&q->server->write_lock);
    }
  }
  if (s == OGV_OK)
    ogv_hub_publish(
        q->server->hub, "exam",
        json_pack("{s:s,s:s,s:s}", "exam", ogv_json_string_or(exam, "id", ""), "who", q->who, "what", "colour"));
  json_decref(detail);
  json_decref(exam);
  json_decref(body);
  if (s != OGV_OK) return s;
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:b}", "stored", 1), err);
}
