/* `ogive phantom`: writes synthetic exams and single pictures with known truth. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "core_date.h"
#include "imaging_png.h"
#include "phantom_clip.h"
#include "phantom_exam.h"
#include "phantom_plane.h"
#include "phantom_spectrum.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_phantom = {
    "phantom", "write a synthetic exam with known truth, for tests and demonstrations",
    "usage: ogive phantom [options] OUT/\n"
    "       ogive phantom plane head|abdomen|femur [options] FILE.png\n"
    "       ogive phantom clip head|abdomen|femur [options] FILE.dcm\n"
    "       ogive phantom spectrum [options] FILE.png\n"
    "\n"
    "Writes a whole ultrasound exam as DICOM, in nested folders and without file extensions as scanners export it, "
    "and\n"
    "truth.json with the true geometry, sizes, rates and velocities. All people in it are invented. The same options "
    "give\n"
    "the same bytes. It is a test instrument: not for training people, never for clinical use.\n"
    "\n"
    "An exam:\n"
    "  --seed N        which patient and pregnancy (default 1)\n"
    "  --week 20w3d    gestational age, 11w0d to 40w6d; before 14w0d a first-trimester exam with CRL\n"
    "  --fetuses N     1 to 3\n"
    "  --centile C     growth follows this centile (default 50)\n"
    "  --serial K      the K-th exam of the same pregnancy (same seed: same patient and period date). Without --week "
    "the\n"
    "                  exams are at 12w3d, 20w3d, 28w2d, 33w5d, 37w1d\n"
    "  --date D        date of the exam, 2026-03-14; else it follows from the seed\n"
    "  --objects N     exactly N objects, the report included\n"
    "  --frames N      frames of the heart clip (default 60)\n"
    "  --quick         smaller pictures\n"
    "  --json          say on standard output what was written\n"
    "\n"
    "A plane: --seed, --week, --length MM, --breadth MM, --angle DEG, --mm-per-px V, --gain DB, --noise DB, --shadow "
    "F,\n"
    "  --dropout F, --width PX, --height PX, --whole, --captions, --calipers, --json (the truth),\n"
    "  --centre-x PX, --centre-y PX, --range DB (shown), --resolution F, --looks N, --flip, --probe-radius MM, "
    "--sector "
    "DEG;\n"
    "  a femur also: --neighbour, --flexed, --shadowed-end F\n"
    "A clip of a plane in motion (DICOM), truth for each frame: the options of a plane, and --frames N, --frame-ms "
    "MS,\n"
    "  --move MM, --turn DEG, --wander F (from the standard plane, 0..0.5), --leaves N (times the plane is lost)\n"
    "A spectrum: --seed, --vessel umbilical|mca|uterine|ductus|in-out, --diastole forward|absent|reversed, --psv CM/S, "
    "--pi "
    "V,\n"
    "  --rate BPM, --sweep S, --range CM/S, --snr DB, --gain DB, --filter CM/S, --angle DEG, --mirror DB, --away, "
    "--inverted,\n"
    "  --overlay, --av-ms MS (in-out: A wave to outflow), --json (the truth)\n"
    "\n"
    "example:  ogive phantom --seed 7 --week 20w3d --fetuses 1 /tmp/exam\n"
    "\n"
    "exit: 0 written, 2 usage, 3 bad option, 5 outside what the phantom has, 6 disk\n",
    run};

/* --name value pairs; the rest is the place to write to. */
typedef struct args {
  int argc;
  char **argv;
  int at;
  const char *out;
  int json;
} args;

static int number(const char *text, double *out) {
  char *end;
  errno = 0;
  double v = strtod(text, &end);
  if (end == text || *end || errno || !isfinite(v)) return 0;
  *out = v;
  return 1;
}

/* Into what an int holds; the range itself is judged by the phantom. */
static double limit(double v) { return v < -1e6 ? -1e6 : v > 1e6 ? 1e6 : v; }

static bool whole(double v) { return v >= 0 && v <= 9e15 && v == floor(v); }

typedef struct real_option {
  const char *name;
  double *to;
} real_option;
typedef struct flag_option {
  const char *name;
  bool *to;
} flag_option;

