/* The reader of planes over a whole clip: it runs on the jobs' thread, and what it found stays there until a person
 * accepts it. The page only names the frames that it leaves out, so that it cannot bring in a reading of its own. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "measure_clip.h"
#include "server_jobs.h"
#include "server_propose.h"

#define LOOK_AT 60     /* frames of a clip, spread evenly */
#define GLANCE 3       /* frames that tell what a clip is */
#define BEAT_FRAMES 24 /* fewer give no rate */
#define SURE_BEAT 0.5  /* confidence from which a beat is offered before planes are looked for (own choice) */

typedef struct reading_on {
  ogv_seen *seen;
  ogv_job *job;
  int of;
} reading_on;

static ogv_status next_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  reading_on *o = user;
  OGV_TRY(ogv_job_step(o->job, o->of, err));
  return ogv_dicom_frame(o->seen->dicom, frame, out, err);
}

static json_t *rows_of(ogv_plane plane) {
  if (plane == OGV_PLANE_HEAD) return json_pack("[s,s,s]", "hc", "bpd", "ofd");
  return plane == OGV_PLANE_ABDOMEN ? json_pack("[s]", "ac") : json_pack("[s]", "fl");
}

/* --- frames between the reader, the page and the ledger ---------------------------------------------------------- */

static void free_parts(ogv_clip_part *parts, int n) {
  for (int i = 0; parts && i < n; i++) ogv_geometry_free(&parts[i].geometry);
  free(parts);
}

/* list: [{"frame","weight","geometry"}]; left_out: frame numbers. *out is new, free_parts. */
static ogv_status parts_of(const json_t *list, const json_t *left_out, ogv_clip_part **out, int *n, ogv_error *err) {
  *n = (int)json_array_size(list);
  *out = calloc((size_t)*n + 1, sizeof **out);
  if (!*out) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; i < *n; i++) {
    const json_t *o = json_array_get(list, (size_t)i);
    ogv_clip_part *p = &(*out)[i];
    p->frame = (int)ogv_json_number_or(o, "frame", -1);
    p->weight = ogv_json_number_or(o, "weight", NAN);
    OGV_TRY(ogv_geometry_from_json(json_object_get(o, "geometry"), &p->geometry, err));
  }
  size_t k;
  json_t *f;
  json_array_foreach(left_out, k, f) {
    int i = 0;
    while (i < *n && (!json_is_integer(f) || (*out)[i].frame != json_integer_value(f))) i++;
    if (i == *n) return ogv_fail(err, OGV_E_INVALID, NULL, "a frame is left out that was not read");
    (*out)[i].left_out = true;
  }
  return OGV_OK;
}

/* What each row would get; shown only when the person works with values in sight. */
static json_t *values_now(const json_t *quantities, const ogv_clip_part *parts, int n, const ogv_seen *seen) {
  json_t *list = json_array(), *id;
  size_t i;
  json_array_foreach(quantities, i, id) {
    const ogv_quantity *q = ogv_quantity_find(json_string_value(id));
    ogv_clip_value v = {0};
    ogv_error e = {0};
    ogv_status s = ogv_clip_measure(q, parts, n, seen->regions, seen->n, &v, &e);
    json_array_append_new(list, ogv_propose_value(q, s, v.value, v.sd, &e));
  }
  return list;
}

static json_t *frames_json(const ogv_clip_reading *c, ogv_geometry_kind kind) {
  json_t *list = json_array(), *best = json_array();
  for (int i = 0; i < c->n_accepted; i++) {
    const ogv_clip_accepted *a = &c->accepted_frame[i];
    ogv_geometry g = {kind, (size_t)a->n_points, (double *)a->points};
    json_array_append_new(
        list, json_pack("{s:i,s:f,s:o}", "frame", a->frame, "weight", a->weight, "geometry", ogv_geometry_to_json(&g)));
  }
  for (int i = 0; i < c->n_best; i++) json_array_append_new(best, json_integer(c->best[i]));
  return json_pack("{s:i,s:i,s:i,s:o,s:o,s:o,s:o}", "in_clip", c->frames, "looked_at", c->read, "kept", c->kept,
                   "effective", ogv_json_real(c->effective), "correlation", ogv_json_real(c->correlation), "accepted",
                   list, "best", best);
}

