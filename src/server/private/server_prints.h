/* Pictures on paper, asked for in one shape by address and by body: {what: "contact"|"parents", columns, rows,
 * landscape, anonymous, marks, objects: [id], message, captions: {id: words}}. */
#ifndef SERVER_PRINTS_H
#define SERVER_PRINTS_H

#include "server_internal.h"

ogv_status ogv_prints_pdf(ogv_request *q, const json_t *facts, const json_t *ask, uint8_t **pdf, size_t *size,
                          ogv_error *err);

#endif
