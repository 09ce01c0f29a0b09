/* `ogive dicom`: what a file holds, how far its calibration can be trusted, and any frame as PNG. */
#include <math.h>
#include <png.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "core_json.h"
#include "dicom_file.h"
#include "dicom_report.h"
#include "imaging_filter.h"
#include "imaging_geometry.h"
#include "measure_colour.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_dicom = {
    "dicom", "show what a DICOM file holds and whether it can be measured",
    "usage: ogive dicom FILE... [--json] [--items]\n"
    "       ogive dicom FILE --png OUT.png [--frame N] [--filters JSON]\n"
    "\n"
    "Prints identity, equipment, picture format, time base, safety indices and every calibrated region with the\n"
    "judgement whether it can be measured, and why not. Nothing is stored.\n"
    "\n"
    "  --json       print the same as JSON (a list, one entry for each file)\n"
    "  --items      list the items of structured reports\n"
    "  --png OUT    decode one frame and write it as PNG\n"
    "  --frame N    the frame to write, from 1 (default 1)\n"
    "  --filters J  display filters on the written frame, as JSON: depth_gain [grey levels from top to bottom],\n"
    "               speckle, shading, local_contrast (0 to 1), range [black, white], gamma, smooth_frames (1, 3, 5),\n"
    "               relief (true: colour flow lit as a relief, by the colour bar of the picture).\n"
    "               They change the copy that is written, never the file.\n"
    "\n"
    "Example:  ogive dicom exam/IM0004 --png heart.png --frame 12\n"
    "Exit codes: 0 all files could be read; 3 one could not (the message names the tag at fault).\n",
    run};

typedef struct {
  int json, items, frame;
  const char *png, *filters;
} options;

static void put_text(json_t *o, const char *key, const char *s) {
  if (*s) json_object_set_new(o, key, json_string(s));
}
static void put_real(json_t *o, const char *key, double v) {
  if (isfinite(v)) json_object_set_new(o, key, json_real(v));
}
static void put_date(json_t *o, const char *key, ogv_date d) {
  char buf[OGV_DATE_TEXT];
  put_text(o, key, ogv_date_text(d, buf));
}

static void put_identity(json_t *o, const ogv_dicom_info *a) {
  static const char *const kinds[] = {"image", "report", "other"};
  char name[512];
  ogv_dicom_name_text(a->patient_name, name, sizeof name);
  json_object_set_new(o, "kind", json_string(kinds[a->kind]));
  put_text(o, "modality", a->modality);
  put_text(o, "sop_class", a->sop_class);
  put_text(o, "instance", a->sop_instance);
  put_text(o, "series", a->series);
  put_text(o, "study", a->study);
  put_text(o, "transfer_syntax", a->transfer_syntax);
  put_text(o, "patient_id", a->patient_id);
  put_text(o, "patient_name", name);
  put_date(o, "birth_date", a->birth_date);
  put_date(o, "lmp", a->lmp);
  put_date(o, "study_date", a->study_date);
  put_text(o, "study_time", a->study_time);
  put_text(o, "accession", a->accession);
  put_text(o, "study_description", a->study_description);
  put_text(o, "manufacturer", a->manufacturer);
  put_text(o, "model", a->model);
  put_text(o, "note", a->note);
}

static void put_image(json_t *o, const ogv_dicom *d) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  json_object_set_new(o, "rows", json_integer(a->rows));
  json_object_set_new(o, "columns", json_integer(a->columns));
  json_object_set_new(o, "frames", json_integer(a->frames));
  put_text(o, "photometric", a->photometric);
  json_object_set_new(o, "bits_stored", json_integer(a->bits_stored));
  json_object_set_new(o, "lossy", json_boolean(a->lossy));
  json_object_set_new(o, "burned_in", json_boolean(a->burned_in));
  put_text(o, "image_type", a->image_type);
  put_text(o, "view", a->view_name);
  put_text(o, "time_base", a->time_base);
  if (a->frame_ms > 0) put_real(o, "frame_ms", a->frame_ms);
  put_real(o, "duration_ms", ogv_dicom_frame_time_ms(d, a->frames - 1));
  put_real(o, "mi", a->mechanical_index);
  put_real(o, "tis", a->thermal_soft);
  put_real(o, "tib", a->thermal_bone);
  put_real(o, "tic", a->thermal_cranial);
  put_real(o, "depth_mm", a->depth_mm);
  size_t n;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  json_t *list = json_array();
  for (size_t i = 0; i < n; i++) json_array_append_new(list, ogv_region_to_json(&r[i]));
  json_object_set_new(o, "regions", list);
}

