/* The record: patients, pregnancies, exams, objects, the ledger, findings, reports. SQLite in OGIVE_HOME/ogive.db (WAL,
 * foreign keys, migrations) and a content-addressed object store in OGIVE_HOME/objects. "Acknowledged means stored": an
 * object is written, synced and renamed before it is recorded, and recorded before success is returned.
 *
 * The ledger is append-only: rows of measurement, measurement_event, dating and report are never updated or deleted
 * (database triggers refuse it); a correction supersedes with who, when and why.
 *
 * Rows travel as jansson objects (docs/record.md lists their members) so that the server, the command line and the
 * report read one shape. Ids are text, random, URL-safe (16 characters). Times are UTC, RFC 3339 with milliseconds. */
#ifndef RECORD_STORE_H
#define RECORD_STORE_H

#include <jansson.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_date.h"
#include "core_status.h"

typedef struct ogv_store ogv_store; /* one per thread; several may be open on one folder at once */

/* Folder from OGIVE_HOME, else XDG_DATA_HOME/ogive, else ~/.local/share/ogive. buf is filled. */
ogv_status ogv_store_default_home(char *buf, size_t size, ogv_error *err);
/* Creates the folder and schema, or migrates an older one. Safe to call again. */
ogv_status ogv_store_init(const char *home, ogv_error *err);
/* OGV_E_NOT_FOUND when there is no store ("run ogive init"), OGV_E_DENIED when it is read-only, OGV_E_CONFLICT when the
 * schema is newer than this program. */
ogv_status ogv_store_open(const char *home, ogv_store **out, ogv_error *err);
/* For looking: as ogv_store_open where the folder can be written, else read-only, and every function that writes then
 * answers OGV_E_DENIED. What others write meanwhile is seen; where SQLite can make nothing beside the data base, a
 * function that reads answers OGV_E_CONFLICT once somebody has written, and the record is to be opened anew.
 * OGV_E_DENIED when changes in its log cannot be read where it is. */
ogv_status ogv_store_open_reading(const char *home, ogv_store **out, ogv_error *err);
bool ogv_store_read_only(const ogv_store *s);
/* Whether it is to be opened anew, as said there. */
bool ogv_store_stale(const ogv_store *s);
/* Before each commit the number of rows that the store adds to the change feed is added to *committed, and taken off
 * again when the commit fails. *committed is shared by stores, borrowed, and outlives them. */
void ogv_store_count_changes(ogv_store *s, atomic_llong *committed);
void ogv_store_close(ogv_store *s); /* NULL is allowed */
const char *ogv_store_home(const ogv_store *s);

/* Is the record whole? *out: {"whole", "files", "damaged":[{"kind","id","what","path"}], "database":[lines]}. deep:
 * reads every file and compares its hash; else only its length. Repairs nothing. */
ogv_status ogv_store_check(ogv_store *s, bool deep, json_t **out, ogv_error *err);
/* Removes what a crash left behind: temporary files older than an hour, and bytes older than a day that no row names.
 */
ogv_status ogv_store_tidy(ogv_store *s, int *removed, ogv_error *err);

/* One transaction over several calls; nested begins are refused. */
ogv_status ogv_store_begin(ogv_store *s, ogv_error *err);
ogv_status ogv_store_commit(ogv_store *s, ogv_error *err);
void ogv_store_rollback(ogv_store *s);
bool ogv_store_in_transaction(const ogv_store *s);

/* --- objects ------------------------------------------------------------------------------------------------- */
/* Stores the file's bytes under their SHA-256 and records them with `about` (a json object of index members: study,
 * series, instance, sop_class, modality, kind, patient_id, patient_name, birth_date, study_date, ... see
 * docs/record.md). Makes or finds patient, pregnancy and exam. *added is false when this instance was already there
 * with the same bytes; OGV_E_CONFLICT, with object_id filled, when the same SOP Instance UID arrives with other bytes
 * (both are kept, the second is flagged). study_lmp and study_edd, when given, say what the study states about dates
 * (for finding the pregnancy). */
ogv_status ogv_store_add_object(ogv_store *s, const void *bytes, size_t size, const json_t *about, char object_id[20],
                                char exam_id[20], bool *added, ogv_error *err);
