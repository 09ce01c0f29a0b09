#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_picture.h"
#include "measure_rate.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_rate = {
    "rate", "heart rate from an M-mode strip or from the frames of a clip",
    "usage: ogive measure rate FILE [--json] [--box x0,y0,x1,y1]\n\n"
    "An M-mode picture is read along its time axis; a clip (grey or colour) is read by how its frames repeat. --box\n"
    "limits a clip to the part that beats. A spectral picture: use `ogive measure spectrum`.\n\n"
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

static int run(int argc, char **argv) {
  const char *file = NULL;
  int json = 0, box[4] = {0};
  ogv_error err = {0};
  for (int i = 1; i < argc; i++) {
    double b[4];
    if (!strcmp(argv[i], "--json")) json = 1;
    else if (!strcmp(argv[i], "--box") && i + 1 < argc) {
      if (ogv_cli_numbers(argv[++i], "--box", b, 4, &err) != OGV_OK)
        return ogv_cli_usage(&ogv_measure_rate, "%s", err.what);
      for (int k = 0; k < 4; k++) box[k] = (int)b[k];
    } else if (argv[i][0] == '-' || file) return ogv_cli_usage(&ogv_measure_rate, "unknown option %s", argv[i]);
    else file = argv[i];
  }
  if (!file) return ogv_cli_usage(&ogv_measure_rate, "name a FILE");
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