static void print_regions(const ogv_dicom *d) {
  static const char *const units[] = {"-",    "%",   "dB",    "cm",  "s",     "Hz", "dB/s",
                                      "cm/s", "cm2", "cm2/s", "cm3", "cm3/s", "deg"};
  size_t n;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  if (n == 0) puts("  no calibrated region: cannot be measured in millimetres");
  for (size_t i = 0; i < n; i++) {
    const char *ux = r[i].unit_x <= 12 ? units[r[i].unit_x] : "?", *uy = r[i].unit_y <= 12 ? units[r[i].unit_y] : "?";
    printf("  region %zu: %-8s (%d,%d)-(%d,%d)  %.6g %s x %.6g %s a pixel  %s%s%s\n", i + 1, ogv_region_word(&r[i]),
           r[i].x0, r[i].y0, r[i].x1, r[i].y1, r[i].delta_x, ux, r[i].delta_y, uy,
           r[i].measurable_x && r[i].measurable_y ? "measurable"
           : r[i].measurable_x                    ? "measurable along x only"
           : r[i].measurable_y                    ? "measurable along y only"
                                                  : "not measurable",
           r[i].note[0] ? ": " : "", r[i].note);
  }
}

static void print_text(const char *path, const ogv_dicom *d) {
  const ogv_dicom_info *a = ogv_dicom_about(d);
  char name[512], day[OGV_DATE_TEXT];
  ogv_dicom_name_text(a->patient_name, name, sizeof name);
  printf("%s\n  %s %s  patient %s (%s)  study of %s %s\n", path, a->modality,
         a->kind == OGV_DICOM_REPORT ? "report" : "picture", *name ? name : "without name",
         *a->patient_id ? a->patient_id : "no id", ogv_date_text(a->study_date, day), a->study_time);
  if (a->manufacturer[0] || a->model[0]) printf("  equipment %s %s\n", a->manufacturer, a->model);
  if (a->note[0]) printf("  note: %s\n", a->note);
  if (a->kind != OGV_DICOM_IMAGE) return;
  printf("  %d x %d pixels, %d frame%s, %s%s, time base %s", a->columns, a->rows, a->frames, a->frames == 1 ? "" : "s",
         a->photometric, a->lossy ? " (lossy)" : "", a->time_base);
  if (a->frame_ms > 0) printf(" (%.4g ms)", a->frame_ms);
  puts("");
  print_regions(d);
}

