/* Logging in, and what each role may do. The first person in the record switches log-in on. */
#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "core_json.h"
#include "record_access.h"
#include "server_internal.h"
#include "server_user.h"

#define COOKIE "ogive_session"
#define LIFETIME_S (12 * 3600) /* a working day: however busy, after it everybody logs in again */
#define LOCK_MINUTES 15        /* unless the department sets its own */
#define GRACE_S (10 * 60)      /* after the page has locked itself: a page that was closed or lost its server */
#define FREE_TRIES 5           /* wrong passwords for one user before waiting begins */
#define ADDRESS_TRIES 20
#define LONGEST_WAIT_S 900

static bool has_people(ogv_request *q) {
  ogv_server *s = q->server;
  pthread_mutex_lock(&s->lock);
  bool people = s->people;
  pthread_mutex_unlock(&s->lock);
  json_t *list;
  if (people || ogv_request_store(q, NULL) != OGV_OK || ogv_store_people(q->store, &list, NULL) != OGV_OK)
    return people;
  people = json_array_size(list) > 0;
  json_decref(list);
  pthread_mutex_lock(&s->lock);
  s->people = s->people || people;
  pthread_mutex_unlock(&s->lock);
  return people;
}

static const char *token_of(ogv_request *q) {
  const char *t = MHD_lookup_connection_value(q->connection, MHD_COOKIE_KIND, COOKIE);
  return t && strlen(t) < OGV_TOKEN ? t : NULL;
}

/* Minutes without a hand on the page after which it locks; 0: never. */
static int lock_minutes(ogv_request *q) {
  json_t *v = NULL;
  int minutes = LOCK_MINUTES;
  if (ogv_store_setting(q->store, "session.lock_minutes", &v, NULL) == OGV_OK && json_is_integer(v))
    minutes = (int)json_integer_value(v);
  json_decref(v);
  return minutes < 0 || minutes > OGV_LOCK_LONGEST ? LOCK_MINUTES : minutes;
}

/* Without a request for this long a session is over on the server too. */
static int64_t idle_seconds(ogv_request *q) {
  int minutes = lock_minutes(q);
  int64_t idle = minutes ? minutes * 60 + GRACE_S : LIFETIME_S;
  return idle < LIFETIME_S ? idle : LIFETIME_S;
}

/* Fills user, name and role of the running session, and lets it go on: each request counts as a sign of life. */
static ogv_status take_person(ogv_request *q, ogv_error *err) {
  const char *token = token_of(q);
  json_t *p = NULL;
  OGV_TRY(ogv_request_store(q, err));
  if (!token) return ogv_fail(err, OGV_E_DENIED, "Log in.", "nobody is logged in");
  OGV_TRY(ogv_store_session(q->store, token, &p, err));
  ogv_store_session_go_on(q->store, token, idle_seconds(q), LIFETIME_S,
                          NULL); /* a busy disk does not log anybody out */
  snprintf(q->who, sizeof q->who, "%s", ogv_json_string_or(p, "user", ""));
  snprintf(q->name, sizeof q->name, "%s", ogv_json_string_or(p, "name", ""));
  snprintf(q->role, sizeof q->role, "%s", ogv_json_string_or(p, "role", ""));
  json_decref(p);
  return OGV_OK;
}

static bool may_sign(ogv_request *q) {
  json_t *roles = NULL, *role;
  size_t i;
  bool may = false;
  if (ogv_store_setting(q->store, "sign.roles", &roles, NULL) != OGV_OK || !json_is_array(roles)) {
    json_decref(roles);
    return !strcmp(q->role, "reporter") || !strcmp(q->role, "lead");
  }
  json_array_foreach(roles, i, role) may |= json_is_string(role) && !strcmp(json_string_value(role), q->role);
  json_decref(roles);
  return may;
}

bool ogv_may(ogv_request *q, ogv_need need) {
  if (q->single || need == OGV_NEED_NOBODY) return true;
  if (!*q->role) return false;
  bool lead = !strcmp(q->role, "lead"), administrator = !strcmp(q->role, "administrator");
  switch (need) {
    case OGV_NEED_WORK: return !administrator;
    case OGV_NEED_SIGN: return may_sign(q);
    case OGV_NEED_LEAD: return lead || administrator;
    case OGV_NEED_PEOPLE: return administrator;
    default: return true;
  }
}

