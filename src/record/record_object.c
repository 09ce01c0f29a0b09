/* Objects: bytes on disk first, then the row; and what people say about an object (favourite, removed, marks). */
#include <stdlib.h>
#include <string.h>

#include "record_disk.h"
#include "record_internal.h"

static ogv_status record_object(ogv_store *s, const json_t *about, const char *sha, size_t size, char object_id[20],
                                char exam_id[20], bool *added, char conflict[OGV_ID], ogv_error *err) {
  const char *instance, *kind;
  *conflict = 0;
  *added = false;
  OGV_TRY(ogv_json_string(about, "object", "instance", &instance, err));
  OGV_TRY(ogv_json_string(about, "object", "kind", &kind, err));
  if (!*instance) return ogv_fail(err, OGV_E_INVALID, NULL, "the object has no SOP Instance UID (0008,0018)");
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT id, exam, sha256, coalesce(conflict_of,'') FROM object WHERE instance=$1 ORDER BY seq",
                        "t", instance));
  bool row = false, there = false;
  ogv_status st;
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row) {
    if (!*conflict) snprintf(conflict, OGV_ID, "%s", ogv_sql_text(q, 0));
    if (strcmp(ogv_sql_text(q, 2), sha)) continue;
    snprintf(object_id, OGV_ID, "%s", ogv_sql_text(q, 0));
    snprintf(exam_id, OGV_ID, "%s", ogv_sql_text(q, 1));
    if (!*ogv_sql_text(q, 3)) *conflict = 0;
    there = true;
    break;
  }
  ogv_sql_end(q);
  if (st != OGV_OK || there) return st;
  char pregnancy[OGV_ID];
  OGV_TRY(ogv_record_place(s, about, exam_id, err));
  OGV_TRY(ogv_record_exam_pregnancy(s, exam_id, pregnancy, err));
  ogv_record_new_id(object_id);
  int64_t seq;
  json_t *detail = *conflict ? json_pack("{s:s}", "conflict_of", conflict) : NULL;
  ogv_change c = {"object", "add", object_id, exam_id, pregnancy, "ogive", detail};
  st = ogv_record_change(s, &c, &seq, NULL, err);
  json_decref(detail);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_sql_run(s->db, err,
                      "INSERT INTO object(id, exam, instance, sha256, size, kind, conflict_of, about, seq)"
                      " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9)",
                      "ttttittji", object_id, exam_id, instance, sha, (int64_t)size, kind, *conflict ? conflict : NULL,
                      about, seq));
  *added = true;
  return OGV_OK;
}

ogv_status ogv_store_add_object(ogv_store *s, const void *bytes, size_t size, const json_t *about, char object_id[20],
                                char exam_id[20], bool *added, ogv_error *err) {
  char sha[OGV_SHA256_TEXT], conflict[OGV_ID];
  *added = false;
  *object_id = *exam_id = 0;
  OGV_TRY(ogv_disk_put(s->home, bytes, size, sha, err));
  OGV_TRY(ogv_record_enter(s, err));
  ogv_status st = record_object(s, about, sha, size, object_id, exam_id, added, conflict, err);
  OGV_TRY(ogv_record_leave(s, st, err));
  if (*conflict)
    return ogv_fail(err, OGV_E_CONFLICT, "Both are kept; look which one is right.",
                    "SOP Instance UID %s arrived with other bytes than object %s",
                    ogv_json_string_or(about, "instance", ""), conflict);
  return OGV_OK;
}

static bool is_named(void *user, const char *sha) {
  ogv_store *s = user;
  int64_t n = 1; /* when in doubt, it is kept */
  if (ogv_sql_one_int(s->db, &n, NULL,
                      "SELECT (SELECT count(*) FROM object WHERE sha256=$1)"
                      " + (SELECT count(*) FROM report WHERE sha256=$1 OR facts_sha256=$1)",
                      "t", sha) != OGV_OK)
    return true;
  return n > 0;
}

ogv_status ogv_store_tidy(ogv_store *s, int *removed, ogv_error *err) {
  return ogv_disk_tidy(s->home, is_named, s, 86400, removed, err);
}

