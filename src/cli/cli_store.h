/* What commands on the record share: opening it, who is at work, printing ages and values. */
#ifndef CLI_STORE_H
#define CLI_STORE_H

#include "record_store.h"

/* Opens the record of OGIVE_HOME. Close with ogv_store_close. */
ogv_status ogv_cli_open_store(ogv_store **out, ogv_error *err);
/* For commands that only look: a read-only folder will do (ogv_store_open_reading). */
ogv_status ogv_cli_open_store_reading(ogv_store **out, ogv_error *err);
/* `given`, else OGIVE_USER, else the log-in name of this machine; never empty. */
const char *ogv_cli_who(const char *given);
/* "20w3d" for a date under a due date (texts), "" when either is missing. */
const char *ogv_cli_age(const char *edd, const char *date, char buf[OGV_GA_TEXT]);

#endif