/* The items of a report, to print or as a list. */
static ogv_status items(ogv_dicom *d, const options *o, json_t *entry, ogv_error *err) {
  ogv_report_item *list;
  size_t n;
  OGV_TRY(ogv_dicom_report_items(d, &list, &n, err));
  static const char *const kinds[] = {"number", "date", "text", "code"};
  json_t *a = json_array();
  for (size_t i = 0; i < n; i++) {
    const ogv_report_item *it = &list[i];
    json_t *e = json_object();
    put_text(e, "path", it->path);
    put_text(e, "section", it->section);
    put_text(e, "kind", kinds[it->kind]);
    put_text(e, "code", it->code);
    put_text(e, "scheme", it->scheme);
    put_text(e, "meaning", it->meaning);
    put_real(e, "value", it->value);
    put_text(e, "unit", it->unit);
    put_text(e, "text", it->text);
    put_text(e, "fetus", it->fetus);
    put_text(e, "vessel", it->vessel);
    put_text(e, "laterality", it->laterality);
    put_text(e, "derivation", it->derivation);
    put_text(e, "selection", it->selection);
    put_text(e, "method", it->method);
    put_text(e, "equation", it->equation);
    put_text(e, "site", it->site);
    put_text(e, "group", it->group);
    put_text(e, "value_code", it->value_code);
    put_date(e, "date", it->date);
    put_text(e, "image", it->image_instance);
    if (it->image_frame > 0) json_object_set_new(e, "frame", json_integer(it->image_frame));
    if (it->n_points > 0) {
      ogv_geometry g = {(ogv_geometry_kind)it->graphic, it->n_points, (double *)it->points};
      json_object_set_new(e, "geometry", ogv_geometry_to_json(&g));
    }
    json_array_append_new(a, e);
    if (o->json) continue;
    printf("  %-12s %-28.28s %-34.34s %s %s%s%s%s%s\n", it->path, it->section, it->meaning, it->text, it->unit,
           it->fetus[0] ? "  fetus " : "", it->fetus, it->vessel[0] ? "  " : "", it->vessel);
  }
  free(list);
  json_object_set_new(entry, "items", a);
  return OGV_OK;
}

/* The frame, smoothed over its neighbours if asked; the clip's ends repeat their frame. */
static ogv_status smooth(ogv_dicom *d, int frame, int n, ogv_image *out, ogv_error *err) {
  ogv_image list[5] = {{0}};
  const ogv_image *at[5];
  int last = ogv_dicom_about(d)->frames - 1;
  ogv_status s = OGV_OK;
  for (int i = 0; i < n && s == OGV_OK; i++) {
    int k = frame + i - n / 2;
    s = ogv_dicom_frame(d, k < 0 ? 0 : k > last ? last : k, &list[i], err);
    at[i] = &list[i];
  }
  if (s == OGV_OK) s = ogv_filter_frames(at, (size_t)n, out, err);
  for (int i = 0; i < n; i++) ogv_image_free(&list[i]);
  return s;
}

/* A relief that is asked for and cannot be drawn is refused, not left out. */
static ogv_status relief(ogv_dicom *d, int frame, ogv_image *shown, ogv_error *err) {
  ogv_image stored = {0}, lit = {0};
  size_t n;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  OGV_TRY(ogv_dicom_frame(d, frame, &stored, err));
  ogv_status s = ogv_colour_relief_on(&stored, shown, r, n, &lit, err);
  ogv_image_free(&stored);
  if (s != OGV_OK) return s;
  ogv_image_free(shown);
  *shown = lit;
  return OGV_OK;
}

static ogv_status filtered(ogv_dicom *d, const options *o, ogv_image *out, ogv_error *err) {
  if (!o->filters) return ogv_dicom_frame(d, o->frame - 1, out, err);
  json_t *v;
  ogv_filters f;
  OGV_TRY(ogv_json_parse(o->filters, strlen(o->filters), "--filters", &v, err));
  ogv_status s = ogv_filters_from_json(v, &f, err);
  json_decref(v);
  if (s != OGV_OK) return s;
  ogv_image plain;
  if (o->frame > ogv_dicom_about(d)->frames) return ogv_dicom_frame(d, o->frame - 1, out, err); /* for its message */
  OGV_TRY(smooth(d, o->frame - 1, f.smooth_frames, &plain, err));
  size_t n;
  const ogv_region *r = ogv_dicom_regions(d, &n);
  s = ogv_filters_apply(&f, &plain, r, n, out, err);
  ogv_image_free(&plain);
  if (s == OGV_OK && f.relief) {
    s = relief(d, o->frame - 1, out, err);
    if (s != OGV_OK) ogv_image_free(out);
  }
  return s;
}

