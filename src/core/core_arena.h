/* One arena for one piece of work: allocate many, free once. Not thread-safe. */
#ifndef CORE_ARENA_H
#define CORE_ARENA_H

#include <stddef.h>

typedef struct ogv_arena ogv_arena;

/* NULL when out of memory. maximum: total bytes it may hold. */
ogv_arena *ogv_arena_new(size_t maximum);
/* Zeroed memory, 64-byte aligned, or NULL. Lives until ogv_arena_free or ogv_arena_reset. */
void *ogv_arena_alloc(ogv_arena *a, size_t count, size_t size);
char *ogv_arena_strdup(ogv_arena *a, const char *s);
void ogv_arena_reset(ogv_arena *a);
void ogv_arena_free(ogv_arena *a); /* NULL is allowed */

#endif
