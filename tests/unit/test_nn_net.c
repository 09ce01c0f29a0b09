/* The small network runtime: both backends agree, and damaged files are refused. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core_resource.h"
#include "nn_net.h"

static uint32_t seed = 12345;
static float noise(void) {
  seed = seed * 1664525u + 1013904223u;
  return (float)(seed >> 8) / 16777216.0f;
}

static void put32(uint8_t *p, int32_t v) {
  for (int i = 0; i < 4; i++) p[i] = (uint8_t)((uint32_t)v >> (8 * i));
}

static void put_float(uint8_t *p, float v) {
  int32_t bits;
  memcpy(&bits, &v, sizeof bits);
  put32(p, bits);
}

/* A file of `layers` rows and a blob, its last tensor the output. Returns its size. */
static size_t file_of(uint8_t *f, int layers, int inputs, const int32_t (*row)[12], const uint8_t *blob, size_t bytes) {
  uint8_t *tail = f + 40 + 48 * layers;
  memcpy(f, "OGVNET2\n", 8);
  put32(f + 8, layers);
  put32(f + 12, layers + 1);
  put32(f + 16, inputs);
  put32(f + 20, 1);
  put32(f + 24, layers);
  for (int i = 1; i < 4; i++) put32(f + 24 + 4 * i, -1);
  for (int i = 0; i < 12 * layers; i++) put32(f + 40 + 4 * i, row[i / 12][i % 12]);
  put32(tail, (int32_t)bytes);
  put32(tail + 4, 0);
  memcpy(tail + 8, blob, bytes);
  return (size_t)(tail + 8 + bytes - f);
}

enum { TINY_ROW = 40, TINY_BLOB = 96, TINY_BIAS = TINY_BLOB + 12, TINY_SCALE = TINY_BLOB + 16, ROOM = 512 };

/* A hand-made network: one 3x3 convolution 1 -> 1 with weights -4..4 (ky, kx order), stored as -8..8 of 0.5 each, and
 * bias 0.25. */
static size_t tiny(uint8_t *f) {
  static const int32_t row[1][12] = {{1, 0, -1, 1, 1, 1, 3, 1, 0, 0, 12, 16}};
  uint8_t blob[20] = {0};
  for (int i = 0; i < 9; i++) blob[i] = (uint8_t)(2 * (i - 4));
  put_float(blob + 12, 0.25f);
  put_float(blob + 16, 0.5f);
  return file_of(f, 1, 1, row, blob, sizeof blob);
}

/* Worked by hand: an impulse at (4,4) writes the kernel turned round, plus the bias. */
static void test_by_hand(void **state) {
  (void)state;
  uint8_t f[ROOM];
  ogv_error err = {0};
  for (int b = 0; b < 2; b++) {
    ogv_net *n;
    ogv_net_plan *p;
    ogv_net_view v;
    /* wherever the file lies in memory */
    const size_t size = tiny(f + b);
    assert_int_equal(ogv_net_open(f + b, size, "tiny", &n, &err), OGV_OK);
    assert_int_equal(ogv_net_parameters(n), 10);
    assert_int_equal(ogv_net_plan_new(n, 9, 9, b ? OGV_NET_PLAIN : OGV_NET_FAST, &p, &err), OGV_OK);
    memset(ogv_net_plan_input(p), 0, 81 * sizeof(float));
    ogv_net_plan_input(p)[4 * 9 + 4] = 1;
    assert_int_equal(ogv_net_plan_run(p, &err), OGV_OK);
    assert_int_equal(ogv_net_plan_output(p, 0, &v, &err), OGV_OK);
    for (int dy = -1; dy <= 1; dy++)
      for (int dx = -1; dx <= 1; dx++)
        assert_float_equal(v.data[(4 + dy) * 9 + 4 + dx], 0.25f - (float)(3 * dy + dx), 1e-6);
    assert_float_equal(v.data[0], 0.25f, 1e-6);
    assert_int_equal(ogv_net_plan_output(p, 1, &v, &err), OGV_E_INVALID);
    ogv_net_plan_free(p);
    ogv_net_free(n);
  }
}

/* Two 1x1 convolutions of 2 channels and their sum. First: channel 0 is 0.5 * (2 a + 4 b) + 1, channel 1 is
 * 0.25 * (-8 a + 4 b), below 0 cut off; second: channel 0 is a - b, channel 1 is 3 b - 2. */
static size_t summing(uint8_t *f, int stride) {
  const int32_t rows[3][12] = {{1, 0, -1, 1, 2, 2, 1, 1, 1, 0, 8, 16},
                               {1, 0, -1, 2, 2, 2, 1, stride, 0, 4, 24, 32},
                               {4, 1, 2, 3, 2, 2, 1, 1, 0, 0, 0, 0}};
  static const int8_t q[8] = {2, 4, -8, 4, 1, -1, 0, 3};
  static const float real[8] = {1, 0, 0.5f, 0.25f, 0, -2, 1, 1};
  uint8_t blob[40];
  for (int i = 0; i < 8; i++) {
    blob[i] = (uint8_t)q[i];
    put_float(blob + 8 + 4 * i, real[i]);
  }
  return file_of(f, 3, 2, rows, blob, sizeof blob);
}

