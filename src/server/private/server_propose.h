/* Proposals on a shown picture, and what storing an accepted one needs of them. */
#ifndef SERVER_PROPOSE_H
#define SERVER_PROPOSE_H

#include "imaging_image.h"
#include "measure_auto.h"
#include "measure_spectrum.h"
#include "obstetrics_quantity.h"
#include "server_internal.h"

/* A picture while it is read. */
typedef struct ogv_seen {
  const char *object;
  int frame;
  ogv_dicom *dicom;
  const ogv_dicom_info *about;
  const ogv_region *regions; /* borrowed */
  size_t n;
  ogv_image image; /* empty until ogv_seen_image */
} ogv_seen;
/* Close also after a failure. */
ogv_status ogv_seen_open(ogv_request *q, const char *object, int frame, ogv_seen *s, ogv_error *err);
ogv_status ogv_seen_image(ogv_seen *s, ogv_error *err);
void ogv_seen_close(ogv_request *q, ogv_seen *s);
const ogv_region *ogv_seen_region(const ogv_seen *s, int format); /* first of this format, or NULL */
/* The spectral region that ask chooses ("region", an index among all regions), the only one, or the one that a person's
 * "calibration" makes (index then is the number of regions). Of several none is taken unasked: OGV_E_INVALID. */
ogv_status ogv_seen_spectral(const ogv_seen *p, const json_t *ask, ogv_region *out, size_t *index, ogv_error *err);

/* Whether a measurement request is an accepted spectrum or rate; its rows are then made here. */
bool ogv_propose_asked(const json_t *body);
ogv_status ogv_propose_rows(ogv_request *q, const json_t *body, json_t *rows, ogv_error *err);
/* A new reading of a spectrum may give fewer values than the one it replaces (no velocities over 70 degrees): what it
 * replaces and gives no more is withdrawn, within the transaction that stores the rows. */
ogv_status ogv_propose_leave(ogv_request *q, const json_t *body, const json_t *ids, ogv_error *err);
/* The finding that comes with it (notch of a uterine artery); called within the transaction that stores the rows. */
ogv_status ogv_propose_finding(ogv_request *q, const json_t *body, ogv_error *err);

/* A person's edits with their author, and the moment each was made: the page says when; one without is dated now. Who
 * made it is the person who is logged in, whatever the page says. New reference; null without edits. */
json_t *ogv_propose_signed(const json_t *edits, const char *who);

/* server_propose.c: what a row would get, {"quantity","symbol","unit"} with "value","sd","decimals", or where read is
 * not OGV_OK with "refused" and the reason of e. New reference. */
json_t *ogv_propose_value(const ogv_quantity *q, ogv_status read, double value, double sd, const ogv_error *e);

/* server_timing.c: the atrioventricular interval of a spectrum or an M-mode strip. ask: {beats?, walls?, calibration?}
 * (docs/server.md). */
ogv_status ogv_timing_propose(ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err);
/* Rows of an accepted one; body's "av_interval" is such an ask with "edits". */
ogv_status ogv_timing_rows(ogv_request *q, const json_t *body, json_t *rows, ogv_error *err);
/* Whether this spectrum shows inflow and outflow with an interval that can be read. */
bool ogv_timing_seen(ogv_seen *p, const ogv_spectrum_scale *scale);

/* server_second.c: the reader of planes. ask: {kind?, at?}; kind head, abdomen or femur. */
ogv_second *ogv_second_new(void); /* NULL when out of memory */
void ogv_second_free(ogv_second *s);
ogv_status ogv_second_propose(ogv_request *q, ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err);
/* The part of the picture that is read, its scale, and the age on that day. The image is read first. */
ogv_status ogv_second_still(ogv_request *q, ogv_seen *p, ogv_still *out, ogv_error *err);
/* ask's "at": a point inside the structure, when there is one; OGV_E_INVALID outside the picture. */
ogv_status ogv_second_prompt(const ogv_seen *p, const json_t *ask, ogv_still *still, ogv_error *err);
bool ogv_second_plane(const char *word, ogv_plane *out); /* head, abdomen, femur */
/* What is shown of a reading; without values. New reference. */
json_t *ogv_second_answer(const ogv_reading *r, bool measurable);
/* The reader of the jobs' thread, opened when first needed; only that thread may use it. */
ogv_status ogv_second_long_reader(ogv_second *s, ogv_reader **out, ogv_error *err);
/* server_clip.c: rows of an accepted clip reading. ask: {job, quantities, left_out}. */
ogv_status ogv_clip_rows(ogv_request *q, const json_t *body, const json_t *ask, json_t *rows, ogv_error *err);
/* server_propose.c: rate of a clip, as a proposal. */
ogv_status ogv_propose_clip_rate(ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err);
/* server_proposed.c: reads the picture again as body's "proposal" says it was read. *kept: what is kept with the rows
 * (new reference), NULL when nothing was proposed. OGV_E_CONFLICT when the program proposes something else. */
ogv_status ogv_proposed_recall(ogv_request *q, const char *object, int frame, const json_t *body, json_t **kept,
                               ogv_error *err);
void ogv_proposed_mark(json_t *kept, json_t *row); /* kept may be NULL */
/* Criteria of the plane with the person's ticks ({id: true|false}, may be NULL); *out new, NULL without criteria. */
ogv_status ogv_proposed_quality(json_t *criteria, const json_t *judged, const char *who, json_t **out, ogv_error *err);
/* server_propose.c: rate of an M-mode strip with one beat as its geometry. */
ogv_status ogv_propose_strip_rate(ogv_seen *p, json_t **out, ogv_error *err);
/* Reads the pictures of stored rows again without knowing the values; differences become notes on the exam. */
void ogv_second_reread_rows(ogv_request *q, const json_t *ids);

#endif
