/* Opening, making and closing a record; transactions; ids, times and the change feed. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "core_file.h"
#include "record_disk.h"
#include "record_internal.h"

ogv_status ogv_store_default_home(char *buf, size_t size, ogv_error *err) {
  const char *home = getenv("OGIVE_HOME"), *data = getenv("XDG_DATA_HOME"), *user = getenv("HOME");
  int n;
  if (home && *home) n = snprintf(buf, size, "%s", home);
  else if (data && *data == '/') n = snprintf(buf, size, "%s/ogive", data);
  else if (user && *user) n = snprintf(buf, size, "%s/.local/share/ogive", user);
  else
    return ogv_fail(err, OGV_E_NOT_FOUND, "Set OGIVE_HOME to a folder for the record.",
                    "neither OGIVE_HOME nor HOME is set");
  if (n < 0 || (size_t)n >= size || n > 3500)
    return ogv_fail(err, OGV_E_INVALID, "Use a shorter path.", "the record folder's name is too long");
  return OGV_OK;
}

static ogv_status db_path(const char *home, char *buf, size_t size, ogv_error *err) {
  int n = snprintf(buf, size, "%s/ogive.db", home);
  return n > 0 && n < 3600 && (size_t)n < size
             ? OGV_OK
             : ogv_fail(err, OGV_E_INVALID, "Use a shorter path.", "the record folder's name is too long");
}

ogv_status ogv_store_init(const char *home, ogv_error *err) {
  char path[4096];
  OGV_TRY(db_path(home, path, sizeof path, err));
  OGV_TRY(ogv_folder_make(home, err));
  OGV_TRY(ogv_disk_make(home, err));
  mode_t before = umask(077); /* patient data: nobody else reads it */
  ogv_sql *db;
  ogv_status s = ogv_sql_open(path, true, &db, err);
  if (s == OGV_OK) s = ogv_schema_apply(db, true, err);
  umask(before);
  if (s != OGV_OK) return ogv_sql_close(db), s;
  ogv_sql_close(db);
  return OGV_OK;
}

static ogv_status find(const char *home, char *path, size_t size, bool *writable, ogv_error *err) {
  struct stat st;
  OGV_TRY(db_path(home, path, size, err));
  if (stat(path, &st)) {
    if (errno == EACCES)
      return ogv_fail(err, OGV_E_DENIED, "Check who may read that folder.", "cannot look into %s", home);
    return ogv_fail(err, OGV_E_NOT_FOUND, "Run \"ogive init\" first, or set OGIVE_HOME to the folder of the record.",
                    "there is no record in %s", home);
  }
  *writable = !access(home, W_OK) && !access(path, W_OK);
  return OGV_OK;
}

static ogv_status open_at(const char *home, const char *path, bool read_only, ogv_store **out, ogv_error *err) {
  ogv_store *s = calloc(1, sizeof *s);
  *out = NULL;
  if (!s || !(s->home = strdup(home))) {
    free(s);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory opening the record");
  }
  s->read_only = read_only;
  ogv_status st = read_only ? ogv_sql_open_reading(path, &s->db, err) : ogv_sql_open(path, false, &s->db, err);
  if (st == OGV_OK) st = read_only ? ogv_schema_fits(s->db, err) : ogv_schema_apply(s->db, false, err);
  if (st == OGV_OK) *out = s;
  else ogv_store_close(s);
  return st;
}

ogv_status ogv_store_open(const char *home, ogv_store **out, ogv_error *err) {
  char path[4096];
  bool writable = false;
  *out = NULL;
  OGV_TRY(find(home, path, sizeof path, &writable, err));
  if (!writable)
    return ogv_fail(err, OGV_E_DENIED, "Check who may write in that folder, or name another by OGIVE_HOME.",
                    "the record folder %s is read-only", home);
  return open_at(home, path, false, out, err);
}

ogv_status ogv_store_open_reading(const char *home, ogv_store **out, ogv_error *err) {
  char path[4096];
  bool writable = false;
  *out = NULL;
  OGV_TRY(find(home, path, sizeof path, &writable, err));
  return open_at(home, path, !writable, out, err);
}

bool ogv_store_read_only(const ogv_store *s) { return s->read_only; }
bool ogv_store_stale(const ogv_store *s) { return ogv_sql_stale(s->db); }
void ogv_store_count_changes(ogv_store *s, atomic_llong *committed) { s->committed = committed; }

ogv_status ogv_record_writable(const ogv_store *s, ogv_error *err) {
  if (!s->read_only) return OGV_OK;
  return ogv_fail(err, OGV_E_DENIED,
                  "Work in the record that it was copied from, or copy the folder to where it can be written.",
                  "the record folder %s is read-only: nothing can be added to it", s->home);
}

void ogv_store_close(ogv_store *s) {
  if (!s) return;
  if (s->open_transaction) ogv_store_rollback(s);
  ogv_sql_close(s->db);
  free(s->home);
  free(s);
}

const char *ogv_store_home(const ogv_store *s) { return s->home; }

/* The outermost transaction: nobody else writes until it ends, so the numbers given in it are ours. */
static ogv_status begin(ogv_store *s, ogv_error *err) {
  OGV_TRY(ogv_sql_script(s->db, "BEGIN IMMEDIATE", err));
  if (!s->committed) return OGV_OK;
  ogv_status st = ogv_store_last_change(s, &s->before, err);
  if (st != OGV_OK) ogv_sql_script(s->db, "ROLLBACK", NULL);
  return st;
}

