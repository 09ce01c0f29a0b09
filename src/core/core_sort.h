/* Order of numbers. */
#ifndef CORE_SORT_H
#define CORE_SORT_H

#include <stddef.h>

/* For qsort: doubles, the smallest first. None may be NaN. */
int ogv_ascending(const void *a, const void *b);

/* The middle of n numbers, or the mean of the two in the middle; NaN when there are none. Sorts v. */
double ogv_median(double *v, size_t n);

#endif
