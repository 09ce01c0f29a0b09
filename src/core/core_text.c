#include "core_text.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void ogv_text_init(ogv_text *t, size_t maximum) { *t = (ogv_text){.maximum = maximum}; }

void ogv_text_free(ogv_text *t) {
  free(t->data);
  *t = (ogv_text){.maximum = t->maximum};
}

static bool reserve(ogv_text *t, size_t more) {
  if (t->failed) return false;
  if (more > t->maximum || t->length > t->maximum - more) {
    t->failed = true;
    return false;
  }
  size_t need = t->length + more + 1;
  if (need <= t->capacity) return true;
  size_t cap = t->capacity ? t->capacity : 64;
  while (cap < need) cap *= 2;
  char *p = realloc(t->data, cap);
  if (!p) {
    t->failed = true;
    return false;
  }
  t->data = p;
  t->capacity = cap;
  return true;
}

void ogv_text_add_bytes(ogv_text *t, const void *p, size_t n) {
  if (!reserve(t, n)) return;
  if (n) memcpy(t->data + t->length, p, n);
  t->length += n;
  t->data[t->length] = 0;
}

void ogv_text_add(ogv_text *t, const char *s) { ogv_text_add_bytes(t, s, strlen(s)); }

void ogv_text_addf(ogv_text *t, const char *fmt, ...) {
  va_list ap, again;
  va_start(ap, fmt);
  va_copy(again, ap);
  int n = vsnprintf(NULL, 0, fmt, ap);
  va_end(ap);
  if (n < 0) t->failed = true;
  if (n >= 0 && reserve(t, (size_t)n)) {
    vsnprintf(t->data + t->length, (size_t)n + 1, fmt, again);
    t->length += (size_t)n;
  }
  va_end(again);
}

char *ogv_text_take(ogv_text *t) {
  if (!t->failed && !t->data) reserve(t, 0);
  if (t->failed) {
    ogv_text_free(t);
    return NULL;
  }
  char *p = t->data;
  if (t->length == 0) p[0] = 0;
  *t = (ogv_text){.maximum = t->maximum};
  return p;
}

bool ogv_utf8_valid(const char *s, size_t n) {
  const uint8_t *p = (const uint8_t *)s;
  for (size_t i = 0; i < n;) {
    uint32_t c = p[i];
    size_t len = c < 0x80 ? 1 : (c >> 5) == 6 ? 2 : (c >> 4) == 14 ? 3 : (c >> 3) == 30 ? 4 : 0;
    if (!len || i + len > n) return false;
    static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
    uint32_t v = len == 1 ? c : c & (0x7fu >> len);
    for (size_t k = 1; k < len; k++) {
      if ((p[i + k] >> 6) != 2) return false;
      v = v << 6 | (p[i + k] & 0x3f);
    }
    if (v < least[len] || v > 0x10ffff || (v >= 0xd800 && v <= 0xdfff)) return false;
    i += len;
  }
  return true;
}
