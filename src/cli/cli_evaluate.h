/* Judging the second reader against truth: rows, statistics, a picture. */
#ifndef CLI_EVALUATE_H
#define CLI_EVALUATE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"

typedef struct eval_row {
  char file[256], group[32];
  double truth, value, sd;               /* mm */
  double dice;                           /* NaN without a mask */
  double bpd, bpd_truth, ofd, ofd_truth; /* NaN when unknown */
  double acceptance;
  bool accepted, found;
} eval_row;

typedef struct eval_rows {
  eval_row *row;
  size_t n;
} eval_rows;

/* Statistics of the rows of one group (NULL: all). New reference. */
json_t *eval_summary(const eval_rows *rows, const char *group);
void eval_print(const json_t *summary, const char *title);
/* Bland-Altman picture (difference against mean), SVG or PNG by the file's ending. */
ogv_status eval_picture(const eval_rows *rows, const char *title, const char *path, ogv_error *err);

#endif
