#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_picture.h"
#include "core_json.h"
#include "imaging_png.h"
#include "measure_colour.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_colour = {
    "colour", "count colour or power Doppler flow in an outlined region",
    "usage: ogive measure colour FILE [--outline x,y,x,y,x,y...] [--frame N | --all-frames] [--relief OUT.png] "
    "[--json]\n\n"
    "The colour bar is found and read in the picture; without one the measurement is refused. Without --outline the\n"
    "colour region of the picture (or all of it) is counted. --all-frames gives the coloured share and mean magnitude\n"
    "of every frame of a clip: its pulsation. Magnitudes are parts of the bar's range, 0 to 1. --relief writes the\n"
    "picture with flow lit as a relief.\n\n"
    "exit codes: 0 measured, 1 refused, 2 usage, 3 bad input, 4 no such file or no colour bar\n",
    run};

#define POINTS 512
typedef struct {
  const char *file, *relief;
  int json, frame, all;
  double outline[2 * POINTS];
  size_t n;
} options;

static ogv_status parse_outline(const char *text, options *o, ogv_error *err) {
  size_t n = 0;
  for (const char *p = text; n < 2 * POINTS;) {
    char *end;
    o->outline[n++] = strtod(p, &end);
    if (end == p) return ogv_fail(err, OGV_E_INVALID, NULL, "--outline wants x,y,x,y,..., not \"%.60s\"", text);
    if (!*end) break;
    p = end + 1;
  }
  if (n % 2 || n < 6) return ogv_fail(err, OGV_E_INVALID, NULL, "--outline wants at least 3 points");
  o->n = n / 2;
  return OGV_OK;
}

static void default_outline(const ogv_cli_picture *p, options *o) {
  const ogv_region *r = ogv_cli_picture_region(p, OGV_FORMAT_2D, OGV_DATA_COLOUR_FLOW);
  double x0 = r ? r->x0 : 0, y0 = r ? r->y0 : 0, x1 = r ? r->x1 : p->image.width - 1,
         y1 = r ? r->y1 : p->image.height - 1;
  double box[] = {x0 - 0.5, y0 - 0.5, x1 + 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5, x0 - 0.5, y1 + 0.5};
  memcpy(o->outline, box, sizeof box);
  o->n = 4;
}

static ogv_status count_frame(const ogv_image *img, const ogv_colour_bar *bar, const options *o, float *flow,
                              ogv_colour_count *c, ogv_error *err) {
  OGV_TRY(ogv_colour_flow(img, bar, flow, err));
  return ogv_colour_in_outline(flow, img->width, img->height, o->outline, o->n, c, err);
}

static ogv_status all_frames(ogv_cli_picture *p, const ogv_colour_bar *bar, const options *o, float *flow,
                             json_t *curve, ogv_error *err) {
  for (int i = 0; i < p->frames; i++) {
    ogv_image img = {0};
    ogv_colour_count c;
    if (p->dicom) OGV_TRY(ogv_dicom_frame(p->dicom, i, &img, err));
    ogv_status s = count_frame(p->dicom ? &img : &p->image, bar, o, flow, &c, err);
    ogv_image_free(&img);
    OGV_TRY(s);
    double t = p->dicom ? ogv_dicom_frame_time_ms(p->dicom, i) : NAN;
    json_array_append_new(curve, json_pack("{s:i,s:o,s:f,s:f}", "frame", i + 1, "time_ms", ogv_json_real(t),
                                           "colour_fraction", c.fraction, "mean_magnitude", c.mean_magnitude));
  }
  return OGV_OK;
}

static ogv_status measure(ogv_cli_picture *p, options *o, json_t **out, ogv_error *err) {
  ogv_colour_bar bar;
  ogv_colour_count c;
  OGV_TRY(ogv_colour_bar_find(&p->image, p->regions, p->n_regions, &bar, err));
  if (!o->n) default_outline(p, o);
  float *flow = malloc(sizeof *flow * (size_t)p->image.width * (size_t)p->image.height);
  if (!flow) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  json_t *curve = json_array();
  ogv_status s = count_frame(&p->image, &bar, o, flow, &c, err);
  if (s == OGV_OK && o->relief) {
    ogv_image lit = {0};
    s = ogv_colour_relief(&p->image, flow, &lit, err);
    if (s == OGV_OK) s = ogv_png_write(o->relief, &lit, err);
    ogv_image_free(&lit);
  }
  if (s == OGV_OK && o->all) s = all_frames(p, &bar, o, flow, curve, err);
  free(flow);
  if (s == OGV_OK) {
    *out = ogv_colour_json(&c, &bar);
    if (o->all) json_object_set(*out, "frames", curve);
  }
  json_decref(curve);
  return s;
}

static int run(int argc, char **argv) {
  options o = {.frame = 1};
  ogv_error err = {0};
  for (int i = 1; i < argc; i++) {
    const char *a = argv[i], *v = i + 1 < argc ? argv[i + 1] : NULL;
    if (!strcmp(a, "--json")) o.json = 1;
    else if (!strcmp(a, "--all-frames")) o.all = 1;
    else if (!strcmp(a, "--frame") && v) o.frame = (int)strtol(argv[++i], NULL, 10);
    else if (!strcmp(a, "--relief") && v) o.relief = argv[++i];
    else if (!strcmp(a, "--outline") && v) {
      if (parse_outline(argv[++i], &o, &err) != OGV_OK) return ogv_cli_usage(&ogv_measure_colour, "%s", err.what);
    } else if (a[0] == '-' || o.file) return ogv_cli_usage(&ogv_measure_colour, "unknown option %s", a);
    else o.file = a;
  }
  if (!o.file) return ogv_cli_usage(&ogv_measure_colour, "name a FILE");
  ogv_cli_picture p;
  json_t *result = NULL;
  ogv_status s = ogv_cli_picture_open(o.file, o.frame - 1, &p, &err);
  if (s != OGV_OK) return ogv_cli_fail("measure colour", &err, o.json);
  s = measure(&p, &o, &result, &err);
  ogv_cli_picture_close(&p);
  if (s != OGV_OK) return ogv_cli_fail("measure colour", &err, o.json);
  if (o.json) return ogv_cli_print_json(result);
  printf("coloured %.1f %% of the outline, mean magnitude %.0f %% of the bar's range\n",
         100 * ogv_json_number_or(result, "colour_fraction", NAN),
         100 * ogv_json_number_or(result, "mean_magnitude", NAN));
  json_decref(result);
  return 0;
}
