/* From the facts of an exam (docs/facts.md) to the facts that classification rules read (docs/rules.md). */
#ifndef REPORT_RULES_H
#define REPORT_RULES_H

#include <jansson.h>

#include "core_status.h"

/* New reference. Values in use of each fetus with the centile judged by, and what earlier exams measured as history;
 * uterine, cervical and placental values go to the pregnancy. A centile that the report refuses, or one by an age that
 * comes from this very exam, is not passed on, and not computed anew. Chorionicity is taken from a finding of the
 * structure "chorionicity" when there is one. Not yet completed: ogv_rule_facts_complete comes next. */
ogv_status ogv_report_rule_facts(const json_t *facts, json_t **out, ogv_error *err);

#endif
