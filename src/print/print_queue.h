/* Paper: PDF files sent to printers over IPP (RFC 8010 and 8011), through the queues of the CUPS server of this machine
 * or straight to a printer that takes PDF. Nothing is looked for on the network: only queues that the server already
 * has and addresses that the department set up are asked. Calls block until the server answers or 15 s pass. */
#ifndef PRINT_QUEUE_H
#define PRINT_QUEUE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

#define OGV_PRINT_COPIES 50

/* {"printers": [printer], "trouble": null or why the print server of this machine gave no list}. printer: {"id": a
 * queue's name or an ipp address, "name", "place", "model", "standard": the server's default, "state": "ready",
 * "printing", "stopped" or "unreachable", "accepting", "pdf", "reasons": [plain words], "papers": [{"id": PWG 5101.1
 * name, "name"}], "paper": the one it takes when none is asked for, "two_sided", "colour"}. addresses: array of ipp
 * addresses set up by the department; may be NULL. *out is a new reference. */
ogv_status ogv_print_printers(const json_t *addresses, json_t **out, ogv_error *err);

typedef struct ogv_print_ask {
  const char *printer; /* id of a printer */
  const char *paper;   /* id or name of one of its papers; NULL: A4 when it has that, else its own */
  int copies;          /* 1..OGV_PRINT_COPIES */
  bool two_sided;
  const char *title, *who; /* as the queue shows them */
} ogv_print_ask;

/* Hands a PDF to a printer. *job: {"job": number, "printer", "paper", "copies", "two_sided", and what
 * ogv_print_state gives}, a new reference. OGV_E_NOT_FOUND no such printer or paper, OGV_E_UNSUPPORTED it takes no PDF
 * or not two sides, OGV_E_CONFLICT it takes no jobs now, OGV_E_DENIED, OGV_E_IO it does not answer. After a failure
 * nothing is printed. */
ogv_status ogv_print_send(const ogv_print_ask *ask, const void *pdf, size_t size, json_t **job, ogv_error *err);

/* {"state": "waiting", "held", "printing", "stopped", "cancelled", "failed" or "done", "ended": bool, "words": what the
 * state means for the person at the printer, "reasons": [plain words]}. */
ogv_status ogv_print_state(const char *printer, int job, json_t **out, ogv_error *err);

/* Takes a job back that has not ended. */
ogv_status ogv_print_cancel(const char *printer, int job, const char *who, ogv_error *err);

#endif
