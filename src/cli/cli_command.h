/* One file per command: src/cli/cmd_<name>.c defines `const ogv_command ogv_cmd_<name>` and adds itself to main.c's
 * list. */
#ifndef CLI_COMMAND_H
#define CLI_COMMAND_H

#include <jansson.h>

#include "core_status.h"

typedef struct ogv_command {
  const char *name;
  const char *summary; /* one line for `ogive --help` */
  const char *help;    /* whole text for `ogive NAME --help`: usage, options, an example, exit codes that matter.
                        * NULL: run() answers --help itself */
  int (*run)(int argc, char **argv); /* argv[0] is the command's name; returns the exit code */
} ogv_command;

/* Exit codes: 0 done; 1 the answer is no (verify failed, rule not met where asked); 2 usage; 3 bad input; 4 not found;
 * 5 no calibration or out of range; 6 store or disk; 7 not allowed; 8 conflict; 70 defect in Ogive. */
int ogv_cli_exit_code(ogv_status s);
/* Prints "ogive NAME: what\n  todo" to stderr (or {"error":...} to stdout when json) and returns the exit code. */
int ogv_cli_fail(const char *name, const ogv_error *err, int json);
/* Prints usage trouble to stderr and returns 2. */
int ogv_cli_usage(const ogv_command *c, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
/* Prints a value as readable JSON to stdout and releases it. Returns 0, or 6 when stdout cannot be written. */
int ogv_cli_print_json(json_t *v);

#endif
