/* Protocols: what an exam of a kind must have. A file (data/protocols, overridden by OGIVE_DATA), or what a department
 * edited, which is a setting of the record and goes before the file. docs/server.md has the shape. */
#ifndef RECORD_PROTOCOL_H
#define RECORD_PROTOCOL_H

#include <jansson.h>

#include "core_status.h"
#include "record_store.h"

/* New reference; "edited": true when it comes from the record. OGV_E_NOT_FOUND when there is none of this id. */
ogv_status ogv_store_protocol(ogv_store *s, const char *id, json_t **out, ogv_error *err);
/* The one that fits an age and number of fetuses: made for more fetuses first, then the narrower ages. *out is NULL
 * when none fits (ga_days < 0: the age is unknown). */
ogv_status ogv_store_protocol_fitting(ogv_store *s, int ga_days, size_t fetuses, json_t **out, ogv_error *err);

#endif