/* Path of an object's bytes on disk, checked to exist. Free with free(). */
ogv_status ogv_store_object_path(ogv_store *s, const char *object_id, char **path, ogv_error *err);

/* --- reading: new references --------------------------------------------------------------------------------- */
/* filter may be NULL: {from, to (dates), text (in name, patient id, accession), patient, pregnancy, limit}. */
ogv_status ogv_store_exams(ogv_store *s, const json_t *filter, json_t **out, ogv_error *err); /* array, newest first */
/* exam_id may be an id, a unique prefix of one, or "latest". Whole exam: patient, pregnancy, objects, ledger, dating,
 * findings, reports. */
ogv_status ogv_store_exam(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err);
ogv_status ogv_store_object(ogv_store *s, const char *object_id, json_t **out, ogv_error *err);
/* All accepted and current measurements of the pregnancy's exams, for growth over time: array in time order. */
ogv_status ogv_store_pregnancy_history(ogv_store *s, const char *pregnancy_id, json_t **out, ogv_error *err);

/* --- ledger -------------------------------------------------------------------------------------------------- */
/* Appends a measurement: {exam, fetus, quantity, value, unit, sd, source: "geometry"|"imported"|"typed"|"proposed",
 * evidence, object, frame, state: "accepted"|"proposed", supersedes, why, derivation, key}. who: user name. new_id is
 * filled. A row whose key is already in the exam adds nothing and gives the first row's id, so an append may be tried
 * again after a lost answer. OGV_E_CONFLICT when the row to supersede was superseded meanwhile; a correction needs its
 * reason (why). */
ogv_status ogv_store_measure(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err);
/* The same, telling whether the row was added or its key was known. Rows of the mother's own measures (cervix, uterine
 * arteries) are kept with fetus "", all others with a label ("A" when none is given). */
ogv_status ogv_store_measure_once(ogv_store *s, const json_t *row, const char *who, char id[20], bool *added,
                                  ogv_error *err);
/* Appends an event to a measurement: state "accepted" "disputed" "withdrawn" "restored" with a reason.
 * OGV_E_CONFLICT when expected_version (number of events seen, -1 to skip) is stale. */
ogv_status ogv_store_measure_event(ogv_store *s, const char *measurement_id, const char *state, const char *why,
                                   const char *who, int expected_version, ogv_error *err);
/* Appends a dating decision to the pregnancy: {evidence:[...], estimates:[...], edd, sd_days, rule, reason,
 * supersedes}. When one stands already, supersedes must name it (OGV_E_CONFLICT otherwise) and the reason must not be
 * empty. */
ogv_status ogv_store_date(ogv_store *s, const char *pregnancy_id, const json_t *decision, const char *who,
                          ogv_error *err);
/* Appends dating evidence (LMP, transfer, CRL, ...) to the pregnancy: {basis, date, edd, ...}; with a `key` it is added
 * once. */
ogv_status ogv_store_dating_evidence(ogv_store *s, const char *pregnancy_id, const json_t *evidence, const char *who,
                                     ogv_error *err);
/* Appends or supersedes a finding: {exam, fetus, structure, state: "normal"|"abnormal"|"not-seen"|"note"|"removed",
 * reason, text, objects, data, supersedes}. Without supersedes it takes the place of the current row of that fetus and
 * structure (a "note" stands beside others); with supersedes "" nothing but a "removed" row may be there
 * (OGV_E_CONFLICT otherwise), with an id that row must still be current. "not-seen" needs a reason. */
ogv_status ogv_store_finding(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err);
/* States how many chorions and amnions the pregnancy of an exam has: {exam, chorionicity:
 * "monochorionic"|"dichorionic"| "trichorionic"|"unknown", amnionicity:
 * "monoamniotic"|"diamniotic"|"triamniotic"|"unknown", basis: [signs], objects, text, supersedes}. The newest statement
 * stands; supersedes, when given, must name it ("" for none; OGV_E_CONFLICT otherwise). A statement names a sign,
 * "unknown" says why in text; OGV_E_INVALID otherwise. */
ogv_status ogv_store_chorionicity(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err);
/* Stores a finished report: bytes of the PDF, its facts; returns its id. */
ogv_status ogv_store_report(ogv_store *s, const char *exam_id, const void *pdf, size_t size, const json_t *facts,
                            const char *who, char new_id[20], ogv_error *err);
