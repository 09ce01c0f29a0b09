/* Dating a pregnancy: what each piece of evidence says, and which one decides by a named rule.
 * Sources are in data/dating and docs/references.md; formulas are named by id. */
#ifndef OBSTETRICS_DATING_H
#define OBSTETRICS_DATING_H

#include <stdbool.h>
#include <stddef.h>

#include "core_date.h"
#include "core_status.h"

typedef enum ogv_dating_basis {
  OGV_DATING_LMP = 1,    /* date = first day of the last menstrual period */
  OGV_DATING_CONCEPTION, /* date = conception, insemination or egg retrieval */
  OGV_DATING_TRANSFER,   /* date = embryo transfer, embryo_age_days 1..7 */
  OGV_DATING_CRL,        /* value = CRL mm on date */
  OGV_DATING_SAC,        /* value = mean sac diameter mm on date */
  OGV_DATING_BIOMETRY,   /* bpd/hc/ac/fl mm on date (NaN where not measured) */
  OGV_DATING_EDD         /* date = a due date given from elsewhere */
} ogv_dating_basis;

typedef struct ogv_dating_evidence {
  ogv_dating_basis basis;
  ogv_date date;  /* of the period, transfer, or scan; the EDD itself for OGV_DATING_EDD */
  int cycle_days; /* LMP: usual cycle length, 0 unknown (28 is used) */
  bool certain;   /* LMP: date certain and cycle regular */
  int embryo_age_days;
  double value_mm;                    /* CRL or MSD */
  double bpd_mm, hc_mm, ac_mm, fl_mm; /* NaN or <= 0 where not measured */
  const char *formula; /* id, or NULL for the default of this basis: the first formula in data/dating/formulas.json
                        * whose measurements are all there */
  double tcd_mm;       /* biometry: cerebellum, only for the formula that is asked for by name */
  const char *bpd_convention; /* "outer-outer" (also when NULL, as the table's bpd) or "outer-inner"; converted where
                               * the formula was made with the other kind, and said in the note */
  bool allow_unconfirmed;     /* let a formula of status "from-memory" be used */
} ogv_dating_evidence;

typedef struct ogv_dating_estimate {
  ogv_date edd;           /* whole day */
  double ga_days_at_date; /* gestational age on evidence.date, unrounded (days) */
  double sd_days;         /* one SD of the age by this evidence */
  const char *formula;    /* id actually used, e.g. "crl-intergrowth" */
  const char *citation;
  char note[200];                    /* e.g. "cycle of 35 days moves the due date by 7 days"; "" when none */
  const char *title;                 /* of the formula, for people */
  const char *status;                /* "verified" "single-source" "from-memory" "as-given" */
  const char *sd_source, *sd_status; /* where sd_days comes from; "ours" where it is this program's working value */
} ogv_dating_estimate;

/* OGV_E_RANGE outside the formula's range, OGV_E_INVALID for impossible input (60-day cycle, CRL in cm, EDD before
 * LMP). */
ogv_status ogv_dating_estimate_from(const ogv_dating_evidence *e, ogv_dating_estimate *out, ogv_error *err);

typedef struct ogv_dating_choice {
  size_t chosen; /* index of the evidence that decides */
  ogv_date edd;
  double sd_days; /* of the chosen evidence; a period confirmed by a scan gets the spread given both (docs/dating.md) */
  const char *rule; /* id: "acog700" or "scan-always" */
  char reason[400]; /* one sentence a clinician can check: which, by how much, threshold, rule */
  const char *rule_title, *citation, *status; /* of the rule set */
  int difference_days; /* scan minus period, days by which the scan's due date is later; INT_MIN when not compared */
  int limit_days;      /* largest difference accepted; -1 when not compared */
  bool suboptimal;     /* no scan early enough to confirm the date (limit in the rule set) */
  bool careful;        /* redated so late that size, not the date, may be at fault */
  bool large_crl;      /* dated by a CRL above the rule's range */
} ogv_dating_choice;

/* Formulas of data/dating/formulas.json in order; NULL past the end. */
typedef struct ogv_dating_formula {
  const char *id, *title, *citation, *status, *note, *code; /* code: LOINC of DICOM CID 12013, "" when none */
  ogv_dating_basis basis;
  double value_low, value_high; /* mm, CRL and sac; NaN when not limited so */
  double ga_low, ga_high;       /* days, of the result; NaN when not limited so */
  const char *sd_source, *sd_status;
  const char *bpd_convention; /* "" when no BPD */
} ogv_dating_formula;
const ogv_dating_formula *ogv_dating_formula_at(size_t i);
/* Reads the files of data/dating, once, and says what is wrong with them. */
ogv_status ogv_dating_check(ogv_error *err);

/* Rule sets of data/dating/rules.json. */
typedef struct ogv_dating_rule {
  const char *id, *title, *citation, *status, *note;
  bool is_default;
} ogv_dating_rule;
const ogv_dating_rule *ogv_dating_rule_at(size_t i); /* NULL past the end */

/* Applies a redating rule set (NULL: the default one) to all evidence. A due date given from elsewhere stands and is
 * never moved by a scan; differences are said in the reason. OGV_E_INVALID when evidence cannot be of one pregnancy.
 * estimates[i] belongs to evidence[i]; sd_days < 0 marks one that failed and is ignored. OGV_E_NOT_FOUND when nothing
 * dates the pregnancy. */
ogv_status ogv_dating_choose(const char *rule, const ogv_dating_evidence *evidence,
                             const ogv_dating_estimate *estimates, size_t n, ogv_dating_choice *out, ogv_error *err);

/* The same without the reason (""), for long tables, where writing it would take most of the time. */
ogv_status ogv_dating_choose_wordless(const char *rule, const ogv_dating_evidence *evidence,
                                      const ogv_dating_estimate *estimates, size_t n, ogv_dating_choice *out,
                                      ogv_error *err);

/* GA in days on a date for a due date: 280 - (edd - date). */
static inline int ogv_ga_on(ogv_date edd, ogv_date date) { return 280 - (int)(edd - date); }

/* The precision-weighted (Bayesian, flat prior) due date from independent evidence: period, conception or transfer, and
 * the best single scan. NOT STANDARD PRACTICE: shown beside the rule's answer, never in its place (label says so).
 * Several scans of one fetus share its growth and are not independent, so only the most precise one counts; a due date
 * from elsewhere has no known basis and is left out. OGV_E_CONFLICT when the evidence disagrees beyond chance (p <
 * 0.01): then an average would be no estimate of anything. OGV_E_NOT_FOUND when there is nothing to combine. */
#define OGV_DATING_COMBINED_MAX 4
typedef struct ogv_dating_combined {
  double edd; /* days since 1970-01-01, fractional */
  double sd_days;
  double p;                                     /* chance of a disagreement this large; 1 with one piece of evidence */
  size_t used[OGV_DATING_COMBINED_MAX], n_used; /* indices of the evidence */
  const char *label;
} ogv_dating_combined;
ogv_status ogv_dating_combine(const ogv_dating_evidence *evidence, const ogv_dating_estimate *estimates, size_t n,
                              ogv_dating_combined *out, ogv_error *err);

/* 0 when the word is unknown. */
ogv_dating_basis ogv_dating_basis_of(const char *word);
const char *ogv_dating_word(ogv_dating_basis b); /* "lmp" "conception" "transfer" "crl" "sac" "biometry" "edd" */

#endif
