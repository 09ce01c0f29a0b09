/* `ogive measure geometry`: points on a picture, given by the caller, become a row of the ledger. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"
#include "dicom_file.h"
#include "intake_dating.h"
#include "measure_quantity.h"

static int run(int argc, char **argv);
extern const ogv_command ogv_measure_geometry;
const ogv_command ogv_measure_geometry = {
    "geometry", "points on a picture, in pixels, to a quantity with its SD, into the ledger",
    "usage: ogive measure geometry OBJECT --quantity ID --points \"X,Y X,Y ...\" [OPTION...]\n"
    "       ogive measure geometry --file PICTURE.dcm --quantity ID --points \"...\"     computes, stores nothing\n\n"
    "OBJECT is an object's id (ogive show) or its SOP Instance UID. Points are pixel centres of the whole picture: 0,0 "
    "is the\n"
    "centre of the first pixel; fractions are welcome. They must lie in one calibrated region.\n\n"
    "  --kind WORD        distance (2 points), ellipse (4: ends of one axis, ends of the other), outline, angle (3, "
    "corner in\n"
    "                     the middle), point, trace, interval; the quantity's own kind when left out\n"
    "  --frame N          0-based frame of a clip (0)\n"
    "  --fetus LABEL      A (default), B, ...\n"
    "  --supersedes ID    the row of the ledger that this one corrects; needs --why\n"
    "  --why TEXT         reason\n"
    "  --key TEXT         the same key again adds nothing: safe to repeat in scripts\n"
    "  --who NAME         author (OGIVE_USER, else the log-in name)\n"
    "  --dry-run          compute and print, store nothing\n"
    "  --json             prints the row with its evidence\n\n"
    "example: ogive measure geometry 7rpp2fwx --quantity hc --points \"210,300 522,300 366,180 366,420\"\n"
    "exit codes: 0 done, 2 usage, 3 points or quantity do not fit, 4 no such object or quantity, 5 no calibration or "
    "not\n"
    "plausible, 8 the row to supersede was superseded meanwhile\n",
    run};

typedef struct request {
  const char *object, *file, *quantity, *points, *kind, *fetus, *supersedes, *why, *key, *who;
  int frame;
  bool dry, json;
} request;

static ogv_status parse_points(const char *text, const char *kind, ogv_geometry *g, ogv_error *err) {
  json_t *list = json_array();
  const char *p = text;
  ogv_status st = OGV_OK;
  for (;;) {
    p += strspn(p, " ;\t");
    if (!*p) break;
    char *end;
    double x = strtod(p, &end);
    if (end == p || *end != ',') st = OGV_E_INVALID;
    double y = st == OGV_OK ? strtod(p = end + 1, &end) : 0;
    if (st != OGV_OK || end == p || (*end && !strchr(" ;\t", *end))) {
      st = ogv_fail(err, OGV_E_INVALID, "Write \"X,Y X,Y\".", "point %zu cannot be read at \"%.20s\"",
                    json_array_size(list) + 1, p);
      break;
    }
    json_array_append_new(list, json_pack("[f,f]", x, y));
    p = end;
  }
  json_t *v = json_pack("{s:s,s:o}", "kind", kind, "points", list);
  if (st == OGV_OK) st = ogv_geometry_from_json(v, g, err);
  json_decref(v);
  return st;
}

static ogv_status compute(const request *q, const ogv_quantity *u, const char *path, json_t **row, ogv_error *err) {
  ogv_geometry g = {0};
  ogv_dicom *d = NULL;
  ogv_measurement m;
  size_t n = 0;
  const char *kind = q->kind ? q->kind : *u->geometry ? u->geometry : "distance";
  OGV_TRY(parse_points(q->points, kind, &g, err));
  ogv_status st = ogv_dicom_open(path, &d, err);
  const ogv_region *r = NULL;
  if (st == OGV_OK) {
    const ogv_dicom_info *a = ogv_dicom_about(d);
    r = ogv_dicom_regions(d, &n);
    if (q->frame < 0 || q->frame >= (a->frames > 0 ? a->frames : 1))
      st = ogv_fail(err, OGV_E_INVALID, "Frames count from 0.", "there is no frame %d, the object has %d", q->frame,
                    a->frames);
  }
  if (st == OGV_OK) st = ogv_measure_quantity(u, &g, r, n, &m, err);
  if (st == OGV_OK) st = ogv_quantity_plausible(u, m.value, err);
  if (st == OGV_OK) {
    *row = json_pack("{s:s,s:f,s:s,s:o,s:s,s:o,s:i,s:s,s:s,s:s,s:s}", "quantity", u->id, "value", m.value, "unit",
                     u->unit, "sd", ogv_json_real(m.sd), "source", "geometry", "evidence",
                     ogv_measurement_evidence(u, &g, &r[m.region], &m), "frame", q->frame, "fetus",
                     q->fetus ? q->fetus : "A", "state", "accepted", "why", q->why ? q->why : "", "derivation", "");
    if (!*row) st = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at the measurement");
  }
  ogv_dicom_close(d);
  ogv_geometry_free(&g);
  return st;
}

/* A crown-rump length may date the pregnancy: the evidence is brought up to date, never a decision changed. */
static ogv_status append(const request *q, ogv_store *s, const char *exam, json_t *row, ogv_error *err) {
  char id[20], pregnancy[20];
  OGV_TRY(ogv_store_measure(s, row, ogv_cli_who(q->who), id, err));
  OGV_TRY(ogv_store_exam_pregnancy(s, exam, pregnancy, err));
  OGV_TRY(ogv_intake_date(s, pregnancy, NULL, NULL, NULL, err));
  json_t *stored;
  OGV_TRY(ogv_store_measurement(s, id, &stored, err));
  json_object_update(row, stored);
  json_decref(stored);
  return OGV_OK;
}

