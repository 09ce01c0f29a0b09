/* The second reader: finds head, abdomen or femur on a still by itself, says how sure it is, and refuses when it is
 * not. It proposes; a person accepts. docs/second-reader.md says how it works and how well; models/ holds the model
 * card. */
#ifndef MEASURE_AUTO_H
#define MEASURE_AUTO_H

#include <jansson.h>
#include <stdbool.h>

#include "core_status.h"
#include "imaging_geometry.h"
#include "imaging_image.h"
#include "imaging_region.h"
#include "nn_net.h"
#include "obstetrics_plausible.h"

typedef enum ogv_plane {
  OGV_PLANE_HEAD,
  OGV_PLANE_ABDOMEN,
  OGV_PLANE_FEMUR,
  OGV_PLANE_THORAX,
  OGV_PLANE_CERVIX,
  OGV_PLANE_SPECTRUM,
  OGV_PLANE_OTHER,
  OGV_PLANES
} ogv_plane;
const char *ogv_plane_word(ogv_plane p); /* "head" "abdomen" "femur" "thorax" "cervix" "spectrum" "other" */

/* Holds the networks and their working memory; serves one thread at a time. */
typedef struct ogv_reader ogv_reader;
/* weights: a prefix of five files, PREFIXmaps.ogvnet and outline, fine, frame and ends, or NULL for those built in.
 * Free with ogv_reader_free. */
ogv_status ogv_reader_open(const char *weights, ogv_net_backend backend, ogv_reader **out, ogv_error *err);
void ogv_reader_free(ogv_reader *r);

/* What to look at. */
typedef struct ogv_still {
  const ogv_image *image;
  int x0, y0, x1, y1;    /* inclusive corners of the part to look at; all 0: the whole picture */
  double mm_x, mm_y;     /* millimetres a pixel; 0: unknown, then nothing is accepted and no millimetres are given */
  double calibration_sd; /* relative SD of the scale */
  double prompt_x, prompt_y; /* a point inside the structure (or on the bone) shown by a person; NaN: none */
  int ga_days;               /* gestational age; -1: unknown. Not looked at while measuring: it is carried for
                              * ogv_reading_plausible */
} ogv_still;
/* A still of the whole picture with nothing known. */
ogv_still ogv_still_of(const ogv_image *image);
/* Takes box, scale and its SD from a 2-D region; leaves the still alone when the region cannot give millimetres. */
void ogv_still_use_region(ogv_still *s, const ogv_region *r);

#define OGV_READING_VALUES 8
#define OGV_READING_CRITERIA 8
typedef struct ogv_reading_value {
  char id[12];      /* quantity: "hc" "bpd" "bpd-oi" "ofd" "ac" "tad" "apad" "fl" */
  double value, sd; /* mm, or 1 for "ci" */
} ogv_reading_value;

/* One criterion of the published image scores. state: 1 met, 0 not met, -1 left to the person. */
typedef struct ogv_criterion {
  const char *id, *text;
  int state;
} ogv_criterion;

typedef struct ogv_reading {
  ogv_plane kind;    /* what was looked for: head, abdomen or femur */
  bool accepted;     /* sure enough to be proposed */
  bool found;        /* there is a geometry, even when not accepted */
  char reason[200];  /* why not accepted; "" when accepted */
  double acceptance; /* calibrated probability that the main value lies within the two-observer limits, 0..1 */
  ogv_plane plane;   /* the plane this looks most like */
  double plane_p[OGV_PLANES];
  ogv_geometry_kind geometry; /* ellipse or distance */
  int n_points;
  double points[8]; /* x,y pairs in pixel-centre coordinates of the whole picture */
  double angle_deg; /* of the long axis or the bone against the rows, -90..90, positive clockwise as seen */
  ogv_reading_value value[OGV_READING_VALUES];
  int n_values;
  /* Abdomen: direction from the centre towards the spine, degrees, -180..180, 0 along the rows, positive clockwise as
   * seen; NaN where it is not seen surely (then tad and apad are alike). */
  double spine_deg;
  double size_px; /* circumference or length in pixels of the (square) canvas, brought back to picture columns */
  ogv_criterion criterion[OGV_READING_CRITERIA];
  int n_criteria;
  double feature[8];          /* what the acceptance was computed from; see docs/second-reader.md */
  double acceptance_before;   /* ogv_reading_plausible: the acceptance from the picture alone */
  ogv_plausibility plausible; /* and what it was weighed against; chart_id NULL or "" when it was not */
} ogv_reading;

const ogv_reading_value *ogv_reading_find(const ogv_reading *r, const char *id); /* NULL when it has none */
/* {"accepted","reason","acceptance","plane","hc_mm","hc_sd_mm",...,"geometry",...}; new reference. */
json_t *ogv_reading_json(const ogv_reading *r);

/* Measures what was asked: head, abdomen or femur. Returns OGV_OK also for a refusal (then accepted is false); other
 * codes only when the picture cannot be read at all. */
ogv_status ogv_reader_measure(ogv_reader *r, ogv_plane kind, const ogv_still *s, ogv_reading *out, ogv_error *err);
/* Finds out which plane it is first; a plane without a measurement gives a refusal that names the plane. */
ogv_status ogv_reader_auto(ogv_reader *r, const ogv_still *s, ogv_reading *out, ogv_error *err);

/* A separate step after measuring, for proposals: weighs the acceptance of the reading's main value against the age on
 * the day (-1 unknown) and other sizes of the same fetus (n may be 0). It may lower the acceptance and refuse the
 * reading with a reason that does not say which way it lies; it changes no value and makes nothing surer. The blind
 * re-read does not use it. */
void ogv_reading_plausible(ogv_reading *r, int ga_days, const ogv_known_size *others, size_t n);

/* Blind re-read of an accepted value: the same picture, not knowing the value. */
typedef struct ogv_reread {
  bool read;        /* the second reader accepted its own reading */
  bool disagrees;   /* the difference is beyond the two-observer limits (and the reader's own SD) */
  double value, sd; /* the second reader's */
  double limit;     /* half-width of the 95 % limits the difference was judged against, mm */
  char reason[200]; /* why nothing can be said, when !read */
  ogv_reading reading;
} ogv_reread;
/* quantity: a table row's id that the reader can measure (OGV_E_UNSUPPORTED otherwise). value in mm. geometry: the
 * person's, NULL when unknown; only its place is used, as the prompt that says which structure on the picture was
 * meant. */
ogv_status ogv_reader_reread(ogv_reader *r, const char *quantity, double value, const ogv_geometry *geometry,
                             const ogv_still *s, ogv_reread *out, ogv_error *err);

#endif
