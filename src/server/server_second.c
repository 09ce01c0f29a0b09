/* The second reader at the server's desk: proposals for head, abdomen and femur, and the blind re-read of what people
 * accepted. One reader, one thread at a time; it is opened when it is first needed. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_date.h"
#include "core_json.h"
#include "measure_auto.h"
#include "obstetrics_quantity.h"
#include "server_internal.h"
#include "server_propose.h"

struct ogv_second {
  pthread_mutex_t lock;
  ogv_reader *reader;      /* NULL until first used */
  ogv_reader *long_reader; /* of the jobs' thread: whole clips do not hold up single pictures */
};

ogv_second *ogv_second_new(void) {
  ogv_second *s = calloc(1, sizeof *s);
  if (s) pthread_mutex_init(&s->lock, NULL);
  return s;
}

void ogv_second_free(ogv_second *s) {
  if (!s) return;
  ogv_reader_free(s->reader);
  ogv_reader_free(s->long_reader);
  pthread_mutex_destroy(&s->lock);
  free(s);
}

/* Locks the reader; unlock s->lock afterwards, also after a failure. */
static ogv_status take_reader(ogv_second *s, ogv_error *err) {
  pthread_mutex_lock(&s->lock);
  return s->reader ? OGV_OK : ogv_reader_open(NULL, OGV_NET_FAST, &s->reader, err);
}

ogv_status ogv_second_long_reader(ogv_second *s, ogv_reader **out, ogv_error *err) {
  if (!s->long_reader) OGV_TRY(ogv_reader_open(NULL, OGV_NET_FAST, &s->long_reader, err));
  *out = s->long_reader;
  return OGV_OK;
}

/* Age on the day of the picture, -1 when the pregnancy is not dated. */
static int age_of(ogv_request *q, const char *object) {
  json_t *row = NULL, *pregnancy = NULL;
  char id[20];
  ogv_date edd, day;
  int age = -1;
  if (ogv_request_store(q, NULL) == OGV_OK && ogv_store_object(q->store, object, &row, NULL) == OGV_OK &&
      ogv_store_exam_pregnancy(q->store, ogv_json_string_or(row, "exam", ""), id, NULL) == OGV_OK &&
      ogv_store_pregnancy(q->store, id, &pregnancy, NULL) == OGV_OK &&
      ogv_date_parse(ogv_json_string_or(pregnancy, "edd", ""), &edd, NULL) == OGV_OK &&
      ogv_date_parse(ogv_json_string_or(row, "study_date", ""), &day, NULL) == OGV_OK)
    age = 280 - (int)(edd - day);
  json_decref(row);
  json_decref(pregnancy);
  return age < 0 || age > 330 ? -1 : age;
}

ogv_status ogv_second_still(ogv_request *q, ogv_seen *p, ogv_still *out, ogv_error *err) {
  OGV_TRY(ogv_seen_image(p, err));
  *out = ogv_still_of(&p->image);
  const ogv_region *best = NULL; /* the largest two-dimensional part */
  double most = 0;
  for (size_t i = 0; i < p->n; i++) {
    const ogv_region *r = &p->regions[i];
    double area = (double)(r->x1 - r->x0) * (r->y1 - r->y0);
    if (r->format != OGV_FORMAT_2D || r->data_type == OGV_DATA_GREY_BAR || r->data_type == OGV_DATA_COLOUR_BAR ||
        area <= most)
      continue;
    best = r;
    most = area;
  }
  if (best) ogv_still_use_region(out, best);
  out->ga_days = age_of(q, p->object);
  return OGV_OK;
}

/* --- proposal
 * --------------------------------------------------------------------------------------------------------- */

static json_t *geometry_of(const ogv_reading *r) {
  ogv_geometry g = {r->geometry, (size_t)r->n_points, (double *)r->points};
  return ogv_geometry_to_json(&g);
}

/* The rows that a geometry of this plane fills. */
static json_t *quantities_of(ogv_plane plane) {
  if (plane == OGV_PLANE_HEAD) return json_pack("[s,s,s]", "hc", "bpd", "ofd");
  return plane == OGV_PLANE_ABDOMEN ? json_pack("[s]", "ac") : json_pack("[s]", "fl");
}

