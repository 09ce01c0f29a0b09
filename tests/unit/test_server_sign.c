/* Log-in, roles, signing, amendments and the second signature, over a real socket. */

#include "http_client.h"
#include "record_access.h"
#include "record_store.h"
#include "server_user.h"

static char home[] = "/tmp/ogive-sign-XXXXXX";
static ogv_server *server;
static char exam[20], first_report[20], first_sha[65], picture_path[80];

static int setup(void **state) {
  (void)state;
  ogv_store *s;
  bool added;
  char object[20];
  if (!mkdtemp(home) || ogv_store_init(home, NULL) != OGV_OK || ogv_store_open(home, &s, NULL) != OGV_OK) return -1;
  json_t *about = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s}", "study", "2.25.1", "instance", "2.25.2", "kind", "image",
                            "patient_id", "P-1", "patient_name", "\xe7\x8e\x8b^\xe8\x8a\xb3", "study_date", "20260314",
                            "sop_class", "1.2.840.10008.5.1.4.1.1.6.1");
  ogv_status st = ogv_store_add_object(s, "bytes", 5, about, object, exam, &added, NULL);
  json_decref(about);
  ogv_store_close(s);
  if (st != OGV_OK) return -1;
  ogv_server_options o = {.home = home, .port = 0};
  return ogv_server_start(&o, &server, NULL) == OGV_OK ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  ogv_server_stop(server);
  char command[128];
  snprintf(command, sizeof command, "rm -rf '%s'", home);
  return system(command);
}

/* The whole answer; static memory. Headers end in CR LF. */
static const char *ask(const char *method, const char *path, const char *headers, const char *body) {
  static char answer[1 << 19];
  char all[1024];
  snprintf(all, sizeof all, "%s%s", *body ? HTTP_JSON : "", headers);
  http_ask(server, method, path, all, body, answer, sizeof answer);
  return answer;
}

static int status(const char *answer) { return http_status(answer); }
static json_t *json_of(const char *answer) { return http_json(answer); }

static const char *exam_path(const char *end) {
  static char path[4][160];
  static int next;
  char *p = path[next++ & 3];
  snprintf(p, sizeof path[0], "/api/exams/%s/%s", exam, end);
  return p;
}

#define ANN "X-Ogive-Who: Ann\r\n"
#define BOB "X-Ogive-Who: Bob\r\n"

/* What the page would sign: the hash of the facts as they are. */
static void seen_body(char *buf, size_t size, const char *headers, const char *reason) {
  json_t *v = json_of(ask("GET", exam_path("sign"), headers, ""));
  snprintf(buf, size, "{\"seen\":\"%s\",\"reason\":\"%s\"}", ogv_json_string_or(v, "seen", ""), reason);
  json_decref(v);
}

#define MINI                                                                                                    \
  "{\"id\":\"mini\",\"title\":\"Mini\",\"version\":0,\"second_signature\":true,\"groups\":[{\"title\":\"All\"," \
  "\"structures\":"                                                                                             \
  "[{\"id\":\"stomach\",\"name\":\"Stomach\"},{\"id\":\"spine\",\"name\":\"Spine\"}]}]}"

static void missing_items_are_named(void **state) {
  (void)state;
  char body[200];
  assert_int_equal(status(ask("PUT", "/api/protocols/mini", ANN, MINI)), 200);
  seen_body(body, sizeof body, "", "");
  const char *a = ask("POST", exam_path("sign"), ANN, body); /* no date, no protocol: nothing says what is required */
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "No protocol"));
  assert_int_equal(status(ask("POST", exam_path("protocol"), ANN, "{\"protocol\":\"mini\"}")), 200);
  assert_int_equal(status(ask("POST", exam_path("protocol"), ANN, "{\"protocol\":\"none-such\"}")), 404);
  seen_body(body, sizeof body, "", "");
  a = ask("POST", exam_path("sign"), ANN, body);
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "Stomach"));
  assert_non_null(strstr(a, "Spine"));
  a = ask("POST", exam_path("findings"), ANN,
          "{\"items\":[{\"structure\":\"stomach\",\"state\":\"normal\"},{\"structure\":\"spine\",\"state\":\"not-"
          "seen\"}]}");
  assert_int_equal(status(a), 400); /* not seen needs its reason, and then nothing of the request is stored */
  json_t *v = json_of(ask("GET", exam_path("sign"), "", ""));
  assert_int_equal(json_array_size(json_object_get(v, "open")), 2);
  json_decref(v);
}

