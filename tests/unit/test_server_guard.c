/* Who may talk to the server, and which paths exist. Rules: RFC 9110 7.2 (Host), RFC 6454 (Origin), W3C Fetch Metadata.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "../../src/server/private/server_internal.h"

static ogv_server server(const char *address) {
  ogv_server s = {.port = 8042};
  snprintf(s.address, sizeof s.address, "%s", address);
  return s;
}

static void only_its_own_names_are_answered(void **state) {
  (void)state;
  ogv_server s = server("127.0.0.1");
  static const char *const good[] = {"127.0.0.1:8042", "localhost:8042", "LOCALHOST:8042", "[::1]:8042"};
  for (size_t i = 0; i < sizeof good / sizeof *good; i++)
    assert_int_equal(ogv_guard_check(&s, "GET", good[i], NULL, NULL, NULL), OGV_OK);
  static const char *const bad[] = {"evil.example:8042",
                                    "127.0.0.1.evil.example:8042",
                                    "127.0.0.1",
                                    "127.0.0.1:80",
                                    "localhost:8042x",
                                    "localhost:",
                                    ":8042",
                                    "",
                                    "[::1:8042",
                                    "[::1]8042",
                                    "127.0.0.1:99999999999",
                                    "192.168.1.2:8042"};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
    ogv_error err = {0};
    assert_int_equal(ogv_guard_check(&s, "GET", bad[i], NULL, NULL, &err), OGV_E_DENIED);
    assert_true(err.what[0] && err.todo[0]);
  }
  assert_int_equal(ogv_guard_check(&s, "GET", NULL, NULL, NULL, NULL), OGV_E_DENIED);
}

static void on_every_interface_only_plain_addresses_count(void **state) {
  (void)state;
  ogv_server s = server("0.0.0.0");
  assert_int_equal(ogv_guard_check(&s, "GET", "192.168.1.2:8042", NULL, NULL, NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "GET", "scan-room.example:8042", NULL, NULL, NULL), OGV_E_DENIED);
}

static void foreign_pages_are_refused(void **state) {
  (void)state;
  ogv_server s = server("127.0.0.1");
  const char *host = "127.0.0.1:8042";
  assert_int_equal(ogv_guard_check(&s, "POST", host, "http://127.0.0.1:8042", "same-origin", NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "http://evil.example", "cross-site", NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "http://127.0.0.1:9000", NULL, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "null", NULL, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "POST", host, NULL, "none", NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "GET", host, NULL, "none", NULL), OGV_OK); /* typed into the address line */
  assert_int_equal(ogv_guard_check(&s, "GET", host, NULL, "cross-site", NULL), OGV_E_DENIED);
}

/* Behind a proxy with TLS the public name counts too, and only its page over TLS; with TLS of its own, only https. */
static void tls_changes_which_pages_are_its_own(void **state) {
  (void)state;
  ogv_server s = server("127.0.0.1");
  assert_false(ogv_server_secure(&s));
  snprintf(s.public_host, sizeof s.public_host, "ogive.clinic.test");
  s.public_port = 443;
  assert_true(ogv_server_secure(&s));
  assert_int_equal(ogv_guard_check(&s, "GET", "ogive.clinic.test", NULL, NULL, NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "GET", "OGIVE.clinic.test:443", NULL, NULL, NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "GET", "ogive.clinic.test:8042", NULL, NULL, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "GET", "other.clinic.test", NULL, NULL, NULL), OGV_E_DENIED);
  const char *host = "127.0.0.1:8042"; /* a proxy may write its own */
  assert_int_equal(ogv_guard_check(&s, "POST", host, "https://ogive.clinic.test", "same-origin", NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "http://ogive.clinic.test", NULL, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "https://ogive.clinic.test.evil.example", NULL, NULL),
                   OGV_E_DENIED);
  s = server("127.0.0.1");
  s.tls = true;
  assert_true(ogv_server_secure(&s));
  assert_int_equal(ogv_guard_check(&s, "POST", host, "https://127.0.0.1:8042", NULL, NULL), OGV_OK);
  assert_int_equal(ogv_guard_check(&s, "POST", host, "http://127.0.0.1:8042", NULL, NULL), OGV_E_DENIED);
}

