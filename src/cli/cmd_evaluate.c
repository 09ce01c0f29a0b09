/* `ogive evaluate`: the second reader against truth. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_csv.h"
#include "cli_evaluate.h"
#include "cli_picture.h"
#include "core_json.h"
#include "measure_auto.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_evaluate = {
    "evaluate", "judge the second reader against measured pictures",
    "usage: ogive evaluate head|abdomen|femur INDEX.csv [--json] [--picture FILE.svg|.png] [--rows FILE.csv]\n"
    "                      [--folds FOLDER] [--weights PREFIX] [--limit N]\n\n"
    "INDEX.csv has a row for each picture: file (beside the index, or in half/ beside it), pixel_mm or pixel_mm_half, "
    "and\n"
    "the truth in mm: truth_mm, or hc_mm, ac_mm, fl_mm. Optional: mask (or mask/ beside the index) for the overlap, "
    "bpd_mm\n"
    "and ofd_mm, group (results are given for each; for heads the trimester by size when there is none), fold.\n"
    "--folds names a folder with fold0-maps.ogvnet, fold0-outline, -fine, -frame and -ends, and so on: each picture is "
    "read "
    "by\n"
    "the weights of its own fold, which never saw its patient. --rows writes every reading with its features.\n\n"
    "example: ogive evaluate head ../shared/data/hc18/index.csv --picture agreement.svg\n\n"
    "exit codes: 0 done, 2 usage, 3 bad input, 4 no such file\n",
    run};

enum { FOLDS = 16 };

typedef struct job {
  ogv_plane kind;
  const char *folds, *weights;
  char folder[512];
  ogv_reader *reader[FOLDS];
  eval_rows rows;
  size_t room;
  FILE *out;
  int limit;
  ogv_csv *csv;
  int c_file, c_px, c_truth, c_mask, c_bpd, c_ofd, c_group, c_fold;
  bool half;
} job;

static const char *main_id(ogv_plane k) { return k == OGV_PLANE_HEAD ? "hc" : k == OGV_PLANE_ABDOMEN ? "ac" : "fl"; }

static ogv_status reader_for(job *j, int fold, ogv_reader **out, ogv_error *err) {
  if (!j->folds) fold = 0;
  if (fold < 0 || fold >= FOLDS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "line %zu: fold %d is out of range", ogv_csv_line(j->csv), fold);
  if (!j->reader[fold]) {
    char prefix[600];
    snprintf(prefix, sizeof prefix, "%s/fold%d-", j->folds ? j->folds : "", fold);
    OGV_TRY(ogv_reader_open(j->folds ? prefix : j->weights, OGV_NET_FAST, &j->reader[fold], err));
  }
  *out = j->reader[fold];
  return OGV_OK;
}

/* Overlap of the reading's ellipse with the filled mask. */
static double dice(const ogv_reading *g, const ogv_image *mask) {
  if (!g->found || g->n_points != 4) return NAN;
  double cx = (g->points[0] + g->points[2]) / 2, cy = (g->points[1] + g->points[3]) / 2;
  double ax = (g->points[0] - g->points[2]) / 2, ay = (g->points[1] - g->points[3]) / 2,
         bx = (g->points[4] - g->points[6]) / 2, by = (g->points[5] - g->points[7]) / 2, det = ax * by - ay * bx;
  long both = 0, one = 0, two = 0;
  if (det == 0) return NAN;
  for (int y = 0; y < mask->height; y++)
    for (int x = 0; x < mask->width; x++) {
      double u = ((x - cx) * by - (y - cy) * bx) / det, v = (-(x - cx) * ay + (y - cy) * ax) / det;
      int in = u * u + v * v <= 1, m = mask->pixels[(size_t)y * mask->stride + (size_t)(x * mask->channels)] > 127;
      both += in && m;
      one += in;
      two += m;
    }
  return one + two ? 2.0 * (double)both / (double)(one + two) : NAN;
}

