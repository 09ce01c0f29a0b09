/* Files dropped on the page. They are collected in home/incoming/BATCH and then read by `ogive import` in a process of
 * its own, so that a damaged file can end that process and never this one. Nothing is acknowledged before it is stored.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "server_internal.h"

extern char **environ;

#define BATCH_FILES 20000
#define OUTPUT_LIMIT (8u << 20)

static void remove_tree(const char *folder);

static ogv_status remove_file(void *user, const char *path, ogv_error *err) {
  (void)user, (void)err;
  unlink(path);
  return OGV_OK;
}

/* Batches are one folder deep. */
static void remove_tree(const char *folder) {
  ogv_folder_walk(folder, remove_file, NULL, NULL);
  rmdir(folder);
}

static void batch_folder(const ogv_request *q, char *out, size_t size) {
  snprintf(out, size, "%.380s/incoming/%s", q->server->home, q->arg[0]);
}

/* --- what arrived: everybody sees what is still coming in, and finds again what was taken and what was not. What has
 * come to its end is stored with the record; what has not is in memory alone --- */

#define RECEIPTS 30
#define RECEIPT_LINES 20
#define NAME_BYTES 80
#define TIME_TEXT 32

static void now_text(char out[TIME_TEXT]) {
  time_t t = time(NULL);
  struct tm utc;
  gmtime_r(&t, &utc);
  strftime(out, TIME_TEXT, "%Y-%m-%dT%H:%M:%SZ", &utc);
}

static json_t *receipt_of(ogv_server *s, const char *batch) {
  size_t i;
  json_t *one;
  json_array_foreach(s->receipts, i, one) if (!strcmp(ogv_json_string_or(one, "batch", ""), batch)) return one;
  return NULL;
}

typedef struct leftovers {
  const char *folder;
  json_t *batches; /* {batch: number of files} */
} leftovers;

static ogv_status remove_leftover(void *user, const char *path, ogv_error *err) {
  (void)err;
  leftovers *l = user;
  unlink(path);
  char folder[512];
  snprintf(folder, sizeof folder, "%s", path);
  char *slash = strrchr(folder, '/');
  if (!slash) return OGV_OK;
  *slash = 0;
  if (!strcmp(folder, l->folder)) return OGV_OK; /* an upload that was broken off */
  const char *batch = strrchr(folder, '/') + 1;
  json_object_set_new(l->batches, batch, json_integer(1 + (json_int_t)ogv_json_number_or(l->batches, batch, 0)));
  rmdir(folder); /* stays while other files are in it */
  return OGV_OK;
}

/* Batches that were never read: they are gone, and those who brought them must hear it. */
static void tell_leftovers(ogv_store *store, const json_t *batches) {
  char now[TIME_TEXT];
  const char *batch;
  json_t *n;
  now_text(now);
  json_object_foreach((json_t *)batches, batch, n) {
    json_t *r =
        json_pack("{s:s,s:s,s:s,s:s,s:O,s:s,s:[],s:s}", "batch", batch, "who", "", "began", now, "at", now, "files", n,
                  "state", "failed", "refused", "why", "The server was ended before they were read: send them again");
    if (r) (void)ogv_store_arrival(store, r, "server", NULL);
    json_decref(r);
  }
}

void ogv_import_begin(ogv_server *s, ogv_store *store) {
  char folder[512];
  snprintf(folder, sizeof folder, "%.480s/incoming", s->home);
  leftovers l = {folder, json_object()};
  if (!s->read_only && ogv_file_exists(folder)) {
    ogv_folder_walk(folder, remove_leftover, &l, NULL);
    tell_leftovers(store, l.batches);
  }
  json_decref(l.batches);
  (void)ogv_store_arrivals(store, RECEIPTS, &s->receipts, NULL); /* without them the page still works */
}

