/* The program `ogive`: finds the command named by its first word and runs it. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_data.h"
#include "commands.h"
#include "core_json.h"

#define DECLARE(name) extern const ogv_command ogv_cmd_##name;
#define ENTRY(name) &ogv_cmd_##name,
COMMANDS(DECLARE)
static const ogv_command *const commands[] = {COMMANDS(ENTRY) NULL};

int ogv_cli_exit_code(ogv_status s) {
  switch (s) {
    case OGV_OK: return 0;
    case OGV_E_INVALID:
    case OGV_E_CORRUPT:
    case OGV_E_UNSUPPORTED: return 3;
    case OGV_E_NOT_FOUND: return 4;
    case OGV_E_RANGE:
    case OGV_E_CALIBRATION: return 5;
    case OGV_E_IO:
    case OGV_E_MEMORY: return 6;
    case OGV_E_DENIED: return 7;
    case OGV_E_CONFLICT: return 8;
    case OGV_E_INTERNAL: return 70;
  }
  return 70;
}

int ogv_cli_fail(const char *name, const ogv_error *err, int json) {
  if (json) ogv_cli_print_json(json_pack("{s:o}", "error", ogv_error_json(err)));
  else
    fprintf(stderr, "ogive %s: %s\n%s%s%s", name, err->what, *err->todo ? "  " : "", err->todo, *err->todo ? "\n" : "");
  return ogv_cli_exit_code(err->code);
}

/* How many characters of the usage line, after "usage: ", call the command: "ogive measure head" for `head`. */
static int words_before(const ogv_command *c, const char **words) {
  static const char usage[] = "usage: ";
  *words = c->help && !strncmp(c->help, usage, sizeof usage - 1) ? c->help + sizeof usage - 1 : NULL;
  const char *name = *words ? strstr(*words, c->name) : NULL;
  return name && name < *words + strcspn(*words, "\n") ? (int)(name - *words + (ptrdiff_t)strlen(c->name)) : 0;
}

int ogv_cli_usage(const ogv_command *c, const char *fmt, ...) {
  va_list ap;
  const char *words;
  int n = words_before(c, &words);
  char call[80];
  if (n) snprintf(call, sizeof call, "%.*s", n, words);
  else snprintf(call, sizeof call, "ogive %s", c->name);
  va_start(ap, fmt);
  fprintf(stderr, "%s: ", call);
  vfprintf(stderr, fmt, ap);
  va_end(ap);
  fprintf(stderr, "\n  %s --help shows how.\n", call);
  return 2;
}

int ogv_cli_print_json(json_t *v) {
  char *text = v ? ogv_json_pretty(v) : NULL;
  json_decref(v);
  if (!text) return 70;
  int ok = puts(text) >= 0 && fflush(stdout) == 0;
  free(text);
  return ok ? 0 : 6;
}

static void print_help(FILE *f) {
  fputs(
      "Ogive, the obstetric sonographer's workbench. It supports the judgement of qualified staff;\n"
      "local protocol and licensed practice decide. Not a certified medical device.\n\n"
      "usage: ogive COMMAND [OPTION...]     ogive COMMAND --help explains one\n\n",
      f);
  for (const ogv_command *const *c = commands; *c; c++) fprintf(f, "  %-10s %s\n", (*c)->name, (*c)->summary);
  fputs(
      "\nThe record is kept in the folder OGIVE_HOME (default: ~/.local/share/ogive).\n"
      "Exit codes: 0 done, 1 the answer is no, 2 usage, 3 bad input, 4 not found, 5 out of range or no\n"
      "calibration, 6 disk or memory, 7 not allowed, 8 conflict, 70 a defect in Ogive.\n",
      f);
}

int main(int argc, char **argv) {
  if (argc < 2 || !strcmp(argv[1], "--help") || !strcmp(argv[1], "help")) {
    print_help(argc < 2 ? stderr : stdout);
    return argc < 2 ? 2 : 0;
  }
  if (!strcmp(argv[1], "--version")) {
    puts("ogive " OGV_VERSION);
    return 0;
  }
  for (const ogv_command *const *c = commands; *c; c++) {
    if (strcmp((*c)->name, argv[1])) continue;
    if (argc > 2 && (*c)->help && !strcmp(argv[2], "--help")) {
      fputs((*c)->help, stdout);
      return 0;
    }
    ogv_error bad = {0};
    if (ogv_cli_check_data(&bad) != OGV_OK) return ogv_cli_fail(argv[1], &bad, 0);
    return (*c)->run(argc - 1, argv + 1);
  }
  fprintf(stderr, "ogive: there is no command \"%.60s\"\n  ogive --help lists them.\n", argv[1]);
  return 2;
}