static const char *who_may(ogv_need need) {
  switch (need) {
    case OGV_NEED_WORK: return "A sonographer, reporter or lead does that.";
    case OGV_NEED_SIGN: return "Reports are signed by the roles that the department set up (reporter and lead).";
    case OGV_NEED_LEAD: return "A lead or administrator does that.";
    default: return "An administrator does that.";
  }
}

ogv_status ogv_access_check(ogv_request *q, ogv_error *err) {
  char said[sizeof q->who];
  memcpy(said, q->who, sizeof said);
  q->single = !has_people(q);
  bool open = q->route->need == OGV_NEED_NOBODY || q->route->run == ogv_handle_page || q->route->run == ogv_handle_web;
  if (q->single || open) return OGV_OK;
  *q->who = 0; /* the name in the header is not believed any more */
  ogv_status s = take_person(q, err);
  if (s != OGV_OK) {
    q->status = s == OGV_E_DENIED ? MHD_HTTP_UNAUTHORIZED : 0;
    return s;
  }
  /* A page that thinks it is somebody else would put rows under the wrong name; a foreign page cannot send the header.
   */
  if (q->route->needs_name && strcmp(said, q->who))
    return ogv_fail(err, OGV_E_CONFLICT, "Load the page again.", "this page works as \"%.60s\", but %.60s is logged in",
                    said, q->who);
  ogv_need need = q->route->need == OGV_NEED_PERSON && q->route->needs_name ? OGV_NEED_WORK : q->route->need;
  if (!strcmp(q->path, "/api/session/password")) need = OGV_NEED_PERSON;
  if (ogv_may(q, need)) return OGV_OK;
  return ogv_fail(err, OGV_E_DENIED, who_may(need), "%.60s is %s and may not do that", q->who, q->role);
}

/* --- attempts ------------------------------------------------------------------------------------------------------
 */
static ogv_attempt *attempt_of(ogv_server *s, const char *key) {
  ogv_attempt *oldest = &s->attempts[0];
  for (size_t i = 0; i < OGV_ATTEMPTS; i++) {
    if (!strcmp(s->attempts[i].key, key)) return &s->attempts[i];
    if (s->attempts[i].until < oldest->until) oldest = &s->attempts[i];
  }
  memset(oldest, 0, sizeof *oldest);
  snprintf(oldest->key, sizeof oldest->key, "%s", key);
  return oldest;
}

/* Whose attempts are counted. Behind a proxy all come from it, so the last address that it wrote down is taken; from
 * elsewhere that header is not believed. */
static void address_of(ogv_request *q, char key[72]) {
  const union MHD_ConnectionInfo *info = MHD_get_connection_info(q->connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
  char text[INET6_ADDRSTRLEN] = "?";
  if (info && info->client_addr && info->client_addr->sa_family == AF_INET)
    inet_ntop(AF_INET, &((const struct sockaddr_in *)(const void *)info->client_addr)->sin_addr, text, sizeof text);
  const char *forwarded = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "X-Forwarded-For");
  if (*q->server->public_host && forwarded && !strncmp(text, "127.", 4)) {
    const char *last = strrchr(forwarded, ',');
    last = last ? last + 1 : forwarded;
    while (*last == ' ') last++;
    if (*last) snprintf(text, sizeof text, "%.*s", (int)sizeof text - 1, last);
  }
  snprintf(key, 72, "@%s", text);
}

/* Seconds to wait still; 0: go on. */
static int64_t wait_for(ogv_server *s, const char *user, const char *address) {
  int64_t now = (int64_t)time(NULL), wait = 0;
  pthread_mutex_lock(&s->lock);
  const char *keys[2] = {user, address};
  for (int i = 0; i < 2; i++) {
    ogv_attempt *a = attempt_of(s, keys[i]);
    if (a->until - now > wait) wait = a->until - now;
  }
  pthread_mutex_unlock(&s->lock);
  return wait;
}

static void note_attempt(ogv_server *s, const char *key, int free_tries, bool failed) {
  pthread_mutex_lock(&s->lock);
  ogv_attempt *a = attempt_of(s, key);
  if (!failed) memset(a, 0, sizeof *a);
  else {
    int over = ++a->failures - free_tries;
    int64_t wait = over < 0 ? 0 : over > 9 ? LONGEST_WAIT_S : (int64_t)2 << over;
    a->until = (int64_t)time(NULL) + (wait > LONGEST_WAIT_S ? LONGEST_WAIT_S : wait);
  }
  pthread_mutex_unlock(&s->lock);
}

