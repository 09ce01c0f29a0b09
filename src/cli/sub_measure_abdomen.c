/* `ogive measure abdomen`: see cli_read.c. */
#include "cli_read.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_abdomen = {"abdomen", "find and measure an abdomen: AC",
                                         OGV_CLI_READ_HELP("abdomen", "the abdomen (AC and its diameters)"), run};

static int run(int argc, char **argv) { return ogv_cli_read(&ogv_measure_abdomen, OGV_PLANE_ABDOMEN, argc, argv); }
