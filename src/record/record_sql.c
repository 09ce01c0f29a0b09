/* SQLite behind the record's small SQL interface. */
#include "record_sql.h"

#include <math.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "core_json.h"

struct ogv_sql {
  sqlite3 *db;
  char *snapshot;     /* path of a data base that is read as if nobody wrote to it; else NULL */
  struct stat opened; /* as it was then */
};
struct ogv_rows {
  sqlite3_stmt *stmt;
  ogv_sql *db;
};

static ogv_status fail(sqlite3 *db, int rc, const char *doing, ogv_error *err) {
  const char *text = db ? sqlite3_errmsg(db) : sqlite3_errstr(rc);
  int extended = db ? sqlite3_extended_errcode(db) : rc;
  switch (rc & 0xff) {
    case SQLITE_FULL:
      return ogv_fail(err, OGV_E_IO, "Free some space on that disk, then run it again; nothing was half written.",
                      "the disk is full (%s)", doing);
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
    case SQLITE_CANTOPEN:
      return ogv_fail(err, OGV_E_DENIED, "Check who may write in the record's folder, or name another by OGIVE_HOME.",
                      "the record cannot be written (%s: %s)", doing, text);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return ogv_fail(err, OGV_E_IO, "Try again in a moment.",
                      "another program has been writing to the record for too long (%s)", doing);
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return ogv_fail(err, OGV_E_CORRUPT, "Restore the folder from its last copy.", "the record is damaged (%s: %s)",
                      doing, text);
    case SQLITE_NOMEM: return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory (%s)", doing);
    case SQLITE_CONSTRAINT:
      if (extended == SQLITE_CONSTRAINT_TRIGGER)
        return ogv_fail(err, OGV_E_DENIED, "Append a correction instead.", "%s", text);
      if (extended == SQLITE_CONSTRAINT_UNIQUE || extended == SQLITE_CONSTRAINT_PRIMARYKEY)
        return ogv_fail(err, OGV_E_CONFLICT, NULL, "this is already there (%s: %s)", doing, text);
      return ogv_fail(err, OGV_E_INVALID, NULL, "the record refuses it (%s: %s)", doing, text);
    case SQLITE_IOERR:
      return ogv_fail(err, OGV_E_IO, "Check the disk, then run it again; nothing was half written.",
                      "the disk failed (%s: %s)", doing, text);
    default: return ogv_fail(err, OGV_E_INTERNAL, NULL, "%s: %s", doing, text);
  }
}

static ogv_status connect(const char *name, int flags, ogv_sql **out, ogv_error *err) {
  sqlite3 *h = NULL;
  *out = NULL;
  int rc = sqlite3_open_v2(name, &h, flags | SQLITE_OPEN_NOMUTEX, NULL);
  ogv_sql *db = rc == SQLITE_OK ? calloc(1, sizeof *db) : NULL;
  if (!db) {
    ogv_status s = fail(h, rc == SQLITE_OK ? SQLITE_NOMEM : rc, "opening the record", err);
    sqlite3_close(h);
    return s;
  }
  db->db = h;
  sqlite3_extended_result_codes(h, 1);
  sqlite3_busy_timeout(h, 15000);
  *out = db;
  return OGV_OK;
}

static ogv_status set_up(const char *pragmas, ogv_sql **db, ogv_error *err) {
  ogv_status s = ogv_sql_script(*db, pragmas, err);
  if (s == OGV_OK) return s;
  ogv_sql_close(*db);
  *db = NULL;
  return s;
}

ogv_status ogv_sql_open(const char *path, bool create, ogv_sql **out, ogv_error *err) {
  OGV_TRY(connect(path, SQLITE_OPEN_READWRITE | (create ? SQLITE_OPEN_CREATE : 0), out, err));
  if (sqlite3_db_readonly((*out)->db, "main") == 1) {
    ogv_sql_close(*out);
    *out = NULL;
    return ogv_fail(err, OGV_E_DENIED, "Check who may write in that folder, or name another by OGIVE_HOME.",
                    "the record %s is read-only", path);
  }
  /* FULL: a commit is on the disk when it returns, also in WAL mode ("acknowledged means stored"). */
  return set_up(
      "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;"
      "PRAGMA trusted_schema=OFF; PRAGMA temp_store=MEMORY;",
      out, err);
}

