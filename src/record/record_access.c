#include "record_access.h"

#include <pthread.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "core_file.h"
#include "record_internal.h"

static ogv_status person_of(ogv_rows *q, bool with_hash, json_t **out, ogv_error *err) {
  *out = json_pack("{s:s,s:s,s:s,s:b,s:b,s:s,s:s}", "user", ogv_sql_text(q, 0), "name", ogv_sql_text(q, 1), "role",
                   ogv_sql_text(q, 2), "active", (int)ogv_sql_int(q, 4), "password_set", *ogv_sql_text(q, 3) != 0, "by",
                   ogv_sql_text(q, 5), "when", ogv_sql_text(q, 6));
  if (with_hash && *out) json_object_set_new(*out, "password_hash", json_string(ogv_sql_text(q, 3)));
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a person");
}

static ogv_status person_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return person_of(q, false, out, err);
}

static ogv_status person_with_hash(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return person_of(q, true, out, err);
}

#define PERSON_COLUMNS "SELECT p.user, p.name, p.role, p.password_hash, p.active, p.by, p.at FROM person p "
#define NEWEST "p.seq=(SELECT max(o.seq) FROM person o WHERE o.user=p.user)"

ogv_status ogv_store_person(ogv_store *s, const char *user, bool with_hash, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, PERSON_COLUMNS "WHERE p.user=$1 AND " NEWEST, "t", user));
  return ogv_record_row(s, q, with_hash ? person_with_hash : person_row, "user", user, out, err);
}

ogv_status ogv_store_people(ogv_store *s, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, PERSON_COLUMNS "WHERE " NEWEST " ORDER BY p.user", NULL));
  return ogv_record_rows(s, q, person_row, out, err);
}

/* The last active administrator cannot be taken away: nobody could set up people any more. */
static ogv_status keep_an_administrator(ogv_store *s, const char *user, const char *role, bool active, ogv_error *err) {
  if (active && !strcmp(role, "administrator")) return OGV_OK;
  int64_t others = 0, all = 0;
  OGV_TRY(ogv_sql_one_int(s->db, &all, err, "SELECT count(*) FROM person", NULL));
  OGV_TRY(ogv_sql_one_int(
      s->db, &others, err,
      "SELECT count(*) FROM person p WHERE p.user<>$1 AND p.active=1 AND p.role='administrator' AND " NEWEST, "t",
      user));
  if (others) return OGV_OK;
  return ogv_fail(err, OGV_E_DENIED, "Make somebody administrator first.",
                  all ? "%s is the last administrator" : "the first person must be an administrator, not %s", user);
}

static ogv_status put(ogv_store *s, const json_t *person, const char *by, ogv_error *err) {
  const char *user, *name, *role;
  OGV_TRY(ogv_json_string(person, "person", "user", &user, err));
  OGV_TRY(ogv_json_string(person, "person", "name", &name, err));
  OGV_TRY(ogv_json_string(person, "person", "role", &role, err));
  if (!*user || strlen(user) > 60) return ogv_fail(err, OGV_E_INVALID, NULL, "a user name has 1 to 60 characters");
  if (strcmp(role, "sonographer") && strcmp(role, "reporter") && strcmp(role, "lead") && strcmp(role, "administrator"))
    return ogv_fail(err, OGV_E_INVALID, "Use sonographer, reporter, lead or administrator.",
                    "there is no role \"%.40s\"", role);
  const json_t *active = json_object_get(person, "active");
  int64_t is_active = !json_is_false(active), seq;
  OGV_TRY(keep_an_administrator(s, user, role, is_active, err));
  char hash[256] = "", when[OGV_TIME];
  const char *given = ogv_json_string_or(person, "password_hash", NULL);
  ogv_status st = OGV_OK;
  if (!given)
    st = ogv_sql_one_text(s->db, hash, sizeof hash, err,
                          "SELECT password_hash FROM person WHERE user=$1 ORDER BY seq DESC LIMIT 1", "t", user);
  if (st != OGV_OK && st != OGV_E_NOT_FOUND) return st;
  ogv_change c = {"person", "put", user, NULL, NULL, by, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  OGV_TRY(ogv_sql_run(s->db, err,
                      "INSERT INTO person(seq, user, name, role, password_hash, active, by, at)"
                      " VALUES($1,$2,$3,$4,$5,$6,$7,$8)",
                      "itttt"
                      "itt",
                      seq, user, name, role, given ? given : hash, is_active, by, when));
  if (is_active && !given) return OGV_OK;
  return ogv_sql_run(s->db, err, "DELETE FROM session WHERE user=$1", "t", user); /* a new password ends old sessions */
}

ogv_status ogv_store_person_put(ogv_store *s, const json_t *person, const char *by, ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, put(s, person, by, err), err);
}

