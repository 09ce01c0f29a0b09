#include "server_jobs.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

#define KEPT 48    /* finished ones */
#define WAITING 12 /* not yet begun */

typedef enum { WAITS, RUNS, READY, FAILED, STOPPED } job_state;
static const char *const state_words[] = {"waiting", "running", "ready", "failed", "stopped"};

struct ogv_job {
  char id[33], who[128];
  ogv_jobs *all;
  ogv_job_work work;
  json_t *ask, *answer;
  ogv_error error;
  job_state state;
  int done, of;
  bool stop;
  ogv_job *next; /* older first */
};

struct ogv_jobs {
  pthread_mutex_t lock;
  pthread_cond_t more;
  pthread_t thread;
  bool started, ending;
  ogv_server *server;
  ogv_job *first;
};

ogv_jobs *ogv_jobs_new(void) {
  ogv_jobs *j = calloc(1, sizeof *j);
  if (!j) return NULL;
  pthread_mutex_init(&j->lock, NULL);
  pthread_cond_init(&j->more, NULL);
  return j;
}

static void free_job(ogv_job *b) {
  json_decref(b->ask);
  json_decref(b->answer);
  free(b);
}

void ogv_jobs_free(ogv_jobs *j) {
  if (!j) return;
  pthread_mutex_lock(&j->lock);
  j->ending = true;
  for (ogv_job *b = j->first; b; b = b->next) b->stop = true;
  pthread_cond_broadcast(&j->more);
  pthread_mutex_unlock(&j->lock);
  if (j->started) pthread_join(j->thread, NULL);
  for (ogv_job *b = j->first, *next; b; b = next) {
    next = b->next;
    free_job(b);
  }
  pthread_cond_destroy(&j->more);
  pthread_mutex_destroy(&j->lock);
  free(j);
}

static ogv_job *find(ogv_jobs *j, const char *id) {
  for (ogv_job *b = j->first; b; b = b->next)
    if (!strcmp(b->id, id)) return b;
  return NULL;
}

static bool over(const ogv_job *b) { return b->state >= READY; }

/* Finished ones beyond what is kept go, the oldest first. Locked. */
static void make_room(ogv_jobs *j) {
  int n = 0;
  for (ogv_job *b = j->first; b; b = b->next) n += over(b);
  for (ogv_job **at = &j->first; *at && n > KEPT;) {
    ogv_job *b = *at;
    if (!over(b)) {
      at = &b->next;
      continue;
    }
    *at = b->next;
    free_job(b);
    n--;
  }
}

static void run(ogv_jobs *j, ogv_job *b) {
  ogv_request *q = calloc(1, sizeof *q);
  json_t *answer = NULL;
  ogv_error err = {0};
  ogv_status s = q ? OGV_OK : ogv_fail(&err, OGV_E_MEMORY, NULL, "out of memory");
  if (q) {
    q->server = j->server;
    q->upload = -1;
    snprintf(q->who, sizeof q->who, "%s", b->who);
    s = b->work(q, b, b->ask, &answer, &err);
    ogv_request_release(q);
  }
  pthread_mutex_lock(&j->lock);
  if (s == OGV_OK && !b->stop) {
    b->answer = answer;
    answer = NULL;
  }
  b->error = err;
  b->state = b->stop ? STOPPED : s == OGV_OK ? READY : FAILED;
  make_room(j);
  pthread_mutex_unlock(&j->lock);
  json_decref(answer);
}

static void *worker(void *user) {
  ogv_jobs *j = user;
  pthread_mutex_lock(&j->lock);
  while (!j->ending) {
    ogv_job *b = j->first;
    while (b && b->state != WAITS) b = b->next;
    if (!b) {
      pthread_cond_wait(&j->more, &j->lock);
      continue;
    }
    b->state = RUNS;
    pthread_mutex_unlock(&j->lock);
    run(j, b);
    pthread_mutex_lock(&j->lock);
  }
  pthread_mutex_unlock(&j->lock);
  return NULL;
}

