/* The schema and its migrations. Migration i brings version i to i+1 and is never edited once released; a change is a
 * new one at the end. docs/record.md explains the tables.
 *
 * change is the spine: every append takes its number from it, so one ever-growing number orders everything that ever
 * happened, and a browser that knows number n asks for what came after n. */
#include <stdio.h>

#include "record_internal.h"

#define APPEND_ONLY(table)                                                                                  \
  "CREATE TRIGGER " table "_no_update BEFORE UPDATE ON " table " BEGIN SELECT RAISE(ABORT, 'rows of " table \
  " are never changed'); END;"                                                                              \
  "CREATE TRIGGER " table "_no_delete BEFORE DELETE ON " table " BEGIN SELECT RAISE(ABORT, 'rows of " table \
  " are never deleted'); END;"

static const char *const migrations[OGV_SCHEMA_VERSION] = {
    /* 0 -> 1 */
    "CREATE TABLE change(seq INTEGER PRIMARY KEY AUTOINCREMENT, at TEXT NOT NULL, who TEXT NOT NULL,"
    "  kind TEXT NOT NULL, verb TEXT NOT NULL, subject TEXT NOT NULL, exam TEXT, pregnancy TEXT, detail TEXT);"
    "CREATE INDEX change_subject ON change(kind, subject, seq);"
    "CREATE INDEX change_exam ON change(exam, seq);" APPEND_ONLY("change")

    /* key: issuer and patient id, or the study when the sender gave no patient id (never merged by name). */
    "CREATE TABLE patient(id TEXT PRIMARY KEY, key TEXT NOT NULL UNIQUE, issuer TEXT NOT NULL, patient_id TEXT NOT NULL,"
    "  name TEXT NOT NULL, birth_date TEXT, seq INTEGER NOT NULL REFERENCES change(seq)) WITHOUT ROWID;" APPEND_ONLY(
        "patient")
    "CREATE TABLE pregnancy(id TEXT PRIMARY KEY, patient TEXT NOT NULL REFERENCES patient(id), number INTEGER NOT NULL,"
    "  seq INTEGER NOT NULL REFERENCES change(seq), UNIQUE(patient, number)) WITHOUT ROWID;" APPEND_ONLY("pregnancy")
    /* exam.pregnancy may be moved by hand, with a change row that says who and why. */
    "CREATE TABLE exam(id TEXT PRIMARY KEY, patient TEXT NOT NULL REFERENCES patient(id),"
    "  pregnancy TEXT NOT NULL REFERENCES pregnancy(id), study TEXT NOT NULL, date TEXT, time TEXT NOT NULL,"
    "  accession TEXT NOT NULL, description TEXT NOT NULL, about TEXT, seq INTEGER NOT NULL REFERENCES change(seq),"
    "  UNIQUE(patient, study));"
    "CREATE INDEX exam_pregnancy ON exam(pregnancy, date);"
    "CREATE TRIGGER exam_no_delete BEFORE DELETE ON exam"
    " BEGIN SELECT RAISE(ABORT, 'rows of exam are never deleted'); END;"
    "CREATE TABLE object(id TEXT PRIMARY KEY, exam TEXT NOT NULL REFERENCES exam(id), instance TEXT NOT NULL,"
    "  sha256 TEXT NOT NULL, size INTEGER NOT NULL, kind TEXT NOT NULL, conflict_of TEXT REFERENCES object(id),"
    "  about TEXT NOT NULL, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq), UNIQUE(instance, sha256));"
    "CREATE INDEX object_exam ON object(exam, seq); CREATE INDEX object_sha ON object(sha256);" APPEND_ONLY("object")

    /* repeat_key makes an append safe to try again: the same key in the same exam adds nothing. */
    "CREATE TABLE measurement(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  exam TEXT NOT NULL REFERENCES exam(id), fetus TEXT NOT NULL, quantity TEXT NOT NULL, value REAL NOT NULL,"
    "  unit TEXT NOT NULL, sd REAL, source TEXT NOT NULL CHECK(source IN ('geometry','imported','typed','proposed')),"
    "  evidence TEXT, object TEXT REFERENCES object(id), frame INTEGER,"
    "  state TEXT NOT NULL CHECK(state IN ('accepted','proposed')), supersedes TEXT UNIQUE REFERENCES measurement(id),"
    "  why TEXT NOT NULL, derivation TEXT NOT NULL, repeat_key TEXT, who TEXT NOT NULL, at TEXT NOT NULL,"
    "  UNIQUE(exam, repeat_key));"
    "CREATE INDEX measurement_exam ON measurement(exam, seq);" APPEND_ONLY("measurement")
    "CREATE TABLE measurement_event(seq INTEGER PRIMARY KEY REFERENCES change(seq),"
    "  measurement TEXT NOT NULL REFERENCES measurement(id), version INTEGER NOT NULL,"
    "  state TEXT NOT NULL CHECK(state IN ('accepted','disputed','withdrawn','restored')), why TEXT NOT NULL,"
    "  who TEXT NOT NULL, at TEXT NOT NULL, UNIQUE(measurement, version));" APPEND_ONLY("measurement_event")

    "CREATE TABLE evidence(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  pregnancy TEXT NOT NULL REFERENCES pregnancy(id), exam TEXT REFERENCES exam(id), basis TEXT NOT NULL,"
    "  edd TEXT, data TEXT NOT NULL, repeat_key TEXT, who TEXT NOT NULL, at TEXT NOT NULL,"
    "  UNIQUE(pregnancy, repeat_key));"
    "CREATE INDEX evidence_pregnancy ON evidence(pregnancy, seq);" APPEND_ONLY("evidence")
    "CREATE TABLE dating(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  pregnancy TEXT NOT NULL REFERENCES pregnancy(id), edd TEXT NOT NULL, sd_days REAL, rule TEXT NOT NULL,"
    "  reason TEXT NOT NULL, data TEXT NOT NULL, supersedes TEXT UNIQUE REFERENCES dating(id), who TEXT NOT NULL,"
    "  at TEXT NOT NULL);"
    "CREATE INDEX dating_pregnancy ON dating(pregnancy, seq);"
    "CREATE UNIQUE INDEX dating_first ON dating(pregnancy) WHERE supersedes IS NULL;" APPEND_ONLY("dating")

    "CREATE TABLE finding(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  exam TEXT NOT NULL REFERENCES exam(id), fetus TEXT NOT NULL, structure TEXT NOT NULL,"
    "  state TEXT NOT NULL CHECK(state IN ('normal','abnormal','not-seen','note','removed')), reason TEXT NOT NULL,"
    "  text TEXT NOT NULL, objects TEXT NOT NULL, data TEXT, supersedes TEXT UNIQUE REFERENCES finding(id),"
    "  who TEXT NOT NULL, at TEXT NOT NULL);"
    "CREATE INDEX finding_exam ON finding(exam, seq);" APPEND_ONLY("finding")
    "CREATE TABLE mark(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  object TEXT NOT NULL REFERENCES object(id), frame INTEGER, kind TEXT NOT NULL, data TEXT NOT NULL,"
    "  removed INTEGER NOT NULL, supersedes TEXT UNIQUE REFERENCES mark(id), who TEXT NOT NULL, at TEXT NOT NULL);"
    "CREATE INDEX mark_object ON mark(object, seq);" APPEND_ONLY("mark")

    "CREATE TABLE draft(seq INTEGER PRIMARY KEY REFERENCES change(seq), exam TEXT NOT NULL REFERENCES exam(id),"
    "  version INTEGER NOT NULL, content TEXT NOT NULL, who TEXT NOT NULL, at TEXT NOT NULL, UNIQUE(exam, version));"
    APPEND_ONLY("draft")
    "CREATE TABLE report(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  exam TEXT NOT NULL REFERENCES exam(id), number INTEGER NOT NULL, amends TEXT REFERENCES report(id),"
    "  reason TEXT NOT NULL, sha256 TEXT NOT NULL, size INTEGER NOT NULL, facts_sha256 TEXT NOT NULL,"
    "  who TEXT NOT NULL, at TEXT NOT NULL, UNIQUE(exam, number));" APPEND_ONLY("report")
    "CREATE TABLE signature(seq INTEGER PRIMARY KEY REFERENCES change(seq), report TEXT NOT NULL REFERENCES report(id),"
    "  place INTEGER NOT NULL, who TEXT NOT NULL, name TEXT NOT NULL, role TEXT NOT NULL, statement TEXT NOT NULL,"
    "  sha256 TEXT NOT NULL, at TEXT NOT NULL, UNIQUE(report, place), UNIQUE(report, who));" APPEND_ONLY("signature")

    /* People and settings: the newest row of a name counts, the older ones stay as history. */
    "CREATE TABLE person(seq INTEGER PRIMARY KEY REFERENCES change(seq), user TEXT NOT NULL, name TEXT NOT NULL,"
    "  role TEXT NOT NULL CHECK(role IN ('sonographer','reporter','lead','administrator')), password_hash TEXT NOT NULL,"
    "  active INTEGER NOT NULL, by TEXT NOT NULL, at TEXT NOT NULL);"
    "CREATE INDEX person_user ON person(user, seq);" APPEND_ONLY("person")
    "CREATE TABLE setting(seq INTEGER PRIMARY KEY REFERENCES change(seq), key TEXT NOT NULL, value TEXT,"
    "  who TEXT NOT NULL, at TEXT NOT NULL);"
    "CREATE INDEX setting_key ON setting(key, seq);" APPEND_ONLY("setting")
    /* Log-in sessions: not part of the medical record, so they may go. Only a hash of the token is kept. */
    "CREATE TABLE session(token_sha256 TEXT PRIMARY KEY, user TEXT NOT NULL, started INTEGER NOT NULL,"
    "  expires INTEGER NOT NULL) WITHOUT ROWID;",
    /* 1 -> 2: chorions and amnions of a pregnancy of several fetuses, as stated at an exam. */
    "CREATE TABLE chorionicity(id TEXT PRIMARY KEY, seq INTEGER NOT NULL UNIQUE REFERENCES change(seq),"
    "  pregnancy TEXT NOT NULL REFERENCES pregnancy(id), exam TEXT NOT NULL REFERENCES exam(id),"
    "  chorionicity TEXT NOT NULL CHECK(chorionicity IN ('monochorionic','dichorionic','trichorionic','unknown')),"
    "  amnionicity TEXT NOT NULL CHECK(amnionicity IN ('monoamniotic','diamniotic','triamniotic','unknown')),"
    "  basis TEXT NOT NULL, objects TEXT NOT NULL, text TEXT NOT NULL,"
    "  supersedes TEXT UNIQUE REFERENCES chorionicity(id), who TEXT NOT NULL, at TEXT NOT NULL);"
    "CREATE INDEX chorionicity_pregnancy ON chorionicity(pregnancy, seq);" APPEND_ONLY("chorionicity"),
};