/* An option with a number: 1 taken, 0 not known, -1 bad value (said). */
static int take_real(args *a, const real_option *reals) {
  const char *arg = a->argv[a->at];
  for (; reals && reals->name; reals++) {
    if (strcmp(arg, reals->name)) continue;
    if (a->at + 1 >= a->argc || !number(a->argv[a->at + 1], reals->to)) {
      ogv_cli_usage(&ogv_cmd_phantom, "%s needs a number", arg);
      return -1;
    }
    a->at++;
    return 1;
  }
  return 0;
}

/* One option: the same. */
static int take(args *a, const real_option *reals, const flag_option *flags) {
  const char *arg = a->argv[a->at];
  if (!strcmp(arg, "--json")) {
    a->json = 1;
    return 1;
  }
  for (; flags && flags->name; flags++)
    if (!strcmp(arg, flags->name)) {
      *flags->to = true;
      return 1;
    }
  int k = take_real(a, reals);
  if (k) return k;
  if (arg[0] == '-' && arg[1]) return 0;
  if (a->out) {
    ogv_cli_usage(&ogv_cmd_phantom, "one place to write to, not \"%.80s\" as well", arg);
    return -1;
  }
  a->out = arg;
  return 1;
}

/* Word options such as --week 20w3d: the value when this is that option, NULL otherwise. */
static const char *word(args *a, const char *name) {
  if (strcmp(a->argv[a->at], name)) return NULL;
  return a->at + 1 < a->argc ? a->argv[++a->at] : "";
}

static int choose(const char *text, const char *const *words, int n, const char *what, int *out) {
  for (int i = 0; i < n; i++)
    if (!strcmp(text, words[i])) {
      *out = i;
      return 1;
    }
  ogv_cli_usage(&ogv_cmd_phantom, "%s: \"%.40s\" is not known", what, text);
  return 0;
}

static int finish(args *a, ogv_status st, ogv_image *img, json_t *truth, ogv_error *err) {
  if (st == OGV_OK) st = ogv_png_write(a->out, img, err);
  ogv_image_free(img);
  if (st != OGV_OK) {
    json_decref(truth);
    return ogv_cli_fail("phantom", err, a->json);
  }
  if (a->json) return ogv_cli_print_json(truth);
  json_decref(truth);
  return 0;
}

/* The options of a plane; `more` (may be NULL) are taken as well. 0 to go on, else the exit code. */
static int plane_options(args *a, const char *what, ogv_phantom_plane_options *o, const real_option *more) {
  static const char *const kinds[] = {"head", "abdomen", "femur"};
  int kind = 0, ga = 0;
  if (a->at >= a->argc) return ogv_cli_usage(&ogv_cmd_phantom, "%s: which of head, abdomen, femur?", what);
  if (!choose(a->argv[a->at++], kinds, 3, what, &kind)) return 2;
  ogv_phantom_plane_defaults(o, (ogv_phantom_plane_kind)kind);
  double seed = 1, width = o->width, height = o->height, looks = 0;
  const real_option reals[] = {{"--seed", &seed},
                               {"--length", &o->length_mm},
                               {"--breadth", &o->breadth_mm},
                               {"--angle", &o->angle_deg},
                               {"--mm-per-px", &o->mm_per_px},
                               {"--gain", &o->gain_db},
                               {"--noise", &o->noise_db},
                               {"--shadow", &o->shadow},
                               {"--dropout", &o->dropout},
                               {"--width", &width},
                               {"--height", &height},
                               {"--centre-x", &o->centre_x},
                               {"--centre-y", &o->centre_y},
                               {"--range", &o->dynamic_range_db},
                               {"--resolution", &o->resolution},
                               {"--looks", &looks},
                               {"--probe-radius", &o->radius_mm},
                               {"--sector", &o->sector_deg},
                               {"--shadowed-end", &o->shadowed_end},
                               {NULL, NULL}};
  const flag_option flags[] = {
      {"--whole", &o->whole_sector},  {"--captions", &o->captions}, {"--calipers", &o->calipers}, {"--flip", &o->flip},
      {"--neighbour", &o->neighbour}, {"--flexed", &o->flexed},     {"--quick", &o->quick},       {NULL, NULL}};
  ogv_error err = {0};
  for (; a->at < a->argc; a->at++) {
    const char *v = word(a, "--week");
    if (v) {
      if (ogv_ga_parse(v, &ga, &err) != OGV_OK) return ogv_cli_fail("phantom", &err, a->json);
      o->ga_weeks = ga / 7.0;
      continue;
    }
    int k = more ? take_real(a, more) : 0;
    if (!k) k = take(a, reals, flags);
    if (k < 0) return 2;
    if (!k) return ogv_cli_usage(&ogv_cmd_phantom, "%s: unknown option %.60s", what, a->argv[a->at]);
  }
  if (!a->out) return ogv_cli_usage(&ogv_cmd_phantom, "%s: where shall the picture go?", what);
  if (!whole(seed)) return ogv_cli_usage(&ogv_cmd_phantom, "--seed is a whole number");
  o->seed = (uint64_t)seed;
  o->width = (int)limit(width);
  o->height = (int)limit(height);
  o->looks = (int)limit(looks);
  return 0;
}

