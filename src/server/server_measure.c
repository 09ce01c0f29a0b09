/* Measuring: the page sends geometry, the program says what it measures and appends it to the ledger. The page never
 * computes a value. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_unit.h"
#include "intake_dating.h"
#include "measure_quantity.h"
#include "measure_trace.h"
#include "obstetrics_ratio.h"
#include "server_internal.h"
#include "server_propose.h"

typedef struct work {
  json_t *body;
  ogv_geometry geometry;
  ogv_dicom *dicom;
  const char *object;
  int frame;
} work;

static void end_work(ogv_request *q, work *w) {
  if (w->dicom) ogv_handles_give(q->server->handles, w->object, w->dicom);
  ogv_geometry_free(&w->geometry);
  json_decref(w->body);
}

/* Takes the picture a geometry lies on and checks that its points lie on it. */
static ogv_status open_picture(ogv_request *q, work *w, ogv_error *err) {
  OGV_TRY(ogv_geometry_from_json(json_object_get(w->body, "geometry"), &w->geometry, err));
  OGV_TRY(ogv_handles_take(q->server->handles, q, w->object, &w->dicom, err));
  const ogv_dicom_info *a = ogv_dicom_about(w->dicom);
  if (a->kind != OGV_DICOM_IMAGE) return ogv_fail(err, OGV_E_INVALID, NULL, "this object has no picture to measure on");
  if (w->frame < 0 || w->frame >= a->frames)
    return ogv_fail(err, OGV_E_INVALID, NULL, "frame %d is not one of 0 to %d", w->frame, a->frames - 1);
  for (size_t i = 0; i < w->geometry.n; i++) {
    double x = w->geometry.points[2 * i], y = w->geometry.points[2 * i + 1];
    if (x < -0.5 || y < -0.5 || x > a->columns - 0.5 || y > a->rows - 0.5)
      return ogv_fail(err, OGV_E_INVALID, "Place every point on the picture.",
                      "point %zu at %.1f, %.1f lies outside the picture of %d x %d", i + 1, x, y, a->columns, a->rows);
  }
  return OGV_OK;
}

static json_t *extent_json(const ogv_extent *e) {
  return json_pack("{s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:o}", "length_mm", ogv_json_real(e->length_mm), "axis1_mm",
                   ogv_json_real(e->axis1_mm), "axis2_mm", ogv_json_real(e->axis2_mm), "perimeter_mm",
                   ogv_json_real(e->perimeter_mm), "area_mm2", ogv_json_real(e->area_mm2), "angle_deg",
                   ogv_json_real(e->angle_deg), "time_s", ogv_json_real(e->time_s), "value_x",
                   ogv_json_real(e->value_x), "value_y", ogv_json_real(e->value_y), "sd_point_mm",
                   ogv_json_real(e->sd_point_mm));
}

static ogv_status measure_free(ogv_request *q, work *w, json_t **out, ogv_error *err) {
  OGV_TRY(ogv_request_json(q, &w->body, err));
  w->object = q->arg[0];
  w->frame = (int)ogv_json_number_or(w->body, "frame", 0);
  OGV_TRY(open_picture(q, w, err));
  size_t n, at;
  const ogv_region *regions = ogv_dicom_regions(w->dicom, &n);
  OGV_TRY(ogv_region_for(regions, n, w->geometry.points, w->geometry.n, &at, err));
  ogv_extent extent;
  OGV_TRY(ogv_geometry_measure(&w->geometry, &regions[at], &extent, err));
  *out = json_pack("{s:i,s:s,s:o}", "region", (int)at, "word", ogv_region_word(&regions[at]), "extent",
                   extent_json(&extent));
  return OGV_OK;
}

OGV_HANDLER(geometry) {
  work w = {0};
  json_t *answer = NULL;
  ogv_status s = measure_free(q, &w, &answer, err);
  end_work(q, &w);
  return s == OGV_OK ? ogv_reply_json(r, answer, err) : s;
}

/* --- several geometries put together, without storing --- */

typedef struct part {
  work w;
  ogv_extent extent;
  ogv_region region;
} part;

