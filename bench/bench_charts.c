/* Chart evaluations a second on one core, by model, each at ages and values that change from call to call. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "charts_chart.h"

enum { POINTS = 4096, ROUNDS = 500 };

static double cpu_seconds(void) {
  struct timespec t;
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); /* of one core, whoever else uses the machine */
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double rate(const char *id) {
  static double x[POINTS], y[POINTS];
  const ogv_chart *c;
  ogv_error e;
  if (ogv_chart_find(id, &c, &e) != OGV_OK) {
    fprintf(stderr, "%s\n", e.what);
    exit(1);
  }
  const ogv_chart_info *f = ogv_chart_about(c);
  double limit = strcmp(f->model, "quantiles") ? 2.5 : 1.6;
  for (int i = 0; i < POINTS; i++) {
    double u = fmod(i * 0.6180339887498949, 1), z = limit * (2 * fmod(i * 0.7548776662466927, 1) - 1);
    x[i] = f->x_low + u * (f->x_high - f->x_low);
    if (ogv_chart_at_z(c, x[i], z, &y[i], &e) != OGV_OK) exit(1);
  }
  double start = cpu_seconds(), sum = 0;
  for (int r = 0; r < ROUNDS; r++)
    for (int i = 0; i < POINTS; i++) {
      ogv_chart_value v;
      if (ogv_chart_eval(c, x[i], y[i], &v, NULL) != OGV_OK) exit(1);
      sum += v.centile;
    }
  double seconds = cpu_seconds() - start;
  if (!isfinite(sum)) exit(1);
  double million = (double)POINTS * ROUNDS / seconds / 1e6;
  printf("%-26s %-20s %7.2f million evaluations a second\n", id, f->model, million);
  return million;
}

int main(void) {
  static const char *const ids[] = {"intergrowth-hc",    "intergrowth-bpd",    "intergrowth-efw-hadlock",
                                    "intergrowth-ua-pi", "ciobanu2019-mca-pi", "nichd-efw-white",
                                    "who-efw",           "acharya2005-ua-sd",  "wright2008-nt"};
  double slowest = INFINITY;
  for (size_t i = 0; i < sizeof ids / sizeof *ids; i++) slowest = fmin(slowest, rate(ids[i]));
  printf("slowest of these: %.2f million a second (goal 5)\n", slowest);
  return slowest >= 5 ? 0 : 1;
}
