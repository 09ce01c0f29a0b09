/* Signing: what the signer saw is what is signed, or nothing is. docs/server.md, "Signing". */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "record_access.h"
#include "report_facts.h"
#include "report_pdf.h"
#include "report_preview.h"
#include "server_internal.h"

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

static ogv_status hash_facts(const json_t *facts, char hash[OGV_SHA256_TEXT], ogv_error *err) {
  char *canonical = ogv_json_canonical(facts);
  if (!canonical) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  ogv_sha256(canonical, strlen(canonical), hash);
  free(canonical);
  return OGV_OK;
}

static void now_text(char buf[40]) {
  struct timespec t;
  struct tm utc;
  char day[24];
  clock_gettime(CLOCK_REALTIME, &t);
  gmtime_r(&t.tv_sec, &utc);
  strftime(day, sizeof day, "%Y-%m-%dT%H:%M:%S", &utc);
  snprintf(buf, 40, "%s.%03dZ", day, (int)(t.tv_nsec / 1000000));
}

/* The report that stands: signed and not amended; NULL when there is none. Borrowed. */
static const json_t *standing(const json_t *reports) {
  const json_t *found = NULL;
  json_t *o;
  size_t i;
  json_array_foreach(reports, i, o) if (!strcmp(text(o, "state"), "signed")) found = o;
  return found;
}

OGV_HANDLER(signing) {
  json_t *facts = NULL, *exam = NULL, *draft = NULL;
  char hash[OGV_SHA256_TEXT];
  int pages = 0;
  OGV_TRY(ogv_request_store(q, err));
  ogv_status s = ogv_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = hash_facts(facts, hash, err);
  if (s == OGV_OK) s = ogv_report_pages(facts, &pages, err);
  if (s == OGV_OK) s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  if (s == OGV_OK) s = ogv_store_draft(q->store, text(exam, "id"), &draft, err);
  if (s == OGV_OK) {
    const json_t *last = standing(json_object_get(exam, "reports"));
    json_t *before = NULL, *changes = NULL, *waits = json_false();
    if (last && ogv_store_report_facts(q->store, text(last, "id"), &before, NULL) == OGV_OK) {
      changes = ogv_report_difference(before, facts);
      waits = json_boolean(json_is_true(json_object_get(json_object_get(before, "report"), "second_missing")));
    }
    json_decref(before);
    s = ogv_reply_json(
        r,
        json_pack("{s:s,s:i,s:O,s:O,s:O,s:o,s:o,s:b,s:b}", "seen", hash, "pages", pages, "open",
                  json_object_get(facts, "open"), "draft", draft, "reports", json_object_get(exam, "reports"),
                  "changes", changes ? changes : json_null(), "awaits_second", waits, "may_sign",
                  ogv_may(q, OGV_NEED_SIGN), "second_needed",
                  json_is_true(json_object_get(json_object_get(json_object_get(facts, "coverage"), "protocol"),
                                               "second_signature"))),
        err);
  }
  json_decref(draft);
  json_decref(exam);
  json_decref(facts);
  return s;
}

/* --- refusals
 * ---------------------------------------------------------------------------------------------------------- */
static ogv_status refuse_open(const json_t *open, ogv_error *err) {
  char list[400] = "";
  size_t i, n = 0;
  json_t *o;
  json_array_foreach(open, i, o) {
    size_t need = strlen(text(o, "what")) + 3;
    if (n + need >= sizeof list - 24) break;
    n += (size_t)snprintf(list + n, sizeof list - n, "%s%s", n ? "; " : "", text(o, "what"));
  }
  if (i < json_array_size(open)) snprintf(list + n, sizeof list - n, "; and %d more", (int)(json_array_size(open) - i));
  return ogv_fail(err, OGV_E_INVALID, text(json_array_get(open, 0), "todo"), "the report cannot be signed yet: %s",
                  list);
}

static ogv_status refuse_stale(const json_t *reports, const char *who, ogv_error *err) {
  const json_t *last = standing(reports), *g = json_array_get(json_object_get(last, "signatures"), 0);
  if (g && strcmp(text(g, "who"), who))
    return ogv_fail(err, OGV_E_CONFLICT, "Read that report; amend it when it must change.",
                    "%.80s has signed report %d of this exam", text(g, "name"),
                    (int)ogv_json_number_or(last, "number", 0));
  return ogv_fail(err, OGV_E_CONFLICT, "Read the report as it is now and sign that.",
                  "something behind the report changed since you looked at it");
}

/* --- a first signature, or an amendment
 * ---------------------------------------------------------------------------------- */