static void a_critical_result_must_be_told(void **state) {
  (void)state;
  char body[200];
  const char *a = ask("POST", exam_path("findings"), ANN,
                      "{\"items\":[{\"structure\":\"stomach\",\"state\":\"normal\"},{\"structure\":\"spine\",\"state\":"
                      "\"abnormal\",\"text\":\"open defect\","
                      "\"data\":{\"critical\":true}}]}");
  assert_int_equal(status(a), 201);
  json_t *v = json_of(a);
  char finding[32];
  snprintf(finding, sizeof finding, "%s", json_string_value(json_array_get(json_object_get(v, "ids"), 1)));
  json_decref(v);
  seen_body(body, sizeof body, "", "");
  a = ask("POST", exam_path("sign"), ANN, body);
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "critical"));
  assert_int_equal(status(ask("POST", exam_path("told"), ANN, "{\"finding\":\"x\",\"whom\":\"Dr Roe\"}")),
                   400); /* when? */
  char told[200];
  snprintf(told, sizeof told,
           "{\"finding\":\"%s\",\"whom\":\"Dr Roe\",\"how\":\"by telephone\",\"when\":\"2026-03-14 10:20\"}", finding);
  assert_int_equal(status(ask("POST", exam_path("told"), ANN, told)), 201);
}

static void two_signers_at_once(void **state) {
  (void)state;
  char body[200];
  seen_body(body, sizeof body, "", ""); /* both look at the same facts */
  const char *a = ask("POST", exam_path("sign"), ANN, body);
  assert_int_equal(status(a), 201);
  json_t *v = json_of(a), *row = json_object_get(v, "report");
  snprintf(first_report, sizeof first_report, "%s", ogv_json_string_or(row, "id", ""));
  snprintf(first_sha, sizeof first_sha, "%s", ogv_json_string_or(row, "sha256", ""));
  assert_string_equal(ogv_json_string_or(row, "state", ""), "signed");
  json_decref(v);
  a = ask("POST", exam_path("sign"), BOB, body);
  assert_int_equal(status(a), 409);
  assert_non_null(strstr(a, "Ann has signed report 1"));
  assert_int_equal(status(ask("POST", picture_path, ANN, "{\"verb\":\"remove\",\"why\":\"not of use\"}")),
                   409); /* it is in the report */
  v = json_of(ask("GET", exam_path("sign"), "", ""));
  assert_int_equal(json_array_size(json_object_get(v, "reports")), 1);
  assert_true(json_is_true(json_object_get(v, "awaits_second")));
  json_decref(v);
}

static void the_second_signature_is_another_persons(void **state) {
  (void)state;
  char path[120], body[120];
  snprintf(path, sizeof path, "/api/reports/%s/sign", first_report);
  snprintf(body, sizeof body, "{\"sha256\":\"%s\"}", first_sha);
  assert_int_equal(status(ask("POST", path, ANN, body)), 403);
  assert_int_equal(status(ask("POST", path, BOB, "{\"sha256\":\"00\"}")), 409);
  const char *a = ask("POST", path, BOB, body);
  assert_int_equal(status(a), 201);
  assert_int_equal(status(ask("POST", path, "X-Ogive-Who: Cy\r\n", body)), 409); /* it has been replaced */
  json_t *v = json_of(ask("GET", exam_path("sign"), "", "")), *reports = json_object_get(v, "reports");
  assert_int_equal(json_array_size(reports), 2);
  assert_string_equal(ogv_json_string_or(json_array_get(reports, 0), "state", ""), "amended");
  assert_string_equal(ogv_json_string_or(json_array_get(reports, 0), "sha256", ""), first_sha); /* as it was signed */
  assert_false(json_is_true(json_object_get(v, "awaits_second")));
  json_decref(v);
}