/* SQLite's name for a file that nobody changes: then it needs no files beside it. Characters that mean something in a
 * URI are escaped. */
static bool immutable_name(const char *path, char *buf, size_t size) {
  size_t n = (size_t)snprintf(buf, size, "file:");
  for (const char *p = path; *p && n + 32 < size; p++) {
    if (strchr("%?#", *p)) n += (size_t)snprintf(buf + n, size - n, "%%%02X", (unsigned char)*p);
    else buf[n++] = *p;
  }
  return snprintf(buf + n, size - n, "?mode=ro&immutable=1") < (int)(size - n);
}

static const char reading_pragmas[] =
    "PRAGMA query_only=ON; PRAGMA trusted_schema=OFF; PRAGMA temp_store=MEMORY; SELECT count(*) FROM sqlite_master;";

static bool beside(const char *path, const char *ending, struct stat *st) {
  char name[4200];
  snprintf(name, sizeof name, "%.4000s%s", path, ending);
  return !stat(name, st);
}

/* Changes that have not gone into the data base. */
static bool pending(const char *path) {
  struct stat st;
  return beside(path, "-wal", &st) && st.st_size > 0;
}

ogv_status ogv_sql_open_snapshot(const char *path, ogv_sql **out, ogv_error *err) {
  char name[8192];
  struct stat st;
  *out = NULL;
  if (!immutable_name(path, name, sizeof name))
    return ogv_fail(err, OGV_E_INVALID, "Use a shorter path.", "the record folder's name is too long");
  if (stat(path, &st)) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no record %s", path);
  OGV_TRY(connect(name, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, out, err));
  OGV_TRY(set_up(reading_pragmas, out, err));
  (*out)->opened = st;
  (*out)->snapshot = strdup(path);
  if ((*out)->snapshot) return OGV_OK;
  ogv_sql_close(*out);
  *out = NULL;
  return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory opening the record");
}

bool ogv_sql_stale(const ogv_sql *db) {
  struct stat now;
  if (!db->snapshot) return false;
  if (pending(db->snapshot) || stat(db->snapshot, &now)) return true;
  return now.st_ino != db->opened.st_ino || now.st_size != db->opened.st_size ||
         now.st_mtim.tv_sec != db->opened.st_mtim.tv_sec || now.st_mtim.tv_nsec != db->opened.st_mtim.tv_nsec;
}

/* SQLite keeps readers and writers apart through the log's index beside the data base. Where it is there or can be
 * made, it is used, so that what others write is seen. Where nothing can be made beside it, and no changes wait in the
 * log, the data base is read as it stands, and its file is watched. */
ogv_status ogv_sql_open_reading(const char *path, ogv_sql **out, ogv_error *err) {
  ogv_error shared = {0};
  ogv_status s = connect(path, SQLITE_OPEN_READONLY, out, &shared);
  if (s == OGV_OK) s = set_up(reading_pragmas, out, &shared);
  if (s != OGV_E_DENIED && s != OGV_E_IO) {
    if (s != OGV_OK && err) *err = shared;
    return s;
  }
  if (!pending(path)) return ogv_sql_open_snapshot(path, out, err);
  return ogv_fail(
      err, OGV_E_DENIED,
      "Copy the folder to where it can be written and open it there once, or stop the program that writes to it "
      "before copying.",
      "the read-only record %s has changes in its log (%s-wal) that cannot be read here", path, path);
}

void ogv_sql_close(ogv_sql *db) {
  if (!db) return;
  sqlite3_close_v2(db->db);
  free(db->snapshot);
  free(db);
}

