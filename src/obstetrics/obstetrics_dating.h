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
  ogv_date date;         /* of the period, transfer, or scan; the EDD itself for OGV_DATING_EDD */
  int cycle_days;        /* LMP: usual cycle length, 0 unknown (28 is used) */
  bool certain;          /* LMP: date certain and cycle regular */
  int embryo_age_days;
  double value_mm;       /* CRL or MSD */
  double bpd_mm, hc_mm, ac_mm, fl_mm; /* BPD outer-inner for the formulas that want it: see ogv_dating_estimate */
  const char *formula;   /* id, or NULL for the default of this basis */
} ogv_dating_evidence;

typedef struct ogv_dating_estimate {
  ogv_date edd;       /* whole day */
  double ga_days_at_date; /* gestational age on evidence.date, unrounded (days) */
  double sd_days;     /* one SD of the age by this evidence */
  const char *formula;  /* id actually used, e.g. "crl-intergrowth" */
  const char *citation;
  char note[200];     /* e.g. "cycle of 35 days moves the due date by 7 days"; "" when none */
} ogv_dating_estimate;

/* OGV_E_RANGE outside the formula's range, OGV_E_INVALID for impossible input (60-day cycle, CRL in cm, EDD before LMP). */
ogv_status ogv_dating_estimate_from(const ogv_dating_evidence *e, ogv_dating_estimate *out, ogv_error *err);

typedef struct ogv_dating_choice {
  size_t chosen;         /* index of the evidence that decides */
  ogv_date edd;
  double sd_days;
  const char *rule;      /* id: "acog700" or "scan-always" */
  char reason[400];      /* one sentence a clinician can check: which, by how much, threshold, rule */
} ogv_dating_choice;

/* Applies a redating rule set to all evidence (estimates[i] belongs to evidence[i]; sd_days < 0 marks one that failed and
 * is ignored). OGV_E_NOT_FOUND when nothing dates the pregnancy. */
ogv_status ogv_dating_choose(const char *rule, const ogv_dating_evidence *evidence, const ogv_dating_estimate *estimates,
                             size_t n, ogv_dating_choice *out, ogv_error *err);

/* GA in days on a date for a due date: 280 - (edd - date). */
static inline int ogv_ga_on(ogv_date edd, ogv_date date) { return 280 - (int)(edd - date); }

const char *ogv_dating_word(ogv_dating_basis b); /* "lmp" "conception" "transfer" "crl" "sac" "biometry" "edd" */

#endif
