/* Display filters over a real socket: what comes back is the filter's own arithmetic, what is stored stays, and what
 * cannot be meant is refused. */

#include "core_file.h"
#include "dicom_write.h"
#include "http_client.h"
#include "imaging_filter.h"
#include "imaging_png.h"
#include "intake_import.h"
#include "record_store.h"

#define W 160
#define H 120
#define N 4
#define TOP 20 /* rows above the region: a clock would stand there */

static char home[] = "/tmp/ogive-filter-XXXXXX";
static ogv_server *server;
static char object[24], exam[24];
static ogv_image frames[N];

static uint8_t *at(const ogv_image *im, int x, int y) { return im->pixels + (size_t)y * im->stride + (size_t)x; }

static void make_frames(void) {
  unsigned short s[3] = {5, 7, 9};
  for (int k = 0; k < N; k++) {
    assert_int_equal(ogv_image_new(W, H, 1, &frames[k], NULL), OGV_OK);
    for (int y = 0; y < H; y++)
      for (int x = 0; x < W; x++) *at(&frames[k], x, y) = (uint8_t)(40 + 100 * (x > W / 2) + 60 * erand48(s));
  }
}

static ogv_region region(void) {
  return (ogv_region){.format = OGV_FORMAT_2D,
                      .data_type = OGV_DATA_TISSUE,
                      .unit_x = 3,
                      .unit_y = 3,
                      .y0 = TOP,
                      .x1 = W - 1,
                      .y1 = H - 1,
                      .delta_x = 0.02,
                      .delta_y = 0.02};
}

static ogv_status write_clip(const char *path, ogv_error *err) {
  ogv_region r = region();
  ogv_dicom_picture p = {
      .frames = frames, .n_frames = N, .syntax = OGV_WRITE_EXPLICIT_LE, .regions = &r, .n_regions = 1};
  ogv_dicom_info_empty(&p.about);
  snprintf(p.about.sop_instance, sizeof p.about.sop_instance, "2.25.11");
  snprintf(p.about.study, sizeof p.about.study, "2.25.12");
  snprintf(p.about.series, sizeof p.about.series, "2.25.13");
  snprintf(p.about.patient_id, sizeof p.about.patient_id, "T-1");
  snprintf(p.about.manufacturer, sizeof p.about.manufacturer, "Ogive");
  p.about.study_date = 20458;
  p.about.frame_ms = 30;
  return ogv_dicom_write_picture(path, &p, err);
}

static void take_in(const char *path) {
  ogv_error err = {0};
  ogv_store *s;
  json_t *result = NULL, *list = NULL;
  assert_int_equal(ogv_store_open(home, &s, NULL), OGV_OK);
  if (ogv_import_path(s, path, NULL, &result, &err) != OGV_OK) fail_msg("%s", err.what);
  list = json_object_get(result, "exams");
  const json_t *first = json_array_get(list, 0);
  snprintf(exam, sizeof exam, "%s", json_string_value(json_is_object(first) ? json_object_get(first, "id") : first));
  json_decref(result);
  assert_int_equal(ogv_store_exam(s, exam, &list, NULL), OGV_OK);
  snprintf(object, sizeof object, "%s",
           json_string_value(json_object_get(json_array_get(json_object_get(list, "objects"), 0), "id")));
  json_decref(list);
  ogv_store_close(s);
}

static int setup(void **state) {
  (void)state;
  ogv_error err = {0};
  if (!mkdtemp(home) || ogv_store_init(home, NULL) != OGV_OK) return -1;
  make_frames();
  char path[64];
  snprintf(path, sizeof path, "%s/clip.dcm", home);
  if (write_clip(path, &err) != OGV_OK) return -1;
  take_in(path);
  ogv_server_options o = {.home = home, .address = "127.0.0.1", .port = 0};
  return ogv_server_start(&o, &server, NULL) == OGV_OK ? 0 : -1;
}

static int teardown(void **state) {
  (void)state;
  ogv_server_stop(server);
  for (int k = 0; k < N; k++) ogv_image_free(&frames[k]);
  char command[128];
  snprintf(command, sizeof command, "rm -rf '%s'", home);
  return system(command);
}

static char answer[1 << 18];
static size_t answer_size;

