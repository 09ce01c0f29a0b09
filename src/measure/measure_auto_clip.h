/* A clip instead of a still: many frames of one structure, combined into one value that says how sure it is.
 *
 * Frames are read one by one; those that the reader accepts are kept. The value is their median, weighted by
 * acceptance. Neighbouring frames are nearly the same picture, so they do not count as independent readings: with r the
 * correlation of one kept value with the next, n frames count as n (1 - r) / (1 + r), at least 1 (the usual rule for a
 * first-order process). What all frames share (the plane chosen, the habit of the networks, the scale) does not average
 * out: the SD is that of the spread over the effective number, plus 0.7 of a single reading's SD, in quadrature. The
 * 0.7 is our choice.
 *
 * A clip is read only when enough of its frames are: a tenth of those looked at, and three where there are three. Sixty
 * looks at something else are sixty chances for one to be taken for the plane; several that agree in size are not
 * chance. Our own rule. */
#ifndef MEASURE_AUTO_CLIP_H
#define MEASURE_AUTO_CLIP_H

#include "measure_auto.h"

/* Gives frame i; the reader frees the picture. */
typedef ogv_status (*ogv_clip_frame)(void *user, int frame, ogv_image *out, ogv_error *err);

#define OGV_CLIP_BEST 5
#define OGV_CLIP_FRAMES 600
#define OGV_CLIP_SHARE 10 /* one in so many frames is needed */
#define OGV_CLIP_LEAST 3  /* and so many */
/* A frame that the reader accepted. */
typedef struct ogv_clip_accepted {
  int frame;
  double value, sd, weight; /* main quantity and the reader's SD of it, mm; weight: the acceptance, 0..1 */
  int n_points;
  double points[8]; /* as in ogv_reading */
} ogv_clip_accepted;

typedef struct ogv_clip_reading {
  bool accepted;
  char reason[200];
  ogv_plane kind;
  int frames, read, kept;                /* in the clip, looked at, accepted */
  double value, sd, low, high;           /* of the main quantity, mm; 95 % interval */
  double spread, correlation, effective; /* robust SD over kept frames, next-frame correlation, effective number */
  int best[OGV_CLIP_BEST], n_best;       /* the frames that show it best: the evidence */
  ogv_reading evidence;                  /* the reading of the kept frame whose value is nearest to the clip's */
  ogv_clip_accepted accepted_frame[OGV_CLIP_FRAMES]; /* all frames that were accepted, in time, strays too */
  int n_accepted;
} ogv_clip_reading;

/* The rule above on n frames in time order: drops strays from k (beyond four robust SD; what stays moves together) and
 * fills kept, value, spread, correlation, effective, sd, low, high and best. Value stays NaN for n < 1 or when memory
 * is out. */
void ogv_clip_combine(ogv_clip_accepted *k, int n, ogv_clip_reading *out);

/* How many of the frames looked at have to be kept for the clip to be accepted. */
int ogv_clip_needed(int read);
/* At most `limit` frames (3..600), spread evenly, are looked at. still: box, scale, prompt; its image is not used. kind
 * OGV_PLANE_OTHER: find out from the frames. */
ogv_status ogv_reader_clip(ogv_reader *r, ogv_plane kind, ogv_clip_frame next, void *user, int frames, int limit,
                           const ogv_still *still, ogv_clip_reading *out, ogv_error *err);
json_t *ogv_clip_reading_json(const ogv_clip_reading *c); /* new reference */

#endif