static void an_amendment_needs_a_reason_and_shows_the_difference(void **state) {
  (void)state;
  char body[200];
  assert_int_equal(status(ask("POST", exam_path("findings"), ANN,
                              "{\"structure\":\"stomach\",\"state\":\"not-seen\",\"reason\":\"fetal position\"}")),
                   201);
  seen_body(body, sizeof body, "", "");
  assert_int_equal(status(ask("POST", exam_path("sign"), ANN, body)), 400);
  seen_body(body, sizeof body, "", "stomach was another picture");
  const char *a = ask("POST", exam_path("sign"), ANN, body);
  assert_int_equal(status(a), 201);
  json_t *v = json_of(a);
  char path[120];
  snprintf(path, sizeof path, "/api/reports/%s", ogv_json_string_or(json_object_get(v, "report"), "id", ""));
  json_decref(v);
  v = json_of(ask("GET", path, "", ""));
  json_t *amends = json_object_get(v, "amends"), *c;
  bool shown = false;
  size_t i;
  assert_int_equal(json_integer_value(json_object_get(amends, "number")), 2);
  json_array_foreach(json_object_get(amends, "changes"), i, c) shown |=
      !strcmp(ogv_json_string_or(c, "what", ""), "Stomach") && !strcmp(ogv_json_string_or(c, "before", ""), "normal") &&
      !strcmp(ogv_json_string_or(c, "after", ""), "not seen: fetal position");
  assert_true(shown);
  json_array_foreach(json_object_get(amends, "changes"), i, c)
      assert_string_not_equal(ogv_json_string_or(c, "what", ""), "Anatomy"); /* a part's id is no name */
  json_decref(v);
}

static void a_field_that_is_not_there_is_refused(void **state) {
  (void)state;
  const char *a = ask("PUT", exam_path("draft"), ANN,
                      "{\"version\":0,\"content\":{\"edits\":{\"added\":[{\"id\":\"o\",\"text\":\"HC {A/hq}\"}]}}}");
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "A/hq"));
  assert_int_equal(
      status(ask("PUT", exam_path("draft"), ANN,
                 "{\"version\":-1,\"content\":{\"edits\":{\"added\":[{\"id\":\"o\",\"text\":\"Well.\"}]}}}")),
      200);
  a = ask("PUT", exam_path("draft"), BOB, "{\"version\":0,\"content\":{}}");
  assert_int_equal(status(a), 409); /* Bob has not seen Ann's */
}

static void a_picture_deleted_after_it_was_chosen(void **state) {
  (void)state;
  json_t *v;
  char path[80], object[20], body[300];
  snprintf(path, sizeof path, "/api/exams/%s", exam);
  v = json_of(ask("GET", path, "", ""));
  snprintf(object, sizeof object, "%s",
           ogv_json_string_or(json_array_get(json_object_get(json_object_get(v, "exam"), "objects"), 0), "id", ""));
  json_decref(v);
  snprintf(body, sizeof body, "{\"version\":-1,\"content\":{\"settings\":{\"pictures\":[\"%s\"]}}}", object);
  assert_int_equal(status(ask("PUT", exam_path("draft"), ANN, body)), 200);
  snprintf(path, sizeof path, "/api/objects/%s/events", object);
  snprintf(picture_path, sizeof picture_path, "%s", path);
  assert_int_equal(status(ask("POST", path, ANN, "{\"verb\":\"remove\"}")), 400); /* why? */
  const char *a = ask("POST", path, ANN, "{\"verb\":\"remove\",\"why\":\"not of use\"}");
  assert_int_equal(status(a), 200);
  seen_body(body, sizeof body, "", "again");
  a = ask("POST", exam_path("sign"), ANN, body);
  assert_int_equal(status(a), 400);
  assert_non_null(strstr(a, "was deleted"));
  assert_int_equal(status(ask("POST", path, ANN, "{\"verb\":\"restore\"}")), 200);
}

/* --- log-in: the first person switches it on, so these come last
 * --------------------------------------------------------- */
static char cookie[3][160];

static void log_in(int slot, const char *user, const char *password) {
  char body[200];
  snprintf(body, sizeof body, "{\"user\":\"%s\",\"password\":\"%s\"}", user, password);
  const char *a = ask("POST", "/api/session", "", body), *c = strstr(a, "Set-Cookie: ");
  assert_int_equal(status(a), 200);
  if (!c) {
    fail_msg("no cookie was set");
    return;
  }
  const char *end = strstr(c, "\r\n"), *value = c + strlen("Set-Cookie: "), *stop = value + strcspn(value, ";");
  assert_true(strstr(c, "HttpOnly") && strstr(c, "HttpOnly") < end);
  assert_true(strstr(c, "SameSite=Strict") && strstr(c, "SameSite=Strict") < end);
  snprintf(cookie[slot], sizeof cookie[slot], "Cookie: %.*s\r\n", (int)(stop - value), value);
}

static const char *as(int slot, const char *who) {
  static char headers[300];
  snprintf(headers, sizeof headers, "%sX-Ogive-Who: %s\r\n", cookie[slot], who);
  return headers;
}

