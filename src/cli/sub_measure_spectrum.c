#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_picture.h"
#include "cli_several.h"
#include "imaging_png.h"
#include "measure_spectrum.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_spectrum = {
    "spectrum", "trace a spectral Doppler picture: velocities, indices, rate, each with its SD",
    "usage: ogive measure spectrum FILE-or-FOLDER... [options]\n\n"
    "FILE is a DICOM picture with a calibrated spectral region, or a PNG picture with the calibration given here. Of\n"
    "several, or of a folder, every file is read; one that cannot be read is told and passed over.\n"
    "The tracing proposes; a person accepts. It refuses, with a reason, what it cannot read safely.\n\n"
    "  --json                 print everything as JSON, for several an array of it (keys: file, accepted, reason, "
    "psv_cm_s, edv_cm_s, tamax_cm_s, pi, "
    "ri,\n"
    "                         sd_ratio, rate_bpm, each with _sd; cycles; envelope as picture points)\n"
    "  --flow KIND            fetal (default), maternal, any, ductus-venosus\n"
    "  --frame N              frame of a clip, from 1\n"
    "  --spectrum N           which spectrum of a picture that has several, from 1\n"
    "  --angle DEG            correct for another angle than the one stored\n"
    "  --wall-filter CM_S     slowest flow that the wall filter lets through, when known\n"
    "  --region x0,y0,x1,y1 --baseline-row R --cm-s-per-pixel V --s-per-pixel T\n"
    "                         calibration by hand; V is positive when up is towards the probe\n"
    "  --overlay FILE.png     write the picture with the traced envelope for looking at (of one FILE)\n\n"
    "example: ogive measure spectrum UA.dcm --json\n"
    "exit codes: 0 traced, 1 refused (of several: all that were read), 2 usage, 3 bad input, 4 no such file, 5 no "
    "calibration\n",
    run};

typedef struct options {
  const char *overlay;
  int frame, spectrum, region[4];
  bool json, by_hand;
  ogv_flow_kind kind;
  double baseline, velocity, time, angle, wall;
} options;

/* What was given is taken whole or refused. 0, or 2 after telling what does not fit. */
static int check(options *o, const char *region, const char *flow) {
  const ogv_command *c = &ogv_measure_spectrum;
  ogv_error err = {0};
  o->by_hand = region;
  if (region && ogv_cli_whole_numbers(region, "--region", o->region, 4, &err) != OGV_OK)
    return ogv_cli_usage(c, "%s", err.what);
  if (ogv_cli_flow(c, flow, &o->kind)) return 2;
  if (o->frame < 1) return ogv_cli_usage(c, "--frame counts from 1");
  if (o->spectrum == -1) o->spectrum = 0; /* not given */
  else if (o->spectrum < 1) return ogv_cli_usage(c, "--spectrum counts from 1");
  bool some = !(isnan(o->baseline) && isnan(o->velocity) && isnan(o->time)),
       whole = !(isnan(o->baseline) || isnan(o->velocity) || isnan(o->time));
  if (o->by_hand && !whole)
    return ogv_cli_usage(c, "--region wants --baseline-row, --cm-s-per-pixel and --s-per-pixel beside it");
  if (!o->by_hand && some)
    return ogv_cli_usage(c,
                         "--baseline-row, --cm-s-per-pixel and --s-per-pixel want --region beside them: a "
                         "calibration by hand is a whole one");
  if (o->by_hand && o->spectrum) return ogv_cli_usage(c, "--region and --spectrum exclude each other");
  if (o->wall <= 0) return ogv_cli_usage(c, "--wall-filter is a velocity above 0");
  return 0;
}

static ogv_status scale_of(const options *o, const ogv_cli_picture *p, const char *file, ogv_spectrum_scale *s,
                           ogv_error *err) {
  if (o->by_hand) {
    *s = (ogv_spectrum_scale){.x0 = o->region[0],
                              .y0 = o->region[1],
                              .x1 = o->region[2],
                              .y1 = o->region[3],
                              .baseline_row = o->baseline,
                              .cm_s_per_pixel = -o->velocity,
                              .s_per_pixel = o->time,
                              .absolute = true,
                              .calibration_sd = 0.02,
                              .angle_deg = NAN,
                              .wall_filter_cm_s = NAN,
                              .hundred_hz_cm_s = NAN,
                              .by_hand = true};
    snprintf(s->note, sizeof s->note, "Calibrated by hand.");
  } else {
    const ogv_region *r;
    OGV_TRY(ogv_cli_picture_spectrum(p, file, o->spectrum, &r, err));
    OGV_TRY(ogv_spectrum_scale_from_region(r, s, err));
  }
  if (!isnan(o->wall)) s->wall_filter_cm_s = o->wall;
  return isnan(o->angle) ? OGV_OK : ogv_spectrum_set_angle(s, o->angle, err);
}

static void put(ogv_image *p, int x, int y, const uint8_t colour[3]) {
  if (x >= 0 && y >= 0 && x < p->width && y < p->height)
    memcpy(p->pixels + (size_t)y * p->stride + (size_t)x * 3, colour, 3);
}