static void paths_cannot_climb(void **state) {
  (void)state;
  char arg[OGV_ARGS][OGV_ARG_TEXT];
  bool other;
  static const char *const bad[] = {
      "/web/../etc/passwd", "/web/..",     "/web/.hidden", "/web/a/b", "/api/objects/../frames/0", "/api/exams/%2e%2e",
      "/api/exams/",        "/api//exams", "/web/a\\b",    "/nowhere", "/api/objects/a b/thumb"};
  for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) assert_null(ogv_route_find("GET", bad[i], arg, &other));
  char longest[200];
  memset(longest, 'a', sizeof longest);
  memcpy(longest, "/web/", 5);
  longest[199] = 0;
  assert_null(ogv_route_find("GET", longest, arg, &other));
  assert_non_null(ogv_route_find("GET", "/api/objects/Ab_9-x/frames/12", arg, &other));
  assert_string_equal(arg[0], "Ab_9-x");
  assert_string_equal(arg[1], "12");
  assert_null(ogv_route_find("DELETE", "/api/exams", arg, &other));
  assert_true(other);
  assert_non_null(ogv_route_find("HEAD", "/api/exams", arg, &other));
}

static void old_pictures_leave_the_cache_first(void **state) {
  (void)state;
  ogv_cache *c = ogv_cache_new(1000);
  uint8_t bytes[240] = {7};
  char key[8] = "k0";
  for (int i = 0; i < 8; i++) {
    key[1] = (char)('0' + i);
    ogv_cache_put(c, key, bytes, sizeof bytes);
    uint8_t *data;
    size_t size;
    if (i >= 1) { /* k0 is used again and again, so it stays */
      assert_true(ogv_cache_get(c, "k0", &data, &size));
      assert_int_equal(size, sizeof bytes);
      free(data);
    }
  }
  uint8_t *data;
  size_t size;
  assert_false(ogv_cache_get(c, "k1", &data, &size));
  assert_true(ogv_cache_get(c, "k7", &data, &size));
  free(data);
  uint8_t big[300];
  memset(big, 0, sizeof big);
  ogv_cache_put(c, "big", big, sizeof big); /* more than a quarter: not kept */
  assert_false(ogv_cache_get(c, "big", &data, &size));
  ogv_cache_free(c);
}

static void shrinking_keeps_the_mean(void **state) {
  (void)state;
  ogv_image img, small;
  assert_int_equal(ogv_image_new(400, 300, 3, &img, NULL), OGV_OK);
  for (int y = 0; y < 300; y++)
    for (int x = 0; x < 400; x++)
      for (int c = 0; c < 3; c++)
        img.pixels[(size_t)y * img.stride + (size_t)(3 * x + c)] = (x + y) % 2 ? 40 * (c + 1) : 0;
  assert_int_equal(ogv_picture_shrink(&img, 100, 100, &small, NULL), OGV_OK);
  assert_int_equal(small.width, 100);
  assert_int_equal(small.height, 75);
  for (int c = 0; c < 3; c++) assert_int_equal(small.pixels[small.stride * 20 + 3 * 50 + (size_t)c], 20 * (c + 1));
  ogv_image_free(&img);
  ogv_image_free(&small);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(only_its_own_names_are_answered),
      cmocka_unit_test(on_every_interface_only_plain_addresses_count),
      cmocka_unit_test(foreign_pages_are_refused),
      cmocka_unit_test(tls_changes_which_pages_are_its_own),
      cmocka_unit_test(paths_cannot_climb),
      cmocka_unit_test(old_pictures_leave_the_cache_first),
      cmocka_unit_test(shrinking_keeps_the_mean),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
