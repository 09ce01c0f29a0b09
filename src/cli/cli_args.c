#include "cli_args.h"

#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static int store(const ogv_command *c, const ogv_arg *a, const char *value) {
  char *end;
  switch (a->kind) {
    case OGV_ARG_FLAG: *(bool *)a->out = true; return 0;
    case OGV_ARG_TEXT: *(const char **)a->out = value; return 0;
    case OGV_ARG_NUMBER: {
      double d = strtod(value, &end);
      if (end == value || *end || !isfinite(d))
        return ogv_cli_usage(c, "%s needs a number, not \"%.40s\"", a->name, value);
      *(double *)a->out = d;
      return 0;
    }
    case OGV_ARG_WHOLE: {
      long d = strtol(value, &end, 10);
      if (end == value || *end || d < INT_MIN || d > INT_MAX)
        return ogv_cli_usage(c, "%s needs a whole number, not \"%.40s\"", a->name, value);
      *(int *)a->out = (int)d;
      return 0;
    }
    case OGV_ARG_MANY: {
      ogv_arg_list *list = a->out;
      if (list->n == OGV_ARG_LIST) return ogv_cli_usage(c, "%s is given more than %d times", a->name, OGV_ARG_LIST);
      list->value[list->n++] = value;
      return 0;
    }
  }
  return 70;
}

/* "-o" and its like, when the table names it. */
static bool short_option(const ogv_arg *args, const char *word) {
  if (word[0] != '-' || !word[1] || word[2]) return false;
  while (args->name && strcmp(args->name, word)) args++;
  return args->name;
}

int ogv_cli_args(const ogv_command *c, int argc, char **argv, const ogv_arg *args, char **rest, size_t *n_rest) {
  bool options = true;
  *n_rest = 0;
  for (int i = 1; i < argc; i++) {
    if (options && !strcmp(argv[i], "--")) {
      options = false;
      continue;
    }
    if (!options || (strncmp(argv[i], "--", 2) && !short_option(args, argv[i]))) {
      if (*n_rest == OGV_ARG_REST) return ogv_cli_usage(c, "more than %d words", OGV_ARG_REST);
      rest[(*n_rest)++] = argv[i];
      continue;
    }
    size_t n = strcspn(argv[i], "=");
    const ogv_arg *a = args;
    while (a->name && (strlen(a->name) != n || strncmp(a->name, argv[i], n))) a++;
    if (!a->name) return ogv_cli_usage(c, "there is no option %.*s", (int)(n > 60 ? 60 : n), argv[i]);
    const char *value = argv[i][n] ? argv[i] + n + 1 : NULL;
    if (a->kind == OGV_ARG_FLAG && value) return ogv_cli_usage(c, "%s takes no value", a->name);
    if (a->kind != OGV_ARG_FLAG && !value) {
      if (i + 1 == argc) return ogv_cli_usage(c, "%s needs a value", a->name);
      value = argv[++i];
    }
    int code = store(c, a, value);
    if (code) return code;
  }
  return 0;
}
