/* Parts of ogv_facts_compose. One context goes through them; each fills its own members of the facts. */
#ifndef REPORT_COMPOSE_H
#define REPORT_COMPOSE_H

#include <jansson.h>
#include <stdbool.h>

#include "charts_chart.h"
#include "core_date.h"
#include "core_status.h"
#include "obstetrics_quantity.h"
#include "report_text.h"

typedef struct compose {
  json_t *facts;
  ogv_messages *m;
  ogv_date exam_date; /* OGV_DATE_NONE when the exam has no date */
  bool dated;
  ogv_date edd;
  double ga_sd;  /* days */
  bool circular; /* the age comes from this exam's own measurements */
} compose;

/* --- small things ---------------------------------------------------------------------------------------------- */
const json_t *compose_setting(const compose *c, const char *key); /* NULL when not set */
bool compose_date(const json_t *o, const char *key, ogv_date *out);
void compose_limit(compose *c, const char *code, const char *about, const char *what, const char *todo);
void compose_limit_message(compose *c, const char *code, const char *about, const char *message, const json_t *args);
/* Message text as a new JSON string; the id itself when the message is broken. args is released. */
json_t *compose_text(const compose *c, const char *message, json_t *args);
double compose_number(const json_t *o, const char *key); /* NaN when absent or null */
const json_t *compose_value(const json_t *values, const char *fetus, const char *quantity);
/* "± 6": half of the 95 % interval, with the quantity's decimals and never "± 0". */
json_t *compose_plus_minus(const compose *c, double half, int decimals);
const char *compose_quantity_name(const compose *c, const ogv_quantity *q); /* borrowed */
int compose_decimals(const ogv_quantity *q);

/* --- parts, in order ------------------------------------------------------------------------------------------- */
ogv_status compose_dating(compose *c, ogv_error *err);
/* Values in use of one exam's rows: measured ones, then derived, each with its judged centile (all charts when `full`).
 * mark: set "used" in the rows. New reference. */
json_t *compose_exam_values(compose *c, json_t *rows, ogv_date date, bool full, bool mark);
/* The members every value begins with: key, names, number, 95 % interval, printed forms. */
json_t *compose_value_head(const compose *c, const ogv_quantity *q, const char *fetus, const char *origin, double value,
                           double sd);
extern const char *const compose_quadrants[5]; /* the four pockets of the amniotic fluid index, then NULL */
void compose_derived(compose *c, json_t *values, const char *fetus, int ga_days, bool full); /* ga_days < 0: unknown */
void compose_centiles(compose *c, json_t *value, const json_t *values, double ga_days, bool full);
/* Centile of one value on one chart: the object of docs/facts.md, or one with "refused". */
json_t *compose_centile(compose *c, const ogv_chart *chart, const json_t *value, const json_t *values, double ga_days);
/* Rows of other exams grouped by exam, in time order: [{"exam","date","place","rows"}]. New reference. */
json_t *compose_history_groups(const json_t *history);
void compose_series(compose *c, json_t *values);
void compose_assessment(compose *c);
/* because: the facts that decide, each with its value and the limits it lies within; changes: what would change a rule
 * that is met; lacks: what is missing for one that is not. Into the answer, whose words are translated already. */
void compose_reasons(const compose *c, json_t *answer);
void compose_references(compose *c);
json_t *compose_compared(const compose *c, const char *quantity);
void compose_coverage(compose *c);
void compose_pictures(compose *c);
void compose_safety(compose *c);
void compose_colour(compose *c); /* colour_flow from colour_readings; neither without any */
void compose_sentences(compose *c);
void compose_limits(compose *c);
bool compose_maternal(const char *quantity); /* of the mother or of the pregnancy as a whole, not of one fetus */
void compose_coverage(compose *c);
void compose_coverage_sentences(compose *c);
void compose_open(compose *c);  /* what stands between this report and a signature */
void compose_edits(compose *c); /* last: sentences as a person changed them */

/* report_chorion.c: what is stated of the chorions, in words (new reference: {"what","signs","why"}), NULL when
 * nothing. */
json_t *compose_chorionicity(const compose *c);
/* Fills a structure of the coverage from the statement; its state. */
const char *compose_chorionicity_seen(const compose *c, json_t *structure);

#endif