/* The whole answer to one request, in `answer`; its status. */
static int ask(const char *method, const char *path, const char *headers, const char *body) {
  answer_size = http_ask(server, method, path, headers, body, answer, sizeof answer);
  return http_status(answer);
}

#define WRITES "Content-Type: application/json\r\nX-Ogive-Who: Ann\r\n"

/* A frame with filters; JSON is percent-encoded here. */
static int frame(int k, const char *filters, const char *headers) {
  char path[2600];
  int n = snprintf(path, sizeof path, "/api/objects/%s/frames/%d?filters=", object, k);
  for (const char *c = filters; *c; c++) n += snprintf(path + n, sizeof path - (size_t)n, "%%%02x", (unsigned char)*c);
  return ask("GET", path, headers, "");
}

static void etag(char out[96]) {
  const char *e = strstr(answer, "ETag: \"");
  assert_non_null(e);
  snprintf(out, 96, "%.*s", (int)strcspn(e + 7, "\""), e + 7);
}

static ogv_image picture(void) {
  const char *b = strstr(answer, "\r\n\r\n");
  assert_non_null(b);
  assert_non_null(strstr(answer, "Content-Type: image/png"));
  ogv_image im;
  ogv_error err = {0};
  size_t head = (size_t)(b + 4 - answer);
  if (ogv_png_decode(answer + head, answer_size - head, &im, &err) != OGV_OK) fail_msg("%s", err.what);
  assert_true(im.width == W && im.height == H && im.channels == 1);
  return im;
}

static void same(const ogv_image *a, const ogv_image *b) {
  for (int y = 0; y < H; y++) assert_memory_equal(at(a, 0, y), at(b, 0, y), W);
}

static void every_filter_is_what_the_library_computes(void **state) {
  (void)state;
  static const char *const all[] = {
      "{\"speckle\":0.7}",
      "{\"shading\":1}",
      "{\"local_contrast\":0.5}",
      "{\"depth_gain\":[-20,0,40]}",
      "{\"range\":[20,200],\"gamma\":1.4}",
      "{\"speckle\":1,\"shading\":0.3,\"local_contrast\":0.2,\"depth_gain\":[5,5],\"range\":[10,250],\"gamma\":0.8}"};
  ogv_region r = region();
  for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
    assert_int_equal(frame(2, all[i], ""), 200);
    ogv_image got = picture(), want;
    json_t *v = json_loads(all[i], 0, NULL);
    ogv_filters f;
    assert_int_equal(ogv_filters_from_json(v, &f, NULL), OGV_OK);
    json_decref(v);
    assert_int_equal(ogv_filters_apply(&f, &frames[2], &r, 1, &want, NULL), OGV_OK);
    same(&got, &want);
    for (int y = 0; y < TOP; y++) assert_memory_equal(at(&got, 0, y), at(&frames[2], 0, y), W);
    int changed = 0;
    for (int y = TOP; y < H; y++)
      for (int x = 0; x < W; x++) changed += *at(&got, x, y) != *at(&frames[2], x, y);
    assert_true(changed > 1000);
    ogv_image_free(&got);
    ogv_image_free(&want);
  }
}

/* Mean of 3: (1, 2, 1) / 4; of 5: (1, 4, 6, 4, 1) / 16; beyond the ends the end frame counts again. Summed here by
 * itself. */
static void the_mean_over_frames_at_the_ends_of_a_clip(void **state) {
  (void)state;
  static const int w3[] = {1, 2, 1}, w5[] = {1, 4, 6, 4, 1};
  for (int n = 3; n <= 5; n += 2)
    for (int k = 0; k < N; k++) {
      char text[40];
      snprintf(text, sizeof text, "{\"smooth_frames\":%d}", n);
      assert_int_equal(frame(k, text, ""), 200);
      ogv_image got = picture();
      for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
          int sum = 0, total = n == 3 ? 4 : 16;
          for (int j = 0; j < n; j++) {
            int i = k + j - n / 2;
            sum += (n == 3 ? w3 : w5)[j] * *at(&frames[i < 0 ? 0 : i >= N ? N - 1 : i], x, y);
          }
          assert_int_equal(*at(&got, x, y), y < TOP ? *at(&frames[k], x, y) : (sum + total / 2) / total);
        }
      ogv_image_free(&got);
    }
  assert_int_equal(frame(N, "{\"smooth_frames\":5}", ""), 404);
  assert_non_null(strstr(answer, "the object has 4"));
}