static ogv_status bind(ogv_sql *db, sqlite3_stmt *st, const char *format, va_list ap, ogv_error *err) {
  int rc = SQLITE_OK;
  for (int n = 1; rc == SQLITE_OK && format && format[n - 1]; n++) {
    char name[16];
    snprintf(name, sizeof name, "$%d", n);
    int i =
        sqlite3_bind_parameter_index(st, name); /* SQLite numbers them by first appearance, whatever they are called */
    if (!i) return ogv_fail(err, OGV_E_INTERNAL, NULL, "no place %s for a parameter in: %.200s", name, sqlite3_sql(st));
    switch (format[n - 1]) {
      case 't': {
        const char *v = va_arg(ap, const char *);
        rc = v ? sqlite3_bind_text(st, i, v, -1, SQLITE_TRANSIENT) : sqlite3_bind_null(st, i);
        break;
      }
      case 'i': rc = sqlite3_bind_int64(st, i, va_arg(ap, int64_t)); break;
      case 'r': {
        double v = va_arg(ap, double);
        rc = isfinite(v) ? sqlite3_bind_double(st, i, v) : sqlite3_bind_null(st, i);
        break;
      }
      case 'j': {
        const json_t *v = va_arg(ap, const json_t *);
        if (!v || json_is_null(v)) {
          rc = sqlite3_bind_null(st, i);
          break;
        }
        char *text = ogv_json_canonical(v);
        rc = text ? sqlite3_bind_text(st, i, text, -1, SQLITE_TRANSIENT) : SQLITE_NOMEM;
        free(text);
        break;
      }
      default: return ogv_fail(err, OGV_E_INTERNAL, NULL, "bad parameter format \"%s\"", format);
    }
  }
  return rc == SQLITE_OK ? OGV_OK : fail(db->db, rc, "binding a value", err);
}

static ogv_status prepare(ogv_sql *db, const char *sql, const char *format, va_list ap, sqlite3_stmt **st,
                          ogv_error *err) {
  int rc = sqlite3_prepare_v2(db->db, sql, -1, st, NULL);
  if (rc != SQLITE_OK) return fail(db->db, rc, "preparing a statement", err);
  int wanted = sqlite3_bind_parameter_count(*st), given = format ? (int)strlen(format) : 0;
  ogv_status s = wanted == given ? bind(db, *st, format, ap, err)
                                 : ogv_fail(err, OGV_E_INTERNAL, NULL, "%d parameters for %d places in: %.200s", given,
                                            wanted, sql);
  if (s != OGV_OK) {
    sqlite3_finalize(*st);
    *st = NULL;
  }
  return s;
}

ogv_status ogv_sql_run(ogv_sql *db, ogv_error *err, const char *sql, const char *format, ...) {
  sqlite3_stmt *st = NULL;
  va_list ap;
  va_start(ap, format);
  ogv_status s = prepare(db, sql, format, ap, &st, err);
  va_end(ap);
  if (s != OGV_OK) return s;
  int rc;
  do rc = sqlite3_step(st);
  while (rc == SQLITE_ROW);
  if (rc != SQLITE_DONE) s = fail(db->db, rc, "writing to the record", err);
  sqlite3_finalize(st);
  return s;
}

ogv_status ogv_sql_script(ogv_sql *db, const char *sql, ogv_error *err) {
  int rc = sqlite3_exec(db->db, sql, NULL, NULL, NULL);
  return rc == SQLITE_OK ? OGV_OK : fail(db->db, rc, "writing to the record", err);
}

int64_t ogv_sql_changed(ogv_sql *db) { return sqlite3_changes64(db->db); }
int64_t ogv_sql_last_key(ogv_sql *db) { return sqlite3_last_insert_rowid(db->db); }

static ogv_status start(ogv_sql *db, ogv_rows **out, const char *sql, const char *format, va_list ap, ogv_error *err) {
  *out = NULL;
  ogv_rows *q = calloc(1, sizeof *q);
  if (!q) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory reading the record");
  q->db = db;
  ogv_status s = prepare(db, sql, format, ap, &q->stmt, err);
  if (s != OGV_OK) free(q);
  else *out = q;
  return s;
}