static void test_sum(void **state) {
  (void)state;
  uint8_t f[ROOM];
  ogv_error err = {0};
  ogv_net *n;
  ogv_net_plan *p;
  size_t size = summing(f, 1);
  assert_int_equal(ogv_net_open(f, size, "sum", &n, &err), OGV_OK);
  for (int plain = 0; plain < 2; plain++) {
    ogv_net_view v;
    assert_int_equal(ogv_net_plan_new(n, 8, 10, plain ? OGV_NET_PLAIN : OGV_NET_FAST, &p, &err), OGV_OK);
    for (int i = 0; i < 80; i++) {
      ogv_net_plan_input(p)[2 * i] = (float)i;
      ogv_net_plan_input(p)[2 * i + 1] = (float)(i % 7);
    }
    assert_int_equal(ogv_net_plan_run(p, &err), OGV_OK);
    assert_int_equal(ogv_net_plan_output(p, 0, &v, &err), OGV_OK);
    assert_true(v.width == 8 && v.height == 10 && v.channels == 2);
    for (int i = 0; i < 80; i++) {
      const double a = i, b = i % 7;
      assert_float_equal(v.data[2 * i], a + 2 * b + 1 + (a - b), 1e-4);
      assert_float_equal(v.data[2 * i + 1], fmax(0, b - 2 * a) + (3 * b - 2), 1e-4);
    }
    ogv_net_plan_free(p);
  }
  ogv_net_free(n);
  /* the second convolution at half the size: no sum, and the message says where and which sizes */
  size = summing(f, 2);
  assert_int_equal(ogv_net_open(f, size, "sum", &n, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_new(n, 8, 10, OGV_NET_PLAIN, &p, &err), OGV_E_INVALID);
  assert_non_null(strstr(err.what, "layer 2 adds 4 x 5 to 8 x 10"));
  ogv_net_free(n);
}

static size_t compare(const char *path, int w, int h, int outputs) {
  ogv_resource r;
  ogv_error err = {0};
  ogv_net *n;
  ogv_net_plan *fast, *plain;
  assert_int_equal(ogv_resource_get(path, &r, &err), OGV_OK);
  assert_int_equal(ogv_net_open(r.data, r.size, path, &n, &err), OGV_OK);
  assert_true(ogv_net_parameters(n) < 1300000);
  assert_int_equal(ogv_net_plan_new(n, w, h, OGV_NET_FAST, &fast, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_new(n, w, h, OGV_NET_PLAIN, &plain, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_backend(fast), OGV_NET_FAST);
  const int c = ogv_net_input_channels(n);
  for (int i = 0; i < w * h * c; i++) ogv_net_plan_input(fast)[i] = ogv_net_plan_input(plain)[i] = noise();
  assert_int_equal(ogv_net_plan_run(fast, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_run(plain, &err), OGV_OK);
  for (int k = 0; k < outputs; k++) {
    ogv_net_view a, b;
    assert_int_equal(ogv_net_plan_output(fast, k, &a, &err), OGV_OK);
    assert_int_equal(ogv_net_plan_output(plain, k, &b, &err), OGV_OK);
    double worst = 0, most = 0;
    for (long i = 0; i < (long)a.width * a.height * a.channels; i++) {
      worst = fmax(worst, fabs((double)a.data[i] - (double)b.data[i]));
      most = fmax(most, fabs((double)b.data[i]));
    }
    assert_true(most > 0.01); /* something was written */
    assert_true(worst <= 1e-4 * fmax(1, most));
  }
  ogv_net_plan_free(fast);
  ogv_net_plan_free(plain);
  ogv_net_free(n);
  return r.size;
}

static void test_backends_agree(void **state) {
  (void)state;
  const size_t bytes =
      compare("models/reader-maps.ogvnet", 96, 64, 2) + compare("models/reader-outline.ogvnet", 48, 32, 2) +
      compare("models/reader-fine.ogvnet", 48, 32, 2) + compare("models/reader-frame.ogvnet", 64, 64, 1) +
      compare("models/reader-ends.ogvnet", 80, 32, 2);
  assert_true(bytes <= 3000000);
}

static void refused(const uint8_t *f, size_t size, const char *because) {
  ogv_error err = {0};
  ogv_net *n;
  assert_int_equal(ogv_net_open(f, size, "damaged", &n, &err), OGV_E_CORRUPT);
  assert_null(n);
  if (!strstr(err.what, because)) fail_msg("said \"%s\", not \"%s\"", err.what, because);
}

static void test_damaged_files(void **state) {
  (void)state;
  uint8_t f[ROOM], g[ROOM];
  ogv_error err = {0};
  ogv_net *n;
  const size_t size = tiny(f), sum = summing(g, 1);
  for (size_t cut = 0; cut < size; cut++) assert_int_equal(ogv_net_open(f, cut, "cut", &n, &err), OGV_E_CORRUPT);
  /* every byte set to every value: refused or understood, never a crash (the sanitizers watch) */
  for (int which = 0; which < 2; which++)
    for (size_t i = 0; i < (which ? sum : size); i++)
      for (int v = 0; v < 256; v++) {
        if (which) summing(g, 1);
        else tiny(g);
        g[i] = (uint8_t)v;
        if (ogv_net_open(g, which ? sum : size, "flipped", &n, &err) == OGV_OK) ogv_net_free(n);
      }
  tiny(f);
  memcpy(f, "OGVNET1\n", 8); /* the version before */
  refused(f, size, "not a file of weights");
}

/* One number of a good file changed at a time. */
static void test_damaged_numbers(void **state) {
  (void)state;
  uint8_t f[ROOM];
  static const int32_t offsets[][2] = {
      /* column of the row, value; the blob has 20 bytes */
      {9, 12}, {9, 21}, {9, -1}, {10, 14}, {10, 20}, {10, 0x7ffffffc}, {11, 18}, {11, 20}, {11, -4}};
  size_t size = tiny(f);
  put32(f + TINY_ROW + 4, 1); /* reads what it writes */
  refused(f, size, "layer 0 reads a tensor");
  for (size_t i = 0; i < sizeof offsets / sizeof *offsets; i++) {
    size = tiny(f);
    put32(f + TINY_ROW + 4 * offsets[i][0], offsets[i][1]);
    refused(f, size, "layer 0 points outside the weights");
  }
  const float bad[] = {NAN, INFINITY, -INFINITY, -0.5f, 3e38f}; /* the last: 127 of them are more than a float */
  for (int i = 0; i < 5; i++) {
    size = tiny(f);
    put_float(f + TINY_SCALE, bad[i]);
    refused(f, size, "layer 0 has a scale");
  }
  for (int i = 0; i < 3; i++) {
    size = tiny(f);
    put_float(f + TINY_BIAS, bad[i]);
    refused(f, size, "layer 0 has a bias");
  }
}

/* The same for the table of three layers: the message names the one that is wrong. */
static void test_damaged_sums(void **state) {
  (void)state;
  uint8_t f[ROOM];
  static const struct {
    int layer, at;
    int32_t value;
    const char *says;
  } rows[] = {{2, 2, -1, "layer 2 adds tensors that do not fit"},
              {2, 2, 3, "layer 2 adds tensors that do not fit"}, /* itself */
              {2, 5, 1, "layer 2 adds tensors that do not fit"},
              {2, 8, 1, "layer 2 asks for an activation"},
              {2, 0, 5, "layer 2 is of an unknown kind"},
              {2, 3, 2, "layer 2 writes a tensor twice"},
              {1, 6, 5, "layer 1 points outside the weights"}};
  for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
    const size_t size = summing(f, 1);
    put32(f + 40 + 48 * rows[i].layer + 4 * rows[i].at, rows[i].value);
    refused(f, size, rows[i].says);
  }
  /* layers that share weights could ask a small file for endless memory */
  size_t size = summing(f, 1);
  put32(f + 40 + 48 * 2, 1);
  put32(f + 40 + 48 * 2 + 4 * 10, 8);
  put32(f + 40 + 48 * 2 + 4 * 11, 16);
  refused(f, size, "layer 2 uses weights of another layer");
}

static void test_sizes(void **state) {
  (void)state;
  ogv_resource r;
  ogv_error err = {0};
  ogv_net *n;
  ogv_net_plan *p;
  assert_int_equal(ogv_resource_get("models/reader-maps.ogvnet", &r, &err), OGV_OK);
  assert_int_equal(ogv_net_open(r.data, r.size, "maps", &n, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_new(n, 100, 64, OGV_NET_FAST, &p, &err), OGV_E_INVALID);
  assert_int_equal(ogv_net_plan_new(n, 4, 64, OGV_NET_FAST, &p, &err), OGV_E_INVALID);
  assert_int_equal(ogv_net_plan_new(n, 64, 4096, OGV_NET_FAST, &p, &err), OGV_E_INVALID);
  ogv_net_free(n);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_by_hand),
                                     cmocka_unit_test(test_sum),
                                     cmocka_unit_test(test_backends_agree),
                                     cmocka_unit_test(test_damaged_files),
                                     cmocka_unit_test(test_damaged_numbers),
                                     cmocka_unit_test(test_damaged_sums),
                                     cmocka_unit_test(test_sizes)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
