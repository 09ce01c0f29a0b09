/* Importing files. Two passes: every file is opened and described first, because what one object of a study states (a
 * last period in a report) decides in which pregnancy the others belong; then pictures are stored, then reports, so
 * that a report finds the pictures it names. */
#include "intake_import.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core_file.h"
#include "core_json.h"
#include "dicom_file.h"
#include "intake_dating.h"
#include "private/intake_internal.h"

enum { FILES_MAX = 100000 };
static const size_t file_max = (size_t)1 << 30;

typedef struct entry {
  char *path;
  char sha256[OGV_SHA256_TEXT];
  json_t *about, *items; /* NULL when it could not be described */
  json_t *line;          /* its line of the result */
} entry;

typedef struct import {
  ogv_store *s;
  ogv_import_options o;
  const char *who;
  entry *e;
  size_t n, capacity, done;
  json_t *exams; /* id -> {added, present} */
} import;

static bool has_magic(const uint8_t *p, size_t n) { return n > 132 && !memcmp(p + 128, "DICM", 4); }

/* A file that does not even begin like a DICOM object (with or without its preamble) is somebody else's. */
static bool foreign(const uint8_t *p, size_t n) {
  if (has_magic(p, n)) return false;
  return n < 8 || !((p[0] == 8 && p[1] == 0) || (p[0] == 2 && p[1] == 0) || (p[0] == 0 && p[1] == 8));
}

static void outcome(entry *e, const char *result, const ogv_error *err) {
  json_object_set_new(e->line, "result", json_string(result));
  if (!err) return;
  json_object_set_new(e->line, "code", json_string(ogv_status_word(err->code)));
  json_object_set_new(e->line, "why", json_string(err->what));
  json_object_set_new(e->line, "todo", json_string(err->todo));
}

/* Opens and describes one file. Its own trouble goes into its line; only memory trouble stops the import. */
static ogv_status describe(entry *e, ogv_error *err) {
  ogv_error why = {0};
  uint8_t *bytes;
  size_t n;
  json_t *name = json_string(e->path); /* NULL when the name is not UTF-8 */
  e->line = json_pack("{s:o,s:n}", "file", name ? name : json_string("(a name that is not UTF-8)"), "result");
  if (!e->line) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory listing files");
  if (ogv_file_read(e->path, file_max, &bytes, &n, &why) != OGV_OK) return outcome(e, "refused", &why), OGV_OK;
  ogv_sha256(bytes, n, e->sha256);
  bool other = foreign(bytes, n);
  free(bytes);
  if (other) {
    ogv_fail(&why, OGV_E_UNSUPPORTED, NULL, "not a DICOM object");
    return outcome(e, "skipped", &why), OGV_OK;
  }
  ogv_dicom *d;
  if (ogv_dicom_open(e->path, &d, &why) != OGV_OK) return outcome(e, "refused", &why), OGV_OK;
  e->about = ogv_intake_about(d);
  ogv_status s = e->about ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory describing %s", e->path);
  if (s == OGV_OK && ogv_dicom_about(d)->kind == OGV_DICOM_REPORT &&
      ogv_intake_read_items(d, &e->items, &why) != OGV_OK) {
    json_decref(e->about);
    e->about = NULL;
    outcome(e, "refused", &why);
  }
  ogv_dicom_close(d);
  return s;
}

/* What any object of a study states about dates, put into all of that study. */
static void share_dates(import *t) {
  json_t *stated = json_object(), *v;
  for (size_t i = 0; i < t->n; i++) {
    entry *e = &t->e[i];
    char lmp[OGV_DATE_TEXT] = "", edd[OGV_DATE_TEXT] = "";
    if (!e->about) continue;
    if (e->items) ogv_intake_dates_of(e->items, lmp, edd);
    if (!*lmp) snprintf(lmp, sizeof lmp, "%.12s", ogv_json_string_or(e->about, "lmp", ""));
    const char *study = ogv_json_string_or(e->about, "study", "");
    if ((*lmp || *edd) && (e->items || !json_object_get(stated, study)))
      json_object_set_new(stated, study, json_pack("{s:s,s:s}", "lmp", lmp, "edd", edd));
  }
  for (size_t i = 0; i < t->n; i++) {
    entry *e = &t->e[i];
    v = e->about ? json_object_get(stated, ogv_json_string_or(e->about, "study", "")) : NULL;
    if (!v) continue;
    json_object_set(e->about, "study_lmp", json_object_get(v, "lmp"));
    json_object_set(e->about, "study_edd", json_object_get(v, "edd"));
  }
  json_decref(stated);
}

