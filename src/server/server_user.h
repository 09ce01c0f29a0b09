/* Passwords of people who log in: libsodium's Argon2id (crypto_pwhash_str, interactive limits). */
#ifndef SERVER_USER_H
#define SERVER_USER_H

#include <stdbool.h>

#include "core_status.h"

#define OGV_PASSWORD_HASH 128
#define OGV_PASSWORD_LEAST 10 /* characters; NIST SP 800-63B asks for 8 or more and no rules of composition */

/* hash is filled. OGV_E_INVALID when the password is shorter than OGV_PASSWORD_LEAST or longer than 200 bytes. */
ogv_status ogv_password_hash(const char *password, char hash[OGV_PASSWORD_HASH], ogv_error *err);
/* hash NULL or "": false, after the time that a comparison takes. */
bool ogv_password_fits(const char *password, const char *hash);

#endif