static int write_png(const ogv_command *c, ogv_dicom *d, const options *o) {
  ogv_error err = {0};
  ogv_image img;
  ogv_status s = filtered(d, o, &img, &err);
  if (s != OGV_OK) return ogv_cli_fail(c->name, &err, o->json);
  png_image png = {.version = PNG_IMAGE_VERSION,
                   .width = (png_uint_32)img.width,
                   .height = (png_uint_32)img.height,
                   .format = img.channels == 3 ? PNG_FORMAT_RGB : PNG_FORMAT_GRAY};
  int ok = png_image_write_to_file(&png, o->png, 0, img.pixels, (png_int_32)img.stride, NULL);
  if (!ok) {
    ogv_fail(&err, OGV_E_IO, "Check the folder and its permissions.", "cannot write %.300s: %s", o->png, png.message);
    png_image_free(&png);
  }
  ogv_image_free(&img);
  return ok ? 0 : ogv_cli_fail(c->name, &err, o->json);
}

/* One file: adds to `list` or prints. */
static int show(const char *path, const options *o, json_t *list) {
  ogv_error err = {0};
  ogv_dicom *d;
  json_t *entry = json_object();
  json_object_set_new(entry, "file", json_string(path));
  ogv_status s = ogv_dicom_open(path, &d, &err);
  int rc = 0;
  if (s != OGV_OK) {
    rc = ogv_cli_exit_code(s);
    json_object_set_new(entry, "error",
                        json_pack("{s:s,s:s,s:s}", "code", ogv_status_word(s), "what", err.what, "todo", err.todo));
    if (!o->json)
      fprintf(stderr, "ogive dicom: %s: %s\n%s%s%s", path, err.what, *err.todo ? "  " : "", err.todo,
              *err.todo ? "\n" : "");
  } else {
    put_identity(entry, ogv_dicom_about(d));
    if (ogv_dicom_about(d)->kind == OGV_DICOM_IMAGE) put_image(entry, d);
    if (!o->json) print_text(path, d);
    if (o->items && ogv_dicom_about(d)->kind == OGV_DICOM_REPORT && (s = items(d, o, entry, &err)) != OGV_OK)
      rc = ogv_cli_fail(ogv_cmd_dicom.name, &err, o->json);
    if (o->png) rc = write_png(&ogv_cmd_dicom, d, o);
    ogv_dicom_close(d);
  }
  json_array_append_new(list, entry);
  return rc;
}

static int run(int argc, char **argv) {
  options o = {.frame = 1};
  const char *files[4096];
  size_t n = 0;
  for (int i = 1; i < argc; i++) {
    if (!strcmp(argv[i], "--json")) o.json = 1;
    else if (!strcmp(argv[i], "--items")) o.items = 1;
    else if (!strcmp(argv[i], "--png") && i + 1 < argc) o.png = argv[++i];
    else if (!strcmp(argv[i], "--filters") && i + 1 < argc) o.filters = argv[++i];
    else if (!strcmp(argv[i], "--frame") && i + 1 < argc) {
      char *end;
      long v = strtol(argv[++i], &end, 10);
      if (*end || v < 1 || v > 1000000)
        return ogv_cli_usage(&ogv_cmd_dicom, "--frame needs a number from 1, not \"%s\"", argv[i]);
      o.frame = (int)v;
    } else if (!strncmp(argv[i], "--", 2))
      return ogv_cli_usage(&ogv_cmd_dicom, "option %s is not known, or lacks its value", argv[i]);
    else if (n < sizeof files / sizeof files[0]) files[n++] = argv[i];
    else return ogv_cli_usage(&ogv_cmd_dicom, "more than %zu files", sizeof files / sizeof files[0]);
  }
  if (n == 0) return ogv_cli_usage(&ogv_cmd_dicom, "name at least one file");
  if (o.filters && !o.png) return ogv_cli_usage(&ogv_cmd_dicom, "--filters needs --png");
  if (o.png && n != 1) return ogv_cli_usage(&ogv_cmd_dicom, "--png takes one file");
  json_t *list = json_array();
  int rc = 0;
  for (size_t i = 0; i < n; i++) {
    int one = show(files[i], &o, list);
    if (one) rc = one;
  }
  if (!o.json) {
    json_decref(list);
    return rc;
  }
  int printed = ogv_cli_print_json(list);
  return rc ? rc : printed;
}
