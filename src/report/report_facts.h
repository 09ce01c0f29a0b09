/* The one set of facts of an exam from which every output is written: page, PDF, structured report, messages.
 * docs/facts.md has the shape. Everything in it can be recomputed: geometry -> value -> derived -> centile. */
#ifndef REPORT_FACTS_H
#define REPORT_FACTS_H

#include <jansson.h>

#include "core_status.h"
#include "record_store.h"

/* Builds the facts of an exam: identity, dating with reasons, ledger with evidence, derived values (weight, ratios),
 * centiles with intervals on their named charts, history of the pregnancy, pictures, safety indices, sentences, limits.
 * New reference. The same record gives the same facts, byte for byte in canonical form. */
ogv_status ogv_report_facts(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err);

/* The pure half: takes facts that hold the inputs (docs/facts.md, "Inputs") and fills in, or replaces, every computed
 * member. Verification runs it again over the inputs of a finished report. Inputs are not changed. */
ogv_status ogv_facts_compose(json_t *facts, ogv_error *err);

/* Checks that facts from a file have the members and kinds that composing and drawing rely on, so that no other code
 * meets a wrong shape. OGV_E_INVALID names the member. */
ogv_status ogv_facts_check(const json_t *facts, ogv_error *err);

#endif
