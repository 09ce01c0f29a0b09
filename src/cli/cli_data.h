/* Checks a department's own data files before anything is computed with them. */
#ifndef CLI_DATA_H
#define CLI_DATA_H

#include "core_status.h"

/* Does nothing unless OGIVE_DATA names a folder: what is built in was checked by the tests. Else reads every table that
 * may be overridden there and refuses the first bad one, naming file, entry and field. A few milliseconds. */
ogv_status ogv_cli_check_data(ogv_error *err);

#endif
