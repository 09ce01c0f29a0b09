/* Person names for display. */
#include <ctype.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "dicom_file.h"

#define PART 256

/* Scanners store names in capitals. Only words that are capitals throughout are changed, and only letters whose lower
 * case is sure: ASCII and the Latin-1 letters of UTF-8 (C3 80..9E). */
static void soften(char *s) {
  for (const char *p = s; *p; p++)
    if (islower((unsigned char)*p)) return;
  bool first = true;
  for (unsigned char *p = (unsigned char *)s; *p; p++) {
    if (p[0] == 0xC3 && p[1] >= 0x80 && p[1] <= 0x9E && p[1] != 0x97) {
      if (!first) p[1] += 0x20;
      p++;
      first = false;
    } else if (isupper(*p)) {
      if (!first) *p = (unsigned char)tolower(*p);
      first = false;
    } else if (*p >= 0x80) {
      first = false;
    } else {
      first = true;
    }
  }
}

static void add(char *buf, size_t size, const char *s) {
  size_t n = strlen(buf);
  if (*s && n + 1 < size) snprintf(buf + n, size - n, "%s%s", n ? " " : "", s);
}

/* Components of one group: family ^ given ^ middle ^ prefix ^ suffix. */
static void split(const char *group, size_t n, char part[5][PART]) {
  memset(part, 0, 5 * sizeof part[0]);
  size_t k = 0, at = 0;
  for (size_t i = 0; i < n && k < 5; i++) {
    if (group[i] == '^') {
      k++;
      at = 0;
    } else if (at + 1 < PART && (at > 0 || group[i] != ' ')) {
      part[k][at++] = group[i];
    }
  }
  for (int i = 0; i < 5; i++)
    for (size_t l = strlen(part[i]); l > 0 && part[i][l - 1] == ' '; l--) part[i][l - 1] = 0;
}

/* Cuts a letter that the end of the buffer split. */
static void whole_letters(char *buf) {
  size_t n = strlen(buf), i = n;
  while (i > 0 && ((unsigned char)buf[i - 1] & 0xC0) == 0x80) i--;
  if (i == 0) return;
  unsigned char lead = (unsigned char)buf[i - 1];
  size_t want = lead < 0x80 ? 1 : lead >= 0xF0 ? 4 : lead >= 0xE0 ? 3 : 2;
  if (i - 1 + want > n) buf[i - 1] = 0;
}

void ogv_dicom_name_text(const char *pn, char *buf, size_t size) {
  if (size == 0) return;
  buf[0] = 0;
  char part[5][PART], other[2 * PART * 5] = "";
  const char *group = pn;
  for (int g = 0; g < 3; g++) {
    size_t n = strcspn(group, "=");
    split(group, n, part);
    if (g == 0) {
      static const int order[] = {3, 1, 2, 0}; /* prefix given middle family */
      for (int i = 0; i < 4; i++) {
        soften(part[order[i]]);
        add(buf, size, part[order[i]]);
      }
      add(buf, size, part[4]);
    } else if (part[0][0] || part[1][0]) { /* family first, as these scripts write it */
      char name[2 * PART] = "";
      add(name, sizeof name, part[0]);
      add(name, sizeof name, part[1]);
      size_t l = strlen(other);
      snprintf(other + l, sizeof other - l, "%s%s", l ? ", " : "", name);
    }
    if (!group[n]) break;
    group += n + 1;
  }
  if (*other && *buf) {
    size_t n = strlen(buf);
    snprintf(buf + n, size - n, " (%s)", other);
  } else if (*other) {
    snprintf(buf, size, "%s", other);
  }
  whole_letters(buf);
}
