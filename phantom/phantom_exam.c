#include "phantom_exam.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "private/phantom_session.h"

void ogv_phantom_defaults(ogv_phantom_options *o) {
  memset(o, 0, sizeof *o);
  o->seed = 1;
  o->ga_days = 143;
  o->fetuses = 1;
  o->centile = 50;
  o->exam_date = OGV_DATE_NONE;
}

static ogv_status check(const ogv_phantom_options *o, ogv_error *err) {
  if (o->ga_days < 77 || o->ga_days > 286) {
    char ga[OGV_GA_TEXT];
    return ogv_fail(err, OGV_E_RANGE, "Choose a gestational age from 11w0d to 40w6d.", "the phantom has no exam at %s",
                    ogv_ga_text(o->ga_days, ga));
  }
  if (o->fetuses < 1 || o->fetuses > 3)
    return ogv_fail(err, OGV_E_RANGE, NULL, "%d fetuses: the phantom has 1 to 3", o->fetuses);
  if (!(o->centile >= 0.1 && o->centile <= 99.9))
    return ogv_fail(err, OGV_E_RANGE, NULL, "centile %g is not 0.1 to 99.9", o->centile);
  if (o->serial < 0 || o->serial > 50)
    return ogv_fail(err, OGV_E_RANGE, NULL, "exam number %d is not 0 to 50", o->serial);
  if (o->clip_frames && (o->clip_frames < 2 || o->clip_frames > 1000))
    return ogv_fail(err, OGV_E_RANGE, NULL, "%d frame(s): a clip has 2 to 1000", o->clip_frames);
  if (o->objects && (o->objects < 2 || o->objects > 500))
    return ogv_fail(err, OGV_E_RANGE, NULL, "%d object(s): an exam has 2 to 500", o->objects);
  return OGV_OK;
}

/* One entry of the plan: what to write. */
typedef enum { HEAD, ABDOMEN, FEMUR, EARLY, CLIP, MMODE, COLOUR, UA, MCA, UTA_L, UTA_R, DV, IN_OUT } what;
typedef struct step {
  what w;
  int fetus, turn;
} step;

static int add(step *plan, int n, what w, int fetus, int turn) {
  plan[n] = (step){w, fetus, turn};
  return n + 1;
}

/* The usual exam in the order of scanning; then repeats until there are as many as asked for. */
static int make_plan(const ogv_phantom_options *o, step *plan, int most) {
  int n = 0;
  bool early = o->ga_days < 98;
  for (int f = 0; f < o->fetuses; f++) {
    if (early) {
      for (int k = 0; k < 3; k++) n = add(plan, n, EARLY, f, k);
      n = add(plan, n, HEAD, f, 0);
      n = add(plan, n, MMODE, f, 0);
      continue;
    }
    for (int k = 0; k < 2; k++) {
      n = add(plan, n, HEAD, f, k);
      n = add(plan, n, ABDOMEN, f, k);
      n = add(plan, n, FEMUR, f, k);
    }
    n = add(plan, n, CLIP, f, 0);
    n = add(plan, n, MMODE, f, 0);
    n = add(plan, n, UA, f, 0);
    n = add(plan, n, UA, f, 1);
    n = add(plan, n, MCA, f, 0);
    if (o->ga_days >= 150) n = add(plan, n, DV, f, 0);
    n = add(plan, n, COLOUR, f, 0);
    n = add(plan, n, IN_OUT, f, 0);
  }
  n = add(plan, n, UTA_L, 0, 0);
  n = add(plan, n, UTA_R, 0, 0);
  static const what later[] = {HEAD, ABDOMEN, FEMUR, UA,    HEAD,  ABDOMEN, COLOUR, FEMUR,
                               MCA,  MMODE,   HEAD,  UTA_L, UTA_R, ABDOMEN, FEMUR};
  static const what later_early[] = {EARLY, EARLY, HEAD, MMODE, UTA_L, UTA_R};
  int want = o->objects ? o->objects - 1 : n, turns[12] = {2, 2, 2, 3, 1, 1, 1, 2, 1, 1, 1, 1};
  for (int k = 0; n < want && n < most; k++) {
    what w = early ? later_early[k % 6] : later[k % 15];
    n = add(plan, n, w, w == UTA_L || w == UTA_R ? 0 : k % o->fetuses, turns[w]++);
  }
  return n < want ? n : want;
}