/* --- the work ---------------------------------------------------------------------------------------------------- */

static ogv_status clip_answer(const ogv_seen *seen, const ogv_clip_reading *c, json_t **out, ogv_error *err) {
  json_t *o = ogv_second_answer(&c->evidence, c->kind <= OGV_PLANE_FEMUR);
  if (!o) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  *out = o;
  json_object_set_new(o, "kind", json_string(c->kind <= OGV_PLANE_FEMUR ? ogv_plane_word(c->kind) : "none"));
  json_object_set_new(o, "accepted", json_boolean(c->accepted));
  json_object_set_new(o, "reason", json_string(c->reason));
  json_object_set_new(o, "quantities", c->accepted ? rows_of(c->kind) : json_array());
  json_object_set_new(o, "clip", frames_json(c, c->evidence.geometry));
  if (!c->accepted) return OGV_OK;
  int n, at = 0;
  ogv_clip_part *parts;
  ogv_status s = parts_of(json_object_get(json_object_get(o, "clip"), "accepted"), NULL, &parts, &n, err);
  if (s == OGV_OK) {
    ogv_clip_value v;
    json_t *quantities = json_object_get(o, "quantities");
    const ogv_quantity *main_one = ogv_quantity_find(json_string_value(json_array_get(quantities, 0)));
    json_object_set_new(o, "values", values_now(quantities, parts, n, seen));
    if (ogv_clip_measure(main_one, parts, n, seen->regions, seen->n, &v, NULL) == OGV_OK) at = v.nearest;
    json_object_set_new(o, "frame", json_integer(parts[at].frame));
    json_object_set_new(o, "geometry", ogv_geometry_to_json(&parts[at].geometry));
  }
  free_parts(parts, n);
  return s;
}

/* Whether the sender's name of the view says that it is a heart. */
static bool named_heart(const char *view) {
  static const char *const words[] = {"heart", "cardi", "chamber"};
  for (size_t i = 0; i < sizeof words / sizeof *words; i++)
    if (strcasestr(view, words[i])) return true;
  return false;
}

/* Whether one of a few frames shows something that the reader of planes would measure. */
static ogv_status glance(ogv_reader *reader, reading_on *on, const ogv_still *like, int *looked, bool *plane,
                         ogv_error *err) {
  for (int i = 1; i <= GLANCE && !*plane; i++, ++*looked) {
    ogv_image img = {0};
    ogv_still still = *like;
    ogv_reading r;
    OGV_TRY(next_frame(on, on->seen->about->frames * i / (GLANCE + 1), &img, err));
    still.image = &img;
    ogv_status s = ogv_reader_auto(reader, &still, &r, err);
    ogv_image_free(&img);
    OGV_TRY(s);
    *plane = r.accepted;
  }
  return OGV_OK;
}

/* What a clip is for decides what is read first: where it is called a heart, or a glance finds no plane, the beat,
 * which takes a fraction of the time that the planes of all frames take. *answer stays NULL when it does not beat
 * surely. */
static ogv_status beat_first(ogv_reader *reader, reading_on *on, const ogv_still *still, const json_t *ask,
                             json_t **answer, ogv_error *err) {
  bool plane = false;
  int looked = 0;
  if (on->seen->about->frames < BEAT_FRAMES) return OGV_OK;
  if (!named_heart(on->seen->about->view_name)) OGV_TRY(glance(reader, on, still, &looked, &plane, err));
  if (plane) return OGV_OK;
  OGV_TRY(ogv_propose_clip_rate(on->seen, ask, answer, err));
  json_object_set_new(*answer, "frames_glanced", json_integer(looked));
  if (json_is_true(json_object_get(*answer, "accepted")) && ogv_json_number_or(*answer, "confidence", 0) >= SURE_BEAT)
    return OGV_OK;
  json_decref(*answer);
  *answer = NULL;
  return OGV_OK;
}

