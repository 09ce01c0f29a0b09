/* Dating in the record. The record's promise: a due date is decided once, with who, when and why, and no later scan
 * moves it silently. docs/intake.md tells the rules. */
#include "intake_dating.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "obstetrics_dating.h"
#include "obstetrics_dating_json.h"
#include "record_access.h"

/* Accepted rows of one quantity in one exam: mean for each fetus, then the largest fetus (twins: the larger crown-rump
 * length dates the pregnancy; ISUOG guideline on twin pregnancy, Ultrasound Obstet Gynecol 2016;47:247-263). */
typedef struct reading {
  double value;
  json_t *rows; /* ids */
} reading;

static bool better_source(const char *a, const char *b) { /* geometry on a picture, then report, then typed */
  static const char order[] = "git";
  return strchr(order, *a) < strchr(order, *b);
}

static reading read_quantity(const json_t *history, const char *exam, const char *quantity) {
  reading best = {NAN, NULL};
  char done[32][32];
  size_t n_done = 0;
  for (size_t i = 0; i < json_array_size(history); i++) {
    const json_t *first = json_array_get(history, i);
    const char *fetus = ogv_json_string_or(first, "fetus", "");
    if (strcmp(ogv_json_string_or(first, "exam", ""), exam) ||
        strcmp(ogv_json_string_or(first, "quantity", ""), quantity))
      continue;
    bool known = false;
    for (size_t k = 0; k < n_done; k++) known |= !strcmp(done[k], fetus);
    if (known || n_done == 32) continue;
    snprintf(done[n_done++], 32, "%s", fetus);
    double sum = 0, mean = NAN;
    const char *source = ogv_json_string_or(first, "source", "typed");
    for (int pass = 0; pass < 2; pass++) { /* which source counts, then its mean */
      json_t *rows = pass ? json_array() : NULL;
      size_t n = 0;
      for (size_t j = i; j < json_array_size(history); j++) {
        const json_t *r = json_array_get(history, j);
        if (strcmp(ogv_json_string_or(r, "exam", ""), exam) ||
            strcmp(ogv_json_string_or(r, "quantity", ""), quantity) ||
            strcmp(ogv_json_string_or(r, "fetus", ""), fetus))
          continue;
        const char *src = ogv_json_string_or(r, "source", "typed");
        if (!pass && better_source(src, source)) source = src;
        if (!pass || strcmp(src, source)) continue;
        double v = ogv_json_number_or(r, "value", NAN);
        const char *how = ogv_json_string_or(r, "derivation", "");
        if (!strcmp(how, "mean") || !strcmp(how, "chosen")) mean = v; /* the sender's own pick goes before ours */
        sum += v;
        n++;
        json_array_append(rows, json_object_get(r, "id"));
      }
      if (!pass) continue;
      if (!isfinite(mean)) mean = sum / (double)n;
      if (!(mean <= best.value)) {
        json_decref(best.rows);
        best = (reading){mean, json_incref(rows)};
      }
      json_decref(rows);
    }
  }
  return best;
}

/* --- evidence that rests on the ledger ---------------------------------------------------------------------------- */
static ogv_status add_from_ledger(ogv_store *s, const char *pregnancy, const json_t *exam, json_t *e, const char *who,
                                  json_t *keys, ogv_error *err) {
  /* The key names the values: a changed measurement is new evidence, and the old one is withdrawn below. */
  json_object_set(e, "date", json_object_get(exam, "date"));
  json_object_set(e, "exam", json_object_get(exam, "id"));
  char *text = ogv_json_canonical(e), hash[OGV_SHA256_TEXT];
  if (!text) {
    json_decref(e);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at dating evidence");
  }
  ogv_sha256(text, strlen(text), hash);
  free(text);
  json_t *key = json_sprintf("ledger:%.40s", hash);
  json_object_set(e, "key", key);
  json_array_append_new(keys, key);
  ogv_status st = ogv_store_dating_evidence(s, pregnancy, e, who, err);
  json_decref(e);
  return st;
}

static ogv_status ledger_evidence(ogv_store *s, const json_t *p, const char *pregnancy, const char *who, json_t *keys,
                                  ogv_error *err) {
  static const char *const sizes[] = {"bpd", "hc", "ac", "fl"};
  json_t *history;
  OGV_TRY(ogv_store_pregnancy_history(s, pregnancy, &history, err));
  ogv_status st = OGV_OK;
  bool biometry = false;
  size_t i;
  json_t *exam;
  json_array_foreach(json_object_get(p, "exams"), i, exam) { /* oldest first */
    const char *id = ogv_json_string_or(exam, "id", "");
    if (st != OGV_OK || !json_is_string(json_object_get(exam, "date"))) continue;
    reading crl = read_quantity(history, id, "crl");
    if (isfinite(crl.value))
      st = add_from_ledger(s, pregnancy, exam,
                           json_pack("{s:s,s:f,s:f,s:s,s:O}", "basis", "crl", "value", crl.value, "value_mm", crl.value,
                                     "unit", "mm", "measurements", crl.rows),
                           who, keys, err);
    json_decref(crl.rows);
    if (biometry || st != OGV_OK) continue; /* only the first biometry may date: later size is growth, not age */
    json_t *e = json_pack("{s:s,s:s,s:[]}", "basis", "biometry", "unit", "mm", "measurements");
    for (size_t k = 0; k < 4; k++) {
      char mm[8];
      reading r = read_quantity(history, id, sizes[k]);
      if (!isfinite(r.value)) continue;
      biometry = true;
      snprintf(mm, sizeof mm, "%s_mm", sizes[k]);
      json_object_set_new(e, sizes[k], json_real(r.value));
      json_object_set_new(e, mm, json_real(r.value));
      json_array_extend(json_object_get(e, "measurements"), r.rows);
      json_decref(r.rows);
    }
    if (biometry) st = add_from_ledger(s, pregnancy, exam, e, who, keys, err);
    else json_decref(e);
  }
  json_decref(history);
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
    json_t *why = json_pack("{s:s}", "why", "the measurement it rests on is no longer the one in use");
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