static ogv_status version_of(ogv_sql *db, int64_t *version, ogv_error *err) {
  return ogv_sql_one_int(db, version, err, "PRAGMA user_version", NULL);
}

static ogv_status migrate(ogv_sql *db, ogv_error *err) {
  int64_t version = 0;
  OGV_TRY(version_of(db, &version, err)); /* again, under the write lock: another program may have been first */
  for (int64_t v = version; v < OGV_SCHEMA_VERSION; v++) {
    OGV_TRY(ogv_sql_script(db, migrations[v], err));
    char text[64];
    snprintf(text, sizeof text, "PRAGMA user_version=%d", (int)v + 1);
    OGV_TRY(ogv_sql_script(db, text, err));
  }
  return ogv_sql_script(db, "PRAGMA application_id=1330070102", err); /* "OGV" and 0x56: tells `file` what it is */
}

static ogv_status not_newer(ogv_sql *db, int64_t *version, ogv_error *err) {
  OGV_TRY(version_of(db, version, err));
  if (*version <= OGV_SCHEMA_VERSION) return OGV_OK;
  return ogv_fail(err, OGV_E_CONFLICT, "Use the newer Ogive, or another record folder.",
                  "the record has schema version %d, made by a newer Ogive; this one knows %d", (int)*version,
                  OGV_SCHEMA_VERSION);
}