static int run_plane(args *a) {
  ogv_phantom_plane_options o;
  int code = plane_options(a, "plane", &o, NULL);
  if (code) return code;
  ogv_error err = {0};
  ogv_image img = {0};
  ogv_phantom_plane_truth t;
  ogv_status st = ogv_phantom_plane(&o, &img, &t, &err);
  return finish(a, st, &img, st == OGV_OK ? ogv_phantom_plane_json(&t) : NULL, &err);
}

static int run_clip(args *a) {
  ogv_phantom_clip_options o;
  ogv_phantom_clip_defaults(&o, OGV_PHANTOM_HEAD);
  double frames = o.frames, leaves = o.leaves;
  const real_option more[] = {{"--frames", &frames},
                              {"--frame-ms", &o.frame_ms},
                              {"--move", &o.move_mm},
                              {"--turn", &o.turn_deg},
                              {"--wander", &o.wander},
                              {"--leaves", &leaves},
                              {NULL, NULL}};
  int code = plane_options(a, "clip", &o.plane, more);
  if (code) return code;
  o.frames = (int)limit(frames);
  o.leaves = (int)limit(leaves);
  ogv_error err = {0};
  json_t *truth = NULL;
  if (ogv_phantom_clip_write(&o, a->out, a->json ? &truth : NULL, &err) != OGV_OK)
    return ogv_cli_fail("phantom", &err, a->json);
  return a->json ? ogv_cli_print_json(truth) : 0;
}

static int run_spectrum(args *a) {
  static const char *const vessels[] = {"umbilical", "mca", "uterine", "ductus", "in-out"}, *const diastoles[] = {
                                                                                                "forward", "absent",
                                                                                                "reversed"};
  ogv_phantom_spectrum_options o;
  ogv_phantom_spectrum_defaults(&o);
  double seed = 1;
  int vessel = 0, diastole = 0;
  const real_option reals[] = {{"--seed", &seed},
                               {"--psv", &o.psv_cm_s},
                               {"--pi", &o.pi},
                               {"--rate", &o.rate_bpm},
                               {"--sweep", &o.sweep_s},
                               {"--range", &o.range_cm_s},
                               {"--snr", &o.snr_db},
                               {"--gain", &o.gain_db},
                               {"--filter", &o.wall_filter_cm_s},
                               {"--angle", &o.angle_deg},
                               {"--mirror", &o.mirror_db},
                               {"--notch", &o.notch},
                               {"--av-ms", &o.av_ms},
                               {NULL, NULL}};
  const flag_option flags[] = {
      {"--away", &o.away}, {"--inverted", &o.inverted}, {"--overlay", &o.overlay}, {NULL, NULL}};
  for (; a->at < a->argc; a->at++) {
    const char *v = word(a, "--vessel");
    if (v) {
      if (!choose(v, vessels, 5, "--vessel", &vessel)) return 2;
      continue;
    }
    v = word(a, "--diastole");
    if (v) {
      if (!choose(v, diastoles, 3, "--diastole", &diastole)) return 2;
      continue;
    }
    int k = take(a, reals, flags);
    if (k < 0) return 2;
    if (!k) return ogv_cli_usage(&ogv_cmd_phantom, "spectrum: unknown option %.60s", a->argv[a->at]);
  }
  if (!a->out) return ogv_cli_usage(&ogv_cmd_phantom, "spectrum: where shall the picture go?");
  if (!whole(seed)) return ogv_cli_usage(&ogv_cmd_phantom, "--seed is a whole number");
  o.seed = (uint64_t)seed;
  o.vessel = (ogv_phantom_vessel)vessel;
  o.diastole = (ogv_phantom_diastole)diastole;
  ogv_error err = {0};
  ogv_image img = {0};
  ogv_phantom_spectrum_truth t = {0};
  ogv_status st = ogv_phantom_spectrum(&o, &img, &t, &err);
  json_t *truth = st == OGV_OK ? ogv_phantom_spectrum_json(&t, true) : NULL;
  ogv_phantom_spectrum_free(&t);
  return finish(a, st, &img, truth, &err);
}

