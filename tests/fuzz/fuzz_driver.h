/* A fuzz target defines both functions; either libFuzzer's main or fuzz_driver.c runs it. */
#ifndef FUZZ_DRIVER_H
#define FUZZ_DRIVER_H

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
/* Seed i: *data is malloc'ed. 0 past the last one. */
int ogv_fuzz_seed(int i, uint8_t **data, size_t *size);

#endif
