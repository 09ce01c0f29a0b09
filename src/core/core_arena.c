#include "core_arena.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Each block is its own malloc, so AddressSanitizer sees an overrun of any of them; the list frees them together. */
typedef struct block {
  struct block *next;
} block;

struct ogv_arena {
  block *first;
  size_t used, maximum;
};

#define HEAD 64

ogv_arena *ogv_arena_new(size_t maximum) {
  ogv_arena *a = calloc(1, sizeof *a);
  if (a) a->maximum = maximum;
  return a;
}

void *ogv_arena_alloc(ogv_arena *a, size_t count, size_t size) {
  if (size && count > (SIZE_MAX - 2 * HEAD) / size) return NULL;
  size_t n = (count * size + HEAD - 1) / HEAD * HEAD;
  if (n > a->maximum - a->used) return NULL;
  block *b = aligned_alloc(64, HEAD + n);
  if (!b) return NULL;
  b->next = a->first;
  a->first = b;
  a->used += n;
  void *p = (char *)b + HEAD;
  memset(p, 0, n);
  return p;
}

char *ogv_arena_strdup(ogv_arena *a, const char *s) {
  size_t n = strlen(s) + 1;
  char *p = ogv_arena_alloc(a, n, 1);
  if (p) memcpy(p, s, n);
  return p;
}

void ogv_arena_reset(ogv_arena *a) {
  while (a->first) {
    block *b = a->first;
    a->first = b->next;
    free(b);
  }
  a->used = 0;
}

void ogv_arena_free(ogv_arena *a) {
  if (!a) return;
  ogv_arena_reset(a);
  free(a);
}
