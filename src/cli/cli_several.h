/* Measuring commands over one file, several files or folders of them. */
#ifndef CLI_SEVERAL_H
#define CLI_SEVERAL_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core_status.h"
#include "core_text.h"

typedef struct ogv_cli_several {
  const char *called; /* "measure head", for messages */
  bool json;
  /* Reads one file: *out its answer (new reference; "accepted" says whether it stands), text the same for a person, as
   * lines with their ends (nothing when json). */
  ogv_status (*one)(void *user, const char *file, json_t **out, ogv_text *text, ogv_error *err);
  void *user;
} ogv_cli_several;

/* One file: its answer with "file", or the error. Several, or folders (every file below them, sorted): a JSON array
 * with an entry a file, or its text under the file's name; a file that cannot be read is told and passed over. Returns
 * the exit code: 0, 1 when all that were read are refused, for several 3 when none could be read. */
int ogv_cli_several_run(const ogv_cli_several *how, char *const *files, size_t n);

bool ogv_cli_folder(const char *path);

#endif
