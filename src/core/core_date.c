#include "core_date.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Day arithmetic after Howard Hinnant's public-domain description of the civil calendar (eras of 400 years). */
static int32_t days_from_civil(int y, unsigned m, unsigned d) {
  y -= m <= 2;
  int era = (y >= 0 ? y : y - 399) / 400;
  unsigned yoe = (unsigned)(y - era * 400);
  unsigned doy = (153 * (m + (m > 2 ? -3u : 9u)) + 2) / 5 + d - 1;
  unsigned doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
  return era * 146097 + (int32_t)doe - 719468;
}

void ogv_date_to_ymd(ogv_date z, int *year, int *month, int *day) {
  z += 719468;
  int era = (z >= 0 ? z : z - 146096) / 146097;
  unsigned doe = (unsigned)(z - era * 146097);
  unsigned yoe = (doe - doe / 1460 + doe / 36524 - doe / 146096) / 365;
  unsigned doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
  unsigned mp = (5 * doy + 2) / 153;
  *day = (int)(doy - (153 * mp + 2) / 5 + 1);
  *month = (int)(mp < 10 ? mp + 3 : mp - 9);
  *year = (int)yoe + era * 400 + (*month <= 2);
}

ogv_status ogv_date_from_ymd(int year, int month, int day, ogv_date *out, ogv_error *err) {
  static const int length[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
  if (year < 1800 || year > 2200 || month < 1 || month > 12 || day < 1 ||
      day > length[month - 1] + (month == 2 && leap))
    return ogv_fail(err, OGV_E_INVALID, "Check day, month and year.", "%04d-%02d-%02d is not a day of the calendar",
                    year, month, day);
  *out = days_from_civil(year, (unsigned)month, (unsigned)day);
  return OGV_OK;
}

static bool digits(const char *s, int n, int *out) {
  int v = 0;
  for (int i = 0; i < n; i++) {
    if (!isdigit((unsigned char)s[i])) return false;
    v = v * 10 + (s[i] - '0');
  }
  *out = v;
  return true;
}

ogv_status ogv_date_parse(const char *text, ogv_date *out, ogv_error *err) {
  int y, m, d;
  size_t n = strlen(text);
  while (n && text[n - 1] == ' ') n--; /* DICOM pads with blanks */
  bool iso = n == 10 && text[4] == '-' && text[7] == '-' && digits(text, 4, &y) && digits(text + 5, 2, &m) &&
             digits(text + 8, 2, &d);
  if (!iso && !(n == 8 && digits(text, 4, &y) && digits(text + 4, 2, &m) && digits(text + 6, 2, &d)))
    return ogv_fail(err, OGV_E_INVALID, "Write dates as YYYY-MM-DD, for example 2026-11-25.", "\"%.40s\" is not a date",
                    text);
  return ogv_date_from_ymd(y, m, d, out, err);
}

const char *ogv_date_text(ogv_date d, char buf[OGV_DATE_TEXT]) {
  if (d == OGV_DATE_NONE) {
    buf[0] = 0;
    return buf;
  }
  int y, m, day;
  ogv_date_to_ymd(d, &y, &m, &day);
  if (y < 0 || y > 9999) {
    snprintf(buf, OGV_DATE_TEXT, "%04d-%02u-%02u", y % 10000, (unsigned)m % 100, (unsigned)day % 100);
    return buf;
  }
  const int digits[10] = {y / 1000, y / 100 % 10, y / 10 % 10, y % 10, -1, m / 10, m % 10, -1, day / 10, day % 10};
  for (int i = 0; i < 10; i++) buf[i] = (char)(digits[i] < 0 ? '-' : '0' + digits[i]); /* printf is slow in a table */
  buf[10] = 0;
  return buf;
}

ogv_date ogv_date_today(void) {
  time_t now = time(NULL);
  struct tm tm;
  localtime_r(&now, &tm);
  return days_from_civil(tm.tm_year + 1900, (unsigned)tm.tm_mon + 1, (unsigned)tm.tm_mday);
}

ogv_status ogv_ga_parse(const char *text, int *ga_days, ogv_error *err) {
  static const char hint[] = "Write gestational age as weeks and days, for example 20w3d or 20+3.";
  char *end;
  long w = strtol(text, &end, 10), d = 0;
  bool ok = end != text && isdigit((unsigned char)text[0]) && w <= 400;
  if (ok && *end == 'd' && !end[1]) {
    d = w;
    w = 0;
  } else if (ok && *end == 'w' && !end[1]) {
    d = 0;
  } else if (ok && (*end == 'w' || *end == '+') && isdigit((unsigned char)end[1])) {
    bool letter = *end == 'w';
    d = strtol(end + 1, &end, 10);
    ok = d <= 6 && (letter ? (end[0] == 'd' && !end[1]) : !end[0]);
  } else {
    ok = false;
  }
  if (!ok) return ogv_fail(err, OGV_E_INVALID, hint, "\"%.40s\" is not a gestational age", text);
  if (w * 7 + d > 45 * 7) return ogv_fail(err, OGV_E_RANGE, hint, "gestational age %.20s is beyond 45 weeks", text);
  *ga_days = (int)(w * 7 + d);
  return OGV_OK;
}

const char *ogv_ga_text(int ga_days, char buf[OGV_GA_TEXT]) {
  int a = ga_days < 0 ? -ga_days : ga_days;
  snprintf(buf, OGV_GA_TEXT, "%s%dw%dd", ga_days < 0 ? "-" : "", (a / 7) % 10000, a % 7);
  return buf;
}
