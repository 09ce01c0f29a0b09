/* `ogive exams`: what is in the record. */
#include <stdio.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"
#include "dicom_file.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_exams = {
    "exams", "list the exams in the record, newest first",
    "usage: ogive exams [OPTION...]\n\n"
    "  --text WORDS     only exams whose patient name, patient id or accession number holds this\n"
    "  --from DATE      on or after 2026-11-25\n"
    "  --to DATE        on or before\n"
    "  --limit N        at most N (500)\n"
    "  --json           all members as JSON (docs/record.md)\n\n"
    "The first word of a line is the exam's id; other commands take it, its first 4 characters or more, or "
    "\"latest\".\n\n"
    "example: ogive exams --text Example\n"
    "exit codes: 0 done, 2 usage, 4 no record yet (ogive init)\n",
    run};

static void print_row(const json_t *e) {
  char name[256], ga[OGV_GA_TEXT];
  const json_t *p = json_object_get(e, "patient");
  const char *date = ogv_json_string_or(e, "date", "no date   ");
  ogv_dicom_name_text(ogv_json_string_or(p, "name", ""), name, sizeof name);
  ogv_cli_age(ogv_json_string_or(e, "edd", ""), date, ga);
  printf("%-16s  %-10s  %-7s  %-12.12s  %-26.40s  %3d objects  %3d values  %s\n", ogv_json_string_or(e, "id", ""), date,
         *ga ? ga : "undated", ogv_json_string_or(p, "patient_id", ""), name, (int)ogv_json_number_or(e, "objects", 0),
         (int)ogv_json_number_or(e, "measurements", 0), ogv_json_string_or(e, "state", ""));
}

static int run(int argc, char **argv) {
  const char *text = NULL, *from = NULL, *to = NULL;
  bool json = false;
  int limit = 500;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--text", OGV_ARG_TEXT, &text},    {"--from", OGV_ARG_TEXT, &from},
                          {"--to", OGV_ARG_TEXT, &to},        {"--json", OGV_ARG_FLAG, &json},
                          {"--limit", OGV_ARG_WHOLE, &limit}, {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_exams, argc, argv, args, rest, &n);
  if (code) return code;
  if (n) return ogv_cli_usage(&ogv_cmd_exams, "unexpected word %.60s", rest[0]);
  ogv_error err = {0};
  ogv_store *s = NULL;
  json_t *list = NULL,
         *filter = json_pack("{s:s*,s:s*,s:s*,s:i}", "text", text, "from", from, "to", to, "limit", limit);
  ogv_date d;
  ogv_status st = from ? ogv_date_parse(from, &d, &err) : OGV_OK;
  if (st == OGV_OK && to) st = ogv_date_parse(to, &d, &err);
  if (st == OGV_OK) st = ogv_cli_open_store_reading(&s, &err);
  if (st == OGV_OK) st = ogv_store_exams(s, filter, &list, &err);
  json_decref(filter);
  ogv_store_close(s);
  if (st != OGV_OK) return ogv_cli_fail("exams", &err, json);
  if (json) return ogv_cli_print_json(list);
  for (size_t i = 0; i < json_array_size(list); i++) print_row(json_array_get(list, i));
  if (!json_array_size(list)) puts("There is no exam. \"ogive import FOLDER\" brings one in.");
  json_decref(list);
  return 0;
}