/* --- handlers ------------------------------------------------------------------------------------------------------
 */
static json_t *session_json(ogv_request *q) {
  bool writes = !q->server->read_only;
  json_t *may = json_pack("{s:b,s:b,s:b,s:b}", "work", writes && ogv_may(q, OGV_NEED_WORK), "sign",
                          writes && ogv_may(q, OGV_NEED_SIGN), "lead", writes && ogv_may(q, OGV_NEED_LEAD), "people",
                          writes && ogv_may(q, OGV_NEED_PEOPLE));
  json_t *o = json_pack("{s:s,s:o,s:b}", "mode", q->single ? "single" : "log-in", "may", may, "read_only", !writes);
  if (!q->single) json_object_set_new(o, "lock_minutes", json_integer(lock_minutes(q)));
  json_object_set_new(
      o, "person",
      *q->role ? json_pack("{s:s,s:s,s:s}", "user", q->who, "name", q->name, "role", q->role) : json_null());
  return o;
}

OGV_HANDLER(session) {
  OGV_TRY(ogv_request_store(q, err));
  *q->who = 0;
  if (!q->single) take_person(q, NULL);
  return ogv_reply_json(r, session_json(q), err);
}

static void set_cookie(ogv_request *q, ogv_reply *r, const char *token, int lifetime) {
  snprintf(r->cookie, sizeof r->cookie, COOKIE "=%s; Path=/; HttpOnly; SameSite=Strict; Max-Age=%d%s", token, lifetime,
           ogv_server_secure(q->server) ? "; Secure" : "");
}

static ogv_status log_in(ogv_request *q, const char *user, const char *password, ogv_reply *r, ogv_error *err) {
  char key[72], address[72], token[OGV_TOKEN];
  snprintf(key, sizeof key, "%.60s", user);
  address_of(q, address);
  int64_t wait = wait_for(q->server, key, address);
  if (wait > 0) {
    q->status = MHD_HTTP_TOO_MANY_REQUESTS;
    return ogv_fail(err, OGV_E_DENIED, "Wait, then try again; an administrator can set a new password.",
                    "too many wrong passwords: wait %d seconds", (int)wait);
  }
  json_t *p = NULL;
  ogv_store_person(q->store, user, true, &p, NULL);
  bool fits = ogv_password_fits(password, ogv_json_string_or(p, "password_hash", "")) &&
              json_is_true(json_object_get(p, "active"));
  json_decref(p);
  note_attempt(q->server, key, FREE_TRIES, !fits);
  note_attempt(q->server, address, ADDRESS_TRIES, !fits);
  if (!fits) {
    q->status = MHD_HTTP_UNAUTHORIZED;
    return ogv_fail(err, OGV_E_DENIED, "Check both; capital letters count.",
                    "the name or the password is wrong, or the account is closed");
  }
  OGV_TRY(ogv_store_session_start(q->store, user, idle_seconds(q), token, err));
  OGV_TRY(ogv_store_person(q->store, user, false, &p, err));
  snprintf(q->who, sizeof q->who, "%s", user);
  snprintf(q->name, sizeof q->name, "%s", ogv_json_string_or(p, "name", ""));
  snprintf(q->role, sizeof q->role, "%s", ogv_json_string_or(p, "role", ""));
  json_decref(p);
  set_cookie(q, r, token, LIFETIME_S);
  return ogv_reply_json(r, session_json(q), err);
}

OGV_HANDLER(session_start) {
  json_t *body;
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *user, *password;
  ogv_status s = ogv_json_string(body, "log-in", "user", &user, err);
  if (s == OGV_OK) s = ogv_json_string(body, "log-in", "password", &password, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK && q->single)
    s = ogv_fail(err, OGV_E_INVALID, "Add people first (ogive user add).", "nobody has to log in here");
  if (s == OGV_OK) s = log_in(q, user, password, r, err);
  json_decref(body);
  return s;
}

OGV_HANDLER(session_end) {
  const char *token = token_of(q);
  OGV_TRY(ogv_request_store(q, err));
  if (token) OGV_TRY(ogv_store_session_end(q->store, token, err));
  set_cookie(q, r, "", 0);
  return ogv_reply_json(r, json_pack("{s:b}", "ended", true), err);
}
