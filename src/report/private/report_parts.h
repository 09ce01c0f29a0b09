/* The parts of the report, each drawn onto the sheet from the facts. */
#ifndef REPORT_PARTS_H
#define REPORT_PARTS_H

#include "report_sheet.h"

/* Numbered sources: a citation gets its number when it is first used. */
#define PARTS_REFERENCES 64
typedef struct part_references {
  const char *list[PARTS_REFERENCES];
  int n;
} part_references;
int part_reference(part_references *r, const char *citation); /* 1.., 0 for an empty one */

void part_letterhead(sheet *s); /* the department; nothing when it is not set up */
void part_head(sheet *s);
void part_conclusion(sheet *s, part_references *r);
void part_dating(sheet *s, part_references *r);
void part_measurements(sheet *s, part_references *r);
void part_growth(sheet *s);
void part_assessment(sheet *s, part_references *r);
void part_compared(sheet *s, part_references *r);
void part_findings(sheet *s, part_references *r);
void part_coverage(sheet *s, part_references *r); /* what the protocol asks for; without one, the findings alone */
void part_amendment(sheet *s);                    /* what an amended report changes; nothing for others */
void part_colour(sheet *s);                       /* colour flow that was kept; nothing without any */
void part_pictures(sheet *s);
void part_safety(sheet *s, part_references *r);
void part_limits(sheet *s);
void part_evidence(sheet *s);
void part_references_list(sheet *s, const part_references *r);
void part_sign(sheet *s);
void part_signoff(sheet *s); /* critical results, what is still to be signed */

/* Shared: a message filled from args (released), malloc'ed; never NULL. */
char *part_message(const sheet *s, const char *id, json_t *args);
const char *part_string(const json_t *o, const char *key);
double part_number(const json_t *o, const char *key);
const char *part_date(const sheet *s, const json_t *o, const char *key,
                      char buf[OGV_MESSAGE_TEXT]); /* "" when absent */
/* The civil date (UTC) of an RFC 3339 time. */
const char *part_moment(const sheet *s, const json_t *o, const char *key, char buf[OGV_MESSAGE_TEXT]);

#endif
