#include "core_resource.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"

/* Made by scripts/embed.py at build time; sorted by path. */
extern const ogv_resource ogv_resource_table[];
extern const size_t ogv_resource_count;

/* Overrides read so far. They are never freed: callers may hold the bytes for as long as the program runs. */
typedef struct kept {
  struct kept *next;
  ogv_resource r;
} kept;
static pthread_mutex_t kept_lock = PTHREAD_MUTEX_INITIALIZER;
static kept *kept_list;

static const ogv_resource *embedded(const char *path) {
  size_t lo = 0, hi = ogv_resource_count;
  while (lo < hi) {
    size_t mid = (lo + hi) / 2;
    int c = strcmp(ogv_resource_table[mid].path, path);
    if (c == 0) return &ogv_resource_table[mid];
    if (c < 0) lo = mid + 1;
    else hi = mid;
  }
  return NULL;
}

static ogv_status override(const char *folder, const char *path, ogv_resource *out, ogv_error *err) {
  char full[4096];
  snprintf(full, sizeof full, "%s/%s", folder, path);
  if (!ogv_file_exists(full)) return OGV_E_NOT_FOUND;
  pthread_mutex_lock(&kept_lock);
  for (kept *k = kept_list; k; k = k->next)
    if (!strcmp(k->r.path, path)) {
      *out = k->r;
      pthread_mutex_unlock(&kept_lock);
      return OGV_OK;
    }
  uint8_t *data = NULL;
  size_t n = 0;
  ogv_status s = ogv_file_read(full, 64u << 20, &data, &n, err);
  kept *k = s == OGV_OK ? malloc(sizeof *k) : NULL;
  char *name = k ? strdup(path) : NULL;
  if (name) {
    k->r = (ogv_resource){name, data, n};
    k->next = kept_list;
    kept_list = k;
    *out = k->r;
  } else if (s == OGV_OK) {
    free(k);
    free(data);
    s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory reading %s", full);
  }
  pthread_mutex_unlock(&kept_lock);
  return s;
}

ogv_status ogv_resource_get(const char *path, ogv_resource *out, ogv_error *err) {
  const char *folder = getenv("OGIVE_DATA");
  if (folder && *folder && !strstr(path, "..")) {
    ogv_status s = override(folder, path, out, err);
    if (s != OGV_E_NOT_FOUND) return s;
  }
  return ogv_resource_built_in(path, out, err);
}

ogv_status ogv_resource_built_in(const char *path, ogv_resource *out, ogv_error *err) {
  const ogv_resource *r = embedded(path);
  if (!r) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no built-in file %s", path);
  *out = *r;
  return OGV_OK;
}

typedef struct {
  char **names;
  size_t n, cap;
  size_t skip; /* length of the folder's name and slash */
  const char *prefix;
} collect;

static ogv_status add_name(collect *c, const char *name, ogv_error *err) {
  if (strncmp(name, c->prefix, strlen(c->prefix))) return OGV_OK;
  if (c->n == c->cap) {
    size_t cap = c->cap ? c->cap * 2 : 64;
    char **p = realloc(c->names, cap * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    c->names = p;
    c->cap = cap;
  }
  c->names[c->n] = strdup(name);
  if (!c->names[c->n]) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  c->n++;
  return OGV_OK;
}

static ogv_status add_file(void *user, const char *path, ogv_error *err) {
  collect *c = user;
  return add_name(c, path + c->skip, err);
}

static int by_name(const void *a, const void *b) { return strcmp(*(char *const *)a, *(char *const *)b); }

ogv_status ogv_resource_each(const char *prefix, ogv_resource_visit fn, void *user, ogv_error *err) {
  collect c = {.prefix = prefix};
  ogv_status s = OGV_OK;
  for (size_t i = 0; s == OGV_OK && i < ogv_resource_count; i++) s = add_name(&c, ogv_resource_table[i].path, err);
  const char *folder = getenv("OGIVE_DATA");
  if (s == OGV_OK && folder && *folder) {
    c.skip = strlen(folder) + 1;
    s = ogv_folder_walk(folder, add_file, &c, err);
  }
  if (c.n) qsort(c.names, c.n, sizeof *c.names, by_name);
  for (size_t i = 0; s == OGV_OK && i < c.n; i++) {
    ogv_resource r;
    if (i && !strcmp(c.names[i], c.names[i - 1])) continue;
    s = ogv_resource_get(c.names[i], &r, err);
    if (s == OGV_OK) s = fn(user, &r, err);
  }
  for (size_t i = 0; i < c.n; i++) free(c.names[i]);
  free(c.names);
  return s;
}
