/* What the server tests share: one request over a real socket, answers as JSON. */
#ifndef SERVER_CASE_H
#define SERVER_CASE_H

#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include "core_json.h"
#include "server_http.h"

/* Sends body (reference taken, may be NULL) and gives the parsed answer; *status is the HTTP status. */
static json_t *request(const ogv_server *server, const char *method, const char *path, json_t *body, int *status) {
  static char answer[4 << 20];
  char *text = body ? json_dumps(body, JSON_COMPACT) : strdup(""), head[512];
  json_decref(body);
  int fd = socket(AF_INET, SOCK_STREAM, 0);
  struct sockaddr_in where = {.sin_family = AF_INET, .sin_port = htons(ogv_server_port(server))};
  inet_pton(AF_INET, "127.0.0.1", &where.sin_addr);
  assert_int_equal(connect(fd, (struct sockaddr *)&where, sizeof where), 0);
  struct timeval limit = {.tv_sec = 100};
  setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
  int n = snprintf(head, sizeof head,
                   "%s %s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\nConnection: close\r\nContent-Type: "
                   "application/json\r\nX-Ogive-Who: Ann\r\nContent-Length: %zu\r\n\r\n",
                   method, path, (unsigned)ogv_server_port(server), strlen(text));
  assert_true(send(fd, head, (size_t)n, MSG_NOSIGNAL) == n);
  for (size_t at = 0, all = strlen(text); at < all;) {
    ssize_t k = send(fd, text + at, all - at, MSG_NOSIGNAL);
    assert_true(k > 0);
    at += (size_t)k;
  }
  free(text);
  size_t got = 0;
  ssize_t k;
  while (got + 1 < sizeof answer && (k = recv(fd, answer + got, sizeof answer - 1 - got, 0)) > 0) got += (size_t)k;
  answer[got] = 0;
  close(fd);
  *status = (int)strtol(answer + 9, NULL, 10);
  const char *start = strstr(answer, "\r\n\r\n");
  assert_non_null(start);
  json_t *v = NULL;
  ogv_error e = {0};
  if (ogv_json_parse(start + 4, strlen(start + 4), "answer", &v, &e) != OGV_OK) fail_msg("%s: %s", e.what, start);
  return v;
}

static inline const char *error_of(const json_t *a, const char *member) {
  return ogv_json_string_or(json_object_get(a, "error"), member, "");
}

#endif
