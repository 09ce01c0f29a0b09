#ifndef INTAKE_INTERNAL_H
#define INTAKE_INTERNAL_H

#include <jansson.h>

#include "dicom_file.h"
#include "dicom_report.h"
#include "record_store.h"

/* Everything the record keeps about an object, as docs/record.md lists it. New reference, NULL when out of memory. */
json_t *ogv_intake_about(const ogv_dicom *d);

/* The items of a report as an array of objects (members of ogv_report_item), so that they can be held until their turn.
 */
ogv_status ogv_intake_read_items(ogv_dicom *d, json_t **out, ogv_error *err);

/* Due date and last period that the items state ("" when none), for finding the pregnancy. */
void ogv_intake_dates_of(const json_t *items, char lmp[OGV_DATE_TEXT], char edd[OGV_DATE_TEXT]);

/* Appends the items of a report object to the ledger and the evidence. fresh: the report was not in the record before;
 * then readings that an earlier report had and this one lacks are noted. line["items"] is filled:
 * {"measurements":n,"known":n,"evidence":n,"unused":[{"path","meaning","why"}]}. */
ogv_status ogv_intake_items(ogv_store *s, const json_t *items, const char *object, const char *exam, const char *who,
                            bool fresh, json_t *line, ogv_error *err);

/* Last period stated by a picture's header, as evidence; adds it once. */
ogv_status ogv_intake_lmp(ogv_store *s, const char *exam, const char *object, const char *lmp, const char *path,
                          const char *who, ogv_error *err);

/* Id of the exam's pregnancy. */
ogv_status ogv_intake_pregnancy_of(ogv_store *s, const char *exam, char pregnancy[20], ogv_error *err);

/* "A" for the only fetus; letters and numbers, alone or after a word ("Fetus 2"), become a letter; others stay. */
void ogv_intake_fetus(const char *sent, char label[32]);

#endif