/* Locked. */
static ogv_status enter(ogv_jobs *j, ogv_job *b, ogv_error *err) {
  int waiting = 0;
  for (ogv_job *o = j->first; o; o = o->next) waiting += o->state == WAITS;
  if (waiting >= WAITING)
    return ogv_fail(err, OGV_E_CONFLICT, "Wait until one is done, or stop one.", "%d readings are waiting already",
                    waiting);
  if (!j->started && pthread_create(&j->thread, NULL, worker, j))
    return ogv_fail(err, OGV_E_MEMORY, "Try again.", "no thread can be started");
  j->started = true;
  ogv_job **at = &j->first;
  while (*at) at = &(*at)->next;
  *at = b;
  pthread_cond_signal(&j->more);
  return OGV_OK;
}

ogv_status ogv_job_start(ogv_request *q, ogv_job_work work, const json_t *ask, char id[33], ogv_error *err) {
  ogv_jobs *j = q->server->jobs;
  ogv_job *b = calloc(1, sizeof *b);
  json_t *copy = json_deep_copy(ask);
  if (!b || !copy || sodium_init() < 0) {
    json_decref(copy);
    free(b);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  unsigned char raw[16];
  randombytes_buf(raw, sizeof raw);
  sodium_bin2hex(b->id, sizeof b->id, raw, sizeof raw);
  snprintf(b->who, sizeof b->who, "%s", q->who);
  b->work = work;
  b->ask = copy;
  b->all = j;
  memcpy(id, b->id, sizeof b->id);
  pthread_mutex_lock(&j->lock);
  j->server = q->server;
  ogv_status s = enter(j, b, err);
  pthread_mutex_unlock(&j->lock);
  if (s != OGV_OK) free_job(b);
  return s;
}

ogv_status ogv_job_step(ogv_job *b, int of, ogv_error *err) {
  pthread_mutex_lock(&b->all->lock);
  bool stop = b->stop;
  b->of = of;
  if (b->done < of) b->done++;
  pthread_mutex_unlock(&b->all->lock);
  return stop ? ogv_fail(err, OGV_E_DENIED, NULL, "the work was stopped") : OGV_OK;
}

static ogv_status no_job(ogv_error *err) {
  return ogv_fail(err, OGV_E_NOT_FOUND, "Propose again.", "this reading is not kept any more");
}

ogv_status ogv_job_answer(ogv_server *s, const char *id, json_t **ask, json_t **answer, ogv_error *err) {
  pthread_mutex_lock(&s->jobs->lock);
  const ogv_job *b = find(s->jobs, id);
  *ask = b ? json_deep_copy(b->ask) : NULL;
  *answer = b && b->state == READY ? json_deep_copy(b->answer) : NULL;
  pthread_mutex_unlock(&s->jobs->lock);
  if (*ask && *answer) return OGV_OK;
  json_decref(*ask);
  json_decref(*answer);
  *ask = *answer = NULL;
  return no_job(err);
}

OGV_HANDLER(job) {
  ogv_jobs *j = q->server->jobs;
  json_t *out = NULL;
  pthread_mutex_lock(&j->lock);
  const ogv_job *b = find(j, q->arg[0]);
  if (b) {
    out = json_pack("{s:s,s:s,s:i,s:i}", "job", b->id, "state", state_words[b->state], "done", b->done, "of", b->of);
    if (b->state == READY) json_object_set_new(out, "answer", json_deep_copy(b->answer));
    if (b->state == FAILED) json_object_set_new(out, "refused", ogv_error_json(&b->error));
  }
  pthread_mutex_unlock(&j->lock);
  return out ? ogv_reply_json(r, out, err) : no_job(err);
}

OGV_HANDLER(job_stop) {
  ogv_jobs *j = q->server->jobs;
  pthread_mutex_lock(&j->lock);
  ogv_job *b = find(j, q->arg[0]);
  if (b && !over(b)) {
    b->stop = true;
    if (b->state == WAITS) b->state = STOPPED;
  }
  pthread_mutex_unlock(&j->lock);
  return b ? ogv_reply_json(r, json_pack("{s:b}", "stopped", 1), err) : no_job(err);
}
