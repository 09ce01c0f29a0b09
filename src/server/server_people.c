/* People: added, changed and closed by an administrator; everybody changes their own password. */
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "record_access.h"
#include "server_internal.h"
#include "server_user.h"

OGV_HANDLER(people) {
  json_t *list;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_people(q->store, &list, err));
  return ogv_reply_json(r, json_pack("{s:o}", "people", list), err);
}

/* The row to store: what was not sent stays as it was. */
static ogv_status complete(ogv_request *q, json_t *person, ogv_error *err) {
  const char *user, *password = ogv_json_string_or(person, "password", NULL);
  OGV_TRY(ogv_json_string(person, "person", "user", &user, err));
  for (const char *c = user; *c; c++)
    if (!strchr("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-", *c))
      return ogv_fail(err, OGV_E_INVALID, "The full name may hold anything.",
                      "a user name holds letters a to z, digits, \".\", \"_\" and \"-\"");
  json_t *old = NULL;
  bool known = ogv_store_person(q->store, user, false, &old, NULL) == OGV_OK;
  if (known) json_object_update_missing(person, old);
  json_decref(old);
  json_object_del(person, "password_hash"); /* only from a password */
  char hash[OGV_PASSWORD_HASH];
  if (!known && !password) return ogv_fail(err, OGV_E_INVALID, "Give one.", "%.60s needs a password", user);
  if (password) {
    OGV_TRY(ogv_password_hash(password, hash, err));
    json_object_set_new(person, "password_hash", json_string(hash));
  }
  json_object_del(person, "password");
  return OGV_OK;
}

OGV_HANDLER(people_save) {
  json_t *person, *out = NULL;
  OGV_TRY(ogv_request_json(q, &person, err));
  ogv_status s = ogv_request_store(q, err);
  if (s == OGV_OK) s = complete(q, person, err);
  if (s == OGV_OK) s = ogv_store_person_put(q->store, person, q->who, err);
  if (s == OGV_OK) s = ogv_store_person(q->store, ogv_json_string_or(person, "user", ""), false, &out, err);
  json_decref(person);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "setup", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, out, err);
}

OGV_HANDLER(password) {
  json_t *body, *p = NULL;
  char hash[OGV_PASSWORD_HASH];
  OGV_TRY(ogv_request_json(q, &body, err));
  const char *old, *new;
  ogv_status s = ogv_json_string(body, "password", "old", &old, err);
  if (s == OGV_OK) s = ogv_json_string(body, "password", "new", &new, err);
  if (s == OGV_OK) s = ogv_request_store(q, err);
  if (s == OGV_OK) s = ogv_store_person(q->store, q->who, true, &p, err);
  if (s == OGV_OK && !ogv_password_fits(old, ogv_json_string_or(p, "password_hash", "")))
    s = ogv_fail(err, OGV_E_DENIED, NULL, "the present password is wrong");
  if (s == OGV_OK) s = ogv_password_hash(new, hash, err);
  if (s == OGV_OK) {
    json_object_set_new(p, "password_hash", json_string(hash));
    s = ogv_store_person_put(q->store, p, q->who, err);
  }
  json_decref(p);
  json_decref(body);
  return s == OGV_OK ? ogv_reply_json(r, json_pack("{s:b}", "changed", true), err) : s;
}
