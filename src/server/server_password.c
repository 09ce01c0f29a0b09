#include <sodium.h>
#include <string.h>

#include "core_text.h"
#include "server_user.h"

static size_t characters(const char *s) {
  size_t n = 0;
  for (; *s; s++) n += ((unsigned char)*s & 0xC0) != 0x80;
  return n;
}

ogv_status ogv_password_hash(const char *password, char hash[OGV_PASSWORD_HASH], ogv_error *err) {
  if (characters(password) < OGV_PASSWORD_LEAST)
    return ogv_fail(err, OGV_E_INVALID, "Several words in a row are easy to keep and hard to guess.",
                    "the password is shorter than %d characters", OGV_PASSWORD_LEAST);
  if (strlen(password) > 200 || !ogv_utf8_valid(password, strlen(password)))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the password is longer than 200 bytes, or not text");
  _Static_assert(crypto_pwhash_STRBYTES <= OGV_PASSWORD_HASH, "room for the hash");
  if (sodium_init() < 0 || crypto_pwhash_str(hash, password, strlen(password), crypto_pwhash_OPSLIMIT_INTERACTIVE,
                                             crypto_pwhash_MEMLIMIT_INTERACTIVE))
    return ogv_fail(err, OGV_E_MEMORY, "Try again when less is going on.", "no memory to hash the password");
  return OGV_OK;
}

bool ogv_password_fits(const char *password, const char *hash) {
  if (sodium_init() < 0) return false;
  if (hash && *hash) return crypto_pwhash_str_verify(hash, password, strlen(password)) == 0;
  char waste[OGV_PASSWORD_HASH]; /* an unknown name takes as long as a wrong password */
  (void)!crypto_pwhash_str(waste, "nobody has this", 15, crypto_pwhash_OPSLIMIT_INTERACTIVE,
                           crypto_pwhash_MEMLIMIT_INTERACTIVE);
  return false;
}
