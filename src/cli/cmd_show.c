/* `ogive show EXAM`: one exam of the record. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"
#include "dicom_file.h"
#include "obstetrics_quantity.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_show = {
    "show", "show one exam: patient, dating, objects, ledger, notes",
    "usage: ogive show EXAM [--all] [--json]\n\n"
    "EXAM is an id from \"ogive exams\", its first 4 characters or more, or \"latest\".\n"
    "  --all     rows that were superseded or withdrawn too\n"
    "  --json    everything as JSON, evidence included (docs/record.md)\n\n"
    "A line of the ledger: id, fetus, quantity, value with one standard deviation, source (G geometry on a picture,\n"
    "R report item, T typed, P proposed by the program), state. Centiles stand in the report, not here.\n\n"
    "exit codes: 0 done, 2 usage, 3 the prefix fits several exams, 4 no such exam\n",
    run};

static void print_head(const json_t *e) {
  char name[512], ga[OGV_GA_TEXT];
  const json_t *p = json_object_get(e, "patient"), *g = json_object_get(e, "pregnancy"),
               *d = json_object_get(e, "dating");
  const char *date = ogv_json_string_or(e, "date", "");
  ogv_dicom_name_text(ogv_json_string_or(p, "name", ""), name, sizeof name);
  printf("Exam %s of %s", ogv_json_string_or(e, "id", ""), *date ? date : "(no date)");
  printf("%s%s\n", *ogv_json_string_or(e, "description", "") ? ": " : "", ogv_json_string_or(e, "description", ""));
  printf("Patient %s, %s, born %s\n", ogv_json_string_or(p, "patient_id", "(no id)"), name,
         ogv_json_string_or(p, "birth_date", "(unknown)"));
  if (!json_is_object(d)) printf("Pregnancy %d, not dated\n", (int)ogv_json_number_or(g, "number", 0));
  else
    printf("Pregnancy %d, due %s, %s at the exam; decided by %s on %.10s%s\n  %s\n",
           (int)ogv_json_number_or(g, "number", 0), ogv_json_string_or(d, "edd", ""),
           *ogv_cli_age(ogv_json_string_or(d, "edd", ""), date, ga) ? ga : "age unknown",
           ogv_json_string_or(d, "who", ""), ogv_json_string_or(d, "when", ""),
           json_is_true(json_object_get(d, "automatic")) ? ", not confirmed by a person" : "",
           ogv_json_string_or(d, "reason", ""));
}

static const char *calibration_of(const json_t *o) {
  const json_t *regions = json_object_get(o, "regions");
  for (size_t i = 0; i < json_array_size(regions); i++)
    if (json_is_true(json_array_get(json_object_get(json_array_get(regions, i), "measurable"), 0))) return "calibrated";
  return regions ? "no calibration" : "";
}

static void print_objects(const json_t *e) {
  const json_t *objects = json_object_get(e, "objects");
  printf("\nObjects (%zu)\n", json_array_size(objects));
  for (size_t i = 0; i < json_array_size(objects); i++) {
    const json_t *o = json_array_get(objects, i);
    char size[48] = "";
    if (json_object_get(o, "rows"))
      snprintf(size, sizeof size, "%dx%d, %d frame%s", (int)ogv_json_number_or(o, "columns", 0),
               (int)ogv_json_number_or(o, "rows", 0), (int)ogv_json_number_or(o, "frames", 1),
               ogv_json_number_or(o, "frames", 1) == 1 ? "" : "s");
    printf("  %s  %-6s  %3d  %-20s  %-14s  %s%s\n", ogv_json_string_or(o, "id", ""), ogv_json_string_or(o, "kind", ""),
           (int)ogv_json_number_or(o, "instance_number", -1), size, calibration_of(o),
           ogv_json_string_or(o, "view_name", ""),
           json_is_object(json_object_get(o, "removed"))       ? "  (removed)"
           : json_is_string(json_object_get(o, "conflict_of")) ? "  (same UID, other bytes)"
                                                               : "");
  }
}

static void print_ledger(const json_t *e, bool all) {
  const json_t *ledger = json_object_get(e, "ledger");
  printf("\nLedger\n");
  size_t shown = 0;
  for (size_t i = 0; i < json_array_size(ledger); i++) {
    const json_t *r = json_array_get(ledger, i);
    const char *state = ogv_json_string_or(r, "state", ""), *source = ogv_json_string_or(r, "source", "");
    bool old = json_is_string(json_object_get(r, "superseded_by"));
    if (!all && (old || !strcmp(state, "withdrawn"))) continue;
    const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(r, "quantity", ""));
    int decimals = q ? q->decimals : 2;
    double sd = ogv_json_number_or(r, "sd", NAN);
    char spread[40] = "";
    if (isfinite(sd)) snprintf(spread, sizeof spread, "± %.*f", decimals < 1 ? 1 : decimals, sd);
    printf("  %s  %-2s %-18.18s %10.*f %-9s %-6s  %c  %s%s%s%s\n", ogv_json_string_or(r, "id", ""),
           ogv_json_string_or(r, "fetus", ""), q ? q->symbol : ogv_json_string_or(r, "quantity", ""), decimals,
           ogv_json_number_or(r, "value", NAN), spread, ogv_json_string_or(r, "unit", ""),
           !strcmp(source, "geometry")   ? 'G'
           : !strcmp(source, "imported") ? 'R'
           : !strcmp(source, "typed")    ? 'T'
                                         : 'P',
           old ? "superseded" : state, *ogv_json_string_or(r, "derivation", "") ? ", " : "",
           ogv_json_string_or(r, "derivation", ""),
           json_is_string(json_object_get(r, "object")) ? "" : "  (no picture)");
    shown++;
  }
  if (!shown) puts("  empty");
}

static void print_rest(const json_t *e) {
  const json_t *notes = json_object_get(e, "notes"), *reports = json_object_get(e, "reports");
  if (json_array_size(reports)) printf("\nReports\n");
  for (size_t i = 0; i < json_array_size(reports); i++) {
    const json_t *r = json_array_get(reports, i);
    printf("  %s  %d  %-8s  %s  %.19s\n", ogv_json_string_or(r, "id", ""), (int)ogv_json_number_or(r, "number", 0),
           ogv_json_string_or(r, "state", ""), ogv_json_string_or(r, "who", ""), ogv_json_string_or(r, "when", ""));
  }
  if (json_array_size(notes)) printf("\nNotes\n");
  for (size_t i = 0; i < json_array_size(notes); i++) {
    const char *text = ogv_json_string_or(json_object_get(json_array_get(notes, i), "detail"), "text", "");
    if (*text) printf("  %s\n", text);
  }
}

static int run(int argc, char **argv) {
  bool json = false, all = false;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &json}, {"--all", OGV_ARG_FLAG, &all}, {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_show, argc, argv, args, rest, &n);
  if (code) return code;
  if (n != 1) return ogv_cli_usage(&ogv_cmd_show, "name one exam, or \"latest\"");
  ogv_error err = {0};
  ogv_store *s;
  json_t *e = NULL;
  ogv_status st = ogv_cli_open_store_reading(&s, &err);
  if (st == OGV_OK) st = ogv_store_exam(s, rest[0], &e, &err);
  ogv_store_close(s);
  if (st != OGV_OK) return ogv_cli_fail("show", &err, json);
  if (json) return ogv_cli_print_json(e);
  print_head(e);
  print_objects(e);
  print_ledger(e, all);
  print_rest(e);
  json_decref(e);
  return 0;
}
