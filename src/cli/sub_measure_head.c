/* `ogive measure head`: see cli_read.c. */
#include "cli_read.h"

static int run(int argc, char **argv);
const ogv_command ogv_measure_head = {"head", "find and measure a head: HC, BPD, OFD, cephalic index",
                                      OGV_CLI_READ_HELP("head", "the head (HC, BPD, OFD, cephalic index)"), run};

static int run(int argc, char **argv) { return ogv_cli_read(&ogv_measure_head, OGV_PLANE_HEAD, argc, argv); }