/* No values: they are measured from the geometry when a person accepts it, and shown then. */
json_t *ogv_second_answer(const ogv_reading *r, bool measurable) {
  json_t *o = json_object(), *criteria = json_array();
  json_object_set_new(o, "kind", json_string(measurable ? ogv_plane_word(r->kind) : "none"));
  json_object_set_new(o, "accepted", json_boolean(r->accepted));
  json_object_set_new(o, "reason", json_string(r->reason));
  json_object_set_new(o, "plane", json_string(ogv_plane_word(r->plane)));
  json_object_set_new(o, "acceptance", ogv_json_real(r->acceptance));
  if (r->found && r->n_points > 0) json_object_set_new(o, "geometry", geometry_of(r));
  json_object_set_new(o, "quantities", measurable ? quantities_of(r->kind) : json_array());
  for (int i = 0; i < r->n_criteria; i++) {
    const ogv_criterion *c = &r->criterion[i];
    json_array_append_new(criteria, json_pack("{s:s,s:s,s:s}", "id", c->id, "text", c->text, "state",
                                              c->state > 0    ? "met"
                                              : c->state == 0 ? "not-met"
                                                              : "for-the-person"));
  }
  json_object_set_new(o, "criteria", criteria);
  return o;
}

bool ogv_second_plane(const char *word, ogv_plane *out) {
  static const ogv_plane planes[] = {OGV_PLANE_HEAD, OGV_PLANE_ABDOMEN, OGV_PLANE_FEMUR};
  for (size_t i = 0; i < 3; i++)
    if (!strcmp(word, ogv_plane_word(planes[i]))) {
      *out = planes[i];
      return true;
    }
  return false;
}

ogv_status ogv_second_prompt(const ogv_seen *p, const json_t *ask, ogv_still *still, ogv_error *err) {
  const json_t *at = json_object_get(ask, "at");
  if (json_array_size(at) != 2) return OGV_OK;
  still->prompt_x = json_number_value(json_array_get(at, 0));
  still->prompt_y = json_number_value(json_array_get(at, 1));
  if (!(still->prompt_x >= 0 && still->prompt_y >= 0 && still->prompt_x < p->about->columns &&
        still->prompt_y < p->about->rows))
    return ogv_fail(err, OGV_E_INVALID, "Click inside the structure.", "the point lies outside the picture");
  return OGV_OK;
}

static bool rereadable(const char *quantity) {
  static const char *const ids[] = {"hc", "bpd", "ofd", "ac", "fl"};
  for (size_t i = 0; i < sizeof ids / sizeof *ids; i++)
    if (!strcmp(ids[i], quantity)) return true;
  return false;
}

/* Whether the accepted sizes of an exam are all of one fetus: of several it is not known which one the picture shows.
 */
static bool one_fetus(const json_t *ledger) {
  const char *first = NULL;
  size_t i;
  const json_t *row;
  json_array_foreach(ledger, i, row) {
    const char *fetus = ogv_json_string_or(row, "fetus", "");
    if (!*fetus) continue;
    if (first && strcmp(first, fetus)) return false;
    first = fetus;
  }
  return true;
}

/* Weighs a proposal against dates and the other accepted sizes of its exam. The re-read below does not: it stays blind.
 */
static void weigh(ogv_request *q, const ogv_seen *p, int ga_days, ogv_reading *r) {
  enum { MOST = 16 };
  ogv_known_size others[MOST];
  json_t *object = NULL, *exam = NULL;
  const json_t *row;
  size_t n = 0, i;
  if (ogv_request_store(q, NULL) == OGV_OK && ogv_store_object(q->store, p->object, &object, NULL) == OGV_OK &&
      ogv_store_exam(q->store, ogv_json_string_or(object, "exam", ""), &exam, NULL) == OGV_OK &&
      one_fetus(json_object_get(exam, "ledger")))
    json_array_foreach(json_object_get(exam, "ledger"), i, row) {
      const char *quantity = ogv_json_string_or(row, "quantity", "");
      if (n < MOST && rereadable(quantity) && !strcmp(ogv_json_string_or(row, "state", ""), "accepted") &&
          !*ogv_json_string_or(row, "superseded_by", ""))
        others[n++] = (ogv_known_size){quantity, ogv_json_number_or(row, "value", NAN)};
    }
  ogv_reading_plausible(r, ga_days, others, n);
  json_decref(object);
  json_decref(exam);
}

ogv_status ogv_second_propose(ogv_request *q, ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err) {
  ogv_still still;
  ogv_reading r = {0};
  ogv_plane plane = OGV_PLANE_HEAD; /* read only when named */
  const char *kind = ogv_json_string_or(ask, "kind", "");
  bool named = *kind != 0;
  if (named && !ogv_second_plane(kind, &plane))
    return ogv_fail(err, OGV_E_INVALID, "Use head, abdomen, femur, spectrum or rate.",
                    "\"%.20s\" is nothing that can be proposed", kind);
  OGV_TRY(ogv_second_still(q, p, &still, err));
  OGV_TRY(ogv_second_prompt(p, ask, &still, err));
  ogv_status s = take_reader(q->server->second, err);
  if (s == OGV_OK)
    s = named ? ogv_reader_measure(q->server->second->reader, plane, &still, &r, err)
              : ogv_reader_auto(q->server->second->reader, &still, &r, err);
  pthread_mutex_unlock(&q->server->second->lock);
  if (s != OGV_OK) return s;
  bool measurable = named || r.plane == OGV_PLANE_HEAD || r.plane == OGV_PLANE_ABDOMEN || r.plane == OGV_PLANE_FEMUR;
  if (measurable && !named) r.kind = r.plane;
  if (measurable) weigh(q, p, still.ga_days, &r);
  *out = ogv_second_answer(&r, measurable);
  return OGV_OK;
}