/* A playing clip gets the same picture as a JPEG stream (ITU-T T.81: it begins with FF D8 FF), under a mark of its own;
 * anything else asked for is refused. */
static void a_playing_clip_gets_compressed_pictures(void **state) {
  (void)state;
  char path[300], lossless[96], view[96];
  assert_int_equal(frame(2, "{\"speckle\":0.5}", ""), 200);
  etag(lossless);
  snprintf(path, sizeof path, "/api/objects/%s/frames/2?filters=%%7b%%22speckle%%22:0.5%%7d&as=view", object);
  assert_int_equal(ask("GET", path, "", ""), 200);
  assert_non_null(strstr(answer, "Content-Type: image/jpeg"));
  const char *body = strstr(answer, "\r\n\r\n");
  assert_non_null(body);
  assert_memory_equal(body + 4, "\xff\xd8\xff", 3);
  etag(view);
  assert_string_not_equal(view, lossless);
  snprintf(path, sizeof path, "/api/objects/%s/frames/2?filters=%%7b%%22speckle%%22:0.5%%7d&as=film", object);
  assert_int_equal(ask("GET", path, "", ""), 400);
  assert_non_null(strstr(answer, "film"));
}

static void what_cannot_be_meant_is_refused(void **state) {
  (void)state;
  char longer[700] = "{\"speckle\":0.";
  memset(longer + 13, '1', 620);
  snprintf(longer + 633, sizeof longer - 633, "}");
  const struct {
    const char *text;
    int status;
    const char *says;
  } all[] = {
      {"{\"speckle\":", 400, "line 1"},
      {"[0.5]", 400, "JSON object"},
      {"{\"speckel\":0.5}", 400, "there is no filter \\\"speckel\\\""},
      {"{\"speckle\":0.5,\"speckle\":1}", 400, "duplicate"},
      {"{\"speckle\":1.01}", 422, "0 to 1"},
      {"{\"speckle\":\"1\"}", 422, "0 to 1"},
      {"{\"shading\":-0.1}", 422, "0 to 1"},
      {"{\"local_contrast\":null}", 422, "0 to 1"},
      {"{\"gamma\":0}", 422, "0.2 to 5"},
      {"{\"range\":[200,100]}", 422, "the lower one first"},
      {"{\"range\":[0]}", 422, "two grey levels"},
      {"{\"depth_gain\":[0,0,0,0,0,0,0,0,0]}", 422, "at most 8"},
      {"{\"depth_gain\":[200]}", 422, "-128 to 128"},
      {"{\"smooth_frames\":2}", 422, "1, 3 or 5"},
      {"{\"smooth_frames\":7}", 422, "1, 3 or 5"},
      {longer, 422, "longer than"},
      {"no-such-preset", 404, "there is no preset"},
  };
  for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
    int got = frame(0, all[i].text, "");
    if (got != all[i].status || !strstr(answer, all[i].says))
      fail_msg("%s: %d %s", all[i].text, got, strstr(answer, "\r\n\r\n"));
    const char *todo = strstr(answer, "\"todo\":\"");
    assert_non_null(todo);
    if (all[i].status == 422) assert_true(todo[8] != '"'); /* says what to do */
  }
  assert_int_equal(ask("GET", "/api/objects/nothing/frames/0?filters=%7B%7D", "", ""), 404);
}

static void marks_stand_for_bytes(void **state) {
  (void)state;
  char a[96], b[96], header[140];
  assert_int_equal(frame(1, "{\"speckle\":0.5}", ""), 200);
  etag(a);
  assert_non_null(strstr(answer, "immutable"));
  assert_int_equal(frame(1, "{ \"gamma\":1.0, \"speckle\":0.50 }", ""), 200); /* the same, written otherwise */
  etag(b);
  assert_string_equal(a, b);
  assert_int_equal(frame(1, "{\"speckle\":0.6}", ""), 200);
  etag(b);
  assert_string_not_equal(a, b);
  assert_int_equal(frame(2, "{\"speckle\":0.5}", ""), 200);
  etag(b);
  assert_string_not_equal(a, b);
  snprintf(header, sizeof header, "If-None-Match: \"%s\"\r\n", a);
  assert_int_equal(frame(1, "{\"speckle\":0.5}", header), 304);
  assert_int_equal(frame(1, "{\"speckle\":0.6}", header), 200);
  snprintf(header, sizeof header, "/api/objects/%s/frames/1", object);
  assert_int_equal(ask("GET", header, "", ""), 200);
  etag(b);
  assert_true(strlen(b) < strlen(a) && !strncmp(a, b, strlen(b))); /* the stored frame has its own, shorter one */
}

