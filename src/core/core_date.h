/* Civil dates (proleptic Gregorian, no time zone) and gestational age in whole days. */
#ifndef CORE_DATE_H
#define CORE_DATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

/* Days since 1970-01-01. Subtract two dates to get days. */
typedef int32_t ogv_date;
#define OGV_DATE_NONE INT32_MIN

/* Builds a date; year 1800..2200. OGV_E_INVALID for a day that does not exist (2025-02-29). */
ogv_status ogv_date_from_ymd(int year, int month, int day, ogv_date *out, ogv_error *err);
void ogv_date_to_ymd(ogv_date d, int *year, int *month, int *day);

/* Accepts 2026-11-25 and 20261125 (DICOM DA). Nothing else: 11/12/2026 is ambiguous and refused. */
ogv_status ogv_date_parse(const char *text, ogv_date *out, ogv_error *err);

#define OGV_DATE_TEXT 16
/* Writes YYYY-MM-DD (or "" for OGV_DATE_NONE) to buf and returns buf. */
const char *ogv_date_text(ogv_date d, char buf[OGV_DATE_TEXT]);

/* Today's civil date by the machine's local clock. */
ogv_date ogv_date_today(void);

/* Gestational age is a whole number of days. Accepts 20w3d, 20w, 20+3, 143d. Range 0..45 weeks. */
ogv_status ogv_ga_parse(const char *text, int *ga_days, ogv_error *err);
#define OGV_GA_TEXT 16
/* Writes 20w3d. Negative ages print with a leading minus. Returns buf. */
const char *ogv_ga_text(int ga_days, char buf[OGV_GA_TEXT]);

#endif