ogv_status ogv_schema_fits(ogv_sql *db, ogv_error *err) {
  int64_t version = 0;
  OGV_TRY(not_newer(db, &version, err));
  if (version == OGV_SCHEMA_VERSION) return OGV_OK;
  return ogv_fail(
      err, OGV_E_DENIED,
      "Copy the folder to where it can be written and open it there once; that copy can be put on a medium again.",
      "the read-only record has schema version %d, made by an older Ogive, and cannot be brought to %d where it is",
      (int)version, OGV_SCHEMA_VERSION);
}

ogv_status ogv_schema_apply(ogv_sql *db, bool create, ogv_error *err) {
  int64_t version = 0;
  OGV_TRY(not_newer(db, &version, err));
  if (version == OGV_SCHEMA_VERSION) return OGV_OK;
  if (version == 0 && !create)
    return ogv_fail(err, OGV_E_NOT_FOUND, "Run \"ogive init\" first.", "the record is empty");
  OGV_TRY(ogv_sql_script(db, "BEGIN IMMEDIATE", err));
  ogv_status s = migrate(db, err);
  if (s == OGV_OK) s = ogv_sql_script(db, "COMMIT", err);
  if (s != OGV_OK) ogv_sql_script(db, "ROLLBACK", NULL);
  return s;
}
