/* Contact sheets and the parents' page, as `ogive report` and `ogive print` ask for them. */
#ifndef CLI_PRINTS_H
#define CLI_PRINTS_H

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>

#include "cli_args.h"
#include "record_store.h"

typedef struct ogv_cli_prints {
  const char *contact, *message; /* contact: "3x4" or "auto"; NULL when pictures are not asked for */
  ogv_arg_list pictures;
  bool parents, landscape, anonymous, marks;
} ogv_cli_prints;

/* The options of an ogv_cli_prints, for a table of ogv_arg. */
#define OGV_CLI_PRINTS(p)                                                                             \
  {"--contact", OGV_ARG_TEXT, &(p).contact}, {"--parents", OGV_ARG_FLAG, &(p).parents},               \
      {"--landscape", OGV_ARG_FLAG, &(p).landscape}, {"--no-identity", OGV_ARG_FLAG, &(p).anonymous}, \
      {"--marks", OGV_ARG_FLAG, &(p).marks}, {"--message", OGV_ARG_TEXT, &(p).message}, {             \
    "--picture", OGV_ARG_MANY, &(p).pictures                                                          \
  }

/* store may be NULL (facts alone): pictures stay out. *data is malloc'ed. */
ogv_status ogv_cli_prints_pdf(const ogv_cli_prints *p, const json_t *facts, ogv_store *store, uint8_t **data,
                              size_t *size, ogv_error *err);

#endif
