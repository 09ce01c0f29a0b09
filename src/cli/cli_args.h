/* Options of a command as a table. */
#ifndef CLI_ARGS_H
#define CLI_ARGS_H

#include <stdbool.h>
#include <stddef.h>

#include "cli_command.h"

typedef enum ogv_arg_kind {
  OGV_ARG_FLAG,   /* --json                bool */
  OGV_ARG_TEXT,   /* --ga 20w3d            const char * */
  OGV_ARG_NUMBER, /* --hc 175              double */
  OGV_ARG_WHOLE,  /* --cycle 30            int */
  OGV_ARG_MANY    /* --crl A --crl B       ogv_arg_list */
} ogv_arg_kind;

#define OGV_ARG_LIST 32
typedef struct ogv_arg_list {
  const char *value[OGV_ARG_LIST];
  size_t n;
} ogv_arg_list;

#define OGV_ARG_REST 256
typedef struct ogv_arg {
  const char *name; /* "--hc" */
  ogv_arg_kind kind;
  void *out; /* keeps its value when the option is not given */
} ogv_arg;

/* Reads argv[1..]; `--name value` and `--name=value` are alike, `--` ends the options. Words that are no option go to
 * rest (OGV_ARG_REST of them at most). args ends with a NULL name. Returns 0, or 2 after telling what is wrong with the
 * usage. */
int ogv_cli_args(const ogv_command *c, int argc, char **argv, const ogv_arg *args, char **rest, size_t *n_rest);

#endif
