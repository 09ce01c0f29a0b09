#include <stdio.h>
#include <string.h>

#include "cli_command.h"
#include "record_store.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_init;
const ogv_command ogv_cmd_init = {
    "init", "make the record folder, or bring an older one up to date",
    "usage: ogive init [--json]\n\n"
    "Makes the folder OGIVE_HOME (default: ~/.local/share/ogive) with an empty record and object store, or migrates\n"
    "an older record. Running it again changes nothing.\n\n"
    "exit codes: 0 done, 6 disk, 7 not allowed to write there, 8 the record was made by a newer program\n",
    run};

static int run(int argc, char **argv) {
  int json = argc > 1 && !strcmp(argv[1], "--json");
  if (argc > 1 + json) return ogv_cli_usage(&ogv_cmd_init, "unknown option %s", argv[1 + json]);
  char home[4096];
  ogv_error err = {0};
  ogv_status s = ogv_store_default_home(home, sizeof home, &err);
  if (s == OGV_OK) s = ogv_store_init(home, &err);
  if (s != OGV_OK) return ogv_cli_fail("init", &err, json);
  if (json) return ogv_cli_print_json(json_pack("{s:s}", "home", home));
  printf("The record is ready in %s\n", home);
  return 0;
}
