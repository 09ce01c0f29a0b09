/* Dating in the record. The record's promise: a due date is decided once, with who, when and why, and no later scan
 * moves it silently. docs/intake.md tells the rules. */
#include "intake_dating.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "obstetrics_dating.h"
#include "obstetrics_dating_json.h"
#include "obstetrics_dating_scans.h"
#include "record_access.h"
#include "record_protocol.h"

/* --- evidence that rests on the ledger ---------------------------------------------------------------------------- */
static ogv_status add_from_ledger(ogv_store *s, const char *pregnancy, json_t *e, const char *who, json_t *keys,
                                  ogv_error *err) {
  /* The key names the values: a changed measurement is new evidence, and the old one is withdrawn below. */
  char *text = ogv_json_canonical(e), hash[OGV_SHA256_TEXT];
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at dating evidence");
  ogv_sha256(text, strlen(text), hash);
  free(text);
  json_t *key = json_sprintf("ledger:%.40s", hash);
  json_object_set(e, "key", key);
  json_array_append_new(keys, key);
  return ogv_store_dating_evidence(s, pregnancy, e, who, err);
}

/* Exams of the pregnancy with their accepted rows, oldest first, as ogv_dating_scans wants them. New reference. */
static ogv_status exams_of(ogv_store *s, const json_t *p, const char *pregnancy, json_t **out, ogv_error *err) {
  json_t *history, *exam, *row;
  size_t i, k;
  OGV_TRY(ogv_store_pregnancy_history(s, pregnancy, &history, err));
  ogv_status st = OGV_OK;
  *out = json_array();
  json_array_foreach(json_object_get(p, "exams"), i, exam) {
    const char *id = ogv_json_string_or(exam, "id", ""), *protocol = ogv_json_string_or(exam, "protocol", "");
    if (st != OGV_OK || !json_is_string(json_object_get(exam, "date"))) continue;
    json_t *one = json_pack("{s:s,s:O,s:[]}", "exam", id, "date", json_object_get(exam, "date"), "rows"),
           *chosen = NULL;
    json_array_foreach(history, k, row) if (!strcmp(ogv_json_string_or(row, "exam", ""), id))
        json_array_append(json_object_get(one, "rows"), row);
    ogv_error gone = {0};
    if (*protocol && ogv_store_protocol(s, protocol, &chosen, &gone) != OGV_OK && gone.code != OGV_E_NOT_FOUND) {
      if (err) *err = gone; /* one that is no longer there says nothing; one that is broken must be mended */
      st = gone.code;
    }
    if (chosen) json_object_set_new(one, "protocol", chosen);
    json_array_append_new(*out, one);
  }
  json_decref(history);
  return st;
}

static ogv_status ledger_evidence(ogv_store *s, const json_t *p, const char *pregnancy, const char *who, json_t *keys,
                                  ogv_error *err) {
  json_t *exams = NULL, *pieces = NULL, *piece;
  size_t i;
  ogv_status st = exams_of(s, p, pregnancy, &exams, err);
  if (st == OGV_OK) st = ogv_dating_scans(exams, &pieces, err);
  json_array_foreach(pieces, i, piece) if (st == OGV_OK) st = add_from_ledger(s, pregnancy, piece, who, keys, err);
  json_decref(pieces);
  json_decref(exams);
  return st;
}

static bool holds(const json_t *keys, const char *key) {
  for (size_t i = 0; i < json_array_size(keys); i++)
    if (!strcmp(json_string_value(json_array_get(keys, i)), key)) return true;
  return false;
}

/* Evidence from the ledger that no longer follows from it is withdrawn; what follows again is restored. */
static ogv_status withdraw_stale(ogv_store *s, const json_t *p, const json_t *keys, ogv_error *err) {
  size_t i;
  json_t *e;
  json_array_foreach(json_object_get(p, "evidence"), i, e) {
    const char *key = ogv_json_string_or(e, "key", ""), *id = ogv_json_string_or(e, "id", "");
    bool withdrawn = json_is_true(json_object_get(e, "withdrawn"));
    if (strncmp(key, "ledger:", 7) || holds(keys, key) == !withdrawn) continue;
    json_t *why = json_pack("{s:s}", "why", "it no longer follows from the measurements in use");
    ogv_status st = ogv_store_event(s, "evidence", id, withdrawn ? "restore" : "withdraw", why, "ogive", err);
    json_decref(why);
    OGV_TRY(st);
  }
  return OGV_OK;
}

/* --- deciding -------------------------------------------------------------------------------------------------------
 */
static ogv_status rule_of(ogv_store *s, const char *rule, char buf[64], ogv_error *err) {
  *buf = 0;
  if (rule) return snprintf(buf, 64, "%s", rule), OGV_OK;
  json_t *v = NULL;
  ogv_error no = {0};
  ogv_status st = ogv_store_setting(s, "dating.rule", &v, &no);
  if (st == OGV_OK && json_is_string(v)) snprintf(buf, 64, "%s", json_string_value(v));
  json_decref(v);
  if (st != OGV_OK && st != OGV_E_NOT_FOUND) {
    if (err) *err = no;
    return st;
  }
  return OGV_OK;
}