/* The same with the report it amends (may be NULL) and the reason. A report that was signed is never changed. */
ogv_status ogv_store_report_amending(ogv_store *s, const char *exam_id, const void *pdf, size_t size,
                                     const json_t *facts, const char *amends, const char *reason, const char *who,
                                     char new_id[20], ogv_error *err);
/* Signs a report: {sha256 (of the PDF that the signer saw), name, role, statement, place (1 first, 2 second signature;
 * 0 or absent: next)}. OGV_E_CONFLICT when the hash differs, the person signed already, or the place is taken. */
ogv_status ogv_store_sign(ogv_store *s, const char *report_id, const json_t *row, const char *who, ogv_error *err);
ogv_status ogv_store_report_row(ogv_store *s, const char *report_id, json_t **out, ogv_error *err);
/* Bytes and facts as stored, checked against their hash (OGV_E_CORRUPT). *pdf is malloc'ed. */
ogv_status ogv_store_report_pdf(ogv_store *s, const char *report_id, uint8_t **pdf, size_t *size, ogv_error *err);
ogv_status ogv_store_report_facts(ogv_store *s, const char *report_id, json_t **facts, ogv_error *err);
/* The draft behind the next report: a JSON object of what the person edited. Saving needs the version that was seen (-1
 * to skip); OGV_E_CONFLICT when it is stale. An exam without a draft has version 0 and empty content. */
ogv_status ogv_store_draft(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err);
ogv_status ogv_store_draft_save(ogv_store *s, const char *exam_id, const json_t *content, int expected_version,
                                const char *who, int *version, ogv_error *err);

/* --- more of the same -------------------------------------------------------------------------------------------- */
ogv_status ogv_store_measurement(ogv_store *s, const char *id, json_t **out,
                                 ogv_error *err); /* one row of the ledger */
ogv_status ogv_store_exam_pregnancy(ogv_store *s, const char *exam_id, char pregnancy[20], ogv_error *err);
ogv_status ogv_store_pregnancy(ogv_store *s, const char *pregnancy_id, json_t **out, ogv_error *err);
/* Appends, supersedes or removes a mark on an object (caption, arrow, text, body mark): {object, frame, kind, data,
 * supersedes, removed}. */
ogv_status ogv_store_mark(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err);
/* Appends a small event: kind "object" (favourite, not-favourite, remove, restore, group), "exam" (protocol, state,
 * room, told, setting, note), "evidence" (withdraw, restore), "pregnancy" (note, plan), "report" (sent, printed),
 * "note" (seen). detail may be NULL where nothing is needed. docs/record.md lists the members. */
ogv_status ogv_store_event(ogv_store *s, const char *kind, const char *subject, const char *verb, const json_t *detail,
                           const char *who, ogv_error *err);
/* Appends a note on an exam, shown to people until seen: verb a short word, detail {text, ...}. */
ogv_status ogv_store_note(ogv_store *s, const char *exam, const char *verb, const json_t *detail, const char *who,
                          ogv_error *err);
/* Appends what came of a batch of files that was brought in: receipt {batch, ...} as its bringer is to find it again.
 */
ogv_status ogv_store_arrival(ogv_store *s, const json_t *receipt, const char *who, ogv_error *err);
/* The newest `limit` receipts, newest first. *out: array, new reference. */
ogv_status ogv_store_arrivals(ogv_store *s, int limit, json_t **out, ogv_error *err);
/* Moves an exam to another pregnancy of the same patient, or to a new one (pregnancy NULL). */
ogv_status ogv_store_move_exam(ogv_store *s, const char *exam, const char *pregnancy, const char *why, const char *who,
                               ogv_error *err);
/* The change feed: every append has a number that only grows. Changes after `since`, oldest first, at most `limit` (0:
 * 1000); exam NULL for all. An exam's feed holds its pregnancy's changes too. */
ogv_status ogv_store_changes(ogv_store *s, int64_t since, const char *exam, int limit, json_t **out, ogv_error *err);
ogv_status ogv_store_last_change(ogv_store *s, int64_t *seq, ogv_error *err);

#endif
