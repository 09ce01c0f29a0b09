/* Classification rules as data (data/rules): each has its citation and answers met, not met or cannot tell, with the
 * facts it used and those missing. A rule states what a published definition says of the numbers; it never orders care.
 * docs/rules.md has the format of rules and of facts. */
#ifndef OBSTETRICS_RULES_H
#define OBSTETRICS_RULES_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct ogv_rule {
  const char *id, *title, *citation, *note;
  const char *status; /* "verified" "single-source" "from-memory" "common-practice" */
  const char *area;   /* "growth" "twins" "fluid" "doppler" "cranium" "early" "cervix" "placenta" "heart" */
  bool per_fetus;     /* else one answer for the pregnancy */
  bool enabled;       /* false for from-memory ones: a department switches them on on purpose */
} ogv_rule;

/* Borrowed; loaded once from the resources, sorted by file and place. NULL past the end / when unknown. */
const ogv_rule *ogv_rule_at(size_t i);
const ogv_rule *ogv_rule_find(const char *id);
/* Checks every rule file: known forms, known facts, no from-memory rule enabled. */
ogv_status ogv_rule_check(ogv_error *err);

/* Fills in what can be computed, in place: "ga" to ga_days; bare numbers to {"value"}; units to those of the table;
 * weight from HC, AC and FL; ratios; mean uterine PI; z, centile and MoM on the named or default chart with z_sd
 * (two-observer SD where none is given); falls of centile from "history"; discordance between fetuses. Nothing that is
 * given is replaced. OGV_E_INVALID / OGV_E_RANGE name the fetus and the fact (implausible values, impossible ages). */
ogv_status ogv_rule_facts_complete(json_t *facts, ogv_error *err);

/* Applies one rule. fetus: label, or NULL for a rule of the pregnancy. *out, a new reference:
 * {"rule","title","citation","status",
 * "area","fetus","applies","answer":"met"|"not-met"|"cannot-tell","class","text","near_limit","conditions":[{"text","fact",
 * "value","limit","answer","near_limit","chart","guard"}],"used":{fact:value},"missing":[fact]}. guard: true where the
 * condition only says whether the rule applies.
 * near_limit: a value within its own 95 % interval of the limit, so that another measurement might answer otherwise.
 * OGV_E_NOT_FOUND when there is no such fetus. */
ogv_status ogv_rule_apply(const ogv_rule *r, const json_t *facts, const char *fetus, json_t **out, ogv_error *err);

/* Applies all enabled rules (and the unconfirmed ones when asked) to every fetus and the pregnancy. Rules that do not
 * apply, and rules none of whose facts are known, are left out unless everything is true. *out: array, new reference.
 */
ogv_status ogv_rules_apply(const json_t *facts, bool unconfirmed, bool everything, json_t **out, ogv_error *err);

#endif
