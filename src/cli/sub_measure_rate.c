#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_picture.h"
#include "cli_several.h"
#include "measure_rate.h"
#include "measure_timing.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_rate = {
    "rate", "heart rate from an M-mode strip, a spectrum or the frames of a clip; atrioventricular interval",
    "usage: ogive measure rate FILE-or-FOLDER... [--json] [--box x0,y0,x1,y1] [--spectrum N] [--flow KIND]\n"
    "       ogive measure rate FILE-or-FOLDER... --av [--spectrum N] [--json]\n"
    "       ogive measure rate FILE-or-FOLDER... --atrium y0,y1 --ventricle y0,y1 [--json]\n\n"
    "An M-mode picture is read along its time axis; a spectral picture by the cycles of its envelope; a clip (grey or\n"
    "colour) by how its frames repeat. --box limits a clip to the part that beats. --spectrum chooses one of several\n"
    "spectra, from 1. --flow says what a spectrum shows: fetal (default; 75 to 230 beats a minute), maternal (38 to\n"
    "180), ductus-venosus, or any; `ogive measure spectrum` gives velocities and indices too. --json: of several "
    "files\n"
    "an array with an entry for each.\n\n"
    "--av reads the mechanical atrioventricular interval from a spectral picture that shows inflow and outflow of the\n"
    "left ventricle: onset of the A wave to onset of outflow. --atrium and --ventricle give the rows of the two walls "
    "of\n"
    "an M-mode picture and read it from their movement. It supports a qualified judgement; local protocol decides.\n\n"
    "exit codes: 0 measured, 1 refused (of several: all that were read), 2 usage, 3 bad input, 4 no such file, 5 no\n"
    "            calibration\n",
    run};

typedef struct options {
  bool json, av, walls, boxed;
  int box[4], rows[4], spectrum; /* rows: of the atrial and of the ventricular wall; spectrum 0: the only one */
  ogv_flow_kind flow;
} options;

static ogv_status next_frame(void *user, int frame, ogv_image *out, ogv_error *err) {
  return ogv_dicom_frame(user, frame, out, err);
}

static ogv_status from_clip(const ogv_cli_picture *p, const int box[4], ogv_rate *out, ogv_error *err) {
  double *t = malloc(sizeof *t * (size_t)p->frames);
  if (!t) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (int i = 0; i < p->frames; i++) t[i] = ogv_dicom_frame_time_ms(p->dicom, i);
  const ogv_region *r = ogv_cli_picture_region(p, OGV_FORMAT_2D, -1);
  int whole[4] = {0, 0, 0, 0};
  if (r && r->x1 < p->image.width && r->y1 < p->image.height && r->x0 >= 0 && r->y0 >= 0 && r->x1 > r->x0 &&
      r->y1 > r->y0) {
    whole[0] = r->x0;
    whole[1] = r->y0;
    whole[2] = r->x1;
    whole[3] = r->y1;
  }
  ogv_status s = ogv_rate_from_clip(next_frame, p->dicom, t, p->frames, box[2] ? box : whole, out, err);
  free(t);
  return s;
}

static ogv_status spectrum_of(const options *o, const ogv_cli_picture *p, const char *file, ogv_spectrum_scale *out,
                              ogv_error *err) {
  const ogv_region *r;
  OGV_TRY(ogv_cli_picture_spectrum(p, file, o->spectrum, &r, err));
  return ogv_spectrum_scale_from_region(r, out, err);
}

/* The atrioventricular interval: from a spectrum, or from two walls of an M-mode strip. */
static ogv_status interval(const options *o, const ogv_cli_picture *p, const char *file, json_t **out, ogv_text *text,
                           ogv_error *err) {
  ogv_av_timing t;
  ogv_spectrum_scale scale;
  if (o->walls) {
    const ogv_region *strip = ogv_cli_picture_region(p, OGV_FORMAT_MMODE, -1);
    if (!strip) return ogv_fail(err, OGV_E_INVALID, "Name an M-mode picture.", "%s has no M-mode strip", file);
    OGV_TRY(ogv_av_interval_from_mmode(&p->image, strip, o->rows, &t, err));
  } else {
    OGV_TRY(spectrum_of(o, p, file, &scale, err));
    OGV_TRY(ogv_av_interval_from_spectrum(&p->image, &scale, &t, err));
  }
  const ogv_interval *i = &t.interval;
  *out = ogv_av_timing_json(&t);
  if (o->json) return OGV_OK;
  if (i->accepted)
    ogv_text_addf(text, "atrioventricular interval %.0f +- %.0f ms over %d beats (mechanical)\n", i->ms, i->sd_ms,
                  i->beats);
  else ogv_text_addf(text, "refused: %s\n", i->reason);
  return OGV_OK;
}

