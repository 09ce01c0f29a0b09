/* Dating evidence that a ledger holds: the one place where measurements become pieces that date a pregnancy. */
#ifndef OBSTETRICS_DATING_SCANS_H
#define OBSTETRICS_DATING_SCANS_H

#include <jansson.h>

#include "core_status.h"

/* exams: [{"exam","date","rows","protocol"}], oldest first; rows as for ogv_readings_choose; protocol (may be absent)
 * is the one that a person chose, whose rules for repeats hold. Exams without a date are passed over. *out (new
 * reference): the pieces as ogv_dating_evidence_from_json reads them, each with "exam", "date", "unit", "measurements"
 * (ids of the rows behind it) and, when several fetuses were measured, "fetus":
 * - a crown-rump length of each exam, for each fetus (of two on one day the rules take the larger);
 * - the biometry of the first exam in which a fetus has a head or a femur, unless a crown-rump length
 *   in the range of the default redating rule was taken before or then: later size is growth, not age. */
ogv_status ogv_dating_scans(const json_t *exams, json_t **out, ogv_error *err);

#endif