static ogv_status write_step(ph_exam *x, const step *s, ogv_error *err) {
  switch (s->w) {
    case HEAD: return ph_write_plane(x, OGV_PHANTOM_HEAD, s->fetus, s->turn, err);
    case ABDOMEN: return ph_write_plane(x, OGV_PHANTOM_ABDOMEN, s->fetus, s->turn, err);
    case FEMUR: return ph_write_plane(x, OGV_PHANTOM_FEMUR, s->fetus, s->turn, err);
    case EARLY: return ph_write_early(x, s->fetus, s->turn, err);
    case CLIP: return ph_write_clip(x, s->fetus, s->turn, err);
    case MMODE: return ph_write_mmode(x, s->fetus, s->turn, err);
    case COLOUR: return ph_write_colour(x, s->fetus, s->turn, err);
    case UA: return ph_write_spectrum(x, PH_UA, s->fetus, s->turn, err);
    case MCA: return ph_write_spectrum(x, PH_MCA, s->fetus, s->turn, err);
    case UTA_L: return ph_write_spectrum(x, PH_UTA_LEFT, s->fetus, s->turn, err);
    case UTA_R: return ph_write_spectrum(x, PH_UTA_RIGHT, s->fetus, s->turn, err);
    case IN_OUT: return ph_write_spectrum(x, PH_IN_OUT, s->fetus, s->turn, err);
    default: return ph_write_spectrum(x, PH_DV, s->fetus, s->turn, err);
  }
}

/* Means of repeated readings, as scanners add them; they name no picture. */
static void add_means(ph_exam *x) {
  static const char *const ids[] = {"hc", "bpd", "ofd", "ac", "fl", "crl"};
  for (size_t q = 0; q < sizeof ids / sizeof *ids; q++)
    for (int f = 0; f < x->o->fetuses; f++) {
      double sum = 0;
      int n = 0;
      for (int i = 0; i < x->n_measures; i++)
        if (!strcmp(x->measures[i].quantity, ids[q]) && !strcmp(x->measures[i].fetus, ph_fetus_label(x, f)) &&
            !*x->measures[i].derivation) {
          sum += x->measures[i].value;
          n++;
        }
      if (n > 1) ph_measure(x, ids[q], ph_round(sum / n, 1), "mm", f, NULL, NULL, "mean", 0, NULL, 0);
    }
}

static json_t *fetus_json(const ph_exam *x, int f) {
  const ph_size *s = &x->size[f];
  json_t *o = json_object();
  struct {
    const char *key;
    double v;
  } rows[] = {{"z", s->z},
              {"hc_mm", s->hc_mm},
              {"bpd_mm", s->bpd_mm},
              {"ofd_mm", s->ofd_mm},
              {"ac_mm", s->ac_mm},
              {"apad_mm", s->apad_mm},
              {"tad_mm", s->tad_mm},
              {"fl_mm", s->fl_mm},
              {"crl_mm", s->crl_mm},
              {"nt_mm", s->nt_mm},
              {"rate_bpm", s->rate_bpm},
              {"ua_pi", s->ua_pi},
              {"ua_psv_cm_s", s->ua_psv},
              {"mca_pi", s->mca_pi},
              {"mca_psv_cm_s", s->mca_psv}};
  json_object_set_new(o, "label", json_string(ph_fetus_label(x, f)));
  for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) json_object_set_new(o, rows[i].key, ph_real(rows[i].v, 6));
  json_object_set_new(o, "extrapolated", json_boolean(s->extrapolated));
  return o;
}