ogv_status ogv_store_object_path(ogv_store *s, const char *object_id, char **path, ogv_error *err) {
  char sha[OGV_SHA256_TEXT], buf[4096];
  *path = NULL;
  ogv_status st =
      ogv_sql_one_text(s->db, sha, sizeof sha, err, "SELECT sha256 FROM object WHERE id=$1", "t", object_id);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no object %.40s", object_id);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_disk_path(s->home, sha, buf, sizeof buf, err));
  if (!ogv_file_exists(buf))
    return ogv_fail(err, OGV_E_CORRUPT, "Restore that file from the last copy, or import the exam again.",
                    "the bytes of object %.40s are missing (%s)", object_id, buf);
  *path = strdup(buf);
  return *path ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a path");
}

/* --- marks and events on an object -------------------------------------------------------------------------- */
/* A mark is changed as it was seen: `id` is on the object, and nobody has changed or removed it since. */
static ogv_status mark_stands(ogv_store *s, const char *id, const char *object, ogv_error *err) {
  char other[OGV_ID], who[256];
  int64_t removed = 0;
  ogv_status st = ogv_sql_one_text(s->db, other, sizeof other, err, "SELECT object FROM mark WHERE id=$1", "t", id);
  if (st == OGV_E_NOT_FOUND || (st == OGV_OK && strcmp(other, object)))
    return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no mark %.40s on that object", id);
  if (st != OGV_OK) return st;
  st = ogv_sql_one_text(s->db, who, sizeof who, err, "SELECT who FROM mark WHERE supersedes=$1", "t", id);
  if (st == OGV_E_NOT_FOUND) return OGV_OK;
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_sql_one_int(s->db, &removed, err, "SELECT removed FROM mark WHERE supersedes=$1", "t", id));
  return ogv_fail(err, OGV_E_CONFLICT, "Look at the picture as it is now and decide again.",
                  "the mark was %s meanwhile by %s", removed ? "removed" : "changed", who);
}

static ogv_status append_mark(ogv_store *s, const json_t *row, const char *who, char id[OGV_ID], ogv_error *err) {
  const char *object, *kind, *supersedes = ogv_json_string_or(row, "supersedes", NULL);
  const json_t *data = json_object_get(row, "data"), *frame = json_object_get(row, "frame");
  char exam[OGV_ID], pregnancy[OGV_ID];
  OGV_TRY(ogv_json_string(row, "mark", "object", &object, err));
  OGV_TRY(ogv_json_string(row, "mark", "kind", &kind, err));
  if (!json_is_object(data)) return ogv_fail(err, OGV_E_INVALID, NULL, "mark: \"data\" is missing or is not an object");
  ogv_status st = ogv_sql_one_text(s->db, exam, sizeof exam, err, "SELECT exam FROM object WHERE id=$1", "t", object);
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, st, NULL, "there is no object %.40s", object);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  int64_t seq, removed = json_is_true(json_object_get(row, "removed"));
  if (supersedes) OGV_TRY(mark_stands(s, supersedes, object, err));
  else if (removed)
    return ogv_fail(err, OGV_E_INVALID, "Name the mark that was seen as the one to supersede.",
                    "a removal names no mark");
  char when[OGV_TIME];
  ogv_record_new_id(id);
  ogv_change c = {"mark", removed ? "remove" : supersedes ? "supersede" : "add", id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  return ogv_sql_run(s->db, err,
                     "INSERT INTO mark(id, seq, object, frame, kind, data, removed, supersedes, who, at)"
                     " VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10)",
                     "titjtjittt", id, seq, object, json_is_integer(frame) ? frame : NULL, kind, data, removed,
                     supersedes, who, when);
}

ogv_status ogv_store_mark(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append_mark(s, row, who, new_id, err), err);
}

static ogv_status mark_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:s,s:o,s:s,s:o,s:o,s:s,s:s,s:I}", "id", ogv_sql_text(q, 0), "frame",
                ogv_sql_null(q, 1) ? json_null() : json_integer(ogv_sql_int(q, 1)), "kind", ogv_sql_text(q, 2), "data",
                ogv_sql_json(q, 3), "supersedes", ogv_sql_json_text(q, 4), "who", ogv_sql_text(q, 5), "when",
                ogv_sql_text(q, 6), "seq", (json_int_t)ogv_sql_int(q, 7)),
      out, err);
}