static ogv_status rate(const options *o, const ogv_cli_picture *p, const char *file, json_t **out, ogv_text *text,
                       ogv_error *err) {
  ogv_rate r = {0};
  ogv_spectrum_scale scale;
  const char *from = "clip";
  const ogv_region *strip = ogv_cli_picture_region(p, OGV_FORMAT_MMODE, -1);
  bool clip = p->dicom && p->frames > 1;
  if (o->boxed && (strip || !clip))
    return ogv_fail(err, OGV_E_INVALID, "Leave --box out.", "%s is no clip: --box limits the frames of a clip", file);
  if (strip) {
    from = "m-mode";
    OGV_TRY(ogv_rate_from_mmode(&p->image, strip, &r, err));
  } else if (ogv_cli_picture_region(p, OGV_FORMAT_SPECTRAL, -1)) {
    from = "spectrum";
    OGV_TRY(spectrum_of(o, p, file, &scale, err));
    OGV_TRY(ogv_rate_from_spectrum(&p->image, &scale, o->flow, &r, err));
  } else if (clip) {
    OGV_TRY(from_clip(p, o->box, &r, err));
  } else
    return ogv_fail(err, OGV_E_INVALID, "Name an M-mode picture, a calibrated spectrum or a clip.",
                    "%s is a still picture without a time axis", file);
  *out = ogv_rate_json(&r);
  json_object_set_new(*out, "from", json_string(from));
  if (o->json) return OGV_OK;
  if (r.accepted)
    ogv_text_addf(text, "rate %.1f +- %.1f /min over %.1f beats (%s, repeats to %.0f %%)\n", r.bpm, r.sd, r.beats, from,
                  100 * r.confidence);
  else ogv_text_addf(text, "refused: %s\n", r.reason);
  return OGV_OK;
}

static ogv_status one(void *user, const char *file, json_t **out, ogv_text *text, ogv_error *err) {
  const options *o = user;
  ogv_cli_picture p;
  OGV_TRY(ogv_cli_picture_open(file, 0, &p, err));
  ogv_status s = o->av || o->walls ? interval(o, &p, file, out, text, err) : rate(o, &p, file, out, text, err);
  ogv_cli_picture_close(&p);
  return s;
}

/* 0, or 2 after telling what does not fit. */
static int check(options *o, const char *box, const char *atrium, const char *ventricle, const char *flow) {
  const ogv_command *c = &ogv_measure_rate;
  ogv_error err = {0};
  const struct {
    const char *text, *name;
    int *to;
    size_t n;
  } lists[] = {{box, "--box", o->box, 4}, {atrium, "--atrium", o->rows, 2}, {ventricle, "--ventricle", o->rows + 2, 2}};
  for (size_t i = 0; i < 3; i++)
    if (lists[i].text && ogv_cli_whole_numbers(lists[i].text, lists[i].name, lists[i].to, lists[i].n, &err) != OGV_OK)
      return ogv_cli_usage(c, "%s", err.what);
  if (!atrium != !ventricle) return ogv_cli_usage(c, "--atrium and --ventricle go together");
  o->walls = atrium;
  o->boxed = box;
  if (box && (o->box[0] < 0 || o->box[1] < 0 || o->box[2] <= o->box[0] || o->box[3] <= o->box[1]))
    return ogv_cli_usage(c, "--box is left,top,right,bottom");
  if (box && (o->av || o->walls)) return ogv_cli_usage(c, "--box goes with the rate of a clip");
  if (flow && (o->av || o->walls)) return ogv_cli_usage(c, "--flow goes with the rate of a spectrum");
  if (o->spectrum == -1) o->spectrum = 0; /* not given */
  else if (o->spectrum < 1) return ogv_cli_usage(c, "--spectrum counts from 1");
  return ogv_cli_flow(c, flow, &o->flow);
}

static int run(int argc, char **argv) {
  options o = {.spectrum = -1, .flow = OGV_FLOW_ARTERIAL_FETAL};
  const char *box = NULL, *atrium = NULL, *ventricle = NULL, *flow = NULL;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {
      {"--json", OGV_ARG_FLAG, &o.json},          {"--av", OGV_ARG_FLAG, &o.av},   {"--box", OGV_ARG_TEXT, &box},
      {"--spectrum", OGV_ARG_WHOLE, &o.spectrum}, {"--flow", OGV_ARG_TEXT, &flow}, {"--atrium", OGV_ARG_TEXT, &atrium},
      {"--ventricle", OGV_ARG_TEXT, &ventricle},  {NULL, OGV_ARG_FLAG, NULL}};
  int rc = ogv_cli_args(&ogv_measure_rate, argc, argv, args, rest, &n);
  if (!rc) rc = check(&o, box, atrium, ventricle, flow);
  if (rc) return rc;
  if (!n) return ogv_cli_usage(&ogv_measure_rate, "name a FILE or a FOLDER");
  const ogv_cli_several how = {"measure rate", o.json, one, &o};
  return ogv_cli_several_run(&how, rest, n);
}
