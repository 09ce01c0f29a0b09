/* The PDF file around the pages: what cairo cannot write is added by an incremental update (ISO 32000-1, 7.5.6), and
 * read back for verification. */
#ifndef REPORT_FILE_H
#define REPORT_FILE_H

#include <stddef.h>
#include <stdint.h>

#include "core_file.h"
#include "core_status.h"

typedef struct file_seal {
  char facts[OGV_SHA256_TEXT]; /* of the attached facts.json */
  char pages[OGV_SHA256_TEXT]; /* of the file before the update: every page, font and picture */
  char text[OGV_SHA256_TEXT];  /* of the words drawn, figures apart */
} file_seal;

typedef struct file_extra {
  const char *facts; /* canonical JSON */
  size_t facts_size;
  const char *title, *language, *created; /* created: RFC 3339 */
  const char *text_hash;
  char *const *alts; /* alternative text of each figure, in document order */
  size_t n_alts;
} file_extra;

/* base: a PDF as cairo 1.16 or later writes it. *out is malloc'ed. */
ogv_status file_extend(const void *base, size_t size, const file_extra *x, uint8_t **out, size_t *out_size,
                       ogv_error *err);

/* Reads the attached facts (malloc'ed, with a NUL) and the seal; pages_now is the hash of the bytes before the update
 * as they are now. OGV_E_NOT_FOUND when this is no report of ours or another program has rewritten it. */
ogv_status file_read(const void *pdf, size_t size, char **facts, size_t *facts_size, file_seal *seal,
                     char pages_now[OGV_SHA256_TEXT], ogv_error *err);

#endif
