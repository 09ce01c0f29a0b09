/* What the tests of proposals share: a request of one person, answers as JSON. */
#ifndef SERVER_CASE_H
#define SERVER_CASE_H

#include "http_client.h"

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
