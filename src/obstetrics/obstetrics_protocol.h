/* Protocols: what an exam of a kind must have, with which charts and by which rule for repeats. docs/server.md has the
 * shape. */
#ifndef OBSTETRICS_PROTOCOL_H
#define OBSTETRICS_PROTOCOL_H

#include <jansson.h>
#include <stdbool.h>

#include "core_status.h"
#include "obstetrics_readings.h"

/* Refuses a protocol with an unknown quantity, chart or rule, a chart of another quantity or one that is switched off,
 * impossible ages, or members of the wrong kind. `where` (a file, or "protocol") begins the message. */
ogv_status ogv_protocol_check(const json_t *protocol, const char *where, ogv_error *err);

/* The row of a quantity; NULL when the protocol has none (or is NULL). Borrowed. */
const json_t *ogv_protocol_row(const json_t *protocol, const char *quantity);
/* The rule for repeats of a quantity; *stated (may be NULL) tells whether the protocol says it. A word that is no rule
 * counts as unsaid. */
ogv_repeat_rule ogv_protocol_repeats(const json_t *protocol, const char *quantity, bool *stated);

#endif
