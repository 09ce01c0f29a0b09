#include "core_sort.h"

#include <math.h>
#include <stdlib.h>

int ogv_ascending(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

double ogv_median(double *v, size_t n) {
  if (!n) return NAN;
  qsort(v, n, sizeof *v, ogv_ascending);
  return n % 2 ? v[n / 2] : 0.5 * (v[n / 2 - 1] + v[n / 2]);
}
