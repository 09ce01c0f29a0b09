/* Is the record whole? The data base's own checks, and every stored file against the hash it is named by. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "record_disk.h"
#include "record_internal.h"

static ogv_status database_lines(ogv_store *s, json_t *lines, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "PRAGMA integrity_check(20)", NULL));
  bool row = false;
  ogv_status st;
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row)
    if (strcmp(ogv_sql_text(q, 0), "ok")) json_array_append_new(lines, json_string(ogv_sql_text(q, 0)));
  ogv_sql_end(q);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "PRAGMA foreign_key_check", NULL));
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row)
    json_array_append_new(
        lines, json_sprintf("a row of %s names a row of %s that is not there", ogv_sql_text(q, 0), ogv_sql_text(q, 2)));
  ogv_sql_end(q);
  return st;
}

/* What is wrong with a stored file, or NULL. size < 0: not known. */
static const char *fault_of(const char *path, const char *sha256, int64_t size, bool deep) {
  struct stat st;
  if (stat(path, &st)) return "the file is missing";
  if (size >= 0 && st.st_size != size) return "the file has another length";
  if (!deep) return NULL;
  uint8_t *data;
  size_t n;
  char now[OGV_SHA256_TEXT];
  if (ogv_file_read(path, (size_t)4 << 30, &data, &n, NULL) != OGV_OK) return "the file cannot be read";
  ogv_sha256(data, n, now);
  free(data);
  return strcmp(now, sha256) ? "the file was changed" : NULL;
}

ogv_status ogv_store_check(ogv_store *s, bool deep, json_t **out, ogv_error *err) {
  json_t *lines = json_array(), *damaged = json_array();
  int64_t files = 0;
  ogv_rows *q = NULL;
  ogv_status st = database_lines(s, lines, err);
  if (st == OGV_OK)
    st = ogv_sql_query(
        s->db, &q, err,
        "SELECT 'object', id, sha256, size FROM object UNION ALL SELECT 'report', id, sha256, size FROM report"
        " UNION ALL SELECT 'facts of report', id, facts_sha256, -1 FROM report",
        NULL);
  bool row = false;
  while (st == OGV_OK && (st = ogv_sql_next(q, &row, err)) == OGV_OK && row) {
    char path[4096];
    if ((st = ogv_disk_path(s->home, ogv_sql_text(q, 2), path, sizeof path, err)) != OGV_OK) break;
    const char *what = fault_of(path, ogv_sql_text(q, 2), ogv_sql_int(q, 3), deep);
    files++;
    if (what)
      st = ogv_record_add(damaged,
                          json_pack("{s:s,s:s,s:s,s:s}", "kind", ogv_sql_text(q, 0), "id", ogv_sql_text(q, 1), "what",
                                    what, "path", path),
                          err);
  }
  ogv_sql_end(q);
  if (st == OGV_OK) {
    bool whole = !json_array_size(lines) && !json_array_size(damaged);
    *out = json_pack("{s:b,s:I,s:O,s:O}", "whole", whole, "files", (json_int_t)files, "damaged", damaged, "database",
                     lines);
    if (!*out) st = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory checking the record");
  }
  json_decref(lines);
  json_decref(damaged);
  return st;
}