/* A file of a batch has come, or its reading has begun (`reading`). */
static void note_arrival(ogv_request *q, bool reading, int n) {
  ogv_server *s = q->server;
  char now[TIME_TEXT];
  now_text(now);
  pthread_mutex_lock(&s->lock);
  if (!s->receipts) s->receipts = json_array();
  json_t *r = receipt_of(s, q->arg[0]);
  bool first = !r;
  if (first) {
    r = json_pack("{s:s,s:s,s:s,s:i,s:s,s:{}}", "batch", q->arg[0], "who", q->who, "began", now, "files", 0, "state",
                  "arriving", "names");
    json_array_insert_new(s->receipts, 0, r);
    if (json_array_size(s->receipts) > RECEIPTS) json_array_remove(s->receipts, RECEIPTS);
  }
  if (reading) json_object_set_new(r, "state", json_string("reading"));
  else json_object_set_new(r, "files", json_integer(json_integer_value(json_object_get(r, "files")) + 1));
  const char *name = reading ? NULL : ogv_query(q, "name"); /* as the sender calls it: for the list of refused files */
  if (name && *name && strlen(name) <= NAME_BYTES) {
    char key[16];
    snprintf(key, sizeof key, "%06d", n);
    json_object_set_new(json_object_get(r, "names"), key, json_string(name));
  }
  json_object_set_new(r, "at", json_string(now));
  pthread_mutex_unlock(&s->lock);
  if (first || reading) ogv_hub_publish(s->hub, "receipt", json_pack("{s:s}", "batch", q->arg[0]));
}

/* Reading has ended: counts and the files that were not taken, each with its reason. */
static void note_read(ogv_request *q, const json_t *answer, const ogv_error *failed) {
  ogv_server *s = q->server;
  char now[TIME_TEXT];
  now_text(now);
  json_t *refused = json_array(), *line;
  size_t i;
  json_array_foreach(json_object_get(answer, "files"), i, line) {
    const char *result = ogv_json_string_or(line, "result", "");
    if (strcmp(result, "refused") != 0 && strcmp(result, "skipped") != 0) continue;
    if (json_array_size(refused) == RECEIPT_LINES) break;
    json_array_append_new(refused, json_pack("{s:s,s:s}", "file", ogv_json_string_or(line, "file", ""), "why",
                                             ogv_json_string_or(line, "why", "not readable")));
  }
  pthread_mutex_lock(&s->lock);
  json_t *r = receipt_of(s, q->arg[0]);
  json_array_foreach(refused, i, line) {
    const char *file = ogv_json_string_or(line, "file", ""), *slash = strrchr(file, '/');
    const char *name =
        ogv_json_string_or(json_object_get(r, "names"), slash ? slash + 1 : file, "a file without a name");
    json_object_set_new(line, "file", json_string(name));
  }
  json_object_del(r, "names");
  if (r) {
    json_object_set_new(r, "state", json_string(failed ? "failed" : "done"));
    json_object_set_new(r, "at", json_string(now));
    json_object_set(r, "counts", json_object_get(answer, "counts"));
    json_object_set(r, "refused", refused);
    if (failed) json_object_set_new(r, "why", json_string(failed->what));
  }
  json_t *kept = r ? json_deep_copy(r) : NULL;
  pthread_mutex_unlock(&s->lock);
  json_decref(refused);
  /* What was read is stored whether or not its receipt can be. */
  if (kept && ogv_request_store(q, NULL) == OGV_OK) {
    pthread_mutex_lock(&s->write_lock);
    (void)ogv_store_arrival(q->store, kept, q->who, NULL);
    pthread_mutex_unlock(&s->write_lock);
  }
  json_decref(kept);
  ogv_hub_publish(s->hub, "receipt", json_pack("{s:s}", "batch", q->arg[0]));
}

OGV_HANDLER(import_file) {
  int n;
  OGV_TRY(ogv_query_int(q, "n", 0, BATCH_FILES, 0, &n, err));
  char folder[500], path[540];
  batch_folder(q, folder, sizeof folder);
  OGV_TRY(ogv_folder_make(folder, err));
  snprintf(path, sizeof path, "%s/%06d", folder, n);
  close(q->upload);
  q->upload = -1;
  if (rename(q->upload_path, path))
    return ogv_fail(err, OGV_E_IO, "Check the disk.", "the file cannot be kept: %s", strerror(errno));
  *q->upload_path = 0;
  note_arrival(q, false, n);
  r->status = MHD_HTTP_CREATED;
  return ogv_reply_json(r, json_pack("{s:i,s:I}", "n", n, "size", (json_int_t)q->upload_size), err);
}