ogv_status ogv_sql_query(ogv_sql *db, ogv_rows **out, ogv_error *err, const char *sql, const char *format, ...) {
  va_list ap;
  va_start(ap, format);
  ogv_status s = start(db, out, sql, format, ap, err);
  va_end(ap);
  return s;
}

ogv_status ogv_sql_next(ogv_rows *q, bool *row, ogv_error *err) {
  int rc = sqlite3_step(q->stmt);
  *row = rc == SQLITE_ROW;
  if (ogv_sql_stale(q->db)) { /* also explains what else went wrong */
    *row = false;
    return ogv_fail(err, OGV_E_CONFLICT, "Run it again.",
                    "another program has written to the record %s while it was read here", q->db->snapshot);
  }
  return rc == SQLITE_ROW || rc == SQLITE_DONE ? OGV_OK : fail(q->db->db, rc, "reading the record", err);
}

void ogv_sql_end(ogv_rows *q) {
  if (!q) return;
  sqlite3_finalize(q->stmt);
  free(q);
}

bool ogv_sql_null(ogv_rows *q, int column) { return sqlite3_column_type(q->stmt, column) == SQLITE_NULL; }

const char *ogv_sql_text(ogv_rows *q, int column) {
  const unsigned char *t = sqlite3_column_text(q->stmt, column);
  return t ? (const char *)t : "";
}

int64_t ogv_sql_int(ogv_rows *q, int column) { return sqlite3_column_int64(q->stmt, column); }

double ogv_sql_real(ogv_rows *q, int column) {
  return ogv_sql_null(q, column) ? NAN : sqlite3_column_double(q->stmt, column);
}

json_t *ogv_sql_json(ogv_rows *q, int column) {
  if (ogv_sql_null(q, column)) return json_null();
  json_t *v = json_loads(ogv_sql_text(q, column), JSON_DECODE_ANY, NULL);
  return v ? v : json_null();
}

json_t *ogv_sql_json_text(ogv_rows *q, int column) {
  return ogv_sql_null(q, column) ? json_null() : json_string(ogv_sql_text(q, column));
}

/* Starts a query and takes its first row; OGV_E_NOT_FOUND when there is none. Whatever it returns, *q is to be ended.
 */
static ogv_status first_row(ogv_sql *db, ogv_rows **q, const char *sql, const char *format, va_list ap,
                            ogv_error *err) {
  bool row = false;
  *q = NULL;
  OGV_TRY(start(db, q, sql, format, ap, err));
  OGV_TRY(ogv_sql_next(*q, &row, err));
  return row ? OGV_OK : OGV_E_NOT_FOUND;
}

ogv_status ogv_sql_one_text(ogv_sql *db, char *buf, size_t size, ogv_error *err, const char *sql, const char *format,
                            ...) {
  ogv_rows *q;
  va_list ap;
  va_start(ap, format);
  ogv_status s = first_row(db, &q, sql, format, ap, err);
  va_end(ap);
  if (s == OGV_OK) {
    const char *t = ogv_sql_text(q, 0);
    size_t n = strlen(t);
    if (n >= size) s = ogv_fail(err, OGV_E_INTERNAL, NULL, "a stored text is longer than the %zu expected", size);
    else memcpy(buf, t, n + 1);
  }
  ogv_sql_end(q);
  return s;
}

ogv_status ogv_sql_one_int(ogv_sql *db, int64_t *out, ogv_error *err, const char *sql, const char *format, ...) {
  ogv_rows *q;
  va_list ap;
  va_start(ap, format);
  ogv_status s = first_row(db, &q, sql, format, ap, err);
  va_end(ap);
  if (s == OGV_OK) *out = ogv_sql_int(q, 0);
  ogv_sql_end(q);
  return s;
}