static json_t *signature(ogv_request *q, const char *meaning, const char *at) {
  return json_pack("{s:s,s:s,s:s,s:s,s:s}", "who", q->who, "name", *q->name ? q->name : q->who, "role",
                   *q->role ? q->role : "signer", "at", at, "meaning", meaning);
}

/* The sign-off of the facts: state, number, who, when, and what an amendment changes against `last`. */
static ogv_status sign_facts(ogv_request *q, json_t *facts, const json_t *last, int number, const char *reason,
                             ogv_error *err) {
  char at[40], id[48];
  now_text(at);
  snprintf(id, sizeof id, "%.20s-%d", text(json_object_get(facts, "exam"), "id"), number);
  bool two = json_is_true(
      json_object_get(json_object_get(json_object_get(facts, "coverage"), "protocol"), "second_signature"));
  json_t *report = json_pack("{s:s,s:s,s:i,s:[o]}", "state", last ? "amended" : "signed", "id", id, "version", number,
                             "signatures", signature(q, "read and signed", at));
  if (two) json_object_set_new(report, "second_missing", json_true());
  if (last) {
    json_t *before = NULL;
    ogv_status s = ogv_store_report_facts(q->store, text(last, "id"), &before, err);
    if (s != OGV_OK) {
      json_decref(report);
      return s;
    }
    const json_t *g = json_array_get(json_object_get(last, "signatures"), 0);
    json_object_set_new(
        report, "amends",
        json_pack("{s:s,s:i,s:s,s:s,s:s,s:s,s:o}", "id", text(last, "id"), "number",
                  (int)ogv_json_number_or(last, "number", 0), "sha256", text(last, "sha256"), "at", text(g, "when"),
                  "name", text(g, "name"), "reason", reason, "changes", ogv_report_difference(before, facts)));
    json_decref(before);
  }
  json_object_set_new(facts, "report", report);
  return OGV_OK;
}

/* Between drawing and storing somebody may have written: under the lock of the record all is looked at once more. */
static ogv_status store_signed(ogv_request *q, const char *seen, const json_t *facts, const uint8_t *pdf, size_t size,
                               const json_t *last, const char *reason, const char *statement, char id[20],
                               ogv_error *err) {
  char hash[OGV_SHA256_TEXT], sha[OGV_SHA256_TEXT];
  json_t *again = NULL;
  OGV_TRY(ogv_store_begin(q->store, err));
  ogv_status s = ogv_report_facts(q->store, q->arg[0], &again, err);
  if (s == OGV_OK) s = hash_facts(again, hash, err);
  json_decref(again);
  if (s == OGV_OK && strcmp(hash, seen))
    s = ogv_fail(err, OGV_E_CONFLICT, "Read the report as it is now and sign that.",
                 "something behind the report changed since you looked at it");
  if (s == OGV_OK)
    s = ogv_store_report_amending(q->store, q->arg[0], pdf, size, facts, last ? text(last, "id") : NULL, reason, q->who,
                                  id, err);
  ogv_sha256(pdf, size, sha);
  const json_t *g = json_array_get(json_object_get(json_object_get(facts, "report"), "signatures"), 0);
  json_t *row = json_pack("{s:s,s:s,s:s,s:s,s:i}", "sha256", sha, "name", text(g, "name"), "role", text(g, "role"),
                          "statement", statement, "place", 1);
  if (s == OGV_OK) s = ogv_store_sign(q->store, id, row, q->who, err);
  json_decref(row);
  if (s == OGV_OK) return ogv_store_commit(q->store, err);
  ogv_store_rollback(q->store);
  return s;
}

static ogv_status sign_locked(ogv_request *q, const json_t *body, char id[20], ogv_error *err) {
  const char *seen, *reason = text(body, "reason"), *statement = text(body, "statement");
  json_t *facts = NULL, *exam = NULL;
  char hash[OGV_SHA256_TEXT];
  uint8_t *pdf = NULL;
  size_t size = 0;
  OGV_TRY(ogv_json_string(body, "signing", "seen", &seen, err));
  OGV_TRY(ogv_request_store(q, err));
  ogv_status s = ogv_store_exam(q->store, q->arg[0], &exam, err);
  if (s == OGV_OK) s = ogv_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = hash_facts(facts, hash, err);
  const json_t *reports = json_object_get(exam, "reports"), *last = standing(reports);
  if (s == OGV_OK && strcmp(hash, seen)) s = refuse_stale(reports, q->who, err);
  if (s == OGV_OK && json_array_size(json_object_get(facts, "open")))
    s = refuse_open(json_object_get(facts, "open"), err);
  if (s == OGV_OK && last && !*reason)
    s = ogv_fail(err, OGV_E_INVALID, "Say why the report is amended.", "a signed report is changed only with a reason");
  if (s == OGV_OK) s = sign_facts(q, facts, last, (int)json_array_size(reports) + 1, reason, err);
  if (s == OGV_OK) s = ogv_report_pdf(facts, ogv_report_picture, q, &pdf, &size, err);
  if (s == OGV_OK) s = store_signed(q, seen, facts, pdf, size, last, reason, statement, id, err);
  free(pdf);
  json_decref(facts);
  json_decref(exam);
  return s;
}

