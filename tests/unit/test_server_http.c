/* The server over a real socket: errors, limits, headers, live events. */

#include "http_client.h"
#include "record_access.h"
#include "record_store.h"

static char home[] = "/tmp/ogive-server-XXXXXX";
static ogv_server *server;

static int setup(void **state) {
  (void)state;
  if (!mkdtemp(home)) return -1;
  if (ogv_store_init(home, NULL) != OGV_OK) return -1;
  ogv_server_options o = {.home = home, .address = "127.0.0.1", .port = 0};
  return ogv_server_start(&o, &server, NULL) == OGV_OK ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  ogv_server_stop(server);
  char command[128];
  snprintf(command, sizeof command, "rm -rf '%s'", home);
  return system(command);
}

static int dial(void) { return http_dial(server); }

static void say(int fd, const char *method, const char *path, const char *headers, const char *body) {
  http_say(server, fd, method, path, headers, body);
}

/* The whole answer to one request; static memory. */
static const char *ask(const char *method, const char *path, const char *headers, const char *body) {
  static char answer[1 << 16];
  http_ask(server, method, path, headers, body, answer, sizeof answer);
  return answer;
}

static int status(const char *answer) { return http_status(answer); }

#define JSON HTTP_JSON
#define ANN "X-Ogive-Who: Ann%20%C3%98rsted\r\n"

static void errors_say_what_and_what_to_do(void **state) {
  (void)state;
  const char *a = ask("GET", "/api/exams/nothing", "", "");
  assert_int_equal(status(a), 404);
  assert_non_null(strstr(a, "\"error\":{\"code\":\"not-found\""));
  a = ask("GET", "/api/objects/nothing/frames/x", "", "");
  assert_int_equal(status(a), 400);
  a = ask("GET", "/etc/passwd", "", "");
  assert_int_equal(status(a), 404);
  a = ask("POST", "/api/setup", JSON, "{\"blind\":false}");
  assert_int_equal(status(a), 403);
  assert_non_null(strstr(a, "name"));
  a = ask("POST", "/api/setup", ANN JSON, "{\"blind\":1}");
  assert_int_equal(status(a), 400);
  a = ask("POST", "/api/setup", ANN JSON, "{\"blind\":");
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "line 1"));
  a = ask("POST", "/api/setup", ANN "Content-Type: text/plain\r\n", "{\"blind\":true}");
  assert_int_equal(status(a), 415);
  a = ask("POST", "/api/setup", ANN JSON "Origin: http://evil.example\r\n", "{\"blind\":false}");
  assert_int_equal(status(a), 403);
  a = ask("POST", "/api/setup", "X-Ogive-Who: %ff%fe\r\n" JSON, "{\"blind\":false}");
  assert_int_equal(status(a), 400);
}

static void too_much_is_refused_before_it_is_read(void **state) {
  (void)state;
  int fd = dial();
  char head[400];
  int n = snprintf(head, sizeof head,
                   "POST /api/setup HTTP/1.1\r\nHost: 127.0.0.1:%u\r\n%sContent-Length: 99999999\r\n\r\n",
                   (unsigned)ogv_server_port(server), ANN JSON);
  assert_true(send(fd, head, (size_t)n, MSG_NOSIGNAL) == n);
  char answer[2048];
  ssize_t k = recv(fd, answer, sizeof answer - 1, 0);
  assert_true(k > 0);
  answer[k] = 0;
  assert_int_equal(status(answer), 422);
  close(fd);
}

static void the_page_carries_its_guards(void **state) {
  (void)state;
  const char *a = ask("GET", "/", "", "");
  assert_int_equal(status(a), 200);
  assert_non_null(strstr(a, "Content-Security-Policy: default-src 'none'"));
  assert_non_null(strstr(a, "X-Content-Type-Options: nosniff"));
  const char *tag = strstr(a, "ETag: ");
  assert_non_null(tag);
  char again[160];
  snprintf(again, sizeof again, "If-None-Match: %.34s\r\n", tag + 6);
  assert_int_equal(status(ask("GET", "/", again, "")), 304);
}

static void settings_are_kept_with_their_author(void **state) {
  (void)state;
  assert_non_null(strstr(ask("GET", "/api/setup", "", ""), "\"blind\":true,\"history\":[]")); /* the default */
  assert_int_equal(status(ask("POST", "/api/setup", ANN JSON, "{\"blind\":false}")), 200);
  assert_non_null(strstr(ask("GET", "/api/setup", "", ""), "\"blind\":false,\"history\":[{\""));
  ogv_store *s;
  assert_int_equal(ogv_store_open(home, &s, NULL), OGV_OK);
  json_t *changes;
  assert_int_equal(ogv_store_changes(s, 0, NULL, 0, &changes, NULL), OGV_OK);
  json_t *last = json_array_get(changes, json_array_size(changes) - 1);
  assert_string_equal(json_string_value(json_object_get(last, "kind")), "setting");
  assert_string_equal(json_string_value(json_object_get(last, "who")), "Ann \xc3\x98rsted");
  json_decref(changes);
  ogv_store_close(s);
}

