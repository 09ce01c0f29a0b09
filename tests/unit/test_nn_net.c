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

/* A hand-made network: one 3x3 convolution 1 -> 1 with weights 1..9 (ky, kx order) and bias 0.5. */
static size_t tiny(uint8_t *f) {
  static const uint16_t half[10] = {0x3c00, 0x4000, 0x4200, 0x4400, 0x4500, 0x4600, 0x4700, 0x4800, 0x4880, 0x3800};
  const int32_t row[12] = {1, 0, -1, 1, 1, 1, 3, 1, 0, 0, 18, 0};
  memcpy(f, "OGVNET1\n", 8);
  put32(f + 8, 1);
  put32(f + 12, 2);
  put32(f + 16, 1);
  put32(f + 20, 1);
  put32(f + 24, 1);
  for (int i = 1; i < 4; i++) put32(f + 24 + 4 * i, -1);
  for (int i = 0; i < 12; i++) put32(f + 40 + 4 * i, row[i]);
  put32(f + 88, 20);
  put32(f + 92, 0);
  for (int i = 0; i < 10; i++) {
    f[96 + 2 * i] = (uint8_t)half[i];
    f[97 + 2 * i] = (uint8_t)(half[i] >> 8);
  }
  return 116;
}

/* Worked by hand: an impulse at (4,4) writes the kernel turned round, plus the bias. */
static void test_by_hand(void **state) {
  (void)state;
  uint8_t f[128];
  ogv_error err = {0};
  for (int b = 0; b < 2; b++) {
    ogv_net *n;
    ogv_net_plan *p;
    ogv_net_view v;
    assert_int_equal(ogv_net_open(f, tiny(f), "tiny", &n, &err), OGV_OK);
    assert_int_equal(ogv_net_plan_new(n, 9, 9, b ? OGV_NET_PLAIN : OGV_NET_FAST, &p, &err), OGV_OK);
    memset(ogv_net_plan_input(p), 0, 81 * sizeof(float));
    ogv_net_plan_input(p)[4 * 9 + 4] = 1;
    assert_int_equal(ogv_net_plan_run(p, &err), OGV_OK);
    assert_int_equal(ogv_net_plan_output(p, 0, &v, &err), OGV_OK);
    for (int dy = -1; dy <= 1; dy++)
      for (int dx = -1; dx <= 1; dx++)
        assert_float_equal(v.data[(4 + dy) * 9 + 4 + dx], 0.5f + (float)(1 + (1 - dy) * 3 + (1 - dx)), 1e-5);
    assert_float_equal(v.data[0], 0.5f, 1e-6);
    assert_int_equal(ogv_net_plan_output(p, 1, &v, &err), OGV_E_INVALID);
    ogv_net_plan_free(p);
    ogv_net_free(n);
  }
}

static void compare(const char *path, int w, int h) {
  ogv_resource r;
  ogv_error err = {0};
  ogv_net *n;
  ogv_net_plan *fast, *plain;
  assert_int_equal(ogv_resource_get(path, &r, &err), OGV_OK);
  assert_true(r.size <= 3000000);
  assert_int_equal(ogv_net_open(r.data, r.size, path, &n, &err), OGV_OK);
  assert_true(ogv_net_parameters(n) < 1300000);
  assert_int_equal(ogv_net_plan_new(n, w, h, OGV_NET_FAST, &fast, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_new(n, w, h, OGV_NET_PLAIN, &plain, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_backend(fast), OGV_NET_FAST);
  const int c = ogv_net_input_channels(n);
  for (int i = 0; i < w * h * c; i++) ogv_net_plan_input(fast)[i] = ogv_net_plan_input(plain)[i] = noise();
  assert_int_equal(ogv_net_plan_run(fast, &err), OGV_OK);
  assert_int_equal(ogv_net_plan_run(plain, &err), OGV_OK);
  for (int k = 0; k < 2; k++) {
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
}

static void test_backends_agree(void **state) {
  (void)state;
  compare("models/reader-maps.ogvnet", 96, 64);
  compare("models/reader-outline.ogvnet", 48, 32);
  compare("models/reader-ends.ogvnet", 80, 32);
}

static void test_damaged_files(void **state) {
  (void)state;
  uint8_t f[128], g[128];
  ogv_error err = {0};
  ogv_net *n;
  const size_t size = tiny(f);
  for (size_t cut = 0; cut < size; cut++) assert_int_equal(ogv_net_open(f, cut, "cut", &n, &err), OGV_E_CORRUPT);
  /* every byte of the table set to every value: refused or understood, never a crash (the sanitizers watch) */
  for (size_t i = 0; i < 96; i++)
    for (int v = 0; v < 256; v++) {
      memcpy(g, f, size);
      g[i] = (uint8_t)v;
      if (ogv_net_open(g, size, "flipped", &n, &err) == OGV_OK) ogv_net_free(n);
    }
  memcpy(g, f, size);
  put32(g + 40 + 4, 1); /* reads what it writes */
  assert_int_equal(ogv_net_open(g, size, "loop", &n, &err), OGV_E_CORRUPT);
  assert_non_null(strstr(err.what, "layer 0"));
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
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_by_hand), cmocka_unit_test(test_backends_agree),
                                     cmocka_unit_test(test_damaged_files), cmocka_unit_test(test_sizes)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