static int run_exam(args *a) {
  static const int usual[] = {87, 143, 198, 236, 260};
  ogv_phantom_options o;
  ogv_phantom_defaults(&o);
  double seed = 1, fetuses = 1, serial = 0, objects = 0, frames = 0;
  const real_option reals[] = {{"--seed", &seed},     {"--fetuses", &fetuses}, {"--centile", &o.centile},
                               {"--serial", &serial}, {"--objects", &objects}, {"--frames", &frames},
                               {NULL, NULL}};
  const flag_option flags[] = {{"--quick", &o.quick}, {NULL, NULL}};
  ogv_error err = {0};
  bool week = false;
  for (; a->at < a->argc; a->at++) {
    const char *v = word(a, "--week");
    if (v) {
      if (ogv_ga_parse(v, &o.ga_days, &err) != OGV_OK) return ogv_cli_fail("phantom", &err, a->json);
      week = true;
      continue;
    }
    v = word(a, "--date");
    if (v) {
      if (ogv_date_parse(v, &o.exam_date, &err) != OGV_OK) return ogv_cli_fail("phantom", &err, a->json);
      continue;
    }
    int k = take(a, reals, flags);
    if (k < 0) return 2;
    if (!k) return ogv_cli_usage(&ogv_cmd_phantom, "unknown option %.60s", a->argv[a->at]);
  }
  if (!a->out) return ogv_cli_usage(&ogv_cmd_phantom, "which folder shall the exam be written to?");
  if (!whole(seed)) return ogv_cli_usage(&ogv_cmd_phantom, "--seed is a whole number");
  o.seed = (uint64_t)seed;
  o.fetuses = (int)limit(fetuses);
  o.serial = (int)limit(serial);
  o.objects = (int)limit(objects);
  o.clip_frames = (int)limit(frames);
  if (!week && o.serial >= 1) o.ga_days = usual[o.serial > 5 ? 4 : o.serial - 1];
  ogv_status st = ogv_phantom_exam(&o, a->out, &err);
  if (st != OGV_OK) return ogv_cli_fail("phantom", &err, a->json);
  char ga[OGV_GA_TEXT];
  ogv_ga_text(o.ga_days, ga);
  if (a->json)
    return ogv_cli_print_json(
        json_pack("{s:s,s:I,s:s,s:i}", "folder", a->out, "seed", (json_int_t)o.seed, "ga", ga, "fetuses", o.fetuses));
  printf("wrote an exam at %s to %s (truth in truth.json)\n", ga, a->out);
  return 0;
}

static int run(int argc, char **argv) {
  args a = {.argc = argc, .argv = argv, .at = 1};
  for (int i = 1; i < argc; i++)
    if (!strcmp(argv[i], "--json")) a.json = 1;
  a.at = 2;
  if (argc > 1 && !strcmp(argv[1], "plane")) return run_plane(&a);
  if (argc > 1 && !strcmp(argv[1], "clip")) return run_clip(&a);
  if (argc > 1 && !strcmp(argv[1], "spectrum")) return run_spectrum(&a);
  a.at = 1;
  return run_exam(&a);
}