static ogv_status read_clip(ogv_request *q, ogv_job *job, ogv_seen *seen, const json_t *ask, json_t **answer,
                            ogv_error *err) {
  ogv_still still;
  ogv_reader *reader;
  ogv_plane plane = OGV_PLANE_OTHER;
  int n = seen->about->frames, look = n < LOOK_AT ? n : LOOK_AT;
  (void)ogv_second_plane(ogv_json_string_or(ask, "kind", ""), &plane);
  OGV_TRY(ogv_second_still(q, seen, &still, err));
  OGV_TRY(ogv_second_prompt(seen, ask, &still, err));
  OGV_TRY(ogv_second_long_reader(q->server->second, &reader, err));
  bool named = plane != OGV_PLANE_OTHER || json_array_size(json_object_get(ask, "at")) == 2;
  reading_on on = {seen, job, look + 1 + (plane == OGV_PLANE_OTHER ? n < 15 ? n : 15 : 0) + (named ? 0 : GLANCE)};
  if (!named) OGV_TRY(beat_first(reader, &on, &still, ask, answer, err));
  if (*answer) return OGV_OK;
  ogv_clip_reading *c = calloc(1, sizeof *c);
  if (!c) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  ogv_status s = ogv_reader_clip(reader, plane, next_frame, &on, n, LOOK_AT, &still, c, err);
  if (s == OGV_OK && !c->accepted && !named) {
    s = ogv_propose_clip_rate(seen, ask, answer, err); /* a clip of something else: what moves regularly */
    if (s == OGV_OK && !json_is_true(json_object_get(*answer, "accepted"))) {
      json_decref(*answer);
      *answer = NULL;
    }
  }
  if (s == OGV_OK && !*answer) s = clip_answer(seen, c, answer, err);
  free(c);
  return s;
}

static ogv_status clip_work(ogv_request *q, ogv_job *job, const json_t *ask, json_t **answer, ogv_error *err) {
  ogv_seen seen;
  ogv_status s = ogv_seen_open(q, ogv_json_string_or(ask, "object", ""), 0, &seen, err);
  if (s == OGV_OK) s = read_clip(q, job, &seen, ask, answer, err);
  ogv_seen_close(q, &seen);
  return s;
}