/* The picture with the envelope (orange) and the starts of cycles (sky blue) drawn over it. */
static ogv_status write_overlay(const char *path, const ogv_image *src, const ogv_spectrum *s,
                                const ogv_spectrum_scale *c, ogv_error *err) {
  static const uint8_t orange[] = {230, 159, 0}, sky[] = {86, 180, 233};
  ogv_image p;
  OGV_TRY(ogv_image_new(src->width, src->height, 3, &p, err));
  for (int y = 0; y < p.height; y++)
    for (int x = 0; x < p.width; x++)
      for (int k = 0; k < 3; k++)
        p.pixels[(size_t)y * p.stride + (size_t)x * 3 + (size_t)k] =
            src->pixels[(size_t)y * src->stride + (size_t)x * (size_t)src->channels +
                        (src->channels == 3 ? (size_t)k : 0)];
  double sign = s->below_baseline ? 1 : -1, before = NAN;
  for (size_t i = 0; s->vmax && i < s->columns; i++) {
    double y = c->baseline_row + sign * s->vmax[i] / fabs(c->cm_s_per_pixel);
    if (isnan(y)) continue;
    int a = (int)lround(isnan(before) ? y : before), b = (int)lround(y), step = a < b ? 1 : -1;
    for (int k = a; k != b; k += step) put(&p, c->x0 + (int)i, k, orange);
    put(&p, c->x0 + (int)i, b, orange);
    before = y;
  }
  for (size_t i = 0; i < s->n_cycles; i++)
    for (int y = c->y0; y <= c->y1; y += 3) {
      put(&p, c->x0 + (int)lround(s->cycles[i].start_s / c->s_per_pixel), y, sky);
      put(&p, c->x0 + (int)lround(s->cycles[i].end_s / c->s_per_pixel), y, sky);
    }
  ogv_status st = ogv_png_write(path, &p, err);
  ogv_image_free(&p);
  return st;
}

static void say(ogv_text *text, const ogv_spectrum *s, const ogv_spectrum_scale *c) {
  if (!s->accepted) {
    ogv_text_addf(text, "refused: %s\n", s->reason);
    if (s->note[0]) ogv_text_addf(text, "%s\n", s->note);
    return;
  }
#define LINE(name, e, unit) \
  if (isfinite(s->e.value)) ogv_text_addf(text, "%-7s %8.2f  +- %.2f %s\n", name, s->e.value, s->e.sd, unit)
  if (c->absolute) {
    LINE("PSV", psv, "cm/s");
    LINE("EDV", edv, "cm/s");
    LINE("TAMAX", tamax, "cm/s");
    LINE("TAMEAN", tamean, "cm/s");
  }
  LINE("PI", pi, "");
  LINE("RI", ri, "");
  if (s->edf == OGV_EDF_FORWARD) LINE("S/D", sd_ratio, "");
  LINE("rate", rate_bpm, "/min");
#undef LINE
  ogv_text_addf(text, "end-diastolic flow: %s; %zu of %zu cycles used\n", ogv_edf_word(s->edf), s->n_used, s->n_cycles);
  if (s->note[0]) ogv_text_addf(text, "%s\n", s->note);
}

static ogv_status one(void *user, const char *file, json_t **out, ogv_text *text, ogv_error *err) {
  const options *o = user;
  ogv_cli_picture p;
  OGV_TRY(ogv_cli_picture_open(file, o->frame - 1, &p, err));
  ogv_spectrum_scale scale;
  ogv_spectrum s = {0};
  ogv_status st = scale_of(o, &p, file, &scale, err);
  if (st == OGV_OK) st = ogv_spectrum_measure(&p.image, &scale, o->kind, &s, err);
  if (st == OGV_OK && o->overlay) st = write_overlay(o->overlay, &p.image, &s, &scale, err);
  if (st == OGV_OK) *out = ogv_spectrum_json(&s, &scale);
  if (st == OGV_OK && !o->json) say(text, &s, &scale);
  ogv_spectrum_free(&s);
  ogv_cli_picture_close(&p);
  return st;
}

static int run(int argc, char **argv) {
  options o = {.baseline = NAN, .velocity = NAN, .time = NAN, .angle = NAN, .wall = NAN, .frame = 1, .spectrum = -1};
  const char *region = NULL, *flow = NULL;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--json", OGV_ARG_FLAG, &o.json},
                          {"--flow", OGV_ARG_TEXT, &flow},
                          {"--frame", OGV_ARG_WHOLE, &o.frame},
                          {"--spectrum", OGV_ARG_WHOLE, &o.spectrum},
                          {"--angle", OGV_ARG_NUMBER, &o.angle},
                          {"--wall-filter", OGV_ARG_NUMBER, &o.wall},
                          {"--region", OGV_ARG_TEXT, &region},
                          {"--baseline-row", OGV_ARG_NUMBER, &o.baseline},
                          {"--cm-s-per-pixel", OGV_ARG_NUMBER, &o.velocity},
                          {"--s-per-pixel", OGV_ARG_NUMBER, &o.time},
                          {"--overlay", OGV_ARG_TEXT, &o.overlay},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int rc = ogv_cli_args(&ogv_measure_spectrum, argc, argv, args, rest, &n);
  if (!rc) rc = check(&o, region, flow);
  if (rc) return rc;
  if (!n) return ogv_cli_usage(&ogv_measure_spectrum, "name a FILE or a FOLDER");
  if (o.overlay && (n > 1 || ogv_cli_folder(rest[0])))
    return ogv_cli_usage(&ogv_measure_spectrum, "--overlay goes with one FILE");
  const ogv_cli_several how = {"measure spectrum", o.json, one, &o};
  return ogv_cli_several_run(&how, rest, n);
}