static ogv_status commit(ogv_store *s, ogv_error *err) {
  int64_t last = s->before;
  if (s->committed) OGV_TRY(ogv_store_last_change(s, &last, err));
  if (s->committed) atomic_fetch_add(s->committed, last - s->before);
  ogv_status st = ogv_sql_script(s->db, "COMMIT", err);
  if (st != OGV_OK && s->committed) atomic_fetch_sub(s->committed, last - s->before);
  return st;
}

ogv_status ogv_store_begin(ogv_store *s, ogv_error *err) {
  OGV_TRY(ogv_record_writable(s, err));
  if (s->open_transaction) return ogv_fail(err, OGV_E_INTERNAL, NULL, "a transaction is already open");
  OGV_TRY(begin(s, err));
  s->open_transaction = true;
  return OGV_OK;
}

ogv_status ogv_store_commit(ogv_store *s, ogv_error *err) {
  if (!s->open_transaction) return ogv_fail(err, OGV_E_INTERNAL, NULL, "no transaction is open");
  ogv_status st = commit(s, err);
  if (st != OGV_OK) ogv_sql_script(s->db, "ROLLBACK", NULL);
  s->open_transaction = false;
  return st;
}

void ogv_store_rollback(ogv_store *s) {
  if (!s->open_transaction) return;
  ogv_sql_script(s->db, "ROLLBACK", NULL);
  s->open_transaction = false;
}

bool ogv_store_in_transaction(const ogv_store *s) { return s->open_transaction; }

ogv_status ogv_record_enter(ogv_store *s, ogv_error *err) {
  OGV_TRY(ogv_record_writable(s, err));
  OGV_TRY(s->open_transaction || s->depth ? ogv_sql_script(s->db, "SAVEPOINT ogive", err) : begin(s, err));
  s->depth++;
  return OGV_OK;
}

ogv_status ogv_record_leave(ogv_store *s, ogv_status so_far, ogv_error *err) {
  s->depth--;
  bool inner = s->open_transaction || s->depth;
  if (so_far == OGV_OK) so_far = inner ? ogv_sql_script(s->db, "RELEASE ogive", err) : commit(s, err);
  /* A full disk may have rolled everything back already; then these do nothing. */
  if (so_far != OGV_OK) ogv_sql_script(s->db, inner ? "ROLLBACK TO ogive; RELEASE ogive" : "ROLLBACK", NULL);
  return so_far;
}

void ogv_record_new_id(char id[OGV_ID]) {
  static const char letters[] = "0123456789abcdefghjkmnpqrstvwxyz"; /* 32 of them, none easily mistaken */
  unsigned char r[16];
  ogv_random(r, sizeof r);
  for (int i = 0; i < 16; i++) id[i] = letters[r[i] & 31];
  id[16] = 0;
}

void ogv_record_now(char t[OGV_TIME]) {
  struct timespec ts;
  clock_gettime(CLOCK_REALTIME, &ts);
  struct tm tm;
  gmtime_r(&ts.tv_sec, &tm);
  char day[24];
  strftime(day, sizeof day, "%Y-%m-%dT%H:%M:%S", &tm);
  snprintf(t, OGV_TIME, "%s.%03dZ", day, (int)(ts.tv_nsec / 1000000));
}

ogv_status ogv_record_who(const char *who, ogv_error *err) {
  if (!who || !*who || strlen(who) > 200)
    return ogv_fail(err, OGV_E_INVALID, "Say who does it.", "an entry in the record needs its author");
  return OGV_OK;
}

ogv_status ogv_record_change(ogv_store *s, const ogv_change *c, int64_t *seq, char when[OGV_TIME], ogv_error *err) {
  char now[OGV_TIME];
  ogv_record_now(now);
  OGV_TRY(ogv_record_who(c->who, err));
  OGV_TRY(ogv_sql_run(s->db, err,
                      "INSERT INTO change(at, who, kind, verb, subject, exam, pregnancy, detail)"
                      " VALUES($1,$2,$3,$4,$5,$6,$7,$8)",
                      "tttttttj", now, c->who, c->kind, c->verb, c->subject, c->exam, c->pregnancy, c->detail));
  *seq = ogv_sql_last_key(s->db);
  if (when) memcpy(when, now, OGV_TIME);
  return OGV_OK;
}

ogv_status ogv_record_set(json_t *obj, const char *key, json_t *v, ogv_error *err) {
  if (obj && v && json_object_set_new(obj, key, v) == 0) return OGV_OK;
  return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at \"%s\"", key);
}

ogv_status ogv_record_add(json_t *array, json_t *v, ogv_error *err) {
  if (array && v && json_array_append_new(array, v) == 0) return OGV_OK;
  return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory in a list");
}

ogv_status ogv_record_rows(ogv_store *s, ogv_rows *q, ogv_row_reader read, json_t **out, ogv_error *err) {
  bool row = false;
  ogv_status st;
  *out = json_array();
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row) {
    json_t *one = NULL;
    if ((st = read(s, q, &one, err)) == OGV_OK) st = ogv_record_add(*out, one, err);
    if (st != OGV_OK) break;
  }
  ogv_sql_end(q);
  if (st == OGV_OK) return st;
  json_decref(*out);
  *out = NULL;
  return st;
}

ogv_status ogv_record_row(ogv_store *s, ogv_rows *q, ogv_row_reader read, const char *what, const char *id,
                          json_t **out, ogv_error *err) {
  bool row = false;
  *out = NULL;
  ogv_status st = ogv_sql_next(q, &row, err);
  if (st == OGV_OK && !row) st = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no %s %.70s", what, id);
  else if (st == OGV_OK) st = read(s, q, out, err);
  ogv_sql_end(q);
  return st;
}

ogv_status ogv_record_made(json_t *v, json_t **out, ogv_error *err) {
  *out = v;
  return v ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a row of the record");
}