OGV_HANDLER(clip) {
  json_t *body;
  char id[33];
  ogv_plane plane;
  OGV_TRY(ogv_request_json(q, &body, err));
  ogv_seen seen;
  const char *kind = ogv_json_string_or(body, "kind", "");
  ogv_status s = ogv_seen_open(q, q->arg[0], 0, &seen, err);
  if (s == OGV_OK && seen.about->frames < 2)
    s = ogv_fail(err, OGV_E_INVALID, "Propose on the picture itself.", "this picture is no clip");
  if (s == OGV_OK && *kind && !ogv_second_plane(kind, &plane))
    s = ogv_fail(err, OGV_E_INVALID, "Use head, abdomen or femur.", "\"%.20s\" is not read over a clip", kind);
  ogv_seen_close(q, &seen);
  json_object_set_new(body, "object", json_string(q->arg[0]));
  if (s == OGV_OK) s = ogv_job_start(q, clip_work, body, id, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  r->status = MHD_HTTP_ACCEPTED;
  return ogv_reply_json(r, json_pack("{s:s}", "job", id), err);
}

/* --- accepting --------------------------------------------------------------------------------------------------- */

typedef struct taking {
  const json_t *body, *ask, *answer;
  json_t *proposal; /* what is kept of it */
  ogv_seen seen;
  ogv_clip_part *parts;
  int n, shown; /* shown: the frame that stands for the value */
} taking;

static ogv_status proposal_of(const taking *t, const char *who, json_t **out, ogv_error *err) {
  const json_t *left_out = json_object_get(t->ask, "left_out"), *answer = t->answer;
  json_t *p = *out =
      json_pack("{s:b,s:O,s:O,s:O}", "adjusted", json_array_size(left_out) > 0, "kind", json_object_get(answer, "kind"),
                "plane", json_object_get(answer, "plane"), "acceptance", json_object_get(answer, "acceptance"));
  if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_object_set(p, "best", json_object_get(json_object_get(answer, "clip"), "best"));
  json_t *quality;
  OGV_TRY(
      ogv_proposed_quality(json_object_get(answer, "criteria"), json_object_get(t->ask, "judged"), who, &quality, err));
  if (quality) json_object_set_new(p, "criteria", quality);
  return OGV_OK;
}

static ogv_status clip_row(const taking *t, const ogv_quantity *u, json_t **row, ogv_error *err) {
  ogv_clip_value v;
  OGV_TRY(ogv_clip_measure(u, t->parts, t->n, t->seen.regions, t->seen.n, &v, err));
  OGV_TRY(ogv_quantity_plausible(u, v.value, err));
  const json_t *clip = json_object_get(t->answer, "clip"), *how = json_object_get(t->body, "how");
  json_t *evidence = ogv_clip_evidence(u, t->parts, t->n, t->shown, (int)ogv_json_number_or(clip, "in_clip", 0),
                                       (int)ogv_json_number_or(clip, "looked_at", 0), &t->seen.regions[v.region], &v);
  if (!evidence) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_object_set(evidence, "proposal", t->proposal);
  if (json_is_object(how)) {
    json_t *checked;
    ogv_status s = ogv_look_evidence(how, &checked, err);
    if (s != OGV_OK) {
      json_decref(evidence);
      return s;
    }
    json_object_set_new(evidence, "how", checked);
  }
  *row = json_pack("{s:s,s:f,s:s,s:f,s:s,s:o,s:s,s:i}", "quantity", u->id, "value", v.value, "unit", u->unit, "sd",
                   v.sd, "source", "proposed", "evidence", evidence, "object", t->seen.object, "frame",
                   t->parts[t->shown].frame);
  return *row ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

static ogv_status clip_rows(taking *t, const json_t *wanted, json_t *rows, ogv_error *err) {
  size_t i, k;
  json_t *id, *known, *row = NULL;
  json_array_foreach(wanted, i, id) {
    bool offered = false;
    json_array_foreach(json_object_get(t->answer, "quantities"), k, known) offered |= json_equal(known, id);
    const ogv_quantity *u = offered ? ogv_quantity_find(json_string_value(id)) : NULL;
    if (!u)
      return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" was not read on this clip",
                      json_is_string(id) ? json_string_value(id) : "");
    if (i == 0) {
      ogv_clip_value v;
      OGV_TRY(ogv_clip_measure(u, t->parts, t->n, t->seen.regions, t->seen.n, &v, err));
      t->shown = v.nearest;
    }
    OGV_TRY(clip_row(t, u, &row, err));
    json_array_append_new(rows, row);
  }
  return i ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "no row is named for the reading of the clip");
}

ogv_status ogv_clip_rows(ogv_request *q, const json_t *body, const json_t *ask, json_t *rows, ogv_error *err) {
  const char *job, *object;
  json_t *asked = NULL, *answer = NULL;
  OGV_TRY(ogv_json_string(ask, "clip", "job", &job, err));
  OGV_TRY(ogv_json_string(body, "request body", "object", &object, err));
  OGV_TRY(ogv_job_answer(q->server, job, &asked, &answer, err));
  taking t = {.body = body, .ask = ask, .answer = answer};
  const json_t *clip = json_object_get(answer, "clip"), *wanted = json_object_get(ask, "quantities");
  ogv_status s = OGV_OK;
  if (strcmp(object, ogv_json_string_or(asked, "object", "")))
    s = ogv_fail(err, OGV_E_CONFLICT, "Propose again.", "the reading belongs to another clip");
  else if (!clip || !json_is_true(json_object_get(answer, "accepted")))
    s = ogv_fail(err, OGV_E_INVALID, "Measure it by hand.", "nothing was proposed on this clip");
  if (s == OGV_OK) s = ogv_seen_open(q, object, 0, &t.seen, err);
  if (s == OGV_OK)
    s = parts_of(json_object_get(clip, "accepted"), json_object_get(ask, "left_out"), &t.parts, &t.n, err);
  if (s == OGV_OK) s = proposal_of(&t, q->who, &t.proposal, err);
  if (s == OGV_OK) s = clip_rows(&t, json_is_array(wanted) ? wanted : json_object_get(answer, "quantities"), rows, err);
  free_parts(t.parts, t.n);
  ogv_seen_close(q, &t.seen);
  json_decref(t.proposal);
  json_decref(asked);
  json_decref(answer);
  return s;
}