static void a_stale_protocol_is_not_overwritten(void **state) {
  (void)state;
  const char *p =
      "{\"id\":\"ours\",\"title\":\"Ours\",\"version\":0,\"groups\":[{\"title\":\"Head\",\"rows\":"
      "[{\"quantity\":\"hc\"}]}]}";
  assert_int_equal(status(ask("PUT", "/api/protocols/ours", ANN JSON, p)), 200);
  const char *a = ask("PUT", "/api/protocols/ours", ANN JSON, p);
  assert_int_equal(status(a), 409);
  assert_non_null(strstr(a, "\"code\":\"conflict\""));
  assert_int_equal(status(ask("PUT", "/api/protocols/other", ANN JSON, p)), 400);
  a = ask("PUT", "/api/protocols/ours", ANN JSON,
          "{\"id\":\"ours\",\"title\":\"Ours\",\"version\":1,\"groups\":[{\"title\":\"Head\",\"rows\":[{\"quantity\":"
          "\"hq\"}]}]}");
  assert_int_equal(status(a), 404);
  assert_non_null(strstr(a, "hq"));
}

/* Reads on until the text holds the word. */
static void hear(int fd, char *text, size_t size, const char *word) {
  size_t n = strlen(text);
  ssize_t k;
  while (!strstr(text, word) && n + 1 < size && (k = recv(fd, text + n, size - 1 - n, 0)) > 0) text[n += (size_t)k] = 0;
  assert_non_null(strstr(text, word));
}

static void changes_are_told_at_once(void **state) {
  (void)state;
  int fd = dial();
  say(fd, "GET", "/api/events", "", "");
  char text[4096] = "";
  hear(fd, text, sizeof text, "retry:");
  assert_non_null(strstr(text, "text/event-stream"));
  assert_int_equal(status(ask("POST", "/api/setup", ANN JSON, "{\"blind\":true}")), 200);
  hear(fd, text, sizeof text, "event: setup");
  close(fd);
}

/* Another program's changes are told, however soon after ours they come; ours are not told as another's. */
static void the_changes_of_others_are_told(void **state) {
  (void)state;
  int fd = dial();
  say(fd, "GET", "/api/events", "", "");
  char text[4096] = "";
  hear(fd, text, sizeof text, "retry:");
  ogv_store *other;
  json_t *off = json_false();
  assert_int_equal(ogv_store_open(home, &other, NULL), OGV_OK);
  assert_int_equal(status(ask("POST", "/api/setup", ANN JSON, "{\"blind\":true}")), 200);
  sleep(3); /* time enough to mistake it */
  assert_int_equal(status(ask("POST", "/api/setup", ANN JSON, "{\"blind\":false}")), 200);
  assert_int_equal(ogv_store_setting_put(other, "blind", off, "Another program", NULL), OGV_OK);
  hear(fd, text, sizeof text, "event: record");
  const char *first = strstr(text, "event: setup"), *second = first ? strstr(first + 1, "event: setup") : NULL;
  assert_non_null(second);
  assert_true(second < strstr(text, "event: record"));
  assert_int_equal(ogv_store_setting_put(other, "blind", off, "Another program", NULL), OGV_OK);
  hear(fd, strstr(text, "event: record") + 1, 2048, "event: record"); /* and once more */
  ogv_store_close(other);
  close(fd);
}

static void stopping_does_not_wait_for_listeners(void **state) {
  (void)state;
  int fd[3];
  for (int i = 0; i < 3; i++) {
    fd[i] = dial();
    say(fd[i], "GET", "/api/events", "", "");
    char buf[256];
    assert_true(recv(fd[i], buf, sizeof buf, 0) > 0);
  }
  ogv_server_stop(server);
  ogv_server_options o = {.home = home, .port = 0};
  assert_int_equal(ogv_server_start(&o, &server, NULL), OGV_OK);
  for (int i = 0; i < 3; i++) close(fd[i]);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(errors_say_what_and_what_to_do),      cmocka_unit_test(too_much_is_refused_before_it_is_read),
      cmocka_unit_test(the_page_carries_its_guards),         cmocka_unit_test(settings_are_kept_with_their_author),
      cmocka_unit_test(a_stale_protocol_is_not_overwritten), cmocka_unit_test(changes_are_told_at_once),
      cmocka_unit_test(the_changes_of_others_are_told),      cmocka_unit_test(stopping_does_not_wait_for_listeners),
  };
  return cmocka_run_group_tests(tests, setup, teardown);
}
