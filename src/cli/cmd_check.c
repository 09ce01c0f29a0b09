/* `ogive check`: is the record whole? */
#include <stdio.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_check = {
    "check", "check that the record is whole: data base, and every stored file against its hash",
    "usage: ogive check [--quick] [--tidy] [--json]\n\n"
    "Reads the data base's own checks and every picture, report and facts file, and compares each with the SHA-256 it "
    "was\n"
    "stored under. Nothing is repaired: what is damaged or missing is named, to be restored from the last copy.\n\n"
    "  --quick    only that the files exist with their size\n"
    "  --tidy     also removes what a crash left behind: temporary files older than an hour, files older than a day "
    "that no\n"
    "             row names\n"
    "  --json     {\"whole\", \"files\", \"damaged\":[...], \"database\":[...], \"removed\"}\n\n"
    "exit codes: 0 whole, 1 something is damaged or missing, 4 no record\n",
    run};

static int run(int argc, char **argv) {
  bool quick = false, tidy = false, json = false;
  char *rest[OGV_ARG_REST];
  size_t n, i;
  const ogv_arg args[] = {{"--quick", OGV_ARG_FLAG, &quick},
                          {"--tidy", OGV_ARG_FLAG, &tidy},
                          {"--json", OGV_ARG_FLAG, &json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_check, argc, argv, args, rest, &n);
  if (code) return code;
  if (n) return ogv_cli_usage(&ogv_cmd_check, "unexpected word %.60s", rest[0]);
  ogv_error err = {0};
  ogv_store *s;
  json_t *r = NULL, *v;
  int removed = 0;
  ogv_status st = ogv_cli_open_store_reading(&s, &err);
  if (st == OGV_OK) st = ogv_store_check(s, !quick, &r, &err);
  if (st == OGV_OK && tidy) st = ogv_store_tidy(s, &removed, &err);
  ogv_store_close(s);
  if (st != OGV_OK) {
    json_decref(r);
    return ogv_cli_fail("check", &err, json);
  }
  bool whole = json_is_true(json_object_get(r, "whole"));
  json_object_set_new(r, "removed", json_integer(removed));
  if (json) {
    code = ogv_cli_print_json(r);
    return code ? code : whole ? 0 : 1;
  }
  json_array_foreach(json_object_get(r, "database"), i, v) printf("data base: %s\n", json_string_value(v));
  json_array_foreach(json_object_get(r, "damaged"), i, v)
      printf("%s %s: %s (%s)\n", ogv_json_string_or(v, "kind", ""), ogv_json_string_or(v, "id", ""),
             ogv_json_string_or(v, "what", ""), ogv_json_string_or(v, "path", ""));
  printf("%s: %d files%s\n", whole ? "The record is whole" : "The record is damaged",
         (int)ogv_json_number_or(r, "files", 0), quick ? ", contents not read" : "");
  if (tidy) printf("%d left-over files removed\n", removed);
  json_decref(r);
  return whole ? 0 : 1;
}