/* Sessions of a record that cannot be written live as long as the program. */
#define KEPT 64
static struct {
  char sha[OGV_SHA256_TEXT], user[256];
  int64_t expires;
} kept[KEPT];
static pthread_mutex_t kept_lock = PTHREAD_MUTEX_INITIALIZER;

static void keep_session(const char *sha, const char *user, int64_t expires) {
  pthread_mutex_lock(&kept_lock);
  size_t at = 0; /* the one that ends first makes room */
  for (size_t i = 1; i < KEPT; i++)
    if (kept[i].expires < kept[at].expires) at = i;
  snprintf(kept[at].sha, sizeof kept[at].sha, "%s", sha);
  snprintf(kept[at].user, sizeof kept[at].user, "%s", user);
  kept[at].expires = expires;
  pthread_mutex_unlock(&kept_lock);
}

static ogv_status kept_session(const char *sha, char *user, size_t size, bool end) {
  ogv_status st = OGV_E_NOT_FOUND;
  pthread_mutex_lock(&kept_lock);
  for (size_t i = 0; i < KEPT; i++) {
    if (strcmp(kept[i].sha, sha) || kept[i].expires <= (int64_t)time(NULL)) continue;
    if (end) kept[i].expires = 0;
    else snprintf(user, size, "%s", kept[i].user);
    st = OGV_OK;
  }
  pthread_mutex_unlock(&kept_lock);
  return st;
}

ogv_status ogv_store_session_start(ogv_store *s, const char *user, int64_t lifetime_s, char token[OGV_TOKEN],
                                   ogv_error *err) {
  json_t *person;
  OGV_TRY(ogv_store_person(s, user, false, &person, err));
  bool active = json_is_true(json_object_get(person, "active"));
  json_decref(person);
  if (!active) return ogv_fail(err, OGV_E_DENIED, "Ask an administrator.", "%.60s may no longer log in", user);
  unsigned char r[32];
  char sha[OGV_SHA256_TEXT];
  ogv_random(r, sizeof r);
  sodium_bin2base64(token, OGV_TOKEN, r, sizeof r, sodium_base64_VARIANT_URLSAFE_NO_PADDING);
  ogv_sha256(token, strlen(token), sha);
  int64_t now = (int64_t)time(NULL);
  if (s->read_only) return keep_session(sha, user, now + lifetime_s), OGV_OK;
  OGV_TRY(ogv_record_enter(s, err));
  ogv_status st = ogv_sql_run(s->db, err, "DELETE FROM session WHERE expires<=$1", "i", now);
  if (st == OGV_OK)
    st = ogv_sql_run(s->db, err, "INSERT INTO session(token_sha256, user, started, expires) VALUES($1,$2,$3,$4)",
                     "ttii", sha, user, now, now + lifetime_s);
  return ogv_record_leave(s, st, err);
}

ogv_status ogv_store_session(ogv_store *s, const char *token, json_t **person, ogv_error *err) {
  char sha[OGV_SHA256_TEXT], user[256];
  ogv_sha256(token, strlen(token), sha);
  ogv_status st = s->read_only ? kept_session(sha, user, sizeof user, false)
                               : ogv_sql_one_text(s->db, user, sizeof user, err,
                                                  "SELECT user FROM session WHERE token_sha256=$1 AND expires>$2", "ti",
                                                  sha, (int64_t)time(NULL));
  if (st == OGV_E_NOT_FOUND) return ogv_fail(err, OGV_E_DENIED, "Log in.", "this session is unknown or over");
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_store_person(s, user, false, person, err));
  if (json_is_true(json_object_get(*person, "active"))) return OGV_OK;
  json_decref(*person);
  *person = NULL;
  return ogv_fail(err, OGV_E_DENIED, "Ask an administrator.", "%.60s may no longer log in", user);
}

