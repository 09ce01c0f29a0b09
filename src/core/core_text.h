/* A growable text buffer with a stated maximum, so that no input can make it eat the machine. */
#ifndef CORE_TEXT_H
#define CORE_TEXT_H

#include <stdbool.h>
#include <stddef.h>

typedef struct ogv_text {
  char *data; /* always NUL-terminated once something was added; NULL when empty */
  size_t length, capacity, maximum;
  bool failed; /* memory or maximum was exceeded; later additions do nothing */
} ogv_text;

/* Starts empty. maximum in bytes. Free with ogv_text_free. */
void ogv_text_init(ogv_text *t, size_t maximum);
void ogv_text_free(ogv_text *t);
void ogv_text_add(ogv_text *t, const char *s);
void ogv_text_add_bytes(ogv_text *t, const void *p, size_t n);
void ogv_text_addf(ogv_text *t, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
/* Hands the string to the caller (free with free()), or NULL when it failed. The buffer is empty afterwards. */
char *ogv_text_take(ogv_text *t);

/* True when the bytes are well-formed UTF-8 (no overlong forms, no surrogates). */
bool ogv_utf8_valid(const char *s, size_t n);

#endif