static ogv_status marks_json(ogv_store *s, const char *object, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(
      ogv_sql_query(s->db, &q, err,
                    "SELECT id, frame, kind, data, supersedes, who, at, seq FROM mark m WHERE object=$1 AND removed=0"
                    " AND NOT EXISTS(SELECT 1 FROM mark n WHERE n.supersedes=m.id) ORDER BY seq",
                    "t", object));
  return ogv_record_rows(s, q, mark_row, out, err);
}

/* Favourite, removed, group: the newest event of each pair counts. */
static ogv_status state_into(ogv_store *s, const char *id, json_t *obj, ogv_error *err) {
  json_t *events;
  OGV_TRY(ogv_record_events_json(s, "object", id, &events, err));
  json_t *removed = json_null(), *group = json_null();
  bool favourite = false;
  size_t i;
  json_t *e;
  json_array_foreach(events, i, e) {
    const char *verb = ogv_json_string_or(e, "verb", "");
    const json_t *detail = json_object_get(e, "detail");
    if (!strcmp(verb, "favourite")) favourite = true;
    else if (!strcmp(verb, "not-favourite")) favourite = false;
    else if (!strcmp(verb, "remove")) {
      json_decref(removed);
      removed = json_pack("{s:s,s:s,s:s}", "who", ogv_json_string_or(e, "who", ""), "when",
                          ogv_json_string_or(e, "when", ""), "why", ogv_json_string_or(detail, "why", ""));
    } else if (!strcmp(verb, "restore")) {
      json_decref(removed);
      removed = json_null();
    } else if (!strcmp(verb, "group")) {
      json_decref(group);
      group = json_string(ogv_json_string_or(detail, "group", ""));
    }
  }
  json_decref(events);
  ogv_status st = ogv_record_set(obj, "favourite", json_boolean(favourite), err);
  ogv_status st2 = ogv_record_set(obj, "removed", removed, err), st3 = ogv_record_set(obj, "group", group, err);
  return st != OGV_OK ? st : st2 != OGV_OK ? st2 : st3;
}

static ogv_status object_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  json_t *obj = ogv_sql_json(q, 0), *marks = NULL;
  if (!json_is_object(obj)) {
    json_decref(obj);
    return ogv_fail(err, OGV_E_CORRUPT, NULL, "the description of object %s is damaged", ogv_sql_text(q, 1));
  }
  json_t *own =
      json_pack("{s:s,s:s,s:s,s:s,s:I,s:s,s:o,s:I,s:s}", "id", ogv_sql_text(q, 1), "exam", ogv_sql_text(q, 2),
                "instance", ogv_sql_text(q, 3), "sha256", ogv_sql_text(q, 4), "size", (json_int_t)ogv_sql_int(q, 5),
                "kind", ogv_sql_text(q, 6), "conflict_of", ogv_sql_json_text(q, 7), "seq",
                (json_int_t)ogv_sql_int(q, 8), "received", ogv_sql_text(q, 9));
  ogv_status st =
      own && json_object_update(obj, own) == 0 ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_decref(own);
  if (st == OGV_OK) st = state_into(s, ogv_sql_text(q, 1), obj, err);
  if (st == OGV_OK) st = marks_json(s, ogv_sql_text(q, 1), &marks, err);
  if (st == OGV_OK) st = ogv_record_set(obj, "marks", marks, err);
  if (st != OGV_OK) json_decref(obj);
  else *out = obj;
  return st;
}

#define OBJECT_COLUMNS                                                                             \
  "SELECT o.about, o.id, o.exam, o.instance, o.sha256, o.size, o.kind, o.conflict_of, o.seq, c.at" \
  " FROM object o JOIN change c ON c.seq = o.seq "

ogv_status ogv_record_objects_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, OBJECT_COLUMNS "WHERE o.exam=$1 ORDER BY o.seq", "t", exam));
  return ogv_record_rows(s, q, object_row, out, err);
}

ogv_status ogv_store_object(ogv_store *s, const char *object_id, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, OBJECT_COLUMNS "WHERE o.id=$1 OR o.instance=$2 ORDER BY o.seq LIMIT 1", "tt",
                        object_id, object_id));
  return ogv_record_row(s, q, object_row, "object", object_id, out, err);
}
