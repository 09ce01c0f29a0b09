#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "imaging_png.h"

static void pictures_round_trip(void **state) {
  (void)state;
  for (int channels = 1; channels <= 3; channels += 2) {
    ogv_image a, b;
    ogv_error err;
    assert_int_equal(ogv_image_new(37, 11, channels, &a, &err), OGV_OK);
    for (int y = 0; y < 11; y++)
      for (int x = 0; x < 37 * channels; x++) a.pixels[(size_t)y * a.stride + (size_t)x] = (uint8_t)(x * 7 + y * 31);
    uint8_t *data, *again;
    size_t n, m;
    assert_int_equal(ogv_png_encode(&a, &data, &n, &err), OGV_OK);
    assert_int_equal(ogv_png_encode(&a, &again, &m, &err), OGV_OK);
    assert_int_equal(n, m);
    assert_memory_equal(data, again, n);
    assert_true(ogv_png_is(data, n));
    assert_int_equal(ogv_png_decode(data, n, &b, &err), OGV_OK);
    assert_int_equal(b.channels, channels);
    for (int y = 0; y < 11; y++)
      assert_memory_equal(a.pixels + (size_t)y * a.stride, b.pixels + (size_t)y * b.stride, (size_t)(37 * channels));
    ogv_image_free(&b);
    /* Every cut is refused or decoded, never read past its end. */
    for (size_t k = 0; k < n; k++) {
      uint8_t *cut = malloc(k ? k : 1);
      memcpy(cut, data, k);
      if (ogv_png_decode(cut, k, &b, &err) == OGV_OK) ogv_image_free(&b);
      else assert_true(err.what[0] != 0);
      free(cut);
    }
    free(data);
    free(again);
    ogv_image_free(&a);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(pictures_round_trip)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