ogv_status ogv_store_session_go_on(ogv_store *s, const char *token, int64_t idle_s, int64_t longest_s, ogv_error *err) {
  char sha[OGV_SHA256_TEXT];
  int64_t now = (int64_t)time(NULL), due = 0;
  ogv_sha256(token, strlen(token), sha);
  OGV_TRY(ogv_sql_one_int(s->db, &due, err,
                          "SELECT count(*) FROM session WHERE token_sha256=$1 AND expires>$2"
                          " AND abs(CASE WHEN started+$3<$4 THEN started+$3 ELSE $4 END-expires)>=30",
                          "tiii", sha, now, longest_s, now + idle_s));
  if (!due) return OGV_OK;
  return ogv_sql_run(s->db, err,
                     "UPDATE session SET expires=CASE WHEN started+$1<$2 THEN started+$1 ELSE $2 END"
                     " WHERE token_sha256=$3 AND expires>$4",
                     "iiti", longest_s, now + idle_s, sha, now);
}

ogv_status ogv_store_session_end(ogv_store *s, const char *token, ogv_error *err) {
  char sha[OGV_SHA256_TEXT];
  ogv_sha256(token, strlen(token), sha);
  if (s->read_only) return kept_session(sha, NULL, 0, true), OGV_OK;
  return ogv_sql_run(s->db, err, "DELETE FROM session WHERE token_sha256=$1", "t", sha);
}

ogv_status ogv_store_setting(ogv_store *s, const char *key, json_t **value, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "SELECT value FROM setting WHERE key=$1 ORDER BY seq DESC LIMIT 1", "t", key));
  bool row = false;
  ogv_status st = ogv_sql_next(q, &row, err);
  if (st == OGV_OK && row) *value = ogv_sql_json(q, 0);
  else if (st == OGV_OK) st = ogv_fail(err, OGV_E_NOT_FOUND, NULL, "\"%.60s\" was never set", key);
  ogv_sql_end(q);
  return st;
}

static ogv_status put_setting(ogv_store *s, const char *key, const json_t *value, const char *who, ogv_error *err) {
  int64_t seq;
  char when[OGV_TIME];
  json_t *detail = json_pack("{s:O}", "value", value);
  ogv_change c = {"setting", "put", key, NULL, NULL, who, detail};
  ogv_status st = ogv_record_change(s, &c, &seq, when, err);
  json_decref(detail);
  if (st != OGV_OK) return st;
  return ogv_sql_run(s->db, err, "INSERT INTO setting(seq, key, value, who, at) VALUES($1,$2,$3,$4,$5)", "itjtt", seq,
                     key, value, who, when);
}

ogv_status ogv_store_setting_put(ogv_store *s, const char *key, const json_t *value, const char *who, ogv_error *err) {
  if (!key || !*key || strlen(key) > 120) return ogv_fail(err, OGV_E_INVALID, NULL, "a setting needs a key");
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, put_setting(s, key, value, who, err), err);
}

static ogv_status setting_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:o,s:s,s:s}", "value", ogv_sql_json(q, 0), "who", ogv_sql_text(q, 1), "at", ogv_sql_text(q, 2)), out,
      err);
}

ogv_status ogv_store_setting_history(ogv_store *s, const char *key, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err, "SELECT value, who, at FROM setting WHERE key=$1 ORDER BY seq DESC", "t", key));
  return ogv_record_rows(s, q, setting_row, out, err);
}

ogv_status ogv_store_settings(ogv_store *s, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT key, value FROM setting t WHERE seq=(SELECT max(seq) FROM setting u WHERE u.key=t.key)"
                        " ORDER BY key",
                        NULL));
  *out = json_object();
  bool row = false;
  ogv_status st;
  while ((st = ogv_sql_next(q, &row, err)) == OGV_OK && row)
    if ((st = ogv_record_set(*out, ogv_sql_text(q, 0), ogv_sql_json(q, 1), err)) != OGV_OK) break;
  ogv_sql_end(q);
  if (st != OGV_OK) json_decref(*out);
  return st;
}
