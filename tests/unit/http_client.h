/* A small HTTP client for the tests of the server: one request over a real socket, the whole answer as text. */
#ifndef TESTS_HTTP_CLIENT_H
#define TESTS_HTTP_CLIENT_H

#include <arpa/inet.h>
#include <netinet/in.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include <cmocka.h>

#include "core_json.h"
#include "server_http.h"

#define HTTP_JSON "Content-Type: application/json\r\n"

/* A connection to the server on loopback; reading gives up in the end, so that a hanging server fails a test. */
static inline int http_dial(const ogv_server *server) {
  int fd = socket(AF_INET, SOCK_STREAM, 0);
  struct sockaddr_in where = {.sin_family = AF_INET, .sin_port = htons(ogv_server_port(server))};
  struct timeval limit = {.tv_sec = 100};
  inet_pton(AF_INET, "127.0.0.1", &where.sin_addr);
  assert_int_equal(connect(fd, (struct sockaddr *)&where, sizeof where), 0);
  setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
  return fd;
}

static inline void http_send(int fd, const char *text, size_t n) {
  while (n) {
    ssize_t k = send(fd, text, n, MSG_NOSIGNAL);
    assert_true(k > 0);
    text += k;
    n -= (size_t)k;
  }
}

/* Headers end in CR LF, each. */
static inline void http_say(const ogv_server *server, int fd, const char *method, const char *path, const char *headers,
                            const char *body) {
  char head[8192];
  int n = snprintf(head, sizeof head, "%s %s HTTP/1.1\r\nHost: 127.0.0.1:%u\r\n%sContent-Length: %zu\r\n\r\n", method,
                   path, (unsigned)ogv_server_port(server), headers, strlen(body));
  assert_true(n > 0 && (size_t)n < sizeof head);
  http_send(fd, head, (size_t)n);
  http_send(fd, body, strlen(body));
}

/* Status line, headers and body into `answer`, which ends in NUL; its size. */
static inline size_t http_ask(const ogv_server *server, const char *method, const char *path, const char *headers,
                              const char *body, char *answer, size_t room) {
  char all[4096];
  size_t got = 0;
  ssize_t k;
  assert_true((size_t)snprintf(all, sizeof all, "Connection: close\r\n%s", headers) < sizeof all);
  int fd = http_dial(server);
  http_say(server, fd, method, path, all, body);
  while (got + 1 < room && (k = recv(fd, answer + got, room - 1 - got, 0)) > 0) got += (size_t)k;
  answer[got] = 0;
  close(fd);
  assert_true(got > 12);
  return got;
}

static inline int http_status(const char *answer) { return (int)strtol(answer + 9, NULL, 10); }

static inline const char *http_body(const char *answer) {
  const char *body = strstr(answer, "\r\n\r\n");
  assert_non_null(body);
  return body + 4;
}

/* New reference. */
static inline json_t *http_json(const char *answer) {
  json_t *v = NULL;
  ogv_error e = {0};
  const char *body = http_body(answer);
  if (ogv_json_parse(body, strlen(body), "answer", &v, &e) != OGV_OK) fail_msg("%s: %s", e.what, body);
  return v;
}

#endif