/* Stores one described object with what it states: all of it or nothing. */
static ogv_status store_one(import *t, entry *e, const void *bytes, size_t n, bool *changed, ogv_error *err) {
  char object[20], exam[20];
  bool added = false;
  ogv_error conflict = {0};
  *changed = false;
  OGV_TRY(ogv_store_begin(t->s, err));
  ogv_status s = ogv_store_add_object(t->s, bytes, n, e->about, object, exam, &added, &conflict);
  const char *word = s == OGV_E_CONFLICT && *object ? "conflict" : added ? "added" : "present";
  bool kept = s == OGV_OK || (s == OGV_E_CONFLICT && *object);
  if (!kept) *err = conflict;
  else s = OGV_OK;
  if (s == OGV_OK && e->items) s = ogv_intake_items(t->s, e->items, object, exam, t->who, added, e->line, err);
  const char *lmp = ogv_json_string_or(e->about, "lmp", "");
  if (s == OGV_OK && *lmp) s = ogv_intake_lmp(t->s, exam, object, lmp, "(0010,21D0)", t->who, err);
  if (s == OGV_OK) s = ogv_store_commit(t->s, err);
  else ogv_store_rollback(t->s);
  if (s != OGV_OK) return s;
  outcome(e, word, strcmp(word, "conflict") ? NULL : &conflict);
  json_object_set_new(e->line, "object", json_string(object));
  json_object_set_new(e->line, "exam", json_string(exam));
  json_object_set(e->line, "kind", json_object_get(e->about, "kind"));
  json_t *x = json_object_get(t->exams, exam);
  if (!x) json_object_set_new(t->exams, exam, x = json_pack("{s:i,s:i}", "added", 0, "present", 0));
  const char *count = added ? "added" : "present";
  json_object_set_new(x, count, json_integer(json_integer_value(json_object_get(x, count)) + 1));
  *changed = added;
  return OGV_OK;
}

/* Trouble that the next file would have too: stop and say so, rather than refuse every file for it. */
static bool fatal(ogv_status s) {
  return s == OGV_E_IO || s == OGV_E_DENIED || s == OGV_E_MEMORY || s == OGV_E_INTERNAL;
}

static ogv_status store_entry(import *t, entry *e, ogv_error *err) {
  ogv_error why = {0};
  uint8_t *bytes = NULL;
  size_t n = 0;
  char now[OGV_SHA256_TEXT];
  bool changed;
  ogv_status s = ogv_file_read(e->path, file_max, &bytes, &n, &why);
  if (s != OGV_OK) return outcome(e, "refused", &why), OGV_OK;
  ogv_sha256(bytes, n, now);
  if (strcmp(now, e->sha256))
    s = ogv_fail(&why, OGV_E_CONFLICT, "Import it again when it is complete.", "the file changed while it was read");
  if (s == OGV_OK) s = store_one(t, e, bytes, n, &changed, &why);
  free(bytes);
  if (s == OGV_OK) return OGV_OK;
  outcome(e, "refused", &why);
  if (!fatal(s)) return OGV_OK;
  if (err) *err = why;
  return ogv_error_at(err, s, "%s", e->path);
}

static ogv_status finish_file(import *t, entry *e, ogv_error *err) {
  t->done++;
  return t->o.progress ? t->o.progress(t->o.user, e->line, t->done, t->n, err) : OGV_OK;
}

static ogv_status collect(void *user, const char *path, ogv_error *err) {
  import *t = user;
  if (t->n == FILES_MAX)
    return ogv_fail(err, OGV_E_RANGE, "Import a folder further down.", "more than %d files", FILES_MAX);
  if (t->n == t->capacity) {
    size_t c = t->capacity ? 2 * t->capacity : 256;
    entry *e = realloc(t->e, c * sizeof *e);
    if (!e) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory listing files");
    t->e = e;
    t->capacity = c;
  }
  entry *e = &t->e[t->n];
  *e = (entry){.path = strdup(path)};
  if (!e->path) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory listing files");
  t->n++;
  return OGV_OK;
}

