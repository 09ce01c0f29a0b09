#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_colour.h"
#include "cli_command.h"
#include "cli_several.h"
#include "core_json.h"
#include "imaging_png.h"
#include "measure_colour_reading.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_colour = {
    "colour", "count colour or power Doppler flow in an outlined region",
    "usage: ogive measure colour FILE-or-FOLDER... [--outline x,y,x,y,x,y...] [--frame N | --all-frames] [--bar-end "
    "CM_S]\n"
    "                            [--relief OUT.png (of one FILE)] [--json]\n"
    "       ogive measure colour FILE... --volume [--outline x,y,... | --outlines OUTLINES.json] [--json]\n\n"
    "The colour bar is found and read in the picture; without one the measurement is refused. Without --outline the\n"
    "colour region of the picture (or all of it) is counted. --all-frames gives the coloured share and mean magnitude\n"
    "of every frame of a clip, and how they pulsate; frames with a flash of tissue movement are left out and said.\n"
    "Magnitudes are parts of the bar's range, 0 to 1. The share of flow that went round the end of the bar (aliasing)\n"
    "is told: its magnitudes mislead. --bar-end is the velocity printed at the end of the bar; where the object says "
    "it\n"
    "itself (pixel component calibration), it is taken from there. --relief writes the picture with flow lit as a\n"
    "relief.\n\n"
    "--volume takes all frames of the files as slices of one volume, evenly spaced, and gives the vascularisation,\n"
    "flow and combined index (Pairleitner et al. 1999). --outlines names a file with one outline a slice,\n"
    "[[[x,y],[x,y],...],null,...]; null: nothing of this slice belongs to the volume.\n\n"
    "Shares, magnitudes and indices depend on gain, scale and machine; those of two machines do not compare.\n\n"
    "Of several files, or of a folder, every picture is counted for itself (--json: an array); one that cannot be "
    "read\n"
    "is told and passed over.\n\n"
    "exit codes: 0 measured, 1 refused (no colour bar; the reason is said; of several: all that were read), 2 usage, 3 "
    "bad input, 4 no such file\n",
    run};

typedef struct options {
  const char *outline, *outlines, *relief;
  bool json, all, volume;
  int frame;
  double bar_end;
} options;

static ogv_status frame_of(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_cli_colour_frame(user, frame, out, err);
}

static ogv_status write_relief(const ogv_cli_picture *p, const char *path, ogv_error *err) {
  ogv_image lit = {0};
  ogv_status s = ogv_colour_relief_on(&p->image, &p->image, p->regions, p->n_regions, &lit, err);
  if (s == OGV_OK) s = ogv_png_write(path, &lit, err);
  ogv_image_free(&lit);
  return s;
}

/* Frames are counted from 1 in what is printed. */
static json_t *printed(json_t *reading) {
  json_t *o = json_pack("{s:b,s:s}", "accepted", 1, "reason", ""), *curve = json_object_get(reading, "curve"), *p;
  size_t i;
  json_object_update(o, json_object_get(reading, "colour"));
  static const char *const keep[] = {"bar_end_cm_s",  "bar_end_from",    "mean_velocity_cm_s",
                                     "mean_fraction", "frames_left_out", "pulsatility"};
  for (size_t k = 0; k < sizeof keep / sizeof *keep; k++) {
    json_t *v = json_object_get(reading, keep[k]);
    if (v) json_object_set(o, keep[k], v);
  }
  json_array_foreach(curve, i, p)
      json_object_set_new(p, "frame", json_integer(json_integer_value(json_object_get(p, "frame")) + 1));
  if (curve) json_object_set(o, "frames", curve);
  return o;
}

static ogv_status typed_end(const options *o, json_t *reading, ogv_error *err) {
  if (isnan(o->bar_end)) return OGV_OK;
  if (!(o->bar_end >= 1 && o->bar_end <= 300))
    return ogv_fail(err, OGV_E_RANGE, "Read it off the end of the bar.", "the velocity is not 1 to 300 cm/s");
  if (!strcmp(ogv_json_string_or(json_object_get(reading, "colour"), "kind", ""), "power"))
    return ogv_fail(err, OGV_E_INVALID, "Leave it out.", "a power Doppler bar has no velocities");
  json_object_set_new(reading, "bar_end_cm_s", json_real(o->bar_end));
  json_object_set_new(reading, "bar_end_from", json_string("typed"));
  return ogv_colour_derive(reading, err);
}

static ogv_status measure(ogv_cli_picture *p, const options *o, json_t **out, ogv_error *err) {
  ogv_geometry outline = {0};
  OGV_TRY(ogv_cli_colour_outline(o->outline, p, &outline, err));
  int *frames = calloc((size_t)p->frames, sizeof *frames);
  double *times = calloc((size_t)p->frames, sizeof *times);
  json_t *reading = NULL;
  ogv_status s = frames && times ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; s == OGV_OK && i < p->frames; i++) {
    frames[i] = i;
    times[i] = p->dicom ? ogv_dicom_frame_time_ms(p->dicom, i) : NAN;
  }
  const ogv_colour_ask ask = {
      frame_of, p, p->regions, p->n_regions, &outline, o->frame - 1, frames, o->all ? p->frames : 0, times};
  if (s == OGV_OK) s = ogv_colour_read(&ask, &reading, err);
  const bool no_bar = s == OGV_E_NOT_FOUND;
  if (s == OGV_OK) s = typed_end(o, reading, err);
  if (s == OGV_OK && o->relief) s = write_relief(p, o->relief, err);
  if (s == OGV_OK) *out = printed(reading);
  if (no_bar) {
    *out = json_pack("{s:b,s:s}", "accepted", 0, "reason", err->what);
    s = *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  json_decref(reading);
  ogv_geometry_free(&outline);
  free(times);
  free(frames);
  return s;
}

