/* What growth allows: how far a measured size lies from what dates and other sizes of the same fetus would let one
 * expect. For judging whether a reading of a picture can be right, never for judging the fetus: that is done with the
 * department's charts. The default chart of the quantity is used (obstetrics_growth.h for change over time). */
#ifndef OBSTETRICS_PLAUSIBLE_H
#define OBSTETRICS_PLAUSIBLE_H

#include <stddef.h>

#include "core_status.h"

/* z of the value at that age. *chart (may be NULL): the chart's id, borrowed. OGV_E_NOT_FOUND without a default chart,
 * OGV_E_RANGE outside the chart's ages or where it resolves no z. value in the quantity's unit. */
ogv_status ogv_plausible_z(const char *quantity, double value, double ga_days, double *z, const char **chart,
                           ogv_error *err);
/* The age in days at which the value is the chart's median. Errors as above; OGV_E_RANGE beyond the chart's ends. */
ogv_status ogv_plausible_age(const char *quantity, double value, double *ga_days, ogv_error *err);

typedef struct ogv_known_size {
  const char *quantity; /* "hc" "bpd" "ac" "fl" ...; others are passed over */
  double value;         /* in its unit */
} ogv_known_size;

typedef struct ogv_plausibility {
  double z_age;         /* against the dates; NaN when they are unknown or outside the chart */
  double z_others;      /* against the other sizes (their mean z at the age, or the age that they show); NaN: none */
  double z;             /* the one nearer to 0: a reading that fits either is plausible; NaN when nothing is known */
  const char *against;  /* "the gestational age", "the other measurements", or "" */
  const char *chart_id; /* of the quantity; "" when nothing was judged */
} ogv_plausibility;

/* ga_days -1: unknown. Others of the same quantity, and those without a chart, are passed over. Never fails: what
 * cannot be judged is NaN. */
void ogv_plausibility_of(const char *quantity, double value, int ga_days, const ogv_known_size *others, size_t n,
                         ogv_plausibility *out);

#endif
