/* Paper sizes that a report can go onto, by their names of PWG 5101.1. */
#ifndef PRINT_PAPER_H
#define PRINT_PAPER_H

#include <stdbool.h>
#include <stddef.h>

/* "A4 (210 x 297 mm)" for iso_a4_210x297mm. False for what is no sheet for a report: envelopes, labels, rolls, trays.
 */
bool print_paper_name(const char *id, char *name, size_t size);
/* Whether a person's word ("A4", "letter", or the id itself) means this paper. */
bool print_paper_is(const char *id, const char *word);

#endif
