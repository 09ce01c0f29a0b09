#include "core_status.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

ogv_status ogv_fail(ogv_error *err, ogv_status code, const char *todo, const char *fmt, ...) {
  if (!err) return code;
  /* The message may quote err->what itself, so it is built beside it. */
  char what[sizeof err->what];
  va_list ap;
  va_start(ap, fmt);
  vsnprintf(what, sizeof what, fmt, ap);
  va_end(ap);
  char hint[sizeof err->todo];
  snprintf(hint, sizeof hint, "%s", todo ? todo : "");
  err->code = code;
  memcpy(err->what, what, sizeof what);
  memcpy(err->todo, hint, sizeof hint);
  return code;
}

ogv_status ogv_error_at(ogv_error *err, ogv_status code, const char *fmt, ...) {
  if (!err) return code;
  char where[256], joined[sizeof err->what];
  va_list ap;
  va_start(ap, fmt);
  vsnprintf(where, sizeof where, fmt, ap);
  va_end(ap);
  int n = snprintf(joined, sizeof joined, "%s: ", where);
  if (n < 0 || (size_t)n >= sizeof joined) return code;
  snprintf(joined + n, sizeof joined - (size_t)n, "%.*s", (int)(sizeof joined - (size_t)n - 1), err->what);
  memcpy(err->what, joined, sizeof joined);
  return code;
}

ogv_status ogv_error_in(ogv_error *err, ogv_status code, const char *file) {
  if (code == OGV_OK || !err || strstr(err->what, file)) return code;
  return ogv_error_at(err, code, "%s", file);
}

const char *ogv_status_word(ogv_status code) {
  switch (code) {
    case OGV_OK: return "ok";
    case OGV_E_INVALID: return "invalid";
    case OGV_E_RANGE: return "out-of-range";
    case OGV_E_NOT_FOUND: return "not-found";
    case OGV_E_UNSUPPORTED: return "unsupported";
    case OGV_E_CORRUPT: return "corrupt";
    case OGV_E_CALIBRATION: return "no-calibration";
    case OGV_E_CONFLICT: return "conflict";
    case OGV_E_DENIED: return "denied";
    case OGV_E_IO: return "input-output";
    case OGV_E_MEMORY: return "out-of-memory";
    case OGV_E_INTERNAL: return "internal";
  }
  return "internal";
}