static ogv_status read_part(ogv_request *q, json_t *v, part *p, ogv_error *err) {
  p->w.body = json_incref(v);
  OGV_TRY(ogv_json_string(v, "geometries", "object", &p->w.object, err));
  p->w.frame = (int)ogv_json_number_or(v, "frame", 0);
  OGV_TRY(open_picture(q, &p->w, err));
  size_t n, at;
  const ogv_region *regions = ogv_dicom_regions(p->w.dicom, &n);
  OGV_TRY(ogv_region_for(regions, n, p->w.geometry.points, p->w.geometry.n, &at, err));
  p->region = regions[at];
  return ogv_geometry_measure(&p->w.geometry, &regions[at], &p->extent, err);
}

/* The ratio of two lengths, else of two areas, else of two times. */
static ogv_status ratio(const part *a, const part *b, double *out, ogv_error *err) {
  const double top[] = {a->extent.length_mm, a->extent.area_mm2, a->extent.time_s};
  const double below[] = {b->extent.length_mm, b->extent.area_mm2, b->extent.time_s};
  for (size_t i = 0; i < 3; i++)
    if (isfinite(top[i]) && isfinite(below[i]) && below[i] > 0) {
      *out = top[i] / below[i];
      return OGV_OK;
    }
  return ogv_fail(err, OGV_E_INVALID, "Take two lengths, two areas or two times.",
                  "these two geometries have no ratio");
}

static ogv_status put_together(const char *how, part *p, size_t n, json_t **out, ogv_error *err) {
  double v;
  if (!strcmp(how, "ratio") && n == 2) {
    OGV_TRY(ratio(&p[0], &p[1], &v, err));
    *out = json_pack("{s:s,s:f,s:s}", "how", how, "value", v, "unit", "1");
  } else if (!strcmp(how, "ellipsoid") && n == 3) {
    v = ogv_volume_ellipsoid(p[0].extent.length_mm, p[1].extent.length_mm, p[2].extent.length_mm);
    if (!(v > 0))
      return ogv_fail(err, OGV_E_INVALID, "Measure three lengths.", "an axis of the ellipsoid has no length");
    *out = json_pack("{s:s,s:f,s:s}", "how", how, "value", v, "unit", "mL");
  } else if (!strcmp(how, "discs") && n == 2) {
    const part *o = p[0].w.geometry.kind == OGV_GEOMETRY_OUTLINE ? &p[0] : &p[1], *a = o == &p[0] ? &p[1] : &p[0];
    if (strcmp(o->w.object, a->w.object) || o->w.frame != a->w.frame)
      return ogv_fail(err, OGV_E_INVALID, NULL, "the outline and its axis lie on different pictures");
    OGV_TRY(ogv_outline_volume(&o->w.geometry, &a->w.geometry, &o->region, 100, &v, err));
    *out = json_pack("{s:s,s:f,s:s}", "how", how, "value", v, "unit", "mL");
  } else {
    return ogv_fail(err, OGV_E_INVALID, "ratio and discs take two geometries, ellipsoid three.",
                    "\"%.20s\" of %zu geometries is not possible", how, n);
  }
  return OGV_OK;
}

OGV_HANDLER(combine) {
  json_t *body, *answer = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *how = ogv_json_string_or(body, "how", "");
  json_t *list = json_object_get(body, "geometries");
  size_t n = json_array_size(list);
  part parts[3] = {0};
  ogv_status s =
      n >= 2 && n <= 3 ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "\"geometries\" is not a list of two or three");
  for (size_t i = 0; i < n && s == OGV_OK; i++) s = read_part(q, json_array_get(list, i), &parts[i], err);
  if (s == OGV_OK) s = put_together(how, parts, n, &answer, err);
  for (size_t i = 0; i < 3; i++) end_work(q, &parts[i].w);
  json_decref(body);
  return s == OGV_OK ? ogv_reply_json(r, answer, err) : s;
}

static ogv_status find_quantity(const char *id, const ogv_quantity **u, ogv_error *err) {
  *u = ogv_quantity_find(id);
  return *u ? OGV_OK
            : ogv_fail(err, OGV_E_NOT_FOUND, "GET /api/quantities lists them.", "there is no quantity \"%.60s\"", id);
}

