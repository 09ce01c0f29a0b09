/* Colour flow in a volume given as slices: frames of one object or of several files. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_colour.h"
#include "core_json.h"
#include "measure_colour.h"
#include "obstetrics_ratio.h"

#define POINTS 512

ogv_status ogv_cli_colour_frame(ogv_cli_picture *p, int frame, ogv_image *out, ogv_error *err) {
  if (p->dicom) return ogv_dicom_frame(p->dicom, frame, out, err);
  OGV_TRY(ogv_image_new(p->image.width, p->image.height, p->image.channels, out, err));
  for (int y = 0; y < out->height; y++)
    memcpy(out->pixels + (size_t)y * out->stride, p->image.pixels + (size_t)y * p->image.stride,
           (size_t)out->width * (size_t)out->channels);
  return OGV_OK;
}

static ogv_status parse(const char *text, json_t *points, ogv_error *err) {
  double v[2 * POINTS];
  size_t n = 0;
  for (const char *p = text; n < 2 * POINTS;) {
    char *end;
    v[n++] = strtod(p, &end);
    if (end == p || (*end && *end != ','))
      return ogv_fail(err, OGV_E_INVALID, NULL, "--outline wants x,y,x,y,..., not \"%.60s\"", text);
    if (!*end) break;
    p = end + 1;
  }
  if (n % 2 || n < 6) return ogv_fail(err, OGV_E_INVALID, NULL, "--outline wants at least 3 points");
  for (size_t i = 0; i < n; i += 2) json_array_append_new(points, json_pack("[f,f]", v[i], v[i + 1]));
  return OGV_OK;
}

static void whole_box(const ogv_cli_picture *p, json_t *points) {
  const ogv_region *r = ogv_cli_picture_region(p, OGV_FORMAT_2D, OGV_DATA_COLOUR_FLOW);
  double x0 = r ? r->x0 : 0, y0 = r ? r->y0 : 0, x1 = r ? r->x1 : p->image.width - 1,
         y1 = r ? r->y1 : p->image.height - 1;
  const double corner[4][2] = {{x0 - 0.5, y0 - 0.5}, {x1 + 0.5, y0 - 0.5}, {x1 + 0.5, y1 + 0.5}, {x0 - 0.5, y1 + 0.5}};
  for (int i = 0; i < 4; i++) json_array_append_new(points, json_pack("[f,f]", corner[i][0], corner[i][1]));
}

ogv_status ogv_cli_colour_outline(const char *text, const ogv_cli_picture *p, ogv_geometry *out, ogv_error *err) {
  json_t *points = json_array(), *g = json_pack("{s:s,s:O}", "kind", "outline", "points", points);
  ogv_status s = OGV_OK;
  if (text) s = parse(text, points, err);
  else whole_box(p, points);
  if (s == OGV_OK) s = ogv_geometry_from_json(g, out, err);
  json_decref(g);
  json_decref(points);
  return s;
}

typedef struct volume {
  const char *outline;
  json_t *outlines; /* one a slice, NULL: the same for all */
  size_t slices, grey, colour[101];
  bool power;
} volume;

/* false: nothing of this slice belongs to the volume. */
static ogv_status outline_of(const volume *v, const ogv_cli_picture *p, ogv_geometry *out, bool *any, ogv_error *err) {
  *any = true;
  if (!v->outlines) return ogv_cli_colour_outline(v->outline, p, out, err);
  const json_t *points = json_array_get(v->outlines, v->slices);
  *any = !json_is_null(points);
  if (!points)
    return ogv_fail(err, OGV_E_INVALID, "Give one outline a slice, or null.", "there is no outline for slice %zu",
                    v->slices + 1);
  if (!*any) return OGV_OK;
  json_t *g = json_pack("{s:s,s:O}", "kind", "outline", "points", points);
  ogv_status s = ogv_geometry_from_json(g, out, err);
  json_decref(g);
  return s;
}

static ogv_status add_slice(volume *v, ogv_cli_picture *p, int frame, const ogv_colour_bar *bar, float *flow,
                            ogv_error *err) {
  ogv_geometry outline = {0};
  ogv_image img = {0};
  bool any = false;
  ogv_status s = outline_of(v, p, &outline, &any, err);
  if (s == OGV_OK && any) s = ogv_cli_colour_frame(p, frame, &img, err);
  if (s == OGV_OK && any && (img.width != p->image.width || img.height != p->image.height))
    s = ogv_fail(err, OGV_E_INVALID, NULL, "the frames differ in size");
  if (s == OGV_OK && any) s = ogv_colour_flow(&img, bar, flow, err);
  if (s == OGV_OK && any)
    s = ogv_colour_levels(flow, img.width, img.height, outline.points, outline.n, &v->grey, v->colour, err);
  v->slices++;
  ogv_image_free(&img);
  ogv_geometry_free(&outline);
  return s;
}

static ogv_status add_file(volume *v, const char *file, ogv_error *err) {
  ogv_cli_picture p;
  ogv_colour_bar bar;
  OGV_TRY(ogv_cli_picture_open(file, 0, &p, err));
  ogv_status s = ogv_colour_bar_find(&p.image, p.regions, p.n_regions, &bar, err);
  if (s == OGV_OK && v->slices && bar.power != v->power)
    s = ogv_fail(err, OGV_E_INVALID, "Take slices of one acquisition.",
                 "%.200s has another kind of colour bar than the files before", file);
  v->power = bar.power;
  float *flow = s == OGV_OK ? malloc(sizeof *flow * (size_t)p.image.width * (size_t)p.image.height) : NULL;
  if (s == OGV_OK && !flow) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; s == OGV_OK && i < p.frames; i++) s = add_slice(v, &p, i, &bar, flow, err);
  free(flow);
  ogv_cli_picture_close(&p);
  return s;
}

ogv_status ogv_cli_colour_volume(const char *const *files, size_t n, const char *outline, const char *outlines,
                                 json_t **out, ogv_error *err) {
  volume v = {.outline = outline};
  ogv_colour_indices x;
  ogv_status s = OGV_OK;
  if (outlines) s = ogv_json_load(outlines, &v.outlines, err);
  if (s == OGV_OK && outlines && !json_is_array(v.outlines))
    s = ogv_fail(err, OGV_E_INVALID, NULL, "%.200s is not a list of outlines", outlines);
  for (size_t i = 0; s == OGV_OK && i < n; i++) s = add_file(&v, files[i], err);
  if (s == OGV_OK && v.outlines && json_array_size(v.outlines) != v.slices)
    s = ogv_fail(err, OGV_E_INVALID, "Give one outline a slice, or null.", "there are %zu outlines for %zu slices",
                 json_array_size(v.outlines), v.slices);
  json_decref(v.outlines);
  if (s == OGV_OK) s = ogv_colour_indices_of(v.grey, v.colour, &x, err);
  if (s != OGV_OK) return s;
  size_t coloured = 0;
  for (int k = 1; k <= 100; k++) coloured += v.colour[k];
  *out = json_pack("{s:b,s:s,s:s,s:I,s:I,s:I,s:f,s:o,s:f}", "accepted", 1, "reason", "", "kind",
                   v.power ? "power" : "velocity", "slices", (json_int_t)v.slices, "voxels",
                   (json_int_t)(v.grey + coloured), "coloured_voxels", (json_int_t)coloured, "vi", x.vi, "fi",
                   ogv_json_real(x.fi), "vfi", x.vfi);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}