static void people_log_in(void **state) {
  (void)state;
  const char *a =
      ask("POST", "/api/people", ANN,
          "{\"user\":\"root\",\"name\":\"Rita Root\",\"role\":\"reporter\",\"password\":\"correct horse 1\"}");
  assert_int_equal(status(a), 403); /* the first is an administrator */
  assert_int_equal(status(ask("POST", "/api/people", ANN,
                              "{\"user\":\"root\",\"name\":\"R\",\"role\":\"administrator\",\"password\":\"short\"}")),
                   400);
  assert_int_equal(
      status(ask(
          "POST", "/api/people", ANN,
          "{\"user\":\"root\",\"name\":\"Rita Root\",\"role\":\"administrator\",\"password\":\"correct horse 1\"}")),
      200);
  assert_int_equal(status(ask("GET", "/api/exams", "", "")), 401);
  assert_int_equal(status(ask("GET", "/", "", "")), 200);
  assert_int_equal(status(ask("POST", exam_path("findings"), ANN, "{\"structure\":\"x\",\"state\":\"normal\"}")),
                   401); /* a name alone is nothing now */
  log_in(0, "root", "correct horse 1");
  a = ask("GET", "/api/people", cookie[0], "");
  assert_int_equal(status(a), 200);
  assert_null(strstr(a, "argon2"));
  assert_int_equal(
      status(ask(
          "POST", "/api/people", as(0, "root"),
          "{\"user\":\"sona\",\"name\":\"S\xc3\xb8na\",\"role\":\"sonographer\",\"password\":\"correct horse 2\"}")),
      200);
  assert_int_equal(
      status(ask("POST", "/api/people", as(0, "root"),
                 "{\"user\":\"rep\",\"name\":\"Rep\",\"role\":\"reporter\",\"password\":\"correct horse 3\"}")),
      200);
  log_in(1, "sona", "correct horse 2");
  log_in(2, "rep", "correct horse 3");
}

