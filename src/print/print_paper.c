#include "private/print_paper.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

/* Common sheets; dimensions from their names in PWG 5101.1-2013, table 2 and 5. */
static const struct {
  const char *id, *word, *name;
} papers[] = {
    {"iso_a3_297x420mm", "A3", "A3 (297 × 420 mm)"},
    {"iso_a4_210x297mm", "A4", "A4 (210 × 297 mm)"},
    {"iso_a5_148x210mm", "A5", "A5 (148 × 210 mm)"},
    {"iso_b5_176x250mm", "B5", "B5 (176 × 250 mm)"},
    {"jis_b5_182x257mm", "JIS-B5", "B5 JIS (182 × 257 mm)"},
    {"na_letter_8.5x11in", "letter", "Letter (8.5 × 11 in)"},
    {"na_legal_8.5x14in", "legal", "Legal (8.5 × 14 in)"},
    {"na_executive_7.25x10.5in", "executive", "Executive (7.25 × 10.5 in)"},
    {"na_ledger_11x17in", "tabloid", "Tabloid (11 × 17 in)"},
};

bool print_paper_name(const char *id, char *name, size_t size) {
  for (size_t i = 0; i < sizeof papers / sizeof *papers; i++) {
    if (strcmp(papers[i].id, id)) continue;
    snprintf(name, size, "%s", papers[i].name);
    return true;
  }
  return false;
}

bool print_paper_is(const char *id, const char *word) {
  if (!strcmp(id, word)) return true;
  for (size_t i = 0; i < sizeof papers / sizeof *papers; i++)
    if (!strcmp(papers[i].id, id) && !strcasecmp(papers[i].word, word)) return true;
  return false;
}