/* Evidence in use, as the rule reads it. New reference. */
static json_t *in_use(const json_t *p) {
  json_t *list = json_array(), *e;
  size_t i;
  json_array_foreach(json_object_get(p, "evidence"), i, e) if (!json_is_true(json_object_get(e, "withdrawn")))
      json_array_append(list, e);
  return list;
}

static ogv_status gather(ogv_store *s, const char *pregnancy, const char *who, json_t **p, ogv_error *err) {
  json_t *before, *keys = json_array();
  OGV_TRY(ogv_store_pregnancy(s, pregnancy, &before, err));
  ogv_status st = ledger_evidence(s, before, pregnancy, who, keys, err);
  json_decref(before);
  json_t *after = NULL;
  if (st == OGV_OK) st = ogv_store_pregnancy(s, pregnancy, &after, err);
  if (st == OGV_OK) st = withdraw_stale(s, after, keys, err);
  json_decref(after);
  json_decref(keys);
  return st == OGV_OK ? ogv_store_pregnancy(s, pregnancy, p, err) : st;
}

static const char *last_exam(const json_t *p) {
  const json_t *exams = json_object_get(p, "exams");
  size_t n = json_array_size(exams);
  return n ? ogv_json_string_or(json_array_get(exams, n - 1), "id", "") : "";
}

/* A note on the newest exam, unless the same text stands there already. */
static ogv_status note_once(ogv_store *s, const json_t *p, const char *verb, json_t *detail, ogv_error *err) {
  const char *exam = last_exam(p);
  json_t *e = NULL, *n;
  if (!*exam) return json_decref(detail), OGV_OK;
  ogv_status st = ogv_store_exam(s, exam, &e, err);
  size_t i;
  bool said = false;
  json_array_foreach(json_object_get(e, "notes"), i, n) {
    said |=
        !strcmp(ogv_json_string_or(n, "verb", ""), verb) &&
        !strcmp(ogv_json_string_or(json_object_get(n, "detail"), "text", ""), ogv_json_string_or(detail, "text", ""));
  }
  if (st == OGV_OK && !said) st = ogv_store_note(s, exam, verb, detail, "ogive", err);
  json_decref(e);
  json_decref(detail);
  return st;
}

static json_t *answer(const char *pregnancy, const char *state, const json_t *decision, const json_t *now,
                      const char *text) {
  return json_pack("{s:s,s:s,s:O?,s:O?,s:s}", "pregnancy", pregnancy, "state", state, "decision", decision, "now", now,
                   "text", text);
}

static ogv_status compare(ogv_store *s, const json_t *p, const char *pregnancy, const json_t *now, json_t **out,
                          ogv_error *err) {
  const json_t *stands = json_object_get(p, "dating");
  const char *was = ogv_json_string_or(stands, "edd", ""), *is = ogv_json_string_or(now, "edd", was);
  char text[700];
  if (!strcmp(was, is)) {
    snprintf(text, sizeof text, "The due date %s stands.", was);
    *out = answer(pregnancy, "kept", stands, now, text);
    return OGV_OK;
  }
  snprintf(text, sizeof text,
           "The due date %s stands. With all evidence now, rule %s would say %s: %.400s A person decides whether to "
           "change it.",
           was, ogv_json_string_or(now, "rule", ""), is, ogv_json_string_or(now, "reason", ""));
  *out = answer(pregnancy, "differs", stands, now, text);
  return note_once(s, p, "dating-differs", json_pack("{s:s,s:s,s:s}", "text", text, "stands", was, "now", is), err);
}

static ogv_status decide_first(ogv_store *s, const json_t *p, const char *pregnancy, json_t *now, json_t **out,
                               ogv_error *err) {
  char who[80], text[700];
  snprintf(who, sizeof who, "rule %.60s", ogv_json_string_or(now, "rule", ""));
  json_object_set_new(now, "automatic", json_true());
  OGV_TRY(ogv_store_date(s, pregnancy, now, who, err));
  snprintf(text, sizeof text, "Dated by rule %.60s: due date %s. %.400s Nobody has confirmed it yet.",
           ogv_json_string_or(now, "rule", ""), ogv_json_string_or(now, "edd", ""),
           ogv_json_string_or(now, "reason", ""));
  OGV_TRY(
      note_once(s, p, "dated", json_pack("{s:s,s:s}", "text", text, "edd", ogv_json_string_or(now, "edd", "")), err));
  json_t *after;
  OGV_TRY(ogv_store_pregnancy(s, pregnancy, &after, err));
  *out = answer(pregnancy, "decided", json_object_get(after, "dating"), now, text);
  json_decref(after);
  return OGV_OK;
}