/* --- summary ------------------------------------------------------------------------------------------------------ */
static ogv_status exam_summary(import *t, json_t *exams, json_t *patients, json_t *notes, ogv_error *err) {
  const char *id;
  json_t *counts;
  json_object_foreach(t->exams, id, counts) {
    json_t *e, *note;
    size_t i;
    OGV_TRY(ogv_store_exam(t->s, id, &e, err));
    json_t *p = json_object_get(e, "patient");
    json_array_append_new(
        exams, json_pack("{s:s,s:O,s:O,s:O,s:O,s:O,s:O}", "id", id, "date", json_object_get(e, "date"), "pregnancy",
                         json_object_get(json_object_get(e, "pregnancy"), "id"), "patient_id",
                         json_object_get(p, "patient_id"), "patient_name", json_object_get(p, "name"), "added",
                         json_object_get(counts, "added"), "present", json_object_get(counts, "present")));
    json_object_set_new(patients, ogv_json_string_or(p, "id", ""), json_true());
    json_array_foreach(json_object_get(e, "notes"), i, note) {
      const char *text = ogv_json_string_or(json_object_get(note, "detail"), "text", "");
      if (*text)
        json_array_append_new(
            notes, json_pack("{s:s,s:s,s:s}", "exam", id, "verb", ogv_json_string_or(note, "verb", ""), "text", text));
    }
    json_decref(e);
  }
  return OGV_OK;
}

static ogv_status date_all(import *t, json_t *dating, ogv_error *err) {
  json_t *done = json_object(), *counts;
  const char *id;
  ogv_status s = OGV_OK;
  json_object_foreach(t->exams, id, counts) {
    char pregnancy[20];
    json_t *one = NULL;
    if (s == OGV_OK) s = ogv_intake_pregnancy_of(t->s, id, pregnancy, err);
    if (s != OGV_OK || json_object_get(done, pregnancy)) continue;
    json_object_set_new(done, pregnancy, json_true());
    s = ogv_intake_date(t->s, pregnancy, t->o.dating_rule, t->who, &one, err);
    if (s == OGV_OK) json_array_append_new(dating, one);
  }
  json_decref(done);
  return s;
}

static json_t *counts_of(const import *t) {
  static const char *const words[] = {"added", "present", "conflict", "refused", "skipped"};
  int n[5] = {0}, rows = 0;
  for (size_t i = 0; i < t->n; i++) {
    for (size_t k = 0; k < 5; k++) n[k] += !strcmp(ogv_json_string_or(t->e[i].line, "result", ""), words[k]);
    rows += (int)ogv_json_number_or(json_object_get(t->e[i].line, "items"), "measurements", 0);
  }
  return json_pack("{s:i,s:i,s:i,s:i,s:i,s:i,s:i}", "files", (int)t->n, "added", n[0], "present", n[1], "conflict",
                   n[2], "refused", n[3], "skipped", n[4], "measurements", rows);
}

static ogv_status finish(import *t, json_t **result, ogv_error *err) {
  json_t *files = json_array(), *exams = json_array(), *patients = json_object(), *notes = json_array(),
         *dating = json_array();
  ogv_status s = OGV_OK;
  if (!t->o.no_dating) s = date_all(t, dating, err);
  ogv_status s2 = exam_summary(t, exams, patients, notes, s == OGV_OK ? err : NULL);
  for (size_t i = 0; i < t->n; i++)
    if (t->e[i].line) json_array_append(files, t->e[i].line);
  if (json_object_size(patients) > 1)
    json_array_insert_new(notes, 0,
                          json_pack("{s:n,s:s,s:o}", "exam", "verb", "several-patients", "text",
                                    json_sprintf("These files belong to %d patients; each got an exam of its own.",
                                                 (int)json_object_size(patients))));
  *result = json_pack("{s:o,s:o,s:o,s:i,s:o,s:o}", "counts", counts_of(t), "files", files, "exams", exams, "patients",
                      (int)json_object_size(patients), "notes", notes, "dating", dating);
  json_decref(patients);
  if (s == OGV_OK) s = s2;
  return s == OGV_OK && !*result ? ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at the result") : s;
}

