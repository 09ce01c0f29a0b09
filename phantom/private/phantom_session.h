/* One exam while it is being written: identity, running numbers, what goes into truth.json and into the report. */
#ifndef PHANTOM_SESSION_H
#define PHANTOM_SESSION_H

#include <jansson.h>

#include "dicom_write.h"
#include "phantom_exam.h"
#include "phantom_plane.h"
#include "phantom_spectrum.h"
#include "private/phantom_anatomy.h"
#include "private/phantom_layout.h"
#include "private/phantom_person.h"
#include "private/phantom_size.h"

#define PH_MEASURES 400
typedef struct ph_exam {
  const ogv_phantom_options *o;
  uint64_t seed; /* of this exam: from the pregnancy's seed, its age and number */
  ph_person who;
  ogv_date date;
  ph_size size[3];
  char folder[3072], study[OGV_UID];
  int series, in_series, instance; /* running numbers */
  int seconds;                     /* time of day */
  json_t *files;
  ogv_dicom_measure measures[PH_MEASURES];
  char *strings[2 * PH_MEASURES + 8];
  int n_measures, n_strings;
} ph_exam;

/* What is stored for one object besides its pixels. */
typedef struct ph_object {
  const char *kind, *view; /* truth: "still" "clip" "spectrum" "m-mode" "colour" "report" */
  int fetus;               /* 0.. or -1: the mother */
  const ogv_image *frames;
  int n_frames;
  const double *frame_times;
  double frame_ms;
  const ogv_region *regions;
  size_t n_regions;
  ogv_write_syntax syntax;
  int quality;
  double depth_mm, mi, tib, tis;
  bool colour;
  const char *image_type;
  json_t *truth; /* owned by the store call */
} ph_object;

/* Caption texts for a picture; buffers live in the caller's struct. */
typedef struct ph_caption_text {
  ph_caption c;
  char date[40], age[24], view[48], index[48];
} ph_caption_text;
void ph_caption_of(const ph_exam *x, const char *view, int fetus, double mi, double tib, ph_caption_text *t);

/* Writes the object, adds it to the truth; *instance (may be NULL) gets its UID, *series its series' UID, both borrowed
 * from x. */
ogv_status ph_store(ph_exam *x, ph_object *obj, const char **instance, const char **series, ogv_error *err);
/* Starts a new series (another folder). */
void ph_new_series(ph_exam *x);
const char *ph_fetus_label(const ph_exam *x, int fetus); /* "A".. or "" when there is one */
void ph_uid(const ph_exam *x, const char *what, int number, char out[OGV_UID]);
void ph_measure(ph_exam *x, const char *quantity, double value, const char *unit, int fetus, const char *instance,
                const char *series, const char *derivation, int graphic, const double *points, int n_points);

/* The kinds of object; `turn` counts repeats of one kind. */
ogv_status ph_write_plane(ph_exam *x, ogv_phantom_plane_kind kind, int fetus, int turn, ogv_error *err);
ogv_status ph_write_early(ph_exam *x, int fetus, int turn, ogv_error *err);
ogv_status ph_write_clip(ph_exam *x, int fetus, int turn, ogv_error *err);
ogv_status ph_write_mmode(ph_exam *x, int fetus, int turn, ogv_error *err);
ogv_status ph_write_colour(ph_exam *x, int fetus, int turn, ogv_error *err);
typedef enum { PH_UA, PH_MCA, PH_UTA_LEFT, PH_UTA_RIGHT, PH_DV, PH_IN_OUT } ph_site;
ogv_status ph_write_spectrum(ph_exam *x, ph_site site, int fetus, int turn, ogv_error *err);
ogv_status ph_write_report(ph_exam *x, ogv_error *err);

/* Size of stills by the options. */
static inline int ph_width(const ph_exam *x) { return x->o->quick ? 512 : 1024; }
static inline int ph_height(const ph_exam *x) { return x->o->quick ? 384 : 768; }
static inline json_t *ph_real(double v, int decimals) {
  return v == v ? json_real(ph_round(v, decimals)) : json_null();
}

#endif
