/* `ogive verify`: which numbers of a report hold. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "core_file.h"
#include "core_json.h"
#include "record_store.h"
#include "report_pdf.h"

static int run(int argc, char **argv);

extern const ogv_command ogv_cmd_verify;
const ogv_command ogv_cmd_verify = {
    "verify", "recompute a report from the evidence inside it and name what does not hold",
    "usage: ogive verify FILE.pdf [--store | --no-store] [--all] [--json]\n\n"
    "Reads the facts attached to the report and computes again: every reading from its calipers and calibration, "
    "every\n"
    "value, weight, ratio and centile by its formula and chart, the dating, the sentences; compares the words of the "
    "pages\n"
    "with the facts, and the file with its seal. When the record of this machine holds the exam, its pictures (by "
    "their\n"
    "SHA-256) and its ledger are compared too, and heart rates of clips and colour flow are read from the pictures "
    "again.\n\n"
    "  --store      the record must hold the exam: it is an error when it does not\n"
    "  --no-store   leave the record aside\n"
    "  --all        list what holds, too\n"
    "  --json       {holds, checks: [{what, stored, recomputed, holds, why}], objects_checked}\n\n"
    "The seal shows accidents and changes to single parts; it is not a signature by a person.\n\n"
    "example: ogive verify report.pdf\n"
    "exit codes: 0 everything holds, 1 something does not, 2 usage, 3 damaged file, 4 no report of Ogive\n",
    run};

static void print_value(const json_t *v) {
  char *text = json_dumps(v, JSON_ENCODE_ANY | JSON_REAL_PRECISION(10));
  fputs(text ? text : "?", stdout);
  free(text);
}

static void print(const char *file, const json_t *r, bool all) {
  size_t i, good = 0, bad = 0;
  json_t *c;
  json_array_foreach(json_object_get(r, "checks"), i, c) {
    bool holds = json_is_true(json_object_get(c, "holds"));
    good += holds;
    bad += !holds;
    if (holds && !all) continue;
    printf("%s  %s: ", holds ? "holds" : "FAILS", ogv_json_string_or(c, "what", ""));
    print_value(json_object_get(c, "stored"));
    if (!holds) {
      fputs(" in the report, ", stdout);
      print_value(json_object_get(c, "recomputed"));
      printf(" recomputed: %s", ogv_json_string_or(c, "why", ""));
    }
    putchar('\n');
  }
  int objects = (int)json_integer_value(json_object_get(r, "objects_checked"));
  printf("%s: %s; %zu checks hold, %zu fail", file, bad ? "does not hold" : "holds", good, bad);
  if (objects) printf("; %d objects of the record compared", objects);
  putchar('\n');
}

/* The record is used when it is there and knows the exam, unless told otherwise. */
static ogv_status open_store(bool must, ogv_store **store, ogv_error *err) {
  char home[4096];
  *store = NULL;
  ogv_status s = ogv_store_default_home(home, sizeof home, err);
  if (s == OGV_OK) s = ogv_store_open_reading(home, store, err);
  return must ? s : OGV_OK;
}

static ogv_status verify(const uint8_t *pdf, size_t size, bool must, bool never, json_t **result, ogv_error *err) {
  ogv_store *store = NULL;
  if (never) return ogv_report_verify(pdf, size, NULL, result, err);
  OGV_TRY(open_store(must, &store, err));
  json_t *exam = NULL;
  ogv_status s = ogv_report_verify(pdf, size, NULL, result, err);
  if (s == OGV_OK && store) {
    s = ogv_store_exam(store, ogv_json_string_or(*result, "exam", ""), &exam, err);
    if (s == OGV_OK) {
      json_decref(*result);
      s = ogv_report_verify(pdf, size, store, result, err);
    } else if (s == OGV_E_NOT_FOUND && !must) s = OGV_OK;
  }
  json_decref(exam);
  ogv_store_close(store);
  return s;
}

static int run(int argc, char **argv) {
  bool must = false, never = false, all = false, json = false;
  const ogv_arg args[] = {{"--store", OGV_ARG_FLAG, &must},
                          {"--no-store", OGV_ARG_FLAG, &never},
                          {"--all", OGV_ARG_FLAG, &all},
                          {"--json", OGV_ARG_FLAG, &json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n, size;
  int rc = ogv_cli_args(&ogv_cmd_verify, argc, argv, args, rest, &n);
  if (rc) return rc;
  if (n != 1) return ogv_cli_usage(&ogv_cmd_verify, "name one FILE.pdf");
  if (must && never) return ogv_cli_usage(&ogv_cmd_verify, "--store and --no-store exclude each other");
  uint8_t *pdf = NULL;
  json_t *result = NULL;
  ogv_error err = {0};
  ogv_status s = ogv_file_read(rest[0], (size_t)1 << 30, &pdf, &size, &err);
  if (s == OGV_OK) s = verify(pdf, size, must, never, &result, &err);
  free(pdf);
  if (s != OGV_OK) {
    json_decref(result);
    return ogv_cli_fail("verify", &err, json);
  }
  bool holds = json_is_true(json_object_get(result, "holds"));
  if (json) rc = ogv_cli_print_json(result);
  else {
    print(rest[0], result, all);
    json_decref(result);
  }
  return rc ? rc : holds ? 0 : 1;
}