static void release(import *t) {
  for (size_t i = 0; i < t->n; i++) {
    free(t->e[i].path);
    json_decref(t->e[i].about);
    json_decref(t->e[i].items);
    json_decref(t->e[i].line);
  }
  free(t->e);
  json_decref(t->exams);
}

static ogv_status import_all(import *t, ogv_error *err) {
  for (size_t i = 0; i < t->n; i++) {
    OGV_TRY(describe(&t->e[i], err));
    if (!t->e[i].about) OGV_TRY(finish_file(t, &t->e[i], err));
  }
  share_dates(t);
  for (int reports = 0; reports < 2; reports++)
    for (size_t i = 0; i < t->n; i++) {
      if (!t->e[i].about || (t->e[i].items != NULL) != reports) continue;
      OGV_TRY(store_entry(t, &t->e[i], err));
      OGV_TRY(finish_file(t, &t->e[i], err));
    }
  return OGV_OK;
}

static import started(ogv_store *s, const ogv_import_options *options) {
import t = {.s = s, .exams = json_object() };
  if (options) t.o = *options;
  t.who = t.o.who && *t.o.who ? t.o.who : "import";
  return t;
}

ogv_status ogv_import_path(ogv_store *s, const char *path, const ogv_import_options *options, json_t **result,
                           ogv_error *err) {
  *result = NULL;
import t = started(s, options);
  ogv_status st = ogv_folder_walk(path, collect, &t, err);
  if (st == OGV_OK && t.n == 0)
    st = ogv_fail(err, OGV_E_NOT_FOUND, "Check the folder.", "there is no file in %s", path);
  if (st == OGV_OK) {
    st = import_all(&t, err);
    ogv_status st2 = finish(&t, result, st == OGV_OK ? err : NULL);
    if (st == OGV_OK) st = st2;
  }
  release(&t);
  return st;
}

/* --- one object as bytes
 * ---------------------------------------------------------------------------------------------- */
static ogv_status with_file(const import *t, const void *bytes, size_t size, char path[4096], ogv_error *err) {
  unsigned char r[8];
  ogv_random(r, sizeof r);
  int n = snprintf(path, 4096, "%s/objects/incoming/arrival-%02x%02x%02x%02x%02x%02x%02x%02x", ogv_store_home(t->s),
                   r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7]);
  if (n < 0 || n >= 4096) return ogv_fail(err, OGV_E_INVALID, NULL, "the record folder's name is too long");
  return ogv_file_write(path, bytes, size, err);
}

static ogv_status import_arrival(import *t, entry *e, const void *bytes, size_t size, ogv_error *err) {
  bool changed;
  OGV_TRY(describe(e, err));
  if (!e->about) {
    const char *what = ogv_json_string_or(e->line, "why", ""), *code = ogv_json_string_or(e->line, "code", "");
    ogv_status s = OGV_E_UNSUPPORTED;
    for (int k = OGV_E_INVALID; k <= OGV_E_INTERNAL; k++)
      if (!strcmp(ogv_status_word((ogv_status)k), code)) s = (ogv_status)k;
    return ogv_fail(err, s, ogv_json_string_or(e->line, "todo", ""), "%s", what);
  }
  share_dates(t);
  OGV_TRY(store_one(t, e, bytes, size, &changed, err));
  json_t *dating = json_array();
  ogv_status s = t->o.no_dating || !changed ? OGV_OK : date_all(t, dating, err);
  json_object_set_new(e->line, "dating", dating);
  return s;
}

ogv_status ogv_import_bytes(ogv_store *s, const void *bytes, size_t size, const char *name,
                            const ogv_import_options *options, json_t **line, ogv_error *err) {
  *line = NULL;
import t = started(s, options);
  char path[4096];
  ogv_status st = with_file(&t, bytes, size, path, err);
  if (st == OGV_OK) st = collect(&t, path, err);
  if (st == OGV_OK) {
    st = import_arrival(&t, &t.e[0], bytes, size, err);
    if (t.e[0].line) json_object_set_new(t.e[0].line, "file", json_string(name ? name : ""));
    if (st == OGV_OK) *line = json_incref(t.e[0].line);
    unlink(path);
  }
  release(&t);
  return st == OGV_OK ? OGV_OK : ogv_error_at(err, st, "%s", name ? name : "object");
}