static ogv_status on_object(const request *q, const ogv_quantity *u, json_t **row, ogv_error *err) {
  ogv_store *s;
  json_t *o = NULL;
  char *path = NULL;
  OGV_TRY(ogv_cli_open_store(&s, err));
  ogv_status st = ogv_store_object(s, q->object, &o, err);
  const char *id = ogv_json_string_or(o, "id", ""), *exam = ogv_json_string_or(o, "exam", "");
  if (st == OGV_OK) st = ogv_store_object_path(s, id, &path, err);
  if (st == OGV_OK) st = compute(q, u, path, row, err);
  if (st == OGV_OK) {
    json_object_set_new(*row, "exam", json_string(exam));
    json_object_set_new(*row, "object", json_string(id));
    if (q->supersedes) json_object_set_new(*row, "supersedes", json_string(q->supersedes));
    if (q->key) json_object_set_new(*row, "key", json_string(q->key));
    if (!q->dry) st = append(q, s, exam, *row, err);
  }
  free(path);
  json_decref(o);
  ogv_store_close(s);
  return st;
}

static ogv_status measure(const request *q, json_t **row, ogv_error *err) {
  const ogv_quantity *u = ogv_quantity_find(q->quantity);
  if (!u)
    return ogv_fail(err, OGV_E_NOT_FOUND, "data/quantities.json lists them: hc, bpd, ac, fl, crl, ...",
                    "there is no quantity \"%.60s\"", q->quantity);
  return q->file ? compute(q, u, q->file, row, err) : on_object(q, u, row, err);
}

static int run(int argc, char **argv) {
  request q = {0};
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--file", OGV_ARG_TEXT, &q.file},
                          {"--quantity", OGV_ARG_TEXT, &q.quantity},
                          {"--points", OGV_ARG_TEXT, &q.points},
                          {"--kind", OGV_ARG_TEXT, &q.kind},
                          {"--fetus", OGV_ARG_TEXT, &q.fetus},
                          {"--supersedes", OGV_ARG_TEXT, &q.supersedes},
                          {"--why", OGV_ARG_TEXT, &q.why},
                          {"--key", OGV_ARG_TEXT, &q.key},
                          {"--who", OGV_ARG_TEXT, &q.who},
                          {"--frame", OGV_ARG_WHOLE, &q.frame},
                          {"--dry-run", OGV_ARG_FLAG, &q.dry},
                          {"--json", OGV_ARG_FLAG, &q.json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_measure_geometry, argc, argv, args, rest, &n);
  if (code) return code;
  if (!q.quantity || !q.points) return ogv_cli_usage(&ogv_measure_geometry, "--quantity and --points are needed");
  if ((n == 1) == (q.file != NULL) || n > 1)
    return ogv_cli_usage(&ogv_measure_geometry, "name one object, or a picture by --file");
  q.object = n ? rest[0] : NULL;
  ogv_error err = {0};
  json_t *row = NULL;
  ogv_status st = measure(&q, &row, &err);
  if (st != OGV_OK) {
    json_decref(row);
    return ogv_cli_fail("measure geometry", &err, q.json);
  }
  if (q.json) return ogv_cli_print_json(row);
  const ogv_quantity *u = ogv_quantity_find(q.quantity);
  double sd = ogv_json_number_or(row, "sd", NAN);
  printf("%s %.*f", u->symbol, u->decimals, ogv_json_number_or(row, "value", NAN));
  if (isfinite(sd)) printf(" ± %.*f", u->decimals < 1 ? 1 : u->decimals, sd);
  printf(" %s (one standard deviation)%s%s\n", u->unit, json_object_get(row, "id") ? ", row " : ", not stored",
         ogv_json_string_or(row, "id", ""));
  json_decref(row);
  return 0;
}
