/* Live events (server-sent events, WHATWG HTML 9.2): whatever changes in the record is told to every open page. A
 * stream sleeps (its connection is suspended) until there is something to say. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core_text.h"
#include "server_internal.h"

#define RING 256
#define PING_S 20

typedef struct stream {
  struct stream *next;
  ogv_hub *hub;
  struct MHD_Connection *connection;
  uint64_t seen;
  bool asleep, ping;
  char *pending; /* text being sent */
  size_t length, sent;
} stream;

struct ogv_hub {
  pthread_mutex_t lock;
  pthread_cond_t wake;
  pthread_t ticker;
  bool ticking, closing;
  uint64_t next; /* number of the next event, from 1 */
  char *ring[RING];
  stream *streams;
  /* Another program may write too: of the rows that the change feed has gained since the start, those that are not our
   * own are its. Used by the ticker alone once that runs. */
  char *home;
  ogv_store *store;
  const atomic_llong *own;
  int64_t before, others; /* last row at the start; others' rows that have been told */
};

static void wake_all(ogv_hub *h) {
  for (stream *s = h->streams; s; s = s->next)
    if (s->asleep) {
      s->asleep = false;
      MHD_resume_connection(s->connection);
    }
}

static void publish_locked(ogv_hub *h, const char *event, const json_t *data) {
  char *json = data ? json_dumps(data, JSON_COMPACT) : NULL;
  ogv_text t;
  ogv_text_init(&t, 1 << 16);
  ogv_text_addf(&t, "id: %llu\nevent: %s\ndata: %s\n\n", (unsigned long long)h->next, event, json ? json : "{}");
  free(json);
  char *text = ogv_text_take(&t);
  if (!text) return;
  free(h->ring[h->next % RING]);
  h->ring[h->next % RING] = text;
  h->next++;
  wake_all(h);
}

void ogv_hub_publish(ogv_hub *h, const char *event, json_t *data) {
  pthread_mutex_lock(&h->lock);
  publish_locked(h, event, data);
  pthread_mutex_unlock(&h->lock);
  json_decref(data);
}

static ogv_status last_change(ogv_hub *h, int64_t *seq) {
  if (h->store && ogv_store_stale(h->store)) {
    ogv_store_close(h->store);
    h->store = NULL;
  }
  if (!h->store) OGV_TRY(ogv_store_open_reading(h->home, &h->store, NULL));
  return ogv_store_last_change(h->store, seq, NULL);
}

/* Whether others have written since this was last asked. Our own rows are counted before they can be seen, and the feed
 * is read before the count: so ours are never taken for theirs, and theirs at the latest a tick later. */
static bool others_wrote(ogv_hub *h) {
  int64_t last;
  if (last_change(h, &last) != OGV_OK) return false;
  int64_t others = last - h->before - atomic_load(h->own);
  if (others <= h->others) return false;
  h->others = others;
  return true;
}

static void *tick(void *user) {
  ogv_hub *h = user;
  int seconds = 0;
  pthread_mutex_lock(&h->lock);
  while (!h->closing) {
    struct timespec until;
    clock_gettime(CLOCK_REALTIME, &until);
    until.tv_sec += 1;
    pthread_cond_timedwait(&h->wake, &h->lock, &until);
    if (h->closing) break;
    pthread_mutex_unlock(&h->lock);
    bool others = others_wrote(h);
    pthread_mutex_lock(&h->lock);
    if (others) publish_locked(h, "record", NULL);
    if (++seconds % PING_S == 0) {
      for (stream *s = h->streams; s; s = s->next) s->ping = true;
      wake_all(h);
    }
  }
  pthread_mutex_unlock(&h->lock);
  return NULL;
}