static ogv_status add_row(job *j, const eval_row *r, ogv_error *err) {
  if (j->rows.n == j->room) {
    size_t room = j->room ? 2 * j->room : 256;
    eval_row *p = realloc(j->rows.row, room * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    j->rows.row = p;
    j->room = room;
  }
  j->rows.row[j->rows.n++] = *r;
  return OGV_OK;
}

static double number_of(job *j, int column) {
  double v;
  return column >= 0 && ogv_csv_number(ogv_csv_field(j->csv, column), &v) ? v : NAN;
}

static void name_group(job *j, eval_row *r) {
  const char *g = ogv_csv_field(j->csv, j->c_group);
  if (*g) snprintf(r->group, sizeof r->group, "%s", g);
  else if (j->kind ==
           OGV_PLANE_HEAD) /* HC at 13w6d and 27w6d, as numbers to sort by; the index carries no gestational age */
    snprintf(r->group, sizeof r->group, "%s",
             r->truth < 100   ? "HC < 100 mm"
             : r->truth < 265 ? "HC 100-265 mm"
                              : "HC > 265 mm");
}

static ogv_status one(job *j, ogv_error *err) {
  eval_row r = {.dice = NAN, .value = NAN, .sd = NAN, .bpd = NAN, .ofd = NAN};
  char path[900];
  const double px = number_of(j, j->c_px);
  r.truth = number_of(j, j->c_truth);
  r.bpd_truth = number_of(j, j->c_bpd);
  r.ofd_truth = number_of(j, j->c_ofd);
  if (!(px > 0) || !(r.truth > 0))
    return ogv_fail(err, OGV_E_INVALID, NULL, "line %zu: the pixel size or the truth is missing", ogv_csv_line(j->csv));
  snprintf(r.file, sizeof r.file, "%s", ogv_csv_field(j->csv, j->c_file));
  name_group(j, &r);
  snprintf(path, sizeof path, "%s%s%s", r.file[0] == '/' ? "" : j->folder, j->half ? "half/" : "", r.file);
  ogv_reader *reader = NULL;
  OGV_TRY(reader_for(j, j->c_fold >= 0 ? (int)strtol(ogv_csv_field(j->csv, j->c_fold), NULL, 10) : 0, &reader, err));
  ogv_cli_picture p;
  OGV_TRY(ogv_cli_picture_open(path, 0, &p, err));
  ogv_still s = ogv_still_of(&p.image);
  s.mm_x = s.mm_y = px;
  ogv_reading g;
  ogv_status st = ogv_reader_measure(reader, j->kind, &s, &g, err);
  ogv_cli_picture_close(&p);
  if (st != OGV_OK) return st;
  const ogv_reading_value *v = ogv_reading_find(&g, main_id(j->kind)), *b = ogv_reading_find(&g, "bpd"),
                          *o = ogv_reading_find(&g, "ofd");
  r.accepted = g.accepted && v;
  r.found = v != NULL;
  r.acceptance = g.acceptance;
  if (v) {
    r.value = v->value;
    r.sd = v->sd;
  }
  if (b) r.bpd = b->value;
  if (o) r.ofd = o->value;
  const char *mask = ogv_csv_field(j->csv, j->c_mask);
  if (*mask || j->half) {
    ogv_cli_picture m;
    snprintf(path, sizeof path, "%s%s%s", j->folder, *mask ? "" : "mask/", *mask ? mask : r.file);
    if (ogv_cli_picture_open(path, 0, &m, NULL) == OGV_OK) {
      r.dice = dice(&g, &m.image);
      ogv_cli_picture_close(&m);
    }
  }
  if (j->out) {
    fprintf(j->out, "%s,%s,%.4f,%.4f,%.4f,%d,%d,%.5f,%s", r.file, r.group, r.truth, r.value, r.sd, r.found, r.accepted,
            r.acceptance, ogv_plane_word(g.plane));
    for (int i = 0; i < 8; i++) fprintf(j->out, ",%.6f", g.feature[i]);
    for (int i = 0; i < 8; i++) fprintf(j->out, ",%.3f", i < 2 * g.n_points ? g.points[i] : NAN);
    fprintf(j->out, ",\"%s\"\n", g.reason);
  }
  return add_row(j, &r, err);
}

static ogv_status open_index(job *j, const char *path, ogv_error *err) {
  OGV_TRY(ogv_csv_open(path, &j->csv, err));
  const char *slash = strrchr(path, '/');
  snprintf(j->folder, sizeof j->folder, "%.*s", slash ? (int)(slash - path + 1) : 0, path);
  j->c_file = ogv_csv_column(j->csv, "file");
  j->c_px = ogv_csv_column(j->csv, "pixel_mm");
  if (j->c_px < 0) {
    j->c_px = ogv_csv_column(j->csv, "pixel_mm_half");
    j->half = j->c_px >= 0;
  }
  char key[16];
  snprintf(key, sizeof key, "%s_mm", main_id(j->kind));
  j->c_truth = ogv_csv_column(j->csv, "truth_mm");
  if (j->c_truth < 0) j->c_truth = ogv_csv_column(j->csv, key);
  j->c_mask = ogv_csv_column(j->csv, "mask");
  j->c_bpd = ogv_csv_column(j->csv, "bpd_mm");
  j->c_ofd = ogv_csv_column(j->csv, "ofd_mm");
  j->c_group = ogv_csv_column(j->csv, "group");
  j->c_fold = ogv_csv_column(j->csv, "fold");
  if (j->c_file < 0 || j->c_px < 0 || j->c_truth < 0)
    return ogv_fail(err, OGV_E_INVALID, "ogive evaluate --help lists the columns.",
                    "%s needs the columns file, pixel_mm and truth_mm (or %s)", path, key);
  return OGV_OK;
}

static void report(job *j, const char *index, bool json) {
  char seen[32][32];
  size_t n = 0;
  json_t *o = json_object(), *groups = json_object();
  for (size_t i = 0; i < j->rows.n && n < 32; i++) {
    size_t k = 0;
    while (k < n && strcmp(seen[k], j->rows.row[i].group)) k++;
    if (k == n && *j->rows.row[i].group) snprintf(seen[n++], sizeof *seen, "%s", j->rows.row[i].group);
  }
  json_object_set_new(o, "index", json_string(index));
  json_object_set_new(o, "measured", json_string(main_id(j->kind)));
  json_object_set_new(o, "all", eval_summary(&j->rows, NULL));
  for (size_t k = 0; k < n; k++) json_object_set_new(groups, seen[k], eval_summary(&j->rows, seen[k]));
  json_object_set_new(o, "groups", groups);
  if (json) {
    ogv_cli_print_json(o);
    return;
  }
  eval_print(json_object_get(o, "all"), "all");
  const char *key;
  json_t *v;
  json_object_foreach(groups, key, v) eval_print(v, key);
  json_decref(o);
}

static ogv_status evaluate(job *j, const char *index, const char *rows_path, ogv_error *err) {
  OGV_TRY(open_index(j, index, err));
  if (rows_path && !(j->out = fopen(rows_path, "w")))
    return ogv_fail(err, OGV_E_IO, NULL, "%s cannot be written", rows_path);
  if (j->out)
    fputs(
        "file,group,truth_mm,value_mm,sd_mm,found,accepted,acceptance,plane,f0,f1,f2,f3,f4,f5,f6,f7,x0,y0,x1,y1,x2,y2,"
        "x3,y3,reason\n",
        j->out);
  for (bool more = true; j->limit == 0 || j->rows.n < (size_t)j->limit;) {
    OGV_TRY(ogv_csv_next(j->csv, &more, err));
    if (!more) break;
    OGV_TRY(one(j, err));
  }
  if (j->out && fclose(j->out)) {
    j->out = NULL;
    return ogv_fail(err, OGV_E_IO, NULL, "%s could not be written", rows_path);
  }
  j->out = NULL;
  return OGV_OK;
}

static int run(int argc, char **argv) {
  job j = {0};
  bool json = false;
  const char *picture = NULL, *rows = NULL;
  char *rest[OGV_ARG_REST];
  size_t n = 0;
  ogv_error err = {0};
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &json},
                          {"--picture", OGV_ARG_TEXT, &picture},
                          {"--rows", OGV_ARG_TEXT, &rows},
                          {"--folds", OGV_ARG_TEXT, &j.folds},
                          {"--weights", OGV_ARG_TEXT, &j.weights},
                          {"--limit", OGV_ARG_WHOLE, &j.limit},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int bad = ogv_cli_args(&ogv_cmd_evaluate, argc, argv, args, rest, &n);
  if (bad) return bad;
  if (n != 2) return ogv_cli_usage(&ogv_cmd_evaluate, "say what (head, abdomen or femur) and name an INDEX.csv");
  j.kind = OGV_PLANE_OTHER;
  for (int k = 0; k <= OGV_PLANE_FEMUR; k++)
    if (!strcmp(rest[0], ogv_plane_word((ogv_plane)k))) j.kind = (ogv_plane)k;
  if (j.kind == OGV_PLANE_OTHER)
    return ogv_cli_usage(&ogv_cmd_evaluate, "\"%.40s\" is not head, abdomen or femur", rest[0]);
  ogv_status s = evaluate(&j, rest[1], rows, &err);
  if (s == OGV_OK) {
    report(&j, rest[1], json);
    char title[160];
    snprintf(title, sizeof title, "%s: the second reader against truth, %zu pictures", ogv_plane_word(j.kind),
             j.rows.n);
    if (picture) s = eval_picture(&j.rows, title, picture, &err);
  }
  if (j.out) fclose(j.out);
  ogv_csv_close(j.csv);
  for (int k = 0; k < FOLDS; k++) ogv_reader_free(j.reader[k]);
  free(j.rows.row);
  return s == OGV_OK ? 0 : ogv_cli_fail("evaluate", &err, json);
}
