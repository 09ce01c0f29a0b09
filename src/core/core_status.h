/* Status codes and error detail. Every fallible function of Ogive returns an ogv_status and fills the optional
 * ogv_error passed by the caller; there is no global error state. */
#ifndef CORE_STATUS_H
#define CORE_STATUS_H

typedef enum ogv_status {
  OGV_OK = 0,
  OGV_E_INVALID,     /* text, argument or geometry that cannot be understood */
  OGV_E_RANGE,       /* outside a published or plausible range: no value is given rather than a guess */
  OGV_E_NOT_FOUND,   /* no such chart, object, exam, file, field */
  OGV_E_UNSUPPORTED, /* understood, but this program does not do it */
  OGV_E_CORRUPT,     /* bytes are damaged or cut short */
  OGV_E_CALIBRATION, /* no trustworthy calibration for this picture */
  OGV_E_CONFLICT,    /* somebody else changed it, or two facts disagree */
  OGV_E_DENIED,      /* not allowed: permissions, read-only store, signed report */
  OGV_E_IO,          /* disk full, device error, network */
  OGV_E_MEMORY,
  OGV_E_INTERNAL /* a defect in Ogive */
} ogv_status;

typedef struct ogv_error {
  ogv_status code;
  char what[512]; /* what is wrong and where, one sentence, UTF-8 */
  char todo[256]; /* what the reader can do about it; may be empty */
} ogv_error;

/* Fills err (may be NULL) and returns code, so that `return ogv_fail(...)` reads well. todo may be NULL. */
ogv_status ogv_fail(ogv_error *err, ogv_status code, const char *todo, const char *fmt, ...)
    __attribute__((format(printf, 4, 5)));

/* Puts `prefix: ` before the message already in err, to say where it happened. Returns err's code. */
ogv_status ogv_error_at(ogv_error *err, ogv_status code, const char *fmt, ...) __attribute__((format(printf, 3, 4)));

/* The same with the name of a file, unless the message names it already. OGV_OK passes through. */
ogv_status ogv_error_in(ogv_error *err, ogv_status code, const char *file);

/* Short stable word for a code, e.g. "out-of-range"; used in JSON output. Never NULL. */
const char *ogv_status_word(ogv_status code);

#define OGV_TRY(expr)                          \
  do {                                         \
    ogv_status ogv_try_s = (expr);             \
    if (ogv_try_s != OGV_OK) return ogv_try_s; \
  } while (0)

#endif