ogv_hub *ogv_hub_new(const char *home, const atomic_llong *own) {
  ogv_hub *h = calloc(1, sizeof *h);
  if (!h) return NULL;
  h->next = 1;
  h->own = own;
  h->home = strdup(home);
  if (!h->home || last_change(h, &h->before) != OGV_OK) {
    ogv_store_close(h->store);
    free(h->home);
    free(h);
    return NULL;
  }
  pthread_mutex_init(&h->lock, NULL);
  pthread_cond_init(&h->wake, NULL);
  h->ticking = pthread_create(&h->ticker, NULL, tick, h) == 0;
  return h;
}

void ogv_hub_stop(ogv_hub *h) {
  pthread_mutex_lock(&h->lock);
  h->closing = true;
  wake_all(h);
  pthread_cond_broadcast(&h->wake);
  pthread_mutex_unlock(&h->lock);
  if (h->ticking) pthread_join(h->ticker, NULL);
  h->ticking = false;
}

void ogv_hub_free(ogv_hub *h) {
  if (!h) return;
  if (h->ticking) ogv_hub_stop(h);
  for (size_t i = 0; i < RING; i++) free(h->ring[i]);
  ogv_store_close(h->store);
  free(h->home);
  pthread_cond_destroy(&h->wake);
  pthread_mutex_destroy(&h->lock);
  free(h);
}

/* Puts what the stream has not seen into s->pending; false when there is nothing. */
static bool gather(ogv_hub *h, stream *s) {
  if (s->pending && s->sent < s->length) return true;
  free(s->pending);
  s->pending = NULL;
  ogv_text t;
  ogv_text_init(&t, 1 << 22);
  if (s->ping) ogv_text_add(&t, ": still here\n\n");
  s->ping = false;
  if (h->next > RING && s->seen + RING < h->next) { /* too far behind to be told one by one */
    s->seen = h->next - 1;
    ogv_text_addf(&t, "id: %llu\nevent: record\ndata: {}\n\n", (unsigned long long)s->seen);
  }
  while (s->seen + 1 < h->next) ogv_text_add(&t, h->ring[++s->seen % RING]);
  s->length = t.length;
  s->sent = 0;
  s->pending = ogv_text_take(&t);
  return s->pending && s->length;
}

static ssize_t read_stream(void *user, uint64_t position, char *buf, size_t max) {
  (void)position;
  stream *s = user;
  ogv_hub *h = s->hub;
  ssize_t n = 0;
  pthread_mutex_lock(&h->lock);
  if (h->closing) {
    n = MHD_CONTENT_READER_END_OF_STREAM;
  } else if (gather(h, s)) {
    size_t rest = s->length - s->sent;
    n = (ssize_t)(rest < max ? rest : max);
    memcpy(buf, s->pending + s->sent, (size_t)n);
    s->sent += (size_t)n;
  } else {
    s->asleep = true;
    MHD_suspend_connection(s->connection);
  }
  pthread_mutex_unlock(&h->lock);
  return n;
}

static void end_stream(void *user) {
  stream *s = user;
  ogv_hub *h = s->hub;
  pthread_mutex_lock(&h->lock);
  for (stream **p = &h->streams; *p; p = &(*p)->next)
    if (*p == s) {
      *p = s->next;
      break;
    }
  pthread_mutex_unlock(&h->lock);
  free(s->pending);
  free(s);
}

OGV_HANDLER(events) {
  ogv_hub *h = q->server->hub;
  stream *s = calloc(1, sizeof *s);
  char *hello = strdup("retry: 1000\n: Ogive\n\n");
  if (!s || !hello) {
    free(s);
    free(hello);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  s->hub = h;
  s->connection = q->connection;
  s->pending = hello;
  s->length = strlen(hello);
  const char *last = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "Last-Event-ID");
  pthread_mutex_lock(&h->lock);
  s->seen = h->next - 1;
  unsigned long long seen;
  if (last && sscanf(last, "%llu", &seen) == 1 && seen < h->next) s->seen = seen;
  s->next = h->streams;
  h->streams = s;
  pthread_mutex_unlock(&h->lock);
  r->stream = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 4096, read_stream, s, end_stream);
  if (!r->stream) {
    end_stream(s);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  r->type = "text/event-stream";
  return OGV_OK;
}
