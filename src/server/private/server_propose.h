/* Proposals on a shown picture, and what storing an accepted one needs of them. */
#ifndef SERVER_PROPOSE_H
#define SERVER_PROPOSE_H

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

/* Whether a measurement request is an accepted spectrum or rate; its rows are then made here. */
bool ogv_propose_asked(const json_t *body);
ogv_status ogv_propose_rows(ogv_request *q, const json_t *body, json_t *rows, ogv_error *err);
/* The finding that comes with it (notch of a uterine artery); called within the transaction that stores the rows. */
ogv_status ogv_propose_finding(ogv_request *q, const json_t *body, ogv_error *err);

/* server_second.c: the reader of planes. ask: {kind?, at?}; kind head, abdomen or femur. */
ogv_second *ogv_second_new(void); /* NULL when out of memory */
void ogv_second_free(ogv_second *s);
ogv_status ogv_second_propose(ogv_request *q, ogv_seen *p, const json_t *ask, json_t **out, ogv_error *err);
/* Keeps with a row what was proposed (body's "proposal") and whether a person changed it. */
void ogv_second_mark(const json_t *body, json_t *row);
/* Reads the pictures of stored rows again without knowing the values; differences become notes on the exam. */
void ogv_second_reread_rows(ogv_request *q, const json_t *ids);

#endif
