/* `ogive date EXAM`: dating an exam of the record, beside the calculator in cmd_date.c. */
#ifndef CLI_DATE_H
#define CLI_DATE_H

#include <jansson.h>
#include <stdbool.h>

/* Adds the pieces of `evidence` (an array in the shape of obstetrics_dating_json.h, maybe empty) to the pregnancy of
 * the exam, decides over all its evidence by `rule` (NULL: the department's or the default) and stores the decision;
 * `why` is the reason given for changing a decision that stands, or NULL. Prints, and returns the exit code. Looked up
 * weakly by cmd_date.c: without cli_date_exam.c in the build the command is a calculator only. */
int ogv_cli_date_exam(const char *exam, const json_t *evidence, const char *rule, const char *why, bool json);

/* Prints a decision of ogv_dating_decide for people; ga_on: also the age on that day (OGV_DATE_NONE: not). */
void ogv_cli_date_print(const json_t *decision, int ga_on);

#endif
