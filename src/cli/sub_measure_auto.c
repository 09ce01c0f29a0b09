/* `ogive measure auto`: see cli_read.c. */
#include "cli_read.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_auto = {"auto", "find out which plane it is, then measure it",
                                      OGV_CLI_READ_HELP("auto", "head, abdomen or femur, whichever the picture shows,"),
                                      run};

static int run(int argc, char **argv) { return ogv_cli_read(&ogv_measure_auto, OGV_PLANE_OTHER, argc, argv); }
