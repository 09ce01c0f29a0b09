/* Dating in the record: gathers the evidence of a pregnancy and, when nobody has decided yet, decides by the rule. */
#ifndef INTAKE_DATING_H
#define INTAKE_DATING_H

#include <jansson.h>

#include "core_status.h"
#include "record_store.h"

/* Brings the evidence that rests on the ledger (crown-rump length, first biometry) up to date, then:
 * - undated: decides by `rule` (NULL: setting "dating.rule", else the default) and records it, marked automatic, with a
 * note;
 * - dated: leaves the decision as it is; when the rule would now say another day, a note says so, once.
 * *out (may be NULL): {"pregnancy","state":"decided"|"kept"|"differs"|"undated","decision":{...}|null,"now":{...}|null,
 * "text"}. Call it after anything that may be evidence was added. */
ogv_status ogv_intake_date(ogv_store *s, const char *pregnancy, const char *rule, const char *who, json_t **out,
                           ogv_error *err);

/* A person's decision: by the rule (edd NULL) or a due date given, which needs a reason. When a decision stands, the
 * same day confirms it; another day needs a reason (OGV_E_CONFLICT tells both). */
ogv_status ogv_intake_decide(ogv_store *s, const char *pregnancy, const char *rule, const char *edd, const char *reason,
                             const char *who, json_t **out, ogv_error *err);

#endif