static void what_is_stored_stays(void **state) {
  (void)state;
  char plain[64];
  snprintf(plain, sizeof plain, "/api/objects/%s/frames/3", object);
  assert_int_equal(ask("GET", plain, "", ""), 200);
  ogv_image before = picture();
  same(&before, &frames[3]);
  assert_int_equal(frame(3, "{\"speckle\":1,\"smooth_frames\":5,\"gamma\":2}", ""), 200);
  assert_int_equal(ask("GET", plain, "", ""), 200);
  ogv_image after = picture();
  same(&after, &frames[3]);
  assert_int_equal(frame(3, "{}", ""), 200); /* nothing on */
  ogv_image off = picture();
  same(&off, &frames[3]);
  ogv_image_free(&before);
  ogv_image_free(&after);
  ogv_image_free(&off);
}

static void presets_by_name_and_by_id(void **state) {
  (void)state;
  const char *body =
      "{\"protocol\":\"growth\",\"scanner\":\"Ogive M.1\",\"name\":\"Thick wall\",\"filters\":{\"speckle\":0.5}}";
  assert_int_equal(ask("POST", "/api/looks", "Content-Type: application/json\r\n", body), 403);
  assert_int_equal(ask("POST", "/api/looks", WRITES, body), 200);
  char id[32];
  const char *p = strstr(answer, "\"id\":\"");
  assert_non_null(p);
  snprintf(id, sizeof id, "%.16s", p + 6);
  assert_int_equal(ask("GET", "/api/looks", "", ""), 200);
  assert_non_null(strstr(answer, id));
  assert_non_null(strstr(answer, "\"name\":\"Thick wall\""));
  char first[96], second[96];
  assert_int_equal(frame(0, id, ""), 200);
  etag(first);
  assert_non_null(strstr(answer, "no-cache")); /* its meaning may change */
  assert_int_equal(frame(0, "{\"speckle\":0.5}", ""), 200);
  etag(second);
  assert_string_equal(first, second);
  /* Another name is another preset; the same name is renewed. */
  assert_int_equal(ask("POST", "/api/looks", WRITES,
                       "{\"protocol\":\"growth\",\"scanner\":\"Ogive M.1\",\"name\":\"Other\",\"filters\":{}}"),
                   200);
  assert_null(strstr(answer, id));
  assert_int_equal(
      ask("POST", "/api/looks", WRITES,
          "{\"protocol\":\"growth\",\"scanner\":\"Ogive M.1\",\"name\":\"Thick wall\",\"filters\":{\"speckle\":0.9}}"),
      200);
  assert_non_null(strstr(answer, id));
  assert_int_equal(frame(0, id, ""), 200);
  etag(second);
  assert_string_not_equal(first, second);
  assert_int_equal(ask("POST", "/api/looks", WRITES,
                       "{\"protocol\":\"growth\",\"scanner\":\"Ogive M.1\",\"name\":\"Thick wall\",\"removed\":true}"),
                   200);
  assert_int_equal(frame(0, id, ""), 404);
  assert_int_equal(ask("GET", "/api/looks", "", ""), 200);
  assert_null(strstr(answer, id));
  assert_int_equal(
      ask("POST", "/api/looks", WRITES, "{\"protocol\":\"growth\",\"scanner\":\"x\",\"name\":\"\",\"filters\":{}}"),
      400);
  assert_int_equal(ask("POST", "/api/looks", WRITES, "{\"protocol\":\"growth\",\"scanner\":\"x\",\"name\":\"y\"}"),
                   400);
  assert_int_equal(ask("POST", "/api/looks", WRITES,
                       "{\"protocol\":\"growth\",\"scanner\":\"x\",\"name\":\"y\",\"filters\":{\"gamma\":9}}"),
                   422);
}

