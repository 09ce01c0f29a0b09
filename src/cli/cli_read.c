#include "cli_read.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_picture.h"
#include "cli_several.h"
#include "core_date.h"
#include "measure_auto_clip.h"

typedef struct job {
  char called[32]; /* "measure head" */
  ogv_plane kind;
  ogv_reader *reader;
  int ga_days; /* -1: not said */
  double pixel_mm, at[2];
  int frame; /* from 1; 0: all of a clip */
  bool json;
} job;

static ogv_status next_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_dicom_frame(user, frame, out, err);
}

static void say_reading(ogv_text *text, const ogv_reading *g) {
  ogv_text_addf(text, "%s", ogv_plane_word(g->kind == OGV_PLANE_OTHER ? g->plane : g->kind));
  for (int i = 0; i < g->n_values; i++) {
    const ogv_reading_value *v = &g->value[i];
    if (!strcmp(v->id, "ci")) ogv_text_addf(text, "  CI %.3f", v->value);
    else ogv_text_addf(text, "  %s %.1f +- %.1f mm", v->id, v->value, v->sd);
  }
  if (g->accepted) ogv_text_addf(text, "  (%.0f %% sure)\n", 100 * g->acceptance);
  else ogv_text_addf(text, "  refused: %s\n", g->reason);
}

static void say_clip(ogv_text *text, const ogv_clip_reading *c) {
  if (c->accepted)
    ogv_text_addf(text, "%s  %.1f +- %.1f mm from %d of %d frames (they count as %.1f)\n", ogv_plane_word(c->kind),
                  c->value, c->sd, c->kept, c->frames, c->effective);
  else ogv_text_addf(text, "refused: %s\n", c->reason);
}

static ogv_status read_one(void *user, const char *file, json_t **out, ogv_text *text, ogv_error *err) {
  const job *j = user;
  ogv_cli_picture p;
  ogv_status s = ogv_cli_picture_open(file, j->frame ? j->frame - 1 : 0, &p, err);
  if (s != OGV_OK) return s;
  ogv_still still = ogv_still_of(&p.image);
  const ogv_region *region = ogv_cli_picture_region(&p, OGV_FORMAT_2D, -1);
  if (region) ogv_still_use_region(&still, region);
  if (j->pixel_mm > 0 && still.mm_x > 0)
    fprintf(stderr, "ogive %s: %s says itself how large its pixels are; --pixel-mm is not used\n", j->called, file);
  else if (j->pixel_mm > 0) still.mm_x = still.mm_y = j->pixel_mm;
  still.prompt_x = j->at[0];
  still.prompt_y = j->at[1];
  if (p.dicom && p.frames > 1 && !j->frame) {
    ogv_clip_reading c;
    s = ogv_reader_clip(j->reader, j->kind, next_frame, p.dicom, p.frames, 120, &still, &c, err);
    if (s == OGV_OK && !j->json) say_clip(text, &c);
    if (s == OGV_OK) *out = ogv_clip_reading_json(&c);
  } else {
    ogv_reading g;
    s = j->kind == OGV_PLANE_OTHER ? ogv_reader_auto(j->reader, &still, &g, err)
                                   : ogv_reader_measure(j->reader, j->kind, &still, &g, err);
    if (s == OGV_OK && j->ga_days >= 0) ogv_reading_plausible(&g, j->ga_days, NULL, 0);
    if (s == OGV_OK && !j->json) say_reading(text, &g);
    if (s == OGV_OK) *out = ogv_reading_json(&g);
  }
  ogv_cli_picture_close(&p);
  return s;
}

int ogv_cli_read(const ogv_command *c, ogv_plane kind, int argc, char **argv) {
  job j = {.kind = kind, .ga_days = -1, .at = {NAN, NAN}};
  const char *at = NULL, *weights = NULL, *ga = NULL;
  char *rest[OGV_ARG_REST];
  size_t n = 0;
  int frame = INT_MIN;
  ogv_error err = {0};
  const ogv_arg args[] = {
      {"--json", OGV_ARG_FLAG, &j.json},  {"--pixel-mm", OGV_ARG_NUMBER, &j.pixel_mm}, {"--at", OGV_ARG_TEXT, &at},
      {"--frame", OGV_ARG_WHOLE, &frame}, {"--weights", OGV_ARG_TEXT, &weights},       {"--ga", OGV_ARG_TEXT, &ga},
      {NULL, OGV_ARG_FLAG, NULL}};
  snprintf(j.called, sizeof j.called, "measure %s", c->name);
  int bad = ogv_cli_args(c, argc, argv, args, rest, &n);
  if (bad) return bad;
  if (!n) return ogv_cli_usage(c, "name a FILE or a FOLDER");
  if (!(j.pixel_mm >= 0 && j.pixel_mm < 5))
    return ogv_cli_usage(c, "--pixel-mm is millimetres a pixel, more than 0 and below 5");
  if (frame != INT_MIN && frame < 1) return ogv_cli_usage(c, "--frame counts from 1");
  if (frame > 0) j.frame = frame;
  if (at && ogv_cli_numbers(at, "--at", j.at, 2, &err) != OGV_OK) return ogv_cli_usage(c, "%s", err.what);
  if (ga && ogv_ga_parse(ga, &j.ga_days, &err) != OGV_OK) return ogv_cli_usage(c, "--ga: %s", err.what);
  if (ogv_reader_open(weights, OGV_NET_FAST, &j.reader, &err) != OGV_OK) return ogv_cli_fail(j.called, &err, j.json);
  const ogv_cli_several how = {j.called, j.json, read_one, &j};
  int code = ogv_cli_several_run(&how, rest, n);
  ogv_reader_free(j.reader);
  return code;
}