/* --- blind re-read
 * ------------------------------------------------------------------------------------------------------ */

static ogv_status note_difference(ogv_request *q, const json_t *row, const ogv_reread *again, const char *object,
                                  int frame, ogv_error *err) {
  const ogv_quantity *u = ogv_quantity_find(ogv_json_string_or(row, "quantity", ""));
  double value = ogv_json_number_or(row, "value", NAN);
  json_t *detail =
      json_pack("{s:s,s:s,s:s,s:f,s:f,s:f,s:f,s:s,s:i,s:o}", "measurement", ogv_json_string_or(row, "id", ""),
                "quantity", u->id, "fetus", ogv_json_string_or(row, "fetus", ""), "value", value, "second_value",
                again->value, "second_sd", again->sd, "limit", again->limit, "object", object, "frame", frame,
                "second_geometry", geometry_of(&again->reading));
  json_t *own = json_object_get(json_object_get(row, "evidence"), "geometry");
  if (json_is_object(own)) json_object_set(detail, "geometry", own);
  json_object_set_new(
      detail, "text",
      json_sprintf("%s: the second reader measures %.1f %s on the same picture, %.1f %s apart; two observers agree "
                   "within %.1f %s. "
                   "Look at both and decide.",
                   u->symbol, again->value, u->unit, fabs(again->value - value), u->unit, again->limit, u->unit));
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s =
      ogv_store_note(q->store, ogv_json_string_or(row, "exam", ""), "second-reading", detail, "second reader", err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(detail);
  return s;
}

/* How far the row is the person's own: what the program proposed agrees with the program, which proves nothing. */
static const char *basis_of(const json_t *row) {
  const json_t *proposal = json_object_get(json_object_get(row, "evidence"), "proposal");
  if (!json_is_object(proposal)) return "own";
  return json_is_true(json_object_get(proposal, "adjusted")) ? "adjusted" : "proposed";
}

/* That the row was read again, and what came of it, is recorded once for each accepted value. */
static ogv_status record_reread(ogv_request *q, const json_t *row, const ogv_reread *again, const char *result,
                                ogv_error *err) {
  json_t *d = json_pack("{s:s,s:s,s:s,s:s,s:s,s:f,s:s}", "measurement", ogv_json_string_or(row, "id", ""), "quantity",
                        ogv_json_string_or(row, "quantity", ""), "fetus", ogv_json_string_or(row, "fetus", ""),
                        "result", again->read ? result : "could-not-read", "basis", basis_of(row), "value",
                        ogv_json_number_or(row, "value", 0), "version", OGV_VERSION);
  if (!d) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (again->read) {
    json_object_set_new(d, "second_value", ogv_json_real(again->value));
    json_object_set_new(d, "second_sd", ogv_json_real(again->sd));
    json_object_set_new(d, "limit", ogv_json_real(again->limit));
  } else {
    json_object_set_new(d, "reason", json_string(again->reason));
  }
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s =
      ogv_store_event(q->store, "exam", ogv_json_string_or(row, "exam", ""), "re-read", d, "second reader", err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(d);
  return s;
}

/* What was recorded about this row before; NULL when nothing was. Borrowed from exam. */
static const json_t *recorded(const json_t *exam, const char *id) {
  size_t i;
  json_t *e;
  json_array_foreach(json_object_get(exam, "events"), i, e) {
    const json_t *d = json_object_get(e, "detail");
    if (!strcmp(ogv_json_string_or(e, "verb", ""), "re-read") &&
        !strcmp(ogv_json_string_or(d, "measurement", ""), id) &&
        !strcmp(ogv_json_string_or(d, "version", ""), OGV_VERSION))
      return d;
  }
  return NULL;
}

/* Re-reads one row: *result is "agrees", "differs", or why nothing can be said (static or in `why`). */
static ogv_status reread(ogv_request *q, const json_t *row, bool noted, char why[200], const char **result,
                         ogv_error *err) {
  const char *quantity = ogv_json_string_or(row, "quantity", "");
  const json_t *evidence = json_object_get(row, "evidence"), *image = json_object_get(evidence, "image");
  const json_t *given = json_object_get(evidence, "geometry");
  const char *object = ogv_json_string_or(row, "object", "");
  int frame = (int)ogv_json_number_or(row, "frame", 0);
  if (json_is_object(image)) {
    object = ogv_json_string_or(image, "object", "");
    frame = (int)ogv_json_number_or(image, "frame", 0);
    given = json_object_get(image, "geometry");
  }
  *result = "no picture";
  if (!*object || !rereadable(quantity)) return OGV_OK;
  ogv_geometry g = {0};
  bool placed = json_is_object(given) && ogv_geometry_from_json(given, &g, NULL) == OGV_OK;
  ogv_seen p;
  ogv_still still;
  ogv_reread again = {0};
  ogv_status s = ogv_seen_open(q, object, frame, &p, err);
  if (s == OGV_OK) s = ogv_second_still(q, &p, &still, err);
  if (s == OGV_OK) {
    s = take_reader(q->server->second, err);
    if (s == OGV_OK)
      s = ogv_reader_reread(q->server->second->reader, quantity, ogv_json_number_or(row, "value", NAN),
                            placed ? &g : NULL, &still, &again, err);
    pthread_mutex_unlock(&q->server->second->lock);
  }
  ogv_seen_close(q, &p);
  if (placed) ogv_geometry_free(&g);
  if (s != OGV_OK) return s;
  snprintf(why, 200, "%s", again.reason);
  *result = !again.read ? why : again.disagrees ? "differs" : "agrees";
  if (noted) return OGV_OK; /* an older version noted the difference already */
  OGV_TRY(record_reread(q, row, &again, *result, err));
  return again.read && again.disagrees ? note_difference(q, row, &again, object, frame, err) : OGV_OK;
}

void ogv_second_reread_rows(ogv_request *q, const json_t *ids) {
  size_t i;
  json_t *id, *row, *exam = NULL;
  if (ogv_store_exam(q->store, q->arg[0], &exam, NULL) != OGV_OK) return;
  json_array_foreach(ids, i, id) {
    char why[200];
    const char *result;
    if (!rereadable(ogv_json_string_or(id, "quantity", ""))) continue;
    if (recorded(exam, ogv_json_string_or(id, "id", ""))) continue; /* the same request, sent twice */
    if (ogv_store_measurement(q->store, ogv_json_string_or(id, "id", ""), &row, NULL) != OGV_OK) continue;
    /* What is stored is stored: a re-read that fails takes nothing away from it. */
    (void)reread(q, row, false, why, &result, NULL);
    json_decref(row);
  }
  json_decref(exam);
}

/* Whether a difference of this row has been noted already. */
static bool noted(const json_t *exam, const char *id) {
  size_t i;
  json_t *n;
  json_array_foreach(
      json_object_get(exam, "notes"), i,
      n) if (!strcmp(ogv_json_string_or(n, "verb", ""), "second-reading") &&
             !strcmp(ogv_json_string_or(json_object_get(n, "detail"), "measurement", ""), id)) return true;
  return false;
}

/* All accepted biometry of an exam, imported values with a picture too. */
OGV_HANDLER(rereads) {
  OGV_TRY(ogv_request_store(q, err));
  json_t *exam, *row, *list = json_array();
  OGV_TRY(ogv_store_exam(q->store, q->arg[0], &exam, err));
  size_t i;
  json_array_foreach(json_object_get(exam, "ledger"), i, row) {
    char why[200] = "";
    const char *result = "", *id = ogv_json_string_or(row, "id", "");
    if (!rereadable(ogv_json_string_or(row, "quantity", "")) ||
        strcmp(ogv_json_string_or(row, "state", ""), "accepted"))
      continue;
    if (*ogv_json_string_or(row, "superseded_by", "")) continue;
    ogv_error e = {0};
    const json_t *before = recorded(exam, id);
    bool differs = noted(exam, id);
    if (before) {
      result = ogv_json_string_or(before, "result", "");
      if (!strcmp(result, "could-not-read")) result = ogv_json_string_or(before, "reason", result);
    } else if (reread(q, row, differs, why, &result, &e) != OGV_OK) {
      result = e.what;
    }
    if (differs) result = "differs";
    json_array_append_new(list, json_pack("{s:s,s:s,s:s}", "id", id, "quantity",
                                          ogv_json_string_or(row, "quantity", ""), "result", result));
  }
  ogv_hub_publish(
      q->server->hub, "exam",
      json_pack("{s:s,s:s,s:s}", "exam", ogv_json_string_or(exam, "id", ""), "who", q->who, "what", "re-read"));
  json_decref(exam);
  return ogv_reply_json(r, json_pack("{s:o}", "readings", list), err);
}