/* The evidence of a reading holds the filters in full; the value is that of the geometry on the stored picture. */
static void a_reading_keeps_what_was_on(void **state) {
  (void)state;
  char path[64], body[800];
  snprintf(path, sizeof path, "/api/exams/%s/measurements", exam);
  const char *form =
      "{\"key\":\"k%d\",\"fetus\":\"A\",\"object\":\"%s\",\"frame\":0,\"geometry\":{\"kind\":\"distance\",\"points\":[["
      "10,50],"
      "[135,50]]},\"quantities\":[\"fl\"],\"how\":{\"blind\":true,\"filters\":[\"speckle reduced 50 "
      "%%\"],\"looks\":%s,\"window\":{\"slope\":%s,\"level\":120,\"invert\":true}}}";
  snprintf(body, sizeof body, form, 1, object, "[{\"speckle\":0.5},{\"gamma\":2}]", "2");
  assert_int_equal(ask("POST", path, WRITES, body), 201);
  snprintf(body, sizeof body, form, 2, object, "[{\"speckle\":5}]", "1");
  assert_int_equal(ask("POST", path, WRITES, body), 422);
  snprintf(body, sizeof body, form, 3, object, "{\"speckle\":0.5}", "1");
  assert_int_equal(ask("POST", path, WRITES, body), 400);
  snprintf(body, sizeof body, form, 4, object, "[]", "90");
  assert_int_equal(ask("POST", path, WRITES, body), 422);
  ogv_store *s;
  json_t *e;
  assert_int_equal(ogv_store_open(home, &s, NULL), OGV_OK);
  assert_int_equal(ogv_store_exam(s, exam, &e, NULL), OGV_OK);
  json_t *rows = json_object_get(e, "ledger"), *row = json_array_get(rows, 0);
  assert_int_equal(json_array_size(rows), 1);                          /* what was refused left nothing */
  assert_true(json_number_value(json_object_get(row, "value")) == 25); /* 125 pixels of 0.2 mm */
  json_t *how = json_object_get(json_object_get(row, "evidence"), "how"),
         *look = json_array_get(json_object_get(how, "looks"), 0);
  assert_true(json_number_value(json_object_get(look, "speckle")) == 0.5);
  assert_true(json_number_value(json_object_get(look, "gamma")) == 1); /* written out in full */
  assert_true(json_is_true(json_object_get(look, "keeps_edges")));
  assert_true(json_is_false(json_object_get(json_array_get(json_object_get(how, "looks"), 1), "keeps_edges")));
  assert_true(json_is_true(json_object_get(how, "blind")));
  json_t *window = json_object_get(how, "window"); /* black at 60, white at 187.5: it cuts walls */
  assert_true(json_number_value(json_object_get(window, "slope")) == 2);
  assert_true(json_is_true(json_object_get(window, "invert")));
  assert_true(json_is_false(json_object_get(window, "keeps_edges")));
  json_decref(e);
  ogv_store_close(s);
}

/* The page has no rule of its own: it asks. */
static void the_page_asks_what_moves_edges(void **state) {
  (void)state;
  static const struct {
    const char *query, *says;
    int status;
  } all[] = {{"filters=%7b%22speckle%22:0.5%7d", "true", 200},
             {"filters=%7b%22speckle%22:0.51%7d", "false", 200},
             {"filters=%7b%22gamma%22:1.2%7d", "false", 200},
             {"window=1,128", "true", 200},
             {"window=2,128", "false", 200},
             {"filters=%7b%22speckle%22:0.5%7d&window=2,128", "false", 200},
             {"window=2", "slope,level", 400},
             {"filters=%7b%22speckle%22:7%7d", "0 to 1", 422}};
  for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
    char path[200];
    snprintf(path, sizeof path, "/api/looks/edges?%s", all[i].query);
    assert_int_equal(ask("GET", path, "", ""), all[i].status);
    assert_non_null(strstr(answer, all[i].says));
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_filter_is_what_the_library_computes),
      cmocka_unit_test(the_mean_over_frames_at_the_ends_of_a_clip),
      cmocka_unit_test(a_playing_clip_gets_compressed_pictures),
      cmocka_unit_test(what_cannot_be_meant_is_refused),
      cmocka_unit_test(marks_stand_for_bytes),
      cmocka_unit_test(what_is_stored_stays),
      cmocka_unit_test(presets_by_name_and_by_id),
      cmocka_unit_test(a_reading_keeps_what_was_on),
      cmocka_unit_test(the_page_asks_what_moves_edges),
  };
  return cmocka_run_group_tests(tests, setup, teardown);
}
