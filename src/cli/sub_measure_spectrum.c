#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_picture.h"
#include "imaging_png.h"
#include "measure_spectrum.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_spectrum = {
    "spectrum", "trace a spectral Doppler picture: velocities, indices, rate, each with its SD",
    "usage: ogive measure spectrum FILE [options]\n\n"
    "FILE is a DICOM picture with a calibrated spectral region, or a PNG picture with the calibration given here.\n"
    "The tracing proposes; a person accepts. It refuses, with a reason, what it cannot read safely.\n\n"
    "  --json                 print everything as JSON (keys: accepted, reason, psv_cm_s, edv_cm_s, tamax_cm_s, pi, "
    "ri,\n"
    "                         sd_ratio, rate_bpm, each with _sd; cycles; envelope as picture points)\n"
    "  --flow KIND            fetal (default), maternal, any, ductus-venosus\n"
    "  --frame N              frame of a clip, from 1\n"
    "  --spectrum N           which spectrum of a picture that has several, from 1\n"
    "  --angle DEG            correct for another angle than the one stored\n"
    "  --wall-filter CM_S     slowest flow that the wall filter lets through, when known\n"
    "  --region x0,y0,x1,y1 --baseline-row R --cm-s-per-pixel V --s-per-pixel T\n"
    "                         calibration by hand; V is positive when up is towards the probe\n"
    "  --overlay FILE.png     write the picture with the traced envelope for looking at\n\n"
    "example: ogive measure spectrum UA.dcm --json\n"
    "exit codes: 0 traced, 1 refused, 2 usage, 3 bad input, 4 no such file, 5 no calibration\n",
    run};

typedef struct {
  const char *file, *overlay;
  int json, frame, spectrum, region[4];
  ogv_flow_kind kind;
  double baseline, velocity, time, angle, wall;
  bool by_hand;
} options;

static ogv_status parse(int argc, char **argv, options *o, ogv_error *err) {
  static const char *const kinds[] = {"fetal", "maternal", "any", "ductus-venosus"};
  *o = (options){.baseline = NAN, .velocity = NAN, .time = NAN, .angle = NAN, .wall = NAN, .frame = 1};
  for (int i = 1; i < argc; i++) {
    const char *a = argv[i], *v = i + 1 < argc ? argv[i + 1] : NULL;
    if (!strcmp(a, "--json")) {
      o->json = 1;
      continue;
    }
    if (strncmp(a, "--", 2)) {
      if (o->file) return ogv_fail(err, OGV_E_INVALID, NULL, "one FILE at a time, not also %s", a);
      o->file = a;
      continue;
    }
    if (!v) return ogv_fail(err, OGV_E_INVALID, NULL, "%s wants a value", a);
    i++;
    double n;
    if (!strcmp(a, "--region")) {
      OGV_TRY(ogv_cli_whole_numbers(v, a, o->region, 4, err));
      o->by_hand = true;
    } else if (!strcmp(a, "--frame") || !strcmp(a, "--spectrum")) {
      int *to = a[2] == 'f' ? &o->frame : &o->spectrum;
      OGV_TRY(ogv_cli_whole_numbers(v, a, to, 1, err));
      if (*to < 1) return ogv_fail(err, OGV_E_INVALID, NULL, "%s counts from 1", a);
    } else if (!strcmp(a, "--overlay")) {
      o->overlay = v;
    } else if (!strcmp(a, "--flow")) {
      size_t k = 0;
      while (k < 4 && strcmp(v, kinds[k])) k++;
      if (k == 4)
        return ogv_fail(err, OGV_E_INVALID, "Use fetal, maternal, any or ductus-venosus.", "unknown flow \"%s\"", v);
      o->kind = (ogv_flow_kind)k;
    } else {
      OGV_TRY(ogv_cli_numbers(v, a, &n, 1, err));
      if (!strcmp(a, "--baseline-row")) o->baseline = n;
      else if (!strcmp(a, "--cm-s-per-pixel")) o->velocity = n;
      else if (!strcmp(a, "--s-per-pixel")) o->time = n;
      else if (!strcmp(a, "--angle")) o->angle = n;
      else if (!strcmp(a, "--wall-filter")) o->wall = n;
      else return ogv_fail(err, OGV_E_INVALID, NULL, "unknown option %s", a);
    }
  }
  if (!o->file) return ogv_fail(err, OGV_E_INVALID, NULL, "name a FILE");
  if (o->by_hand && (isnan(o->baseline) || isnan(o->velocity) || isnan(o->time)))
    return ogv_fail(err, OGV_E_INVALID, NULL,
                    "--region wants --baseline-row, --cm-s-per-pixel and --s-per-pixel beside it");
  if (!o->by_hand && !(isnan(o->baseline) && isnan(o->velocity) && isnan(o->time)))
    return ogv_fail(
        err, OGV_E_INVALID, NULL,
        "--baseline-row, --cm-s-per-pixel and --s-per-pixel want --region beside them: a calibration by hand "
        "is a whole one");
  if (o->by_hand && o->spectrum)
    return ogv_fail(err, OGV_E_INVALID, NULL, "--region and --spectrum exclude each other");
  if (o->wall < 0) return ogv_fail(err, OGV_E_INVALID, NULL, "--wall-filter is a velocity above 0");
  return OGV_OK;
}

static ogv_status scale_of(const options *o, const ogv_cli_picture *p, ogv_spectrum_scale *s, ogv_error *err) {
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
    OGV_TRY(ogv_cli_picture_spectrum(p, o->file, o->spectrum, &r, err));
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

static void print(const ogv_spectrum *s, const ogv_spectrum_scale *c) {
  if (!s->accepted) {
    printf("refused: %s\n", s->reason);
    if (s->note[0]) printf("%s\n", s->note);
    return;
  }
#define LINE(name, e, unit) \
  if (isfinite(s->e.value)) printf("%-7s %8.2f  +- %.2f %s\n", name, s->e.value, s->e.sd, unit)
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
  printf("end-diastolic flow: %s; %zu of %zu cycles used\n", ogv_edf_word(s->edf), s->n_used, s->n_cycles);
  if (s->note[0]) printf("%s\n", s->note);
}

static int run(int argc, char **argv) {
  options o;
  ogv_error err = {0};
  if (parse(argc, argv, &o, &err) != OGV_OK) {
    fprintf(stderr, "ogive measure spectrum: %s\n  ogive measure spectrum --help shows how.\n", err.what);
    return 2;
  }
  ogv_cli_picture p;
  ogv_status st = ogv_cli_picture_open(o.file, o.frame - 1, &p, &err);
  if (st != OGV_OK) return ogv_cli_fail("measure spectrum", &err, o.json);
  ogv_spectrum_scale scale;
  ogv_spectrum s = {0};
  st = scale_of(&o, &p, &scale, &err);
  if (st == OGV_OK) st = ogv_spectrum_measure(&p.image, &scale, o.kind, &s, &err);
  if (st == OGV_OK && o.overlay) st = write_overlay(o.overlay, &p.image, &s, &scale, &err);
  int code = st != OGV_OK ? ogv_cli_fail("measure spectrum", &err, o.json) : s.accepted ? 0 : 1;
  if (st == OGV_OK && o.json) ogv_cli_print_json(ogv_spectrum_json(&s, &scale));
  else if (st == OGV_OK) print(&s, &scale);
  ogv_spectrum_free(&s);
  ogv_cli_picture_close(&p);
  return code;
}