/* One ledger row from a geometry. */
static ogv_status row_from_geometry(work *w, const char *quantity, json_t **row, ogv_error *err) {
  const ogv_quantity *u;
  OGV_TRY(find_quantity(quantity, &u, err));
  size_t n;
  const ogv_region *regions = ogv_dicom_regions(w->dicom, &n);
  ogv_measurement m;
  OGV_TRY(ogv_measure_quantity(u, &w->geometry, regions, n, &m, err));
  OGV_TRY(ogv_quantity_plausible(u, m.value, err));
  json_t *evidence = ogv_measurement_evidence(u, &w->geometry, &regions[m.region], &m);
  /* How the reading was taken: blind or not, with which display filters, with the edge helper or without. */
  json_t *how = json_object_get(w->body, "how"), *checked;
  if (evidence && json_is_object(how)) {
    ogv_status looks = ogv_look_evidence(how, &checked, err);
    if (looks != OGV_OK) {
      json_decref(evidence);
      return looks;
    }
    json_object_set_new(evidence, "how", checked);
  }
  *row = json_pack("{s:s,s:o,s:s,s:o,s:s,s:o,s:s,s:i}", "quantity", u->id, "value", ogv_json_real(m.value), "unit",
                   u->unit, "sd", ogv_json_real(m.sd), "source", "geometry", "evidence", evidence, "object", w->object,
                   "frame", w->frame);
  return *row ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

static ogv_status row_from_typed(const json_t *typed, json_t **row, ogv_error *err) {
  const char *quantity, *unit;
  double value;
  OGV_TRY(ogv_json_string(typed, "typed", "quantity", &quantity, err));
  OGV_TRY(ogv_json_number(typed, "typed", "value", &value, err));
  OGV_TRY(ogv_json_string(typed, "typed", "unit", &unit, err));
  const ogv_quantity *u;
  OGV_TRY(find_quantity(quantity, &u, err));
  double converted;
  OGV_TRY(ogv_unit_convert(value, unit, u->unit, &converted, err));
  OGV_TRY(ogv_quantity_plausible(u, converted, err));
  char text[96];
  snprintf(text, sizeof text, "%.10g %.40s", value, unit);
  *row = json_pack("{s:s,s:f,s:s,s:o,s:s,s:{s:s,s:s}}", "quantity", u->id, "value", converted, "unit", u->unit, "sd",
                   ogv_json_real(ogv_quantity_sd(u, converted)), "source", "typed", "evidence", "type", "typed", "text",
                   text);
  return *row ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

/* What is the same for all rows of one request. */
static void complete_row(const ogv_request *q, const work *w, json_t *row) {
  const char *quantity = ogv_json_string_or(row, "quantity", "");
  json_object_set_new(row, "exam", json_string(q->arg[0]));
  json_object_set_new(row, "fetus", json_string(ogv_json_string_or(w->body, "fetus", "A")));
  json_object_set_new(row, "state", json_string("accepted"));
  json_object_set_new(row, "why", json_string(ogv_json_string_or(w->body, "why", "")));
  json_object_set_new(row, "derivation", json_string(""));
  const char *key = ogv_json_string_or(w->body, "key", NULL);
  if (key) json_object_set_new(row, "key", json_sprintf("%.60s/%s", key, quantity));
  const char *old = ogv_json_string_or(json_object_get(w->body, "supersedes"), quantity, NULL);
  if (old) json_object_set_new(row, "supersedes", json_string(old));
}

static ogv_status make_rows(ogv_request *q, work *w, json_t *rows, ogv_error *err) {
  json_t *row = NULL, *typed = json_object_get(w->body, "typed");
  if (typed) {
    OGV_TRY(row_from_typed(typed, &row, err));
    complete_row(q, w, row);
    json_array_append_new(rows, row);
    return OGV_OK;
  }
  if (ogv_propose_asked(w->body)) {
    json_t *how = json_object_get(w->body, "how"), *checked;
    if (json_is_object(how)) {
      OGV_TRY(ogv_look_evidence(how, &checked, err));
      json_object_set_new(w->body, "how", checked);
    }
    OGV_TRY(ogv_propose_rows(q, w->body, rows, err));
    size_t k;
    json_array_foreach(rows, k, row) complete_row(q, w, row);
    return OGV_OK;
  }
  OGV_TRY(ogv_json_string(w->body, "request body", "object", &w->object, err));
  w->frame = (int)ogv_json_number_or(w->body, "frame", 0);
  json_t *wanted = json_object_get(w->body, "quantities");
  if (!json_is_array(wanted) || json_array_size(wanted) < 1 || json_array_size(wanted) > 8)
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"quantities\" is not a list of 1 to 8 quantity ids");
  OGV_TRY(open_picture(q, w, err));
  json_t *kept;
  OGV_TRY(ogv_proposed_recall(q, w->object, w->frame, w->body, &kept, err));
  ogv_status s = OGV_OK;
  size_t i;
  json_t *name;
  json_array_foreach(wanted, i, name) {
    s = json_is_string(name) ? row_from_geometry(w, json_string_value(name), &row, err)
                             : ogv_fail(err, OGV_E_INVALID, NULL, "\"quantities\" holds something that is no text");
    if (s != OGV_OK) break;
    complete_row(q, w, row);
    ogv_proposed_mark(kept, row);
    json_array_append_new(rows, row);
  }
  json_decref(kept);
  return s;
}

/* All rows of one geometry are stored together or not at all. */
static ogv_status append_rows(ogv_request *q, const json_t *body, json_t *rows, json_t *ids, ogv_error *err) {
  OGV_TRY(ogv_request_store(q, err));
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s = ogv_store_begin(q->store, err);
  if (s == OGV_OK) {
    size_t i;
    json_t *row;
    json_array_foreach(rows, i, row) {
      char id[20];
      s = ogv_store_measure(q->store, row, q->who, id, err);
      if (s != OGV_OK) break;
      json_array_append_new(ids, json_pack("{s:s,s:s}", "id", id, "quantity", ogv_json_string_or(row, "quantity", "")));
    }
    if (s == OGV_OK) s = ogv_propose_finding(q, body, err);
    if (s == OGV_OK) s = ogv_propose_leave(q, body, ids, err);
    if (s == OGV_OK) s = ogv_store_commit(q->store, err);
    if (s != OGV_OK) ogv_store_rollback(q->store);
  }
  pthread_mutex_unlock(&q->server->write_lock);
  return s;
}

/* Lengths that date a pregnancy become evidence at once. The date that stands is never moved by this (docs/intake.md);
 * a refusal there does not undo the reading, so it is left to the next look at the dating. */
static void renew_evidence(ogv_request *q, const char *exam_id) {
  json_t *exam, *dating = NULL;
  if (ogv_store_exam(q->store, exam_id, &exam, NULL) != OGV_OK) return;
  const char *pregnancy = ogv_json_string_or(json_object_get(exam, "pregnancy"), "id", NULL);
  pthread_mutex_lock(&q->server->write_lock);
  if (pregnancy) ogv_intake_date(q->store, pregnancy, NULL, q->who, &dating, NULL);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(dating);
  json_decref(exam);
}

OGV_HANDLER(measure) {
  work w = {0};
  json_t *rows = json_array(), *ids = json_array();
  ogv_status s = ogv_request_json(q, &w.body, err);
  if (s == OGV_OK) s = make_rows(q, &w, rows, err);
  if (s == OGV_OK) s = append_rows(q, w.body, rows, ids, err);
  end_work(q, &w);
  json_decref(rows);
  if (s != OGV_OK) {
    json_decref(ids);
    return s;
  }
  renew_evidence(q, q->arg[0]);
  ogv_second_reread_rows(q, ids);
  ogv_hub_publish(q->server->hub, "exam",
                  json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "measured"));
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:o}", "rows", ids), err);
}

OGV_HANDLER(measure_event) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *state;
  ogv_status s = ogv_json_string(body, "request body", "state", &state, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) {
    /* Without the number of events seen the change is refused: it could undo somebody else's unseen one. */
    if (!json_is_integer(json_object_get(body, "version")))
      s = ogv_fail(err, OGV_E_INVALID, NULL, "\"version\", the number of events seen of this row, is missing");
    else
      s = ogv_store_measure_event(q->store, q->arg[0], state, ogv_json_string_or(body, "why", ""), q->who,
                                  (int)json_integer_value(json_object_get(body, "version")), err);
  }
  const char *exam = ogv_json_string_or(body, "exam", "");
  if (s == OGV_OK && *exam) renew_evidence(q, exam);
  if (s == OGV_OK)
    ogv_hub_publish(q->server->hub, "exam",
                    json_pack("{s:s,s:s,s:s,s:s}", "exam", exam, "who", q->who, "what", state, "row", q->arg[0]));
  json_decref(body);
  return s == OGV_OK ? ogv_reply_json(r, json_pack("{s:b}", "stored", 1), err) : s;
}
