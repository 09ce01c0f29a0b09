/* `ogive measure KIND ...`: each kind is its own file, sub_measure_<kind>.c. */
#include <stdio.h>
#include <string.h>

#include "cli_command.h"
#include "commands.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_measure = {"measure", "measure on a picture: by a given geometry, or proposed by the program",
                                     NULL, /* the list of kinds is printed by run */
                                     run};

#define DECLARE(word) extern const ogv_command ogv_measure_##word;
#define ENTRY(word) &ogv_measure_##word,
MEASURE_KINDS(DECLARE)
static const ogv_command *const kinds[] = {MEASURE_KINDS(ENTRY) NULL};

static void list(FILE *f) {
  fputs("usage: ogive measure KIND ...     ogive measure KIND --help explains one\n\n", f);
  for (const ogv_command *const *k = kinds; *k; k++) fprintf(f, "  %-10s %s\n", (*k)->name, (*k)->summary);
}

static int run(int argc, char **argv) {
  if (argc < 2) {
    list(stderr);
    return 2;
  }
  for (const ogv_command *const *k = kinds; *k; k++) {
    if (strcmp((*k)->name, argv[1])) continue;
    if (argc > 2 && !strcmp(argv[2], "--help")) {
      fputs((*k)->help, stdout);
      return 0;
    }
    return (*k)->run(argc - 1, argv + 1);
  }
  if (!strcmp(argv[1], "--help")) {
    list(stdout);
    return 0;
  }
  fprintf(stderr, "ogive measure: there is no kind \"%.60s\"\n", argv[1]);
  list(stderr);
  return 2;
}