/* Starts `ogive import --json FOLDER` with its output in a pipe. */
static ogv_status start_import(const ogv_request *q, const char *folder, pid_t *child, int *out, ogv_error *err) {
  int pipes[2];
  if (pipe2(pipes, O_CLOEXEC)) return ogv_fail(err, OGV_E_IO, NULL, "no pipe: %s", strerror(errno));
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, pipes[1], 1);
  posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
  posix_spawnattr_t attributes;
  posix_spawnattr_init(&attributes);
  sigset_t none;
  sigemptyset(&none); /* the child takes signals that this program keeps for its main thread */
  posix_spawnattr_setsigmask(&attributes, &none);
  posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK);
  char home[600];
  snprintf(home, sizeof home, "OGIVE_HOME=%.580s", q->server->home);
  size_t n = 0;
  while (environ[n]) n++;
  char **env = calloc(n + 2, sizeof *env);
  size_t k = 0;
  for (size_t i = 0; env && i < n; i++)
    if (strncmp(environ[i], "OGIVE_HOME=", 11)) env[k++] = environ[i];
  if (env) env[k] = home;
  char word[] = "ogive", command[] = "import", json[] = "--json", *path = strdup(folder);
  char *argv[] = {word, command, json, path, NULL};
  int e = env && path ? posix_spawn(child, "/proc/self/exe", &actions, &attributes, argv, env) : ENOMEM;
  free(path);
  free(env);
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&actions);
  close(pipes[1]);
  if (e) {
    close(pipes[0]);
    return ogv_fail(err, OGV_E_IO, NULL, "the import cannot be started: %s", strerror(e));
  }
  *out = pipes[0];
  return OGV_OK;
}

static ogv_status run_import(const ogv_request *q, const char *folder, json_t **answer, int *status, ogv_error *err) {
  pid_t child;
  int fd = -1;
  OGV_TRY(start_import(q, folder, &child, &fd, err));
  ogv_text text;
  ogv_text_init(&text, OUTPUT_LIMIT);
  char buf[8192];
  ssize_t n;
  while ((n = read(fd, buf, sizeof buf)) > 0 || (n < 0 && errno == EINTR))
    if (n > 0) ogv_text_add_bytes(&text, buf, (size_t)n);
  close(fd);
  int w = 0;
  while (waitpid(child, &w, 0) < 0 && errno == EINTR) {
  }
  *status = WIFEXITED(w) ? WEXITSTATUS(w) : 128;
  size_t length = text.length;
  char *out = ogv_text_take(&text);
  ogv_status s = out ? ogv_json_parse(out, length, "import", answer, err) : OGV_E_INTERNAL;
  free(out);
  if (s != OGV_OK)
    return ogv_fail(err, OGV_E_INTERNAL, "Try the folder with `ogive import` to see which file it is.",
                    "the import ended without an answer (status %d); what it had stored is kept", *status);
  return OGV_OK;
}

OGV_HANDLER(receipts) {
  pthread_mutex_lock(&q->server->lock);
  json_t *copy = q->server->receipts ? json_deep_copy(q->server->receipts) : json_array();
  pthread_mutex_unlock(&q->server->lock);
  return ogv_reply_json(r, json_pack("{s:o}", "receipts", copy), err);
}

OGV_HANDLER(import_run) {
  char folder[500];
  batch_folder(q, folder, sizeof folder);
  if (!ogv_file_exists(folder))
    return ogv_fail(err, OGV_E_NOT_FOUND, "Send the files first.", "there is no batch %s", q->arg[0]);
  json_t *answer = NULL;
  int status = 0;
  note_arrival(q, true, 0);
  ogv_status s = run_import(q, folder, &answer, &status, err);
  remove_tree(folder);
  note_read(q, answer, s == OGV_OK ? NULL : err);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "record", json_pack("{s:s}", "who", q->who));
  return ogv_reply_json(r, json_pack("{s:o,s:i}", "import", answer, "status", status), err);
}
