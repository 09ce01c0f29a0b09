#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_picture.h"
#include "measure_rate.h"
#include "measure_timing.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_rate = {
    "rate", "heart rate from an M-mode strip or the frames of a clip; atrioventricular interval",
    "usage: ogive measure rate FILE [--json] [--box x0,y0,x1,y1]\n"
    "       ogive measure rate FILE --av [--spectrum N] [--json]\n"
    "       ogive measure rate FILE --atrium y0,y1 --ventricle y0,y1 [--json]\n\n"
    "An M-mode picture is read along its time axis; a clip (grey or colour) is read by how its frames repeat. --box\n"
    "limits a clip to the part that beats. A spectral picture: use `ogive measure spectrum`.\n\n"
    "--av reads the mechanical atrioventricular interval from a spectral picture that shows inflow and outflow of the\n"
    "left ventricle: onset of the A wave to onset of outflow. --atrium and --ventricle give the rows of the two walls "
    "of\n"
    "an M-mode picture and read it from their movement. It supports a qualified judgement; local protocol decides.\n\n"
    "exit codes: 0 measured, 1 refused, 2 usage, 3 bad input, 4 no such file, 5 no calibration\n",
    run};

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

/* The atrioventricular interval: from a spectrum, or from the walls in rows[0..3] of an M-mode strip. */
static ogv_status interval_of(const ogv_cli_picture *p, const char *file, int which, const int *rows,
                              ogv_av_timing *out, ogv_error *err) {
  if (rows) {
    const ogv_region *strip = ogv_cli_picture_region(p, OGV_FORMAT_MMODE, -1);
    if (!strip) return ogv_fail(err, OGV_E_INVALID, "Name an M-mode picture.", "the picture has no M-mode strip");
    return ogv_av_interval_from_mmode(&p->image, strip, rows, out, err);
  }
  const ogv_region *r;
  OGV_TRY(ogv_cli_picture_spectrum(p, file, which, &r, err));
  ogv_spectrum_scale scale;
  OGV_TRY(ogv_spectrum_scale_from_region(r, &scale, err));
  return ogv_av_interval_from_spectrum(&p->image, &scale, out, err);
}

static int run_interval(const char *file, int which, const int *rows, int as_json) {
  ogv_cli_picture p;
  ogv_error err = {0};
  ogv_av_timing t;
  ogv_status s = ogv_cli_picture_open(file, 0, &p, &err);
  if (s != OGV_OK) return ogv_cli_fail("measure rate", &err, as_json);
  s = interval_of(&p, file, which, rows, &t, &err);
  ogv_cli_picture_close(&p);
  if (s != OGV_OK) return ogv_cli_fail("measure rate", &err, as_json);
  const ogv_interval *i = &t.interval;
  if (as_json) ogv_cli_print_json(ogv_av_timing_json(&t));
  else if (i->accepted)
    printf("atrioventricular interval %.0f +- %.0f ms over %d beats (mechanical)\n", i->ms, i->sd_ms, i->beats);
  else printf("refused: %s\n", i->reason);
  return i->accepted ? 0 : 1;
}

static int run(int argc, char **argv) {
  const char *file = NULL;
  int json = 0, box[4] = {0}, rows[4] = {0}, av = 0, walls = 0, which = 0;
  ogv_error err = {0};
  for (int i = 1; i < argc; i++) {
    if (!strcmp(argv[i], "--json")) json = 1;
    else if (!strcmp(argv[i], "--av")) av = 1;
    else if (argv[i][0] == '-') {
      const char *a = argv[i], *v = i + 1 < argc ? argv[++i] : NULL;
      int *to = NULL;
      size_t n = 2;
      if (!strcmp(a, "--atrium")) to = rows, walls |= 1;
      else if (!strcmp(a, "--ventricle")) to = rows + 2, walls |= 2;
      else if (!strcmp(a, "--box")) to = box, n = 4;
      else if (!strcmp(a, "--spectrum")) to = &which, n = 1;
      if (!to) return ogv_cli_usage(&ogv_measure_rate, "there is no option %s", a);
      if (!v) return ogv_cli_usage(&ogv_measure_rate, "%s needs a value", a);
      if (ogv_cli_whole_numbers(v, a, to, n, &err) != OGV_OK) return ogv_cli_usage(&ogv_measure_rate, "%s", err.what);
      if (to == box && (box[0] < 0 || box[1] < 0 || box[2] <= box[0] || box[3] <= box[1]))
        return ogv_cli_usage(&ogv_measure_rate, "--box is left,top,right,bottom");
      if (to == &which && which < 1) return ogv_cli_usage(&ogv_measure_rate, "--spectrum counts from 1");
    } else if (file) return ogv_cli_usage(&ogv_measure_rate, "one FILE at a time, not also %s", argv[i]);
    else file = argv[i];
  }
  if (!file) return ogv_cli_usage(&ogv_measure_rate, "name a FILE");
  if (walls == 1 || walls == 2) return ogv_cli_usage(&ogv_measure_rate, "--atrium and --ventricle go together");
  if (av || walls) return run_interval(file, which, walls ? rows : NULL, json);
  ogv_cli_picture p;
  ogv_rate r = {0};
  ogv_status s = ogv_cli_picture_open(file, 0, &p, &err);
  if (s != OGV_OK) return ogv_cli_fail("measure rate", &err, json);
  const ogv_region *strip = ogv_cli_picture_region(&p, OGV_FORMAT_MMODE, -1);
  if (strip) s = ogv_rate_from_mmode(&p.image, strip, &r, &err);
  else if (p.dicom && p.frames > 1) s = from_clip(&p, box, &r, &err);
  else
    s = ogv_fail(&err, OGV_E_INVALID, "Name an M-mode picture or a clip.", "%s is neither an M-mode picture nor a clip",
                 file);
  int code = s != OGV_OK ? ogv_cli_fail("measure rate", &err, json) : r.accepted ? 0 : 1;
  if (s == OGV_OK && json) ogv_cli_print_json(ogv_rate_json(&r));
  else if (s == OGV_OK && r.accepted)
    printf("rate %.1f +- %.1f /min over %.1f beats (repeats to %.0f %%)\n", r.bpm, r.sd, r.beats, 100 * r.confidence);
  else if (s == OGV_OK) printf("refused: %s\n", r.reason);
  ogv_cli_picture_close(&p);
  return code;
}
