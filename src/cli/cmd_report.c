/* `ogive report`: the report of an exam as PDF, or its facts, or one of its figures. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_prints.h"
#include "core_file.h"
#include "core_json.h"
#include "record_store.h"
#include "report_facts.h"
#include "report_figure.h"
#include "report_pdf.h"

static int run(int argc, char **argv);

extern const ogv_command ogv_cmd_report;
const ogv_command ogv_cmd_report = {
    "report", "the report of an exam as PDF, with all its facts inside",
    "usage: ogive report EXAM -o FILE.pdf [--json]\n"
    "       ogive report EXAM --facts-only              prints the facts as JSON (docs/facts.md)\n"
    "       ogive report EXAM --figure KIND -o FILE.svg|.png|.pdf\n"
    "       ogive report EXAM --contact 3x4 -o FILE.pdf   contact sheets of the chosen pictures\n"
    "       ogive report EXAM --parents -o FILE.pdf       pictures to keep, without clinical numbers\n"
    "       ogive report --facts FILE.json -o FILE.pdf  from facts instead of the record; pictures stay out\n\n"
    "EXAM is an id, the start of one, or \"latest\". The report is a draft until it is signed.\n\n"
    "  -o FILE            where to write; \"-\" is standard output\n"
    "  --language L       en, or another one of data/messages\n"
    "  --figure KIND      growth (with --quantity) or pregnancy\n"
    "  --quantity Q       for a growth figure: hc, ac, efw, ...\n"
    "  --fetus F          only this fetus; without it all of them on one chart\n"
    "  --chart ID, --compare ID   another reference, and a second one over it\n"
    "  --width N --height N --dark   size in pixels (480 x 360) and colours of a figure\n"
    "  --contact CxR      1x1 to 4x6 pictures a page, or auto; --landscape, --no-identity, --marks (calipers)\n"
    "  --parents          with --message TEXT, a line of your own; --landscape; --contact 1x1 to 2x3 for the grid\n"
    "  --picture OBJECT   only these, in this order (again for each)\n"
    "  --json             prints what was written as JSON\n\n"
    "The facts travel inside the PDF as facts.json; \"ogive verify FILE.pdf\" recomputes every number from them.\n\n"
    "example: ogive report latest -o report.pdf\n"
    "exit codes: 0 done, 2 usage, 3 bad input, 4 no such exam, 6 disk\n",
    run};

typedef struct {
  const char *out, *facts, *language, *figure, *quantity, *fetus, *chart, *compare;
  ogv_cli_prints prints;
  int width, height;
  bool dark, facts_only, json;
} options;

static ogv_status load_facts(const options *o, const char *exam, ogv_store **store, json_t **facts, ogv_error *err) {
  char home[4096];
  *store = NULL;
  *facts = NULL;
  if (o->facts) {
    OGV_TRY(ogv_json_load(o->facts, facts, err));
    if (o->language && json_is_object(json_object_get(*facts, "settings")))
      json_object_set_new(json_object_get(*facts, "settings"), "language", json_string(o->language));
    return ogv_facts_compose(*facts, err);
  }
  OGV_TRY(ogv_store_default_home(home, sizeof home, err));
  OGV_TRY(ogv_store_open_reading(home, store, err));
  OGV_TRY(ogv_report_facts(*store, exam, facts, err));
  if (!o->language) return OGV_OK;
  json_object_set_new(json_object_get(*facts, "settings"), "language", json_string(o->language));
  return ogv_facts_compose(*facts, err);
}

static ogv_status put(const char *path, const void *data, size_t size, ogv_error *err) {
  if (strcmp(path, "-")) return ogv_file_write(path, data, size, err);
  if (fwrite(data, 1, size, stdout) != size || fflush(stdout))
    return ogv_fail(err, OGV_E_IO, NULL, "standard output cannot be written");
  return OGV_OK;
}

static ogv_status figure(const options *o, const json_t *facts, uint8_t **data, size_t *size, ogv_error *err) {
  const char *end = strrchr(o->out, '.');
  ogv_figure_format f;
  if (end && !strcmp(end, ".svg")) f = OGV_FIGURE_SVG;
  else if (end && !strcmp(end, ".png")) f = OGV_FIGURE_PNG;
  else if (end && !strcmp(end, ".pdf")) f = OGV_FIGURE_PDF;
  else
    return ogv_fail(err, OGV_E_INVALID, "End it in .svg, .png or .pdf.",
                    "the kind of figure is not known from \"%.80s\"", o->out);
  ogv_figure_request r = {o->figure, o->quantity, o->fetus, o->chart,   o->compare,
                          o->width,  o->height,   o->dark,  o->language};
  return ogv_report_figure(facts, &r, f, data, size, err);
}

static int tell(const options *o, const json_t *facts, const void *data, size_t size) {
  char hash[OGV_SHA256_TEXT];
  ogv_sha256(data, size, hash);
  if (!strcmp(o->out, "-")) return 0;
  if (o->json)
    return ogv_cli_print_json(json_pack("{s:s,s:I,s:s,s:O,s:O,s:I}", "file", o->out, "bytes", (json_int_t)size,
                                        "sha256", hash, "sentences", json_object_get(facts, "sentences"), "limits",
                                        json_object_get(facts, "limits"), "values",
                                        (json_int_t)json_array_size(json_object_get(facts, "values"))));
  printf("%s  %zu bytes, %zu values\n", o->out, size, json_array_size(json_object_get(facts, "values")));
  return 0;
}

static int work(const options *o, const char *exam) {
  ogv_error err = {0};
  ogv_store *store;
  json_t *facts;
  uint8_t *data = NULL;
  size_t size = 0;
  int rc;
  ogv_status s = load_facts(o, exam, &store, &facts, &err);
  if (s == OGV_OK && o->facts_only) rc = ogv_cli_print_json(json_incref(facts));
  else {
    if (s == OGV_OK && o->figure) s = figure(o, facts, &data, &size, &err);
    else if (s == OGV_OK && (o->prints.contact || o->prints.parents))
      s = ogv_cli_prints_pdf(&o->prints, facts, store, &data, &size, &err);
    else if (s == OGV_OK) s = ogv_report_pdf(facts, store ? ogv_report_store_picture : NULL, store, &data, &size, &err);
    if (s == OGV_OK) s = put(o->out, data, size, &err);
    rc = s == OGV_OK ? tell(o, facts, data, size) : ogv_cli_fail("report", &err, o->json);
  }
  free(data);
  json_decref(facts);
  ogv_store_close(store);
  return rc;
}

static int run(int argc, char **argv) {
  options o = {.width = 480, .height = 360};
  const ogv_arg args[] = {{"-o", OGV_ARG_TEXT, &o.out},
                          {"--facts", OGV_ARG_TEXT, &o.facts},
                          {"--language", OGV_ARG_TEXT, &o.language},
                          {"--figure", OGV_ARG_TEXT, &o.figure},
                          {"--quantity", OGV_ARG_TEXT, &o.quantity},
                          {"--fetus", OGV_ARG_TEXT, &o.fetus},
                          {"--chart", OGV_ARG_TEXT, &o.chart},
                          {"--compare", OGV_ARG_TEXT, &o.compare},
                          {"--width", OGV_ARG_WHOLE, &o.width},
                          {"--height", OGV_ARG_WHOLE, &o.height},
                          {"--dark", OGV_ARG_FLAG, &o.dark},
                          {"--facts-only", OGV_ARG_FLAG, &o.facts_only},
                          {"--json", OGV_ARG_FLAG, &o.json},
                          OGV_CLI_PRINTS(o.prints),
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n;
  int rc = ogv_cli_args(&ogv_cmd_report, argc, argv, args, rest, &n);
  if (rc) return rc;
  if (n != (o.facts ? 0u : 1u))
    return ogv_cli_usage(&ogv_cmd_report, o.facts ? "no EXAM with --facts" : "name one EXAM");
  if (!o.out && !o.facts_only) return ogv_cli_usage(&ogv_cmd_report, "-o FILE is missing");
  return work(&o, n ? rest[0] : "");
}
