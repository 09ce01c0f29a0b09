/* What the tests of proposals share: a request of one person, answers as JSON. */
#ifndef SERVER_CASE_H
#define SERVER_CASE_H

#include <stdlib.h>

#include "http_client.h"
#include "record_store.h"

/* Opens the record's only exam and serves the record; false when one of them fails. */
static inline bool case_start(const char *home, ogv_store *store, json_t **exam, ogv_server **server) {
  const ogv_server_options so = {.home = home, .address = "127.0.0.1", .port = 0};
  return ogv_store_exam(store, "latest", exam, NULL) == OGV_OK && ogv_server_start(&so, server, NULL) == OGV_OK;
}

/* Stops everything and removes the record; what a teardown returns. */
static inline int case_end(const char *home, ogv_store *store, json_t *exam, ogv_server *server) {
  char command[128];
  ogv_server_stop(server);
  ogv_store_close(store);
  json_decref(exam);
  snprintf(command, sizeof command, "rm -rf '%s'", home);
  return system(command);
}

/* The id of the exam's object with this instance; fails the test when there is none. */
static inline const char *case_object(const json_t *exam, const char *instance) {
  size_t i;
  json_t *o;
  json_array_foreach(json_object_get(exam, "objects"), i, o) {
    if (!strcmp(ogv_json_string_or(o, "instance", ""), instance)) return ogv_json_string_or(o, "id", "");
  }
  fail_msg("no object %s in the record", instance);
  return NULL;
}

/* Sends body (reference taken, may be NULL) and gives the parsed answer; *status is the HTTP status. */
static inline json_t *request(const ogv_server *server, const char *method, const char *path, json_t *body,
                              int *status) {
  static char answer[4 << 20];
  char *text = body ? json_dumps(body, JSON_COMPACT) : strdup("");
  json_decref(body);
  http_ask(server, method, path, HTTP_JSON "X-Ogive-Who: Ann\r\n", text, answer, sizeof answer);
  free(text);
  *status = http_status(answer);
  return http_json(answer);
}

static inline const char *error_of(const json_t *a, const char *member) {
  return ogv_json_string_or(json_object_get(a, "error"), member, "");
}

#endif
