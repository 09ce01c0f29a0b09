/* `ogive measure femur`: see cli_read.c. */
#include "cli_read.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_femur = {"femur", "find and measure a femur: FL",
                                       OGV_CLI_READ_HELP("femur", "the femur (FL)"), run};

static int run(int argc, char **argv) { return ogv_cli_read(&ogv_measure_femur, OGV_PLANE_FEMUR, argc, argv); }
