/* Dating evidence and decisions as JSON: the shape stored in the record, sent over HTTP and read by `ogive date`.
 * docs/dating.md lists the members. */
#ifndef OBSTETRICS_DATING_JSON_H
#define OBSTETRICS_DATING_JSON_H

#include <jansson.h>

#include "obstetrics_dating.h"

/* Reads {"basis":"crl","date":"2026-01-20","value_mm":55.2} and the like: lmp (cycle_days, certain), conception,
 * transfer (embryo_age_days), crl / sac (value_mm), biometry (bpd_mm, hc_mm, ac_mm, fl_mm, tcd_mm, bpd_convention),
 * edd. A length may also be written without _mm and with a "unit": {"hc":17.5,"unit":"cm"}. "formula" and
 * "allow_unconfirmed" are optional; null is as if left out; other members are left alone (who, object, ...). Text in
 * *out is borrowed from v. OGV_E_INVALID names the member. */
ogv_status ogv_dating_evidence_from_json(const json_t *v, ogv_dating_evidence *out, ogv_error *err);
/* New reference; {"error":...} shape when code is not OGV_OK (then s is not read). */
json_t *ogv_dating_estimate_to_json(const ogv_dating_evidence *e, const ogv_dating_estimate *s, ogv_status code,
                                    const ogv_error *why);

/* The whole decision: estimates each piece of the array `evidence`, applies the rule set (NULL: default), adds the
 * combined estimate. *out: {"rule","rule_title","citation","status","evidence","estimates","chosen","edd","sd_days",
 * "edd_interval95":[early,late],"difference_days","limit_days","suboptimal","reason","combined"}; a new reference that
 * ogv_store_date can store as it is. A piece that cannot be used stays in "estimates" with its error. "combined" has
 * its label, or an "error". */
ogv_status ogv_dating_decide(const json_t *evidence, const char *rule, json_t **out, ogv_error *err);

#endif
