/* What the files of the record share. Not for other modules. */
#ifndef RECORD_INTERNAL_H
#define RECORD_INTERNAL_H

#include "core_date.h"
#include "core_json.h"
#include "core_status.h"
#include "record_sql.h"
#include "record_store.h"

struct ogv_store {
  ogv_sql *db;
  char *home;
  bool open_transaction; /* begun by the caller */
  int depth;             /* nested writes inside the record */
  bool read_only;
  atomic_llong *committed; /* of ogv_store_count_changes; NULL: not counted */
  int64_t before;          /* number of the last change when the outermost transaction began */
};

#define OGV_SCHEMA_VERSION 2
/* Brings the schema to this program's version; OGV_E_CONFLICT when it is newer. create: an empty file is filled. */
ogv_status ogv_schema_apply(ogv_sql *db, bool create, ogv_error *err);
/* For a record that cannot be changed: OGV_E_DENIED when its schema is an older one. */
ogv_status ogv_schema_fits(ogv_sql *db, ogv_error *err);

/* Every writing function runs between these two: a transaction of its own, or a savepoint within the caller's, so that
 * a call either appends all its rows or none. leave takes the status so far and returns the final one. */
ogv_status ogv_record_enter(ogv_store *s, ogv_error *err);
ogv_status ogv_record_leave(ogv_store *s, ogv_status so_far, ogv_error *err);

#define OGV_ID 20
void ogv_record_new_id(char id[OGV_ID]);
#define OGV_TIME 32
void ogv_record_now(char t[OGV_TIME]);

/* Appends a row to the change feed and gives its sequence number and time. exam and pregnancy may be NULL. */
typedef struct ogv_change {
  const char *kind, *verb, *subject, *exam, *pregnancy, *who;
  const json_t *detail;
} ogv_change;
ogv_status ogv_record_change(ogv_store *s, const ogv_change *c, int64_t *seq, char when[OGV_TIME], ogv_error *err);

/* Pregnancy of an exam; OGV_E_NOT_FOUND with a message when there is no such exam. */
ogv_status ogv_record_exam_pregnancy(ogv_store *s, const char *exam, char pregnancy[OGV_ID], ogv_error *err);
/* Full id from an id, a unique prefix (4 characters or more) or "latest". */
ogv_status ogv_record_exam_id(ogv_store *s, const char *given, char exam[OGV_ID], ogv_error *err);
/* Refuses to write into a record that was opened on a read-only medium. */
ogv_status ogv_record_writable(const ogv_store *s, ogv_error *err);
/* Refuses an empty author. */
ogv_status ogv_record_who(const char *who, ogv_error *err);

/* Patient, pregnancy and exam of an arriving object, made where missing. */
ogv_status ogv_record_place(ogv_store *s, const json_t *about, char exam[OGV_ID], ogv_error *err);

/* JSON of parts; new references through *out. */
ogv_status ogv_record_patient_json(ogv_store *s, const char *patient, json_t **out, ogv_error *err);
ogv_status ogv_record_pregnancy_json(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err);
ogv_status ogv_record_ledger_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err);
ogv_status ogv_record_objects_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err);
ogv_status ogv_record_findings_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err);
ogv_status ogv_record_reports_json(ogv_store *s, const char *exam, json_t **out, ogv_error *err);
/* Statements of the chorionicity, oldest first; the last one stands. */
ogv_status ogv_record_chorionicity_json(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err);
/* Events of one kind and subject in time order: array of {seq, verb, who, when, detail}. */
ogv_status ogv_record_events_json(ogv_store *s, const char *kind, const char *subject, json_t **out, ogv_error *err);
/* Puts dating (newest decision), edd, sd_days, rule into the object; null where undated. */
ogv_status ogv_record_dating_into(ogv_store *s, const char *pregnancy, json_t *into, ogv_error *err);

/* Steals v into obj[key]; OGV_E_MEMORY when either is NULL or it cannot be set. */
ogv_status ogv_record_set(json_t *obj, const char *key, json_t *v, ogv_error *err);
ogv_status ogv_record_add(json_t *array, json_t *v, ogv_error *err);

/* One row of a running query as JSON, a new reference. */
typedef ogv_status (*ogv_row_reader)(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err);
/* All rows as an array, or the one row (OGV_E_NOT_FOUND "there is no WHAT ID"). Both end the query. */
ogv_status ogv_record_rows(ogv_store *s, ogv_rows *q, ogv_row_reader read, json_t **out, ogv_error *err);
ogv_status ogv_record_row(ogv_store *s, ogv_rows *q, ogv_row_reader read, const char *what, const char *id,
                          json_t **out, ogv_error *err);
/* For a reader whose row is one object: takes it; OGV_E_MEMORY when it could not be made. */
ogv_status ogv_record_made(json_t *v, json_t **out, ogv_error *err);

#endif