static ogv_status write_truth(ph_exam *x, ogv_error *err) {
  char birth[OGV_DATE_TEXT], lmp[OGV_DATE_TEXT], edd[OGV_DATE_TEXT], date[OGV_DATE_TEXT], ga[OGV_GA_TEXT], path[4096];
  json_t *root = json_object(), *fetuses = json_array();
  for (int f = 0; f < x->o->fetuses; f++) json_array_append_new(fetuses, fetus_json(x, f));
  json_object_set_new(root, "phantom", json_integer(1));
  json_object_set_new(root, "seed", json_integer((json_int_t)x->o->seed));
  json_object_set_new(root, "patient",
                      json_pack("{s:s,s:s,s:s}", "id", x->who.id, "name", x->who.name, "birth_date",
                                ogv_date_text(x->who.birth, birth)));
  json_object_set_new(root, "pregnancy",
                      json_pack("{s:s,s:s,s:i,s:s,s:i,s:f}", "lmp", ogv_date_text(x->who.lmp, lmp), "edd",
                                ogv_date_text(x->who.lmp + 280, edd), "ga_days", x->o->ga_days, "ga",
                                ogv_ga_text(x->o->ga_days, ga), "fetuses", x->o->fetuses, "centile", x->o->centile));
  json_object_set_new(root, "exam",
                      json_pack("{s:s,s:s,s:s,s:i}", "date", ogv_date_text(x->date, date), "study", x->study,
                                "accession", x->who.accession, "serial", x->o->serial));
  json_object_set_new(root, "uterine",
                      json_pack("{s:f,s:f}", "left_pi", x->size[0].uta_pi[0], "right_pi", x->size[0].uta_pi[1]));
  json_object_set_new(root, "fetuses", fetuses);
  json_object_set(root, "files", x->files);
  char *text = ogv_json_pretty(root);
  json_decref(root);
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  snprintf(path, sizeof path, "%s/truth.json", x->folder);
  ogv_status st = ogv_file_write(path, text, strlen(text), err);
  free(text);
  return st;
}

static ogv_status run(ph_exam *x, ogv_error *err) {
  ph_rng r = ph_rng_of(x->o->seed, 42); /* the pregnancy's, not the exam's: proportions stay from exam to exam */
  double z = ph_round(ph_normal_quantile(x->o->centile / 100), 6);
  for (int f = 0; f < x->o->fetuses; f++) {
    double shape = ph_round(ph_range(&r, -0.02, 0.02), 4), round = ph_round(ph_range(&r, -0.025, 0.025), 4);
    OGV_TRY(ph_size_of(x->o->ga_days, ph_round(z - 0.3 * f, 6), shape, round, &x->size[f], err));
    x->size[f].rate_bpm = ph_round(x->size[f].rate_bpm + ph_range(&r, -8, 8), 1);
  }
  step *plan = calloc(700, sizeof *plan);
  if (!plan) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  int n = make_plan(x->o, plan, 690);
  ph_new_series(x);
  ogv_status st = OGV_OK;
  for (int i = 0; i < n && st == OGV_OK; i++) st = write_step(x, &plan[i], err);
  free(plan);
  if (st != OGV_OK) return st;
  add_means(x);
  OGV_TRY(ph_write_report(x, err));
  return write_truth(x, err);
}

ogv_status ogv_phantom_exam(const ogv_phantom_options *options, const char *folder, ogv_error *err) {
  OGV_TRY(check(options, err));
  ogv_phantom_options o = *options;
  if (!o.clip_frames) o.clip_frames = o.quick ? 24 : 60;
  ph_exam *x = calloc(1, sizeof *x);
  if (!x) return ogv_fail(err, OGV_E_MEMORY, NULL, "phantom: out of memory");
  x->o = &o;
  x->seed = ph_mix(ph_mix(o.seed) ^ ph_mix((uint64_t)o.ga_days * 64 + (uint64_t)o.serial));
  ph_person_of(o.seed, &x->who);
  if (o.exam_date != OGV_DATE_NONE) x->who.lmp = o.exam_date - o.ga_days;
  x->date = x->who.lmp + o.ga_days;
  snprintf(x->who.accession, sizeof x->who.accession, "A%08llu",
           (unsigned long long)(ph_mix(x->seed ^ 0xacc) % 100000000));
  x->seconds = 8 * 3600 + (int)(ph_mix(x->seed ^ 0x71) % (8 * 3600));
  ph_uid(x, "study", 0, x->study);
  x->files = json_array();
  ogv_status st = OGV_OK;
  if (strlen(folder) >= sizeof x->folder)
    st = ogv_fail(err, OGV_E_INVALID, "Choose a shorter folder.", "the path of the folder is too long");
  if (st == OGV_OK) {
    snprintf(x->folder, sizeof x->folder, "%s", folder);
    st = ogv_folder_make(folder, err);
  }
  if (st == OGV_OK) st = run(x, err);
  json_decref(x->files);
  for (int i = 0; i < x->n_strings; i++) free(x->strings[i]);
  free(x);
  return st;
}