/* NIST SP 800-63B 4.2.3 asks for an end after a while without activity and one however busy; the numbers are ours. */
static void sessions_end_on_the_server(void **state) {
  (void)state;
  ogv_store *s;
  char token[OGV_TOKEN];
  json_t *p = NULL;
  assert_int_equal(ogv_store_open(home, &s, NULL), OGV_OK);
  assert_int_equal(ogv_store_session_start(s, "sona", -1, token, NULL), OGV_OK); /* over when it began */
  assert_int_equal(ogv_store_session(s, token, &p, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_store_session_go_on(s, token, 3600, 7200, NULL), OGV_OK); /* and stays over */
  assert_int_equal(ogv_store_session(s, token, &p, NULL), OGV_E_DENIED);
  assert_int_equal(ogv_store_session_start(s, "sona", 3600, token, NULL), OGV_OK);
  assert_int_equal(ogv_store_session_go_on(s, token, 7200, 14400, NULL), OGV_OK);
  assert_int_equal(ogv_store_session(s, token, &p, NULL), OGV_OK);
  json_decref(p);
  assert_int_equal(ogv_store_session_go_on(s, token, 7200, -1, NULL), OGV_OK); /* the longest time has passed */
  assert_int_equal(ogv_store_session(s, token, &p, NULL), OGV_E_DENIED);
  ogv_store_close(s);
  const char *a = ask("POST", "/api/department", as(0, "root"), "{\"lock_minutes\":900}");
  assert_int_equal(status(a), 422);
  assert_int_equal(status(ask("POST", "/api/department", as(0, "root"), "{\"lock_minutes\":30}")), 200);
  assert_non_null(strstr(ask("GET", "/api/session", cookie[1], ""), "\"lock_minutes\":30"));
  assert_int_equal(status(ask("POST", "/api/department", as(0, "root"), "{\"department\":{\"name\":\"Northgate\"}}")),
                   200);
  assert_int_equal(
      status(ask("POST", "/api/department", as(0, "root"), "{\"department\":{\"lines\":[\"4 Mill Lane\"]}}")), 200);
  a = ask("GET", "/api/department", cookie[0], ""); /* what was not sent stays */
  assert_true(strstr(a, "Northgate") && strstr(a, "4 Mill Lane"));
}

static void roles_bound_what_people_do(void **state) {
  (void)state;
  char body[200];
  const char *finding = "{\"structure\":\"spine\",\"state\":\"normal\"}";
  assert_int_equal(status(ask("POST", exam_path("findings"), as(0, "root"), finding)),
                   403); /* administrators do no clinical work */
  assert_int_equal(status(ask("POST", exam_path("findings"), as(1, "sona"), finding)), 201);
  assert_int_equal(status(ask("POST", exam_path("findings"), cookie[1], finding)),
                   409); /* without the header that a foreign page cannot send */
  assert_int_equal(status(ask("POST", exam_path("findings"), as(1, "rep"), finding)),
                   409); /* a page that thinks it is somebody else */
  assert_int_equal(status(ask("GET", "/api/people", cookie[1], "")), 403);
  /* The switch for blind measuring: a lead or an administrator, named with the day; everybody sees who it was. */
  assert_int_equal(status(ask("POST", "/api/setup", as(1, "sona"), "{\"blind\":false}")), 403);
  assert_int_equal(status(ask("POST", "/api/setup", as(2, "rep"), "{\"blind\":false}")), 403);
  const char *setup = ask("GET", "/api/setup", cookie[1], "");
  assert_non_null(strstr(setup, "\"blind\":true"));
  assert_non_null(strstr(setup, "\"may\":false"));
  assert_int_equal(status(ask("POST", "/api/setup", as(0, "root"), "{\"blind\":false}")), 200);
  assert_int_equal(status(ask("POST", "/api/setup", as(0, "root"), "{\"blind\":true}")), 200);
  setup = ask("GET", "/api/setup", cookie[1], "");
  assert_non_null(strstr(setup, "\"who\":\"root\""));
  const char *on = strstr(setup, "{\"who\""), *off = on ? strstr(on, "\"blind\":false") : NULL;
  assert_true(on && off); /* both changes, the newest first */
  assert_non_null(strstr(ask("GET", "/api/setup", cookie[0], ""), "\"may\":true"));
  seen_body(body, sizeof body, cookie[1], "spine seen");
  assert_int_equal(status(ask("POST", exam_path("sign"), as(1, "sona"), body)), 403);
  const char *a = ask("POST", exam_path("sign"), as(2, "rep"), body);
  assert_int_equal(status(a), 201);
  assert_non_null(strstr(a, "\"role\":\"reporter\""));
}

static void sessions_end(void **state) {
  (void)state;
  assert_int_equal(
      status(ask("POST", "/api/session/password", as(1, "sona"), "{\"old\":\"wrong\",\"new\":\"correct horse 9\"}")),
      403);
  assert_int_equal(status(ask("DELETE", "/api/session", cookie[2], "")), 200);
  assert_int_equal(status(ask("GET", "/api/exams", cookie[2], "")), 401);
  assert_int_equal(status(ask("POST", "/api/people", as(0, "root"), "{\"user\":\"sona\",\"active\":false}")), 200);
  assert_int_equal(status(ask("GET", "/api/exams", cookie[1], "")), 401);
  assert_int_equal(status(ask("POST", "/api/people", as(0, "root"), "{\"user\":\"root\",\"active\":false}")),
                   403); /* the last administrator */
}

static void guessing_is_slowed(void **state) {
  (void)state;
  const char *wrong = "{\"user\":\"rep\",\"password\":\"guess guess guess\"}";
  for (int i = 0; i < 5; i++) assert_int_equal(status(ask("POST", "/api/session", "", wrong)), 401);
  assert_int_equal(status(ask("POST", "/api/session", "", wrong)), 429);
  assert_int_equal(status(ask("POST", "/api/session", "", "{\"user\":\"rep\",\"password\":\"correct horse 3\"}")),
                   429); /* the right one too */
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(missing_items_are_named),
      cmocka_unit_test(a_critical_result_must_be_told),
      cmocka_unit_test(a_picture_deleted_after_it_was_chosen),
      cmocka_unit_test(two_signers_at_once),
      cmocka_unit_test(the_second_signature_is_another_persons),
      cmocka_unit_test(an_amendment_needs_a_reason_and_shows_the_difference),
      cmocka_unit_test(a_field_that_is_not_there_is_refused),
      cmocka_unit_test(people_log_in),
      cmocka_unit_test(sessions_end_on_the_server),
      cmocka_unit_test(roles_bound_what_people_do),
      cmocka_unit_test(sessions_end),
      cmocka_unit_test(guessing_is_slowed),
  };
  return cmocka_run_group_tests(tests, setup, teardown);
}