static void say(ogv_text *text, const json_t *r) {
  const double velocity = ogv_json_number_or(r, "mean_velocity_cm_s", NAN),
               aliased = ogv_json_number_or(r, "aliased_fraction", 0),
               pulse = ogv_json_number_or(r, "pulsatility", NAN);
  ogv_text_addf(text, "coloured %.1f %% of the outline, mean magnitude %.0f %% of the bar's range\n",
                100 * ogv_json_number_or(r, "colour_fraction", NAN),
                100 * ogv_json_number_or(r, "mean_magnitude", NAN));
  if (isfinite(velocity))
    ogv_text_addf(text, "mean velocity %.1f cm/s along the beam (end of the bar %g cm/s, %s)\n", velocity,
                  ogv_json_number_or(r, "bar_end_cm_s", NAN),
                  strcmp(ogv_json_string_or(r, "bar_end_from", ""), "region") ? "as given" : "from the object");
  if (aliased >= 0.005)
    ogv_text_addf(text, "%.0f %% of the flow went round the end of the bar: magnitudes mislead\n", 100 * aliased);
  if (isfinite(pulse))
    ogv_text_addf(text, "pulsation %.2f over %zu frames, %d left out (flash)\n", pulse,
                  json_array_size(json_object_get(r, "frames")), (int)ogv_json_number_or(r, "frames_left_out", 0));
}

static void say_volume(const json_t *r) {
  printf("vascularisation index %.2f, flow index %.1f, vascularisation-flow index %.2f (%.0f slices)\n",
         ogv_json_number_or(r, "vi", NAN), ogv_json_number_or(r, "fi", NAN), ogv_json_number_or(r, "vfi", NAN),
         ogv_json_number_or(r, "slices", NAN));
}

static ogv_status one(void *user, const char *file, json_t **result, ogv_text *text, ogv_error *err) {
  const options *o = user;
  ogv_cli_picture p;
  OGV_TRY(ogv_cli_picture_open(file, o->frame - 1, &p, err));
  ogv_status s = measure(&p, o, result, err);
  ogv_cli_picture_close(&p);
  if (s != OGV_OK || o->json) return s;
  if (json_is_true(json_object_get(*result, "accepted"))) say(text, *result);
  else ogv_text_addf(text, "refused: %s\n", ogv_json_string_or(*result, "reason", ""));
  return s;
}

static int volume(const options *o, char *const *files, size_t n) {
  ogv_error err = {0};
  json_t *result = NULL;
  ogv_status s = ogv_cli_colour_volume((const char *const *)files, n, o->outline, o->outlines, &result, &err);
  if (s != OGV_OK) return ogv_cli_fail("measure colour", &err, o->json);
  if (o->json) return ogv_cli_print_json(result);
  say_volume(result);
  json_decref(result);
  return 0;
}

static int run(int argc, char **argv) {
  options o = {.frame = 1, .bar_end = NAN};
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &o.json},
                          {"--all-frames", OGV_ARG_FLAG, &o.all},
                          {"--volume", OGV_ARG_FLAG, &o.volume},
                          {"--frame", OGV_ARG_WHOLE, &o.frame},
                          {"--outline", OGV_ARG_TEXT, &o.outline},
                          {"--outlines", OGV_ARG_TEXT, &o.outlines},
                          {"--relief", OGV_ARG_TEXT, &o.relief},
                          {"--bar-end", OGV_ARG_NUMBER, &o.bar_end},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int rc = ogv_cli_args(&ogv_measure_colour, argc, argv, args, rest, &n);
  if (rc) return rc;
  if (!n) return ogv_cli_usage(&ogv_measure_colour, "name a FILE");
  if (o.outlines && (!o.volume || o.outline))
    return ogv_cli_usage(&ogv_measure_colour, "--outlines goes with --volume and without --outline");
  if (o.volume && (o.all || o.relief || o.frame != 1 || !isnan(o.bar_end)))
    return ogv_cli_usage(&ogv_measure_colour, "--volume takes all frames, and no other option than an outline");
  ogv_error err = {0};
  ogv_geometry outline = {0};
  if (o.outline && ogv_cli_colour_outline(o.outline, NULL, &outline, &err) != OGV_OK)
    return ogv_cli_usage(&ogv_measure_colour, "%s", err.what);
  ogv_geometry_free(&outline);
  if (o.volume) return volume(&o, rest, n);
  if (o.relief && (n > 1 || ogv_cli_folder(rest[0])))
    return ogv_cli_usage(&ogv_measure_colour, "--relief goes with one FILE");
  const ogv_cli_several how = {"measure colour", o.json, one, &o};
  return ogv_cli_several_run(&how, rest, n);
}
