/* Two small stores of the server: finished bytes by key, and opened DICOM files kept for the next frame. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server_internal.h"

#define SLOTS 512

typedef struct entry {
  char key[160];
  uint8_t *data;
  size_t size;
  uint64_t used;
} entry;

struct ogv_cache {
  pthread_mutex_t lock;
  entry slot[SLOTS];
  size_t total, maximum;
  uint64_t clock;
};

ogv_cache *ogv_cache_new(size_t maximum) {
  ogv_cache *c = calloc(1, sizeof *c);
  if (!c) return NULL;
  c->maximum = maximum;
  pthread_mutex_init(&c->lock, NULL);
  return c;
}

void ogv_cache_free(ogv_cache *c) {
  if (!c) return;
  for (size_t i = 0; i < SLOTS; i++) free(c->slot[i].data);
  pthread_mutex_destroy(&c->lock);
  free(c);
}

bool ogv_cache_get(ogv_cache *c, const char *key, uint8_t **data, size_t *size) {
  bool found = false;
  pthread_mutex_lock(&c->lock);
  for (size_t i = 0; i < SLOTS && !found; i++) {
    entry *e = &c->slot[i];
    if (!e->data || strcmp(e->key, key)) continue;
    *data = malloc(e->size);
    if (!*data) break;
    memcpy(*data, e->data, e->size);
    *size = e->size;
    e->used = ++c->clock;
    found = true;
  }
  pthread_mutex_unlock(&c->lock);
  return found;
}

static void drop(ogv_cache *c, entry *e) {
  c->total -= e->size;
  free(e->data);
  memset(e, 0, sizeof *e);
}

void ogv_cache_put(ogv_cache *c, const char *key, const uint8_t *data, size_t size) {
  if (size > c->maximum / 4 || strlen(key) >= sizeof c->slot[0].key) return;
  uint8_t *copy = malloc(size ? size : 1);
  if (!copy) return;
  memcpy(copy, data, size);
  pthread_mutex_lock(&c->lock);
  for (;;) {
    entry *free_slot = NULL, *oldest = NULL;
    for (size_t i = 0; i < SLOTS; i++) {
      entry *e = &c->slot[i];
      if (!e->data) {
        if (!free_slot) free_slot = e;
      } else if (!strcmp(e->key, key)) {
        drop(c, e);
        if (!free_slot) free_slot = e;
      } else if (!oldest || e->used < oldest->used) {
        oldest = e;
      }
    }
    if (free_slot && c->total + size <= c->maximum) {
      *free_slot = (entry){.data = copy, .size = size, .used = ++c->clock};
      snprintf(free_slot->key, sizeof free_slot->key, "%s", key);
      c->total += size;
      break;
    }
    if (!oldest) {
      free(copy);
      break;
    }
    drop(c, oldest);
  }
  pthread_mutex_unlock(&c->lock);
}

/* --- opened files --- */

#define HANDLES 12

struct ogv_handles {
  pthread_mutex_t lock;
  struct {
    char id[24];
    ogv_dicom *d;
    uint64_t used;
  } slot[HANDLES];
  uint64_t clock;
};

ogv_handles *ogv_handles_new(void) {
  ogv_handles *h = calloc(1, sizeof *h);
  if (h) pthread_mutex_init(&h->lock, NULL);
  return h;
}

void ogv_handles_free(ogv_handles *h) {
  if (!h) return;
  for (size_t i = 0; i < HANDLES; i++) ogv_dicom_close(h->slot[i].d);
  pthread_mutex_destroy(&h->lock);
  free(h);
}

ogv_status ogv_handles_take(ogv_handles *h, ogv_request *q, const char *object_id, ogv_dicom **out, ogv_error *err) {
  *out = NULL;
  pthread_mutex_lock(&h->lock);
  for (size_t i = 0; i < HANDLES; i++)
    if (h->slot[i].d && !strcmp(h->slot[i].id, object_id)) {
      *out = h->slot[i].d;
      h->slot[i].d = NULL;
      break;
    }
  pthread_mutex_unlock(&h->lock);
  if (*out) return OGV_OK;
  OGV_TRY(ogv_request_store(q, err));
  char *path;
  OGV_TRY(ogv_store_object_path(q->store, object_id, &path, err));
  ogv_status s = ogv_dicom_open(path, out, err);
  free(path);
  return s;
}

void ogv_handles_give(ogv_handles *h, const char *object_id, ogv_dicom *d) {
  if (!d) return;
  ogv_dicom *out = d;
  if (strlen(object_id) < sizeof h->slot[0].id) {
    pthread_mutex_lock(&h->lock);
    size_t at = 0;
    for (size_t i = 0; i < HANDLES; i++) {
      if (!h->slot[i].d) {
        at = i;
        break;
      }
      if (h->slot[i].used < h->slot[at].used) at = i;
    }
    out = h->slot[at].d;
    snprintf(h->slot[at].id, sizeof h->slot[at].id, "%s", object_id);
    h->slot[at].d = d;
    h->slot[at].used = ++h->clock;
    pthread_mutex_unlock(&h->lock);
  }
  ogv_dicom_close(out);
}
