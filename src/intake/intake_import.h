/* The way in: DICOM files become objects of the record, the numbers of structured reports become rows of the ledger,
 * the dates become dating evidence. Used by `ogive import`, by the server's drop and by DICOM receive. docs/intake.md
 * has the rules. Nothing is lost silently: every file has a line in the result, every item of a report that was not
 * used is listed with the reason. Bringing in the same files again adds nothing. */
#ifndef INTAKE_IMPORT_H
#define INTAKE_IMPORT_H

#include <jansson.h>
#include <stddef.h>

#include "core_status.h"
#include "record_store.h"

typedef struct ogv_import_options {
  const char *who;         /* author of what is added; NULL: "import" */
  const char *dating_rule; /* id; NULL: setting "dating.rule", else the default rule */
  bool no_dating;          /* leave dating to a person */
  /* Called after each file with its line of the result; returning anything but OGV_OK stops (what was stored stays). */
  ogv_status (*progress)(void *user, const json_t *file, size_t done, size_t total, ogv_error *err);
  void *user;
} ogv_import_options;

/* Imports a file, or every file below a folder. options may be NULL. *result (new reference; docs/intake.md has the
 * shape):
 * {"files":[...], "counts":{...}, "exams":[...], "patients":n, "notes":[...], "dating":[...]}.
 * A file that is refused does not stop the others. Fails only when nothing could go on: the path cannot be read, the
 * disk is full, the store cannot be written (what was reported as added by then is safe); *result then holds what was
 * done. */
ogv_status ogv_import_path(ogv_store *s, const char *path, const ogv_import_options *options, json_t **result,
                           ogv_error *err);

/* One object that arrived as bytes (drop, network). `name` is for messages. *line: its line of the result. Refusals are
 * errors here: the sender must know. When OGV_OK is returned the object is on disk, synced and recorded. */
ogv_status ogv_import_bytes(ogv_store *s, const void *bytes, size_t size, const char *name,
                            const ogv_import_options *options, json_t **line, ogv_error *err);

#endif
