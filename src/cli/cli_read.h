/* What `ogive measure head`, `abdomen`, `femur` and `auto` share. */
#ifndef CLI_READ_H
#define CLI_READ_H

#include "cli_command.h"
#include "measure_auto.h"

/* kind OGV_PLANE_OTHER: find out which plane it is. */
int ogv_cli_read(const ogv_command *c, ogv_plane kind, int argc, char **argv);

#define OGV_CLI_READ_HELP(word, what)                                                                               \
  "usage: ogive measure " word                                                                                      \
  " FILE-or-FOLDER... [--json] [--pixel-mm X] [--at X,Y] [--frame N] [--ga 20w3d] [--weights PREFIX]\n\n"           \
  "Measures " what                                                                                                  \
  " on a DICOM object or a PNG picture by the second reader, and says how sure it is. A clip is read\n"             \
  "frame by frame unless --frame picks one, from 1. --pixel-mm gives the size of a pixel where the file has none; " \
  "--at is a\n"                                                                                                     \
  "point inside the structure when the program did not find it by itself. --weights names other networks.\n"        \
  "It proposes; a qualified person decides.\n\n"                                                                    \
  "example: ogive measure " word                                                                                    \
  " still.png --pixel-mm 0.2 --json\n\n"                                                                            \
  "exit codes: 0 accepted, 1 refused (the reason is said), 2 usage, 3 bad input, 4 no such file\n"

#endif
