/* People, log-in sessions and settings of a record. Passwords are hashed by the caller (libsodium crypto_pwhash_str);
 * the record keeps only the hash text, and of a session only a hash of its token. */
#ifndef RECORD_ACCESS_H
#define RECORD_ACCESS_H

#include "record_store.h"

/* Adds or changes a person: {user, name, role: "sonographer"|"reporter"|"lead"|"administrator", password_hash (kept as
 * it was when absent), active (default true)}. by: who did it. The older rows stay. */
ogv_status ogv_store_person_put(ogv_store *s, const json_t *person, const char *by, ogv_error *err);
/* {user, name, role, active, when, by}, and password_hash when with_hash. OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_store_person(ogv_store *s, const char *user, bool with_hash, json_t **out, ogv_error *err);
/* All of them, without hashes, by user name. An empty array means single-user mode. */
ogv_status ogv_store_people(ogv_store *s, json_t **out, ogv_error *err);

/* Starts a session that lasts `lifetime_s`; token is filled (43 URL-safe characters, 256 bits). */
#define OGV_TOKEN 48
ogv_status ogv_store_session_start(ogv_store *s, const char *user, int64_t lifetime_s, char token[OGV_TOKEN],
                                   ogv_error *err);
/* The person of a running session, as ogv_store_person. OGV_E_DENIED when unknown, expired or no longer active. */
ogv_status ogv_store_session(ogv_store *s, const char *token, json_t **person, ogv_error *err);
/* Puts the end of a running session at idle_s from now, but no later than longest_s after its start. Written only when
 * that moves it by half a minute or more; a session that is over stays over. */
ogv_status ogv_store_session_go_on(ogv_store *s, const char *token, int64_t idle_s, int64_t longest_s, ogv_error *err);
ogv_status ogv_store_session_end(ogv_store *s, const char *token, ogv_error *err);

/* Settings: any JSON under a key such as "dating.rule", "department", "charts.ac". OGV_E_NOT_FOUND when never set; the
 * older values stay as history. */
ogv_status ogv_store_setting(ogv_store *s, const char *key, json_t **value, ogv_error *err);
ogv_status ogv_store_setting_put(ogv_store *s, const char *key, const json_t *value, const char *who, ogv_error *err);
/* All values a setting had, newest first: [{"value","who","at"}]; empty when it was never set. New reference. */
ogv_status ogv_store_setting_history(ogv_store *s, const char *key, json_t **out, ogv_error *err);
/* One object of all settings. */
ogv_status ogv_store_settings(ogv_store *s, json_t **out, ogv_error *err);

#endif
