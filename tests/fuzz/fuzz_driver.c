/* Runs a fuzz target without libFuzzer: its seeds, the files named on the command line, then mutations of all of them
 * for a number of rounds (FUZZ_ROUNDS, default 400), from a fixed start (FUZZ_SEED), so that a failure can be had
 * again. The input that was running is kept in fuzz-last-<target> when the program dies. */
#include "fuzz_driver.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core_file.h"

#define SIZE_MAX_INPUT (1u << 22)

typedef struct {
  uint8_t *data;
  size_t size;
} input;

static input pool[512];
static size_t n_pool;
static uint8_t work[SIZE_MAX_INPUT + 64];
static size_t work_size;
static uint64_t state;
static char last_name[256];

static uint64_t next(void) { /* splitmix64 */
  uint64_t z = (state += 0x9E3779B97F4A7C15u);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
  return z ^ (z >> 31);
}
static size_t below(size_t n) { return n ? (size_t)(next() % n) : 0; }

static void keep_last(void) {
  int fd = open(last_name, O_CREAT | O_WRONLY | O_TRUNC, 0600);
  if (fd < 0) return;
  ssize_t r = write(fd, work, work_size);
  (void)r;
  close(fd);
}
static void on_alarm(int sig) {
  (void)sig;
  static const char text[] = "fuzz: an input took longer than 20 s\n";
  ssize_t r = write(2, text, sizeof text - 1);
  (void)r;
  keep_last();
  _exit(1);
}
void __asan_on_error(void);
void __asan_on_error(void) { keep_last(); }

static void add(uint8_t *data, size_t size) {
  if (n_pool < sizeof pool / sizeof pool[0] && size <= SIZE_MAX_INPUT) pool[n_pool++] = (input){data, size};
  else free(data);
}

/* Numbers that parsers trip over. */
static void put_number(size_t at) {
  static const uint32_t odd[] = {0,      1,          0x7F,        0x80,        0xFF,        0x7FFF, 0x8000,
                                 0xFFFF, 0x7FFFFFFF, 0x80000000u, 0xFFFFFFFFu, 0xFFFFFFFEu, 0xFFFE, 0xE000};
  uint32_t v = odd[below(sizeof odd / sizeof odd[0])];
  size_t n = (size_t)1 << below(3);
  for (size_t i = 0; i < n && at + i < work_size; i++) work[at + i] = (uint8_t)(v >> (8 * i));
}

static void mutate(void) {
  const input *a = &pool[below(n_pool)];
  memcpy(work, a->data, a->size);
  work_size = a->size;
  /* Headers are small beside pixels: most changes go to the first 3000 bytes. */
  for (size_t k = 1 + below(6); k > 0 && work_size > 0; k--) {
    size_t at = below(next() % 4 ? (work_size < 3000 ? work_size : 3000) : work_size);
    switch (next() % 6) {
      case 0: work[at] ^= (uint8_t)(1u << below(8)); break;
      case 1: work[at] = (uint8_t)next(); break;
      case 2: put_number(at); break;
      case 3: { /* cut a piece out */
        size_t n = 1 + below(64);
        if (n > work_size - at) n = work_size - at;
        memmove(work + at, work + at + n, work_size - at - n);
        work_size -= n;
        break;
      }
      case 4: { /* a piece of another seed */
        const input *b = &pool[below(n_pool)];
        size_t n = 1 + below(64), from = below(b->size);
        for (size_t i = 0; i < n && at + i < work_size && from + i < b->size; i++) work[at + i] = b->data[from + i];
        break;
      }
      default:
        if (next() % 8 == 0) work_size = at; /* cut off */
        break;
    }
  }
}

static void run(void) {
  alarm(20);
  LLVMFuzzerTestOneInput(work, work_size);
  alarm(0);
}

int main(int argc, char **argv) {
  const char *name = strrchr(argv[0], '/') ? strrchr(argv[0], '/') + 1 : argv[0];
  snprintf(last_name, sizeof last_name, "fuzz-last-%.100s", name);
  signal(SIGALRM, on_alarm);
  signal(SIGPIPE, SIG_IGN);
  const char *rounds_text = getenv("FUZZ_ROUNDS"), *seed_text = getenv("FUZZ_SEED");
  long rounds = rounds_text ? strtol(rounds_text, NULL, 10) : 400;
  state = seed_text ? strtoull(seed_text, NULL, 10) : 20260105;
  uint8_t *data;
  size_t size;
  for (int i = 0; ogv_fuzz_seed(i, &data, &size); i++) add(data, size);
  for (int i = 1; i < argc; i++)
    if (ogv_file_read(argv[i], SIZE_MAX_INPUT, &data, &size, NULL) == OGV_OK) add(data, size);
  if (n_pool == 0) return fputs("fuzz: no seeds\n", stderr), 1;
  for (size_t i = 0; i < n_pool; i++) {
    memcpy(work, pool[i].data, pool[i].size);
    work_size = pool[i].size;
    run();
  }
  for (long r = 0; r < rounds; r++) {
    mutate();
    run();
  }
  printf("%zu seeds, %ld mutations\n", n_pool, rounds);
  for (size_t i = 0; i < n_pool; i++) free(pool[i].data);
  return 0;
}
