/* The phantom: whole synthetic exams with known truth, written as DICOM. A test instrument and a demo source; never
 * tune an algorithm to it alone. All people and places in it are invented. docs/phantom.md describes truth.json. */
#ifndef PHANTOM_EXAM_H
#define PHANTOM_EXAM_H

#include <stdbool.h>
#include <stdint.h>

#include "core_date.h"
#include "core_status.h"

typedef struct ogv_phantom_options {
  uint64_t seed;
  int ga_days;        /* 11w0d..40w6d; before 14w0d a first-trimester exam (CRL, nuchal translucency) */
  int fetuses;        /* 1..3 */
  double centile;     /* growth follows this centile, 0.1..99.9, default 50 */
  ogv_date exam_date; /* OGV_DATE_NONE: derived from the seed */
  int serial;         /* 0 for a single exam; k for the k-th exam of the same pregnancy: same patient and LMP */
  int clip_frames;    /* heart clip, default 60 */
  bool quick;         /* smaller pictures and fewer frames for tests */
  int objects; /* 0: the usual exam; else exactly so many objects, the report included (at least 2, at most 500) */
} ogv_phantom_options;

/* Fills the defaults. */
void ogv_phantom_defaults(ogv_phantom_options *o);
/* Writes folder/DICOM/PA000001/ST000001/SE00000k/IM00000n (no extensions, nested, as exports are) and
 * folder/truth.json. The folder is made; files in it are overwritten. Same options, same bytes. */
ogv_status ogv_phantom_exam(const ogv_phantom_options *o, const char *folder, ogv_error *err);

#endif