static ogv_status date_locked(ogv_store *s, const char *pregnancy, const char *rule, const char *who, json_t **out,
                              ogv_error *err) {
  char rule_id[64];
  json_t *p, *now = NULL, *result = NULL;
  OGV_TRY(rule_of(s, rule, rule_id, err));
  OGV_TRY(gather(s, pregnancy, who ? who : "ogive", &p, err));
  json_t *evidence = in_use(p);
  ogv_error no = {0};
  ogv_status st = ogv_dating_decide(evidence, *rule_id ? rule_id : NULL, &now, &no);
  bool dated = json_is_object(json_object_get(p, "dating"));
  if (st == OGV_OK && !dated) st = decide_first(s, p, pregnancy, now, &result, err);
  else if (st == OGV_OK) st = compare(s, p, pregnancy, now, &result, err);
  else if (st == OGV_E_NOT_FOUND || st == OGV_E_INVALID || st == OGV_E_RANGE) {
    /* Evidence that cannot be of one pregnancy, or none: nothing is guessed, and it is said. */
    if (json_array_size(evidence) && !dated && st == OGV_E_INVALID)
      st = note_once(s, p, "dating-refused", json_pack("{s:s}", "text", no.what), err);
    else st = OGV_OK;
    result = answer(pregnancy, dated ? "kept" : "undated", json_object_get(p, "dating"), NULL,
                    dated ? "The due date stands." : no.what);
  } else if (err) *err = no;
  json_decref(evidence);
  json_decref(now);
  json_decref(p);
  if (st != OGV_OK || !out) json_decref(result);
  else *out = result;
  return st;
}

/* Reading the evidence and deciding are one transaction: of two programs at once, the second finds the first one's
 * decision. */
ogv_status ogv_intake_date(ogv_store *s, const char *pregnancy, const char *rule, const char *who, json_t **out,
                           ogv_error *err) {
  if (out) *out = NULL;
  if (ogv_store_in_transaction(s)) return date_locked(s, pregnancy, rule, who, out, err);
  OGV_TRY(ogv_store_begin(s, err));
  ogv_status st = date_locked(s, pregnancy, rule, who, out, err);
  if (st == OGV_OK) st = ogv_store_commit(s, err);
  else ogv_store_rollback(s);
  if (st != OGV_OK && out) {
    json_decref(*out);
    *out = NULL;
  }
  return st;
}

ogv_status ogv_intake_decide(ogv_store *s, const char *pregnancy, const char *rule, const char *edd, const char *reason,
                             const char *who, json_t **out, ogv_error *err) {
  char rule_id[64];
  json_t *p, *now = NULL;
  OGV_TRY(rule_of(s, rule, rule_id, err));
  OGV_TRY(gather(s, pregnancy, who, &p, err));
  json_t *evidence = in_use(p);
  ogv_error no = {0};
  ogv_status st = ogv_dating_decide(evidence, *rule_id ? rule_id : NULL, &now, &no);
  if (edd) { /* the person's date; what the rule says travels with it */
    json_t *given = json_pack("{s:s,s:s,s:s,s:O,s:O?}", "edd", edd, "rule", "person", "reason", reason ? reason : "",
                              "evidence", evidence, "rule_says", now);
    json_decref(now);
    now = given;
    st = reason && *reason
             ? OGV_OK
             : ogv_fail(err, OGV_E_INVALID, "Give the reason.", "a due date given by a person needs a reason");
  } else if (st != OGV_OK) {
    if (err) *err = no;
  } else if (reason && *reason) {
    json_object_set_new(now, "decided_because", json_string(reason));
  }
  const json_t *stands = json_object_get(p, "dating");
  if (st == OGV_OK && json_is_object(stands)) {
    json_object_set(now, "supersedes", json_object_get(stands, "id"));
    const char *was = ogv_json_string_or(stands, "edd", ""), *is = ogv_json_string_or(now, "edd", "");
    if ((!reason || !*reason) && strcmp(was, is))
      st = ogv_fail(err, OGV_E_CONFLICT, "Give the reason (--why) to change it.",
                    "the due date %s stands (%s, %.10s); this would make it %s. %.250s", was,
                    ogv_json_string_or(stands, "who", ""), ogv_json_string_or(stands, "when", ""), is,
                    ogv_json_string_or(now, "reason", ""));
  }
  if (st == OGV_OK) st = ogv_store_date(s, pregnancy, now, who, err);
  json_decref(evidence);
  json_decref(now);
  json_decref(p);
  if (st != OGV_OK || !out) return st;
  OGV_TRY(ogv_store_pregnancy(s, pregnancy, &p, err));
  *out = answer(pregnancy, "decided", json_object_get(p, "dating"), NULL, "The decision is recorded.");
  json_decref(p);
  return OGV_OK;
}