static ogv_status answer_row(ogv_request *q, const char *exam, const char *id, ogv_reply *r, ogv_error *err) {
  json_t *row = NULL;
  OGV_TRY(ogv_store_report_row(q->store, id, &row, err));
  ogv_hub_publish(q->server->hub, "exam", json_pack("{s:s,s:s,s:s}", "exam", exam, "who", q->who, "what", "signed"));
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:o}", "report", row), err);
}

OGV_HANDLER(sign) {
  json_t *body;
  char id[20];
  OGV_TRY(ogv_request_json(q, &body, err));
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s = sign_locked(q, body, id, err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(body);
  return s == OGV_OK ? answer_row(q, q->arg[0], id, r, err) : s;
}

/* --- the second signature
 * ------------------------------------------------------------------------------------------------- The same facts with
 * a second name: a new edition that takes the place of the first, which stays as it was signed. */
static ogv_status second_locked(ogv_request *q, const json_t *body, char exam[20], char id[20], ogv_error *err) {
  json_t *row = NULL, *facts = NULL;
  uint8_t *pdf = NULL;
  size_t size = 0;
  char at[40], sha[OGV_SHA256_TEXT];
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_report_row(q->store, q->arg[0], &row, err));
  const json_t *first = json_array_get(json_object_get(row, "signatures"), 0);
  snprintf(exam, 20, "%s", text(row, "exam"));
  ogv_status s = ogv_store_report_facts(q->store, q->arg[0], &facts, err);
  json_t *report = json_object_get(facts, "report");
  if (s == OGV_OK && strcmp(text(row, "state"), "signed"))
    s = ogv_fail(err, OGV_E_CONFLICT, "Look at the newest report.", "report %d has been replaced meanwhile",
                 (int)ogv_json_number_or(row, "number", 0));
  if (s == OGV_OK && !json_is_true(json_object_get(report, "second_missing")))
    s = ogv_fail(err, OGV_E_INVALID, NULL, "this report awaits no second signature");
  if (s == OGV_OK && !strcmp(text(first, "who"), q->who))
    s = ogv_fail(err, OGV_E_DENIED, "A second person must read it.", "%.60s has signed this report already", q->who);
  if (s == OGV_OK && strcmp(text(body, "sha256"), text(row, "sha256")))
    s = ogv_fail(err, OGV_E_CONFLICT, "Read the report as it is stored and sign that.",
                 "the report signed is not the report stored");
  if (s == OGV_OK) {
    now_text(at);
    json_t *g = json_array_get(json_object_get(report, "signatures"), 0);
    char number[48];
    snprintf(number, sizeof number, "%.20s-%d", exam, (int)ogv_json_number_or(row, "number", 0) + 1);
    json_object_set_new(g, "sha256", json_string(text(row, "sha256")));
    json_array_append_new(json_object_get(report, "signatures"), signature(q, "second signature", at));
    json_object_set_new(report, "id", json_string(number));
    json_object_del(report, "second_missing");
    s = ogv_report_pdf(facts, ogv_report_picture, q, &pdf, &size, err);
  }
  if (s == OGV_OK) s = ogv_store_begin(q->store, err);
  if (s == OGV_OK) {
    s = ogv_store_report_amending(q->store, exam, pdf, size, facts, q->arg[0], "second signature", q->who, id, err);
    ogv_sha256(pdf, size, sha);
    json_t *sign = json_pack("{s:s,s:s,s:s,s:s,s:i}", "sha256", sha, "name", *q->name ? q->name : q->who, "role",
                             *q->role ? q->role : "signer", "statement", "second signature", "place", 1);
    if (s == OGV_OK) s = ogv_store_sign(q->store, id, sign, q->who, err);
    json_decref(sign);
    if (s == OGV_OK) s = ogv_store_commit(q->store, err);
    else ogv_store_rollback(q->store);
  }
  free(pdf);
  json_decref(facts);
  json_decref(row);
  return s;
}

OGV_HANDLER(second) {
  json_t *body;
  char exam[20] = "", id[20];
  OGV_TRY(ogv_request_json(q, &body, err));
  pthread_mutex_lock(&q->server->write_lock);
  ogv_status s = second_locked(q, body, exam, id, err);
  pthread_mutex_unlock(&q->server->write_lock);
  json_decref(body);
  return s == OGV_OK ? answer_row(q, exam, id, r, err) : s;
}
