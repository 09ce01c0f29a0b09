/* `ogive import PATH...`: DICOM files into the record. */
#include <stdio.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"
#include "dicom_file.h"
#include "intake_import.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_import = {
    "import", "bring the DICOM files of a folder into the record",
    "usage: ogive import [OPTION...] FOLDER|FILE\n\n"
    "Stores every ultrasound picture, clip and structured report below FOLDER, puts the reports' values into the "
    "ledger with\n"
    "their place in the report as evidence, and dates the pregnancy by the rule when nobody has yet. Each file is\n"
    "  added      stored, synced and recorded\n"
    "  present    there already with the same bytes: nothing is added\n"
    "  conflict   the same instance with other bytes: both are kept\n"
    "  refused    with the reason; the other files go on\n"
    "  skipped    not a DICOM object\n"
    "Importing the same folder again adds nothing. Files of several patients make several exams, and it is said.\n\n"
    "  --who NAME       author (OGIVE_USER, else the log-in name)\n"
    "  --rule ID        dating rule (the record's setting, else acog700)\n"
    "  --no-dating      leave dating to a person\n"
    "  --quiet          only files that were not added or present\n"
    "  --json           the whole result as JSON (docs/intake.md)\n\n"
    "example: ogive import /media/usb/DICOM\n"
    "exit codes: 0 every DICOM file is in the record, 2 usage, 3 some were refused (the others are in), 4 no such "
    "folder or\n"
    "no record (ogive init), 6 disk full or damaged, 7 the record cannot be written\n",
    run};

static void print_line(const json_t *f, bool quiet) {
  const char *result = ogv_json_string_or(f, "result", ""), *why = ogv_json_string_or(f, "why", ""),
             *todo = ogv_json_string_or(f, "todo", "");
  if (quiet && (!strcmp(result, "added") || !strcmp(result, "present") || !strcmp(result, "skipped"))) return;
  printf("%-8s  %s\n", result, ogv_json_string_or(f, "file", ""));
  if (*why) printf("          %s%s%s\n", why, *todo ? "  " : "", todo);
  const json_t *items = json_object_get(f, "items"), *unused = json_object_get(items, "unused");
  if (!items || quiet) return;
  printf("          %d values into the ledger, %d known already, %d dates, %zu items not used\n",
         (int)ogv_json_number_or(items, "measurements", 0), (int)ogv_json_number_or(items, "known", 0),
         (int)ogv_json_number_or(items, "evidence", 0), json_array_size(unused));
  for (size_t i = 0; i < json_array_size(unused); i++) {
    const json_t *u = json_array_get(unused, i);
    printf("            %s %s: %s\n", ogv_json_string_or(u, "path", ""), ogv_json_string_or(u, "meaning", ""),
           ogv_json_string_or(u, "why", ""));
  }
}

static void print_result(const json_t *r, bool quiet) {
  size_t i;
  json_t *v;
  json_array_foreach(json_object_get(r, "files"), i, v) print_line(v, quiet);
  const json_t *c = json_object_get(r, "counts");
  printf("%d files: %d added, %d present, %d conflicts, %d refused, %d skipped; %d values into the ledger\n",
         (int)ogv_json_number_or(c, "files", 0), (int)ogv_json_number_or(c, "added", 0),
         (int)ogv_json_number_or(c, "present", 0), (int)ogv_json_number_or(c, "conflict", 0),
         (int)ogv_json_number_or(c, "refused", 0), (int)ogv_json_number_or(c, "skipped", 0),
         (int)ogv_json_number_or(c, "measurements", 0));
  json_array_foreach(json_object_get(r, "exams"), i, v) {
    char name[256];
    ogv_dicom_name_text(ogv_json_string_or(v, "patient_name", ""), name, sizeof name);
    printf("exam %s of %s, patient %s %s\n", ogv_json_string_or(v, "id", ""),
           ogv_json_string_or(v, "date", "(no date)"), ogv_json_string_or(v, "patient_id", ""), name);
  }
  json_array_foreach(json_object_get(r, "notes"), i, v) printf("note: %s\n", ogv_json_string_or(v, "text", ""));
}

static int run(int argc, char **argv) {
  bool json = false, quiet = false;
  const char *who = NULL;
  ogv_import_options o = {0};
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &json},
                          {"--quiet", OGV_ARG_FLAG, &quiet},
                          {"--who", OGV_ARG_TEXT, &who},
                          {"--rule", OGV_ARG_TEXT, &o.dating_rule},
                          {"--no-dating", OGV_ARG_FLAG, &o.no_dating},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_import, argc, argv, args, rest, &n);
  if (code) return code;
  if (n != 1) return ogv_cli_usage(&ogv_cmd_import, "name one folder or file");
  o.who = ogv_cli_who(who);
  ogv_error err = {0};
  ogv_store *s;
  json_t *r = NULL;
  ogv_status st = ogv_cli_open_store(&s, &err);
  if (st == OGV_OK) st = ogv_import_path(s, rest[0], &o, &r, &err);
  ogv_store_close(s);
  const json_t *counts = json_object_get(r, "counts");
  int refused = (int)ogv_json_number_or(counts, "refused", 0);
  if (st != OGV_OK) {
    if (r && !json) print_result(r, quiet); /* what was stored before the trouble is stored */
    json_decref(r);
    return ogv_cli_fail("import", &err, json);
  }
  if (json) {
    code = ogv_cli_print_json(r);
    return code ? code : refused ? 3 : 0;
  }
  print_result(r, quiet);
  json_decref(r);
  return refused ? 3 : 0;
}
