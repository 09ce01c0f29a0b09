/* Words of the reports, from the catalogues data/messages/<language>.json: templates with named fields, plurals by the
 * language's own rules, dates and numbers. docs/report.md has the format. */
#ifndef REPORT_TEXT_H
#define REPORT_TEXT_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_date.h"
#include "core_status.h"

typedef struct ogv_messages ogv_messages; /* immutable once loaded */

/* language: "en", "de", "es", "ar", ...; NULL or "" is English. A message that the language lacks is taken from the
 * built-in English. Every template is checked: OGV_E_INVALID names file, message and field when one asks for a field
 * that the report does not know there. OGV_E_NOT_FOUND lists the languages there are. Free with ogv_messages_free (NULL
 * is allowed). */
ogv_status ogv_messages_load(const char *language, ogv_messages **out, ogv_error *err);
void ogv_messages_free(ogv_messages *m);
const char *ogv_messages_language(const ogv_messages *m);
bool ogv_messages_right_to_left(const ogv_messages *m);

/* The catalogues there are: [{"language","name","about"}], by language; `about` says when a translation has not been
 * reviewed, "" otherwise. New reference. */
ogv_status ogv_messages_list(json_t **out, ogv_error *err);

/* Fills the template `id` with the members of args (strings, integers, reals; a real is printed with %g). *text is
 * malloc'ed. OGV_E_NOT_FOUND for an unknown id, OGV_E_INVALID naming a field of the template that args lacks. */
ogv_status ogv_message(const ogv_messages *m, const char *id, const json_t *args, char **text, ogv_error *err);
/* A message without fields, borrowed; the id itself when there is none, so that a gap is seen. */
const char *ogv_message_plain(const ogv_messages *m, const char *id);
bool ogv_message_known(const ogv_messages *m, const char *id);

/* Words that come from other data in English (titles of rules, names of structures, ...): the catalogue's "terms", else
 * the English itself. Borrowed. */
const char *ogv_message_term(const ogv_messages *m, const char *english);

#define OGV_MESSAGE_TEXT 64
/* 25 Nov 2026, in the language's order ("date" of the catalogue) and months; "" for OGV_DATE_NONE. Returns buf. */
const char *ogv_message_date(const ogv_messages *m, ogv_date d, char buf[OGV_MESSAGE_TEXT]);
/* A number with the language's decimal mark. Returns buf. */
const char *ogv_message_number(const ogv_messages *m, double v, int decimals, char buf[OGV_MESSAGE_TEXT]);
/* The plural form of the language for a whole number: "zero" "one" "two" "few" "many" "other" (Unicode CLDR rules). */
const char *ogv_message_plural(const char *language, long n);

#endif
