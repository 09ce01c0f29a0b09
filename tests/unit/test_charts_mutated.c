/* Chart files with random damage: each is refused with a message or gives a chart that answers with a number or a named
 * refusal. Runs under the sanitizers; seeded, so that a failure comes back. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "charts_chart.h"
#include "core_json.h"

static uint64_t state_word = 0x9e3779b97f4a7c15u;
static uint32_t random_below(uint32_t n) { /* xorshift64* (Vigna 2016) */
  state_word ^= state_word >> 12;
  state_word ^= state_word << 25;
  state_word ^= state_word >> 27;
  return (uint32_t)((state_word * 0x2545f4914f6cdd1du) >> 33) % n;
}

static size_t damage(char *text, size_t n) {
  static const char *const words[] = {"-1", "0",    "1e308", "1e-320",      "null", "[]",
                                      "{}", "\"\"", "true",  "99999999999", "-0.0"};
  unsigned times = 1 + random_below(3);
  for (unsigned i = 0; i < times && n > 4; i++) {
    size_t at = random_below((uint32_t)n);
    switch (random_below(5)) {
      case 0: text[at] = (char)random_below(256); break;
      case 1: text[at] ^= (char)(1u << random_below(8)); break;
      case 2: n = at + 1; break; /* cut short */
      case 3: {                  /* a hole */
        size_t k = 1 + random_below(12);
        if (at + k > n) k = n - at;
        memmove(text + at, text + at + k, n - at - k);
        n -= k;
        break;
      }
      default: { /* the next number becomes another word */
        const char *w = words[random_below(sizeof words / sizeof *words)];
        while (at < n && (text[at] < '0' || text[at] > '9')) at++;
        size_t k = strspn(text + at, "0123456789.e-"), m = strlen(w);
        memmove(text + at + m, text + at + k, n - at - k + 1);
        memcpy(text + at, w, m);
        n = n - k + m;
      }
    }
    text[n] = 0;
  }
  return n;
}

static void must_answer(const ogv_chart *c) {
  const ogv_chart_info *f = ogv_chart_about(c);
  for (int i = 0; i <= 8; i++) {
    double x = f->x_low + (f->x_high - f->x_low) * i / 8, value;
    ogv_chart_value v;
    ogv_error e;
    for (int z = -4; z <= 4; z += 2) {
      if (ogv_chart_at_z(c, x, z, &value, &e) != OGV_OK) continue;
      if (ogv_chart_eval(c, x, value, &v, &e) == OGV_OK)
        assert_true(v.beyond != 0 || !strcmp(f->model, "median") || !isnan(v.z) || !isfinite(v.median));
    }
    ogv_chart_slip(c, x, 7.5);
  }
  char *text = ogv_chart_formula(c);
  assert_non_null(text);
  free(text);
}

static void damaged_files(void **state) {
  (void)state;
  unsigned refused = 0, taken = 0;
  const ogv_chart *c;
  for (size_t i = 0; (c = ogv_chart_at(i)); i++) {
    if (i % 3 && strstr(ogv_chart_about(c)->id, "2016")) continue; /* many of a kind */
    char *whole = json_dumps(ogv_chart_definition(c), JSON_REAL_PRECISION(15));
    assert_non_null(whole);
    size_t n = strlen(whole);
    char *text = malloc(n + 64);
    assert_non_null(text);
    for (int k = 0; k < 60; k++) {
      memcpy(text, whole, n + 1);
      size_t m = damage(text, n);
      ogv_chart *d = NULL;
      ogv_error e;
      memset(&e, 0, sizeof e);
      if (ogv_chart_parse(text, m, "damaged", &d, &e) == OGV_OK) {
        taken++;
        must_answer(d);
        ogv_chart_free(d);
      } else {
        refused++;
        assert_null(d);
        assert_true(e.what[0] != 0);
      }
    }
    free(text);
    free(whole);
  }
  print_message("%u damaged files refused, %u still charts\n", refused, taken);
  assert_true(refused > 1000 && taken > 100);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(damaged_files)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
